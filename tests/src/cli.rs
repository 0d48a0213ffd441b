//! Running the real command line, as a user would.

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
    /// Standard output as JSON lines.
    ///
    /// # Panics
    /// When a line is not JSON.
    #[must_use]
    pub fn json(&self) -> Vec<serde_json::Value> {
        let parse = |line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}"));
        self.out.lines().map(parse).collect()
    }
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
