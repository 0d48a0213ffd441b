//! Outside witnesses, short: a board in Python that somebody else wrote from the standard is examined, good
//! and of other habits than ours, and with a fault. This repository holds no copy of it: without
//! `../shared/peers` (or the folder that `PAYRIG_PEERS` names) the test says that it is skipped, as without
//! pyserial. `.ci/witnesses` is the whole.

use payrig_tests::cli::{binary, file, root};
use std::path::PathBuf;
use std::process::Command;

/// The exit code of a run whose peers or pyserial are not there.
const SKIPPED: i32 = 77;

fn peers() -> PathBuf {
    match std::env::var_os("PAYRIG_PEERS") {
        Some(peers) => peers.into(),
        None => root().join("../shared/peers"),
    }
}

/// Boards that are good by the standard and keep credit after a sale, deliver in 8 s, have no escrow or speak
/// level 2 are not accused (5.3, 6.3 BILL TYPE, 7.4.2, 2.4.4: none of these is demanded otherwise); one whose
/// every tenth command has a wrong CHK (2.2) is.
#[test]
fn a_board_of_somebody_else_is_judged_by_the_standard() {
    let python = std::env::var("PAYRIG_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let run = Command::new(&python)
        .arg(file("tests/python/witnesses.py"))
        .arg(peers())
        .arg(binary())
        .args(["short", "--jobs", "2"])
        .output();
    let run = match run {
        Ok(run) => run,
        Err(why) => {
            eprintln!("SKIPPED live::witnesses: {python} cannot be run: {why}");
            return;
        }
    };
    let out = String::from_utf8_lossy(&run.stdout);
    let err = String::from_utf8_lossy(&run.stderr);
    match run.status.code() {
        Some(SKIPPED) => eprintln!("SKIPPED live::witnesses: {}", out.trim()),
        // Runs that this machine was too busy for are named in the table, and accuse nobody.
        code => assert_eq!(code, Some(0), "{out}\n{err}"),
    }
}
