//! `decode.c`, compiled with the header and linked with the library, as a project in C would.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// The library as it was built for this test: the newest one beside it.
fn library() -> PathBuf {
    let beside = std::env::current_exe().unwrap();
    let folder = beside.parent().unwrap();
    let ours = |path: &PathBuf| {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        name.starts_with("libpayrig_mdb_c") && name.ends_with(".a")
    };
    let built = |path: &PathBuf| path.metadata().and_then(|m| m.modified()).unwrap();
    let all = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    all.filter(ours).max_by_key(built).unwrap()
}

#[test]
fn a_program_in_c_emits_and_decodes_blocks() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let out = tempfile::tempdir().unwrap();
    let program = out.path().join("decode");
    let compiled = Command::new("cc")
        .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-I"])
        .arg(folder.join("include"))
        .arg(folder.join("tests/decode.c"))
        .arg(library())
        .args(["-lpthread", "-ldl", "-lm", "-o"])
        .arg(&program)
        .output();
    let compiled = match compiled {
        Ok(compiled) => compiled,
        Err(error) => {
            eprintln!("!!! SKIPPED: the C test of payrig-mdb-c: no C compiler (cc): {error}");
            return;
        }
    };
    let text = String::from_utf8_lossy(&compiled.stderr);
    assert!(compiled.status.success(), "cc: {text}");
    let ran = Command::new(&program).output().unwrap();
    let text = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success(), "{text}");
}
