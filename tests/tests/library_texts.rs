//! What library crates say is said in a library's words: no flag of the command line and none of its
//! sub-commands. The command line adds those (`crates/payrig/src/advice.rs`).

use std::path::{Path, PathBuf};

/// Those that are the command line, or a front end of it.
const NOT_LIBRARIES: [&str; 2] = ["payrig", "mdb-c"];

fn sources(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

/// The code of a line of Rust that may say something: not a remark, nor why a test is ignored.
fn code(line: &str) -> &str {
    let remark = ["//", "#[ignore"]
        .iter()
        .any(|start| line.trim_start().starts_with(start));
    if remark { "" } else { line }
}

/// A flag in a text: two dashes and a letter, at its start or after something that is no dash.
fn names_a_flag(code: &str) -> bool {
    code.match_indices("--").any(|(at, _)| {
        let before = code[..at].chars().next_back();
        let after = code[at + 2..].chars().next();
        before != Some('-') && after.is_some_and(|c| c.is_ascii_lowercase())
    })
}

fn names_a_command(code: &str) -> bool {
    ["`payrig ", "'payrig "]
        .iter()
        .any(|said| code.contains(said))
}

#[test]
fn libraries_name_no_flag_and_no_sub_command() {
    let crates = payrig_tests::cli::file("crates");
    let (mut wrong, mut looked_at) = (Vec::new(), 0);
    for entry in std::fs::read_dir(crates).unwrap() {
        let folder = entry.unwrap();
        let name = folder.file_name().into_string().unwrap();
        if NOT_LIBRARIES.contains(&name.as_str()) || !folder.path().join("src").is_dir() {
            continue;
        }
        let mut files = Vec::new();
        sources(&folder.path().join("src"), &mut files);
        for file in files {
            looked_at += 1;
            let text = std::fs::read_to_string(&file).unwrap();
            for (number, line) in text.lines().enumerate() {
                let code = code(line);
                // What `serve` describes of its server is of the command `payrig serve`.
                if names_a_flag(code) || name != "serve" && names_a_command(code) {
                    wrong.push(format!(
                        "{}:{}: {}",
                        file.display(),
                        number + 1,
                        line.trim()
                    ));
                }
            }
        }
    }
    assert!(looked_at > 400, "{looked_at} files");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_flag_is_known_by_its_dashes() {
    for flag in ["\"give --link\"", "\"--coding\"", "(--pulse-link)"] {
        assert!(names_a_flag(flag), "{flag}");
    }
    for other in ["\"a -- b\"", "\"----\"", "x --; y", "\"---a\""] {
        assert!(!names_a_flag(other), "{other}");
    }
    assert!(names_a_command("\"choose one of 'payrig ports'\""));
    assert!(!names_a_command("use payrig_units::Micros;"));
}
