//! Running the real command line, as a user would.

use jsonschema::Validator;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::sync::OnceLock;

/// What a run of the command line printed, and how it ended.
#[derive(Debug)]
pub struct Ran {
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
    /// Exit code.
    pub code: i32,
}

impl Ran {
    /// Standard output as [`json_lines`].
    ///
    /// # Panics
    /// As there, and when the last line does not say how it ended.
    #[must_use]
    pub fn json(&self) -> Vec<Value> {
        let last = self.out.lines().last().map(serde_json::from_str::<Value>);
        let last = last.expect("a line").expect("JSON");
        assert_eq!(last["type"], "end", "{last}");
        assert_eq!(last["exit"], self.code, "{last}");
        json_lines(&self.out)
    }
}

/// The schemas in the guide, by name.
fn schemas() -> &'static BTreeMap<String, Validator> {
    static SCHEMAS: OnceLock<BTreeMap<String, Validator>> = OnceLock::new();
    SCHEMAS.get_or_init(|| {
        let files = std::fs::read_dir(file("docs/src/schema")).expect("the schemas");
        let schema = |path: PathBuf| {
            let text = std::fs::read_to_string(path).expect("a schema");
            let schema: Value = serde_json::from_str(&text).expect("JSON");
            let name = schema["title"].as_str().expect("a name").to_owned();
            (
                name,
                jsonschema::draft202012::new(&schema).expect("a schema"),
            )
        };
        files.map(|f| schema(f.expect("a file").path())).collect()
    })
}

/// Why a value, a line or a whole file, is not what the schema of this name says.
///
/// # Panics
/// When there is no such schema.
#[must_use]
pub fn against(schema: &str, value: &Value) -> Vec<String> {
    let schema = schemas()
        .get(schema)
        .unwrap_or_else(|| panic!("no schema {schema}"));
    schema.iter_errors(value).map(|e| e.to_string()).collect()
}

/// Lines of JSON as the command line writes them, every one held to the schema that the first names; given
/// back is what was found, without the first and last and what is said beside it.
///
/// # Panics
/// When a line is not JSON, or not of the schema.
#[must_use]
pub fn json_lines(out: &str) -> Vec<Value> {
    let parse = |line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}"));
    let lines: Vec<Value> = out.lines().map(parse).collect();
    let Some(first) = lines.first() else {
        return lines;
    };
    assert_eq!(first["type"], "header", "{first}");
    let schema = first["schema"].as_str().expect("a schema").to_owned();
    for line in &lines {
        let why = against(&schema, line);
        assert!(why.is_empty(), "{line} is not of {schema}: {why:?}");
    }
    const BESIDE: [&str; 6] = ["header", "ready", "notice", "warning", "wrote", "end"];
    let found = |line: &Value| !BESIDE.iter().any(|kind| line["type"] == *kind);
    lines.into_iter().filter(found).collect()
}

/// The workspace.
#[must_use]
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// A file of the repository, by its path from the root.
#[must_use]
pub fn file(name: &str) -> PathBuf {
    root().join(name)
}

/// The path of the binary. Cargo builds it with the tests of its own package, and says where it is
/// when it runs them.
///
/// # Panics
/// When the program was not started by cargo (or nextest).
pub fn binary() -> &'static Path {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(|| {
        std::env::var_os("CARGO_BIN_EXE_payrig")
            .expect("CARGO_BIN_EXE_payrig: run the tests with cargo test --test end_to_end")
            .into()
    })
}

/// Runs `payrig` with these arguments in a folder.
///
/// # Panics
/// When it cannot be started, or is ended by a signal.
pub fn payrig_in<S: AsRef<std::ffi::OsStr>>(folder: &Path, arguments: &[S]) -> Ran {
    let output = Command::new(binary())
        .args(arguments)
        .current_dir(folder)
        .env_remove("PAYRIG_LOG")
        .output()
        .expect("payrig starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    let code = output.status.code().expect("ended by itself");
    Ran {
        out: text(output.stdout),
        err: text(output.stderr),
        code,
    }
}

/// Runs `payrig` with these arguments in an empty folder.
///
/// # Panics
/// As [`payrig_in`].
pub fn payrig<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> Ran {
    let folder = tempfile::tempdir().expect("a folder");
    payrig_in(folder.path(), arguments)
}

/// Carries bytes from one terminal to the other for as long as both are there.
///
/// # Panics
/// When one of them cannot be opened.
pub fn pump(from: &str, to: &str) {
    let open = |path: &str| {
        std::fs::OpenOptions::new()
            .read(true)
            .write(true)
            .open(path)
            .unwrap()
    };
    let (mut from, mut to) = (open(from), open(to));
    std::thread::spawn(move || {
        let mut bytes = [0; 256];
        while let Ok(count) = from.read(&mut bytes) {
            if count == 0 || to.write_all(&bytes[..count]).is_err() {
                return;
            }
        }
    });
}

/// Presses Ctrl-C at a process: sends it SIGINT.
///
/// # Panics
/// When there is no such process.
pub fn interrupt(process: &Child) {
    let command = format!("kill -INT {}", process.id());
    let sent = Command::new("sh").args(["-c", &command]).status();
    assert!(sent.expect("a shell").success());
}
