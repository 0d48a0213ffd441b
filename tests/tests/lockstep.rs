//! `--peer`: programs in lock-step at the other end of a run and of an examination, made from
//! `docs/src/lockstep.md` alone; bad ones; and the outside witnesses. Nothing here waits for the clock, but for
//! one peer that hangs until the end is asked for.
#![cfg(unix)]

use payrig_tests::cli::{Ran, binary, file, interrupt, payrig, payrig_in, root};
use serde_json::Value;
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write as _};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The exit code of witnesses that are not there.
const SKIPPED: i32 = 77;

fn python() -> Option<String> {
    let python = std::env::var("PAYRIG_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let there = Command::new(&python).arg("--version").output().is_ok();
    if !there {
        eprintln!("SKIPPED lockstep: {python} cannot be run");
    }
    there.then_some(python)
}

fn changer(python: &str) -> String {
    let script = file("tests/python/lockstep_changer.py");
    format!("{python} '{}'", script.display())
}

/// The board in C, compiled; none, said aloud, without a compiler.
fn board(folder: &Path) -> Option<PathBuf> {
    let program = folder.join("lockstep_board");
    let compiled = Command::new("cc")
        .args(["-Wall", "-Wextra", "-Werror", "-O1", "-o"])
        .args([&program, &file("tests/c/lockstep_board.c")])
        .output();
    let Ok(compiled) = compiled else {
        eprintln!("SKIPPED lockstep: there is no C compiler (cc)");
        return None;
    };
    let error = String::from_utf8_lossy(&compiled.stderr);
    assert!(compiled.status.success(), "{error}");
    Some(program)
}

const HEAD: &str = r#"
[bench]
name = "In lock-step"
seed = 7
[board]
kind = "controller"
[[board.item]]
number = 11
name = "Crisps"
price = "0.65"
[[device]]
kind = "changer"
name = "changer"
level = 2
"#;

/// A dollar in, crisps for 0.65, 0.35 back.
const SALE: &str = r#"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-coin"
value = "1.00"
after = "1 s"
[[script]]
do = "select"
item = 11
after = "3 s"
[[script]]
expect = "balance"
place = "customer"
minus = "0.65"
within = "8 s"
"#;

fn rig(folder: &Path, script: &str) -> PathBuf {
    let path = folder.join("rig.toml");
    std::fs::write(&path, format!("{HEAD}{script}")).unwrap();
    path
}

fn run(folder: &Path, peer: &str, more: &[&str]) -> Ran {
    let mut arguments = vec!["run", "rig.toml", "--peer", peer, "--overwrite"];
    arguments.extend(["--record", "run.jsonl"]);
    arguments.extend(more);
    payrig_in(folder, &arguments)
}

/// Our board sells with a changer in Python: the same recording each time, judged again with the same verdict,
/// and of no day.
#[test]
fn a_changer_in_python_sells_and_gives_the_same_recording_each_time() {
    let Some(python) = python() else { return };
    let folder = tempfile::tempdir().unwrap();
    rig(folder.path(), SALE);
    let recording = || {
        let ran = run(folder.path(), &changer(&python), &["--role", "board"]);
        assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
        std::fs::read_to_string(folder.path().join("run.jsonl")).unwrap()
    };
    let first = recording();
    assert_eq!(first, recording());
    let header: Value = serde_json::from_str(first.lines().next().unwrap()).unwrap();
    assert_eq!(
        (&header["seed"], &header["started"]),
        (&7.into(), &Value::Null)
    );
    let uncertain = first
        .lines()
        .filter(|l| l.contains("uncertainty_us") && !l.contains("\"uncertainty_us\":0"));
    assert_eq!(uncertain.count(), 0, "times are exact");
    let again = payrig_in(folder.path(), &["read", "run.jsonl"]);
    assert_eq!(again.code, 0, "{}\n{}", again.out, again.err);
}

/// A board in C sells from our devices, pressed by the script: the step goes to it.
#[test]
fn a_board_in_c_sells_for_a_script_that_presses_at_it() {
    let folder = tempfile::tempdir().unwrap();
    let Some(board) = board(folder.path()) else {
        return;
    };
    rig(folder.path(), SALE);
    let ran = run(folder.path(), board.to_str().unwrap(), &[]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    // It has no such selection: the step fails, and says why.
    let dance = "[[script]]\ndo = \"wait-ready\"\n[[script]]\ndo = \"service\"\non = true\n";
    rig(folder.path(), dance);
    let ran = run(folder.path(), board.to_str().unwrap(), &[]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(
        ran.out
            .contains("the peer cannot do that: this board has no such thing"),
        "{}",
        ran.out
    );
}

fn outcome<'a>(lines: &'a [Value], id: &str) -> (&'a str, &'a str) {
    let check = lines.iter().find(|l| l["type"] == "check" && l["id"] == id);
    let check = check.unwrap_or_else(|| panic!("{id}"));
    (
        check["outcome"].as_str().unwrap(),
        check["seen"].as_str().unwrap(),
    )
}

/// Hands and eyes of an examination are the peer itself: nobody is asked at the terminal.
#[test]
fn both_are_examined_and_asked_themselves() {
    let folder = tempfile::tempdir().unwrap();
    // Its board is the peer: what stands in the rig is the machine.
    let outside = HEAD.replace("controller", "outside");
    std::fs::write(folder.path().join("rig.toml"), outside).unwrap();
    let examine = |peer: &str, what: &[&str], only: &[&str]| {
        let only = only.join(",");
        let mut arguments = vec!["examine"];
        arguments.extend(what);
        arguments.extend(["--format", "json", "--only", &only, "--peer", peer]);
        let ran = payrig_in(folder.path(), &arguments);
        assert!(ran.code < 2, "{}\n{}", ran.out, ran.err);
        ran.json()
    };
    if let Some(python) = python() {
        let only = [
            "answer-time",
            "ret-same-data",
            "coin-routing-true",
            "pays-from-each-tube",
            "power-cut-survived",
            "tube-status-follows",
            "disabled-coins-refused",
        ];
        let lines = examine(&changer(&python), &["device", "--kind", "changer"], &only);
        for id in only {
            assert_eq!(
                outcome(&lines, id).0,
                "pass",
                "{id}: {}",
                outcome(&lines, id).1
            );
        }
    }
    if let Some(board) = board(folder.path()) {
        let good = [
            "bus-reset-length",
            "bus-reset-pause",
            "acknowledges-in-time",
            "coin-to-tube-credited",
            "change-right",
            "polls-often-enough",
        ];
        let what = ["board", "--rig", "rig.toml"];
        let lines = examine(board.to_str().unwrap(), &what, &good);
        for id in good {
            assert_eq!(
                outcome(&lines, id).0,
                "pass",
                "{id}: {}",
                outcome(&lines, id).1
            );
        }
    }
}

/// A peer of a few lines: what it says after its opening, at its first turn.
fn says(folder: &Path, opening: &str, turn: &str) -> String {
    let said = folder.join("said");
    std::fs::write(&said, turn).unwrap();
    // read(1) of the shell takes a line; the rest is left to whoever comes after.
    format!(
        "read line; printf '{opening}'; read line; cat '{}'",
        said.display()
    )
}

/// Whatever a peer does wrong, it is said what, the exit code is 3, and recording and books are whole.
#[test]
fn bad_peers_are_told_and_what_was_found_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    rig(folder.path(), "[[script]]\ndo = \"wait-ready\"\n");
    let mut flood = String::new();
    for _ in 0..90_000 {
        writeln!(flood, "# more and more").unwrap();
    }
    for (opening, turn, told) in [
        (
            "L 1\\n",
            "",
            "ended at 0.000 ms of bench time, with exit status: 0",
        ),
        ("L 1\\n", "W 0 0B* 0", "in the middle of a line"),
        ("L 1\\n", "W 0 0B* 0B\nN 5000\n", "ended at 5.000 ms"),
        (
            "L 1\\n",
            "W 0 0B* 0B\nN 0\n",
            "N gives a time after that of the turn",
        ),
        ("L 1\\n", "R\nW 5 00\n", "its turn is over"),
        ("L 1\\n", "= true\nR\n", "asked nothing"),
        ("L 1\\n", "GET / HTTP/1.1\n", "a line begins with"),
        ("L 1\\n", &flood, "more than 1048576 bytes"),
        ("L 9\\n", "R\n", "speaks version 9"),
        ("hello\\n", "R\n", "a line begins with"),
    ] {
        let peer = says(folder.path(), opening, turn);
        let ran = run(folder.path(), &peer, &[]);
        let shown = &turn[..turn.len().min(40)];
        assert_eq!(ran.code, 3, "{shown:?}: {}\n{}", ran.out, ran.err);
        assert!(ran.err.contains(told), "{shown:?}: {}", ran.err);
        if opening == "L 1\\n" {
            let recording = std::fs::read_to_string(folder.path().join("run.jsonl")).unwrap();
            let last = recording.lines().last().unwrap();
            assert!(last.contains("\"type\":\"verdict\""), "{shown:?}: {last}");
        }
    }
    let ran = run(folder.path(), "/nowhere/there-is-no-such-program", &[]);
    assert_eq!(ran.code, 3, "{}", ran.err);
    let ran = run(folder.path(), "unix:/nowhere/socket", &[]);
    assert_eq!(ran.code, 3);
    assert!(ran.err.contains("cannot be started"), "{}", ran.err);
    let ran = run(folder.path(), "true", &["--link", "pty"]);
    assert_eq!(ran.code, 2, "{}", ran.err);
}

/// An examination that its peer leaves ends there, with its reports.
#[test]
fn an_examination_that_is_left_keeps_its_reports() {
    let folder = tempfile::tempdir().unwrap();
    let peer = says(folder.path(), "L 1\\n", "B 0 120000\nN 600000\n");
    let arguments = [
        "examine",
        "board",
        "--peer",
        &peer,
        "--json",
        "out.json",
        "--record",
        "out.jsonl",
    ];
    let ran = payrig_in(folder.path(), &arguments);
    assert_eq!(ran.code, 3, "{}\n{}", ran.out, ran.err);
    assert!(ran.err.contains("ended at"), "{}", ran.err);
    let report = std::fs::read_to_string(folder.path().join("out.json")).unwrap();
    assert!(report.contains("the link has failed"), "{report}");
    assert!(folder.path().join("out.jsonl").exists());
}

/// A peer that hangs is left as soon as the end is asked for.
#[test]
fn a_peer_that_hangs_is_left_when_the_end_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    rig(folder.path(), "");
    let hangs = "read line; echo 'L 1'; echo up >&2; exec sleep 1000";
    let mut process = Command::new(binary())
        .args(["run", "rig.toml", "--no-record", "--peer", hangs])
        .current_dir(folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(process.stderr.take().unwrap()).lines();
    assert_eq!(lines.next().unwrap().unwrap(), "up");
    interrupt(&process);
    assert_eq!(process.wait().unwrap().code(), Some(3));
    let rest: Vec<String> = lines.map(Result::unwrap).collect();
    assert!(
        rest.iter().any(|l| l.contains("was waited for")),
        "{rest:?}"
    );
}

/// A peer that runs already, at a Unix socket.
#[test]
fn a_peer_that_listens_at_a_socket_is_reached() {
    let folder = tempfile::tempdir().unwrap();
    rig(folder.path(), "[[script]]\ndo = \"wait\"\nfor = \"2 s\"\n");
    let path = folder.path().join("peer");
    let listener = UnixListener::bind(&path).unwrap();
    let peer = std::thread::spawn(move || {
        let (stream, _) = listener.accept().unwrap();
        let mut out = stream.try_clone().unwrap();
        for line in BufReader::new(stream).lines() {
            let line = line.unwrap();
            match line.as_bytes()[0] {
                b'L' => out.write_all(b"L 1\n").unwrap(),
                b'T' if line == "T 0" => out.write_all(b"W 100 0B* 0B\nR\n").unwrap(),
                b'T' => out.write_all(b"R\n").unwrap(),
                _ => {}
            }
        }
    });
    let ran = run(folder.path(), &format!("unix:{}", path.display()), &[]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    assert!(ran.out.contains("POLL"), "{}", ran.out);
    peer.join().unwrap();
}

/// The pseudo-terminal is where it was asked for, the file says so once it is there, the line, too, and both a
/// link and its end are clean: also when it is terminated.
#[test]
#[cfg(target_os = "linux")]
fn a_terminal_at_a_path_of_ones_choosing_and_a_file_that_says_when() {
    let folder = tempfile::tempdir().unwrap();
    rig(folder.path(), "");
    let (bus, ready) = (folder.path().join("bus"), folder.path().join("ready.json"));
    let link = format!("pty:{}", bus.display());
    for (what, more) in [
        ("run", vec!["rig.toml", "--no-record"]),
        ("examine", vec!["board"]),
    ] {
        let mut process = Command::new(binary())
            .arg(what)
            .args(more)
            .args(["--format", "json", "--link", &link, "--ready-file"])
            .arg(&ready)
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(process.stdout.take().unwrap()).lines();
        let line = lines
            .find(|l| l.as_ref().unwrap().contains("\"ready\""))
            .unwrap()
            .unwrap();
        let line: Value = serde_json::from_str(&line).unwrap();
        assert_eq!(line["ports"][0]["of"], "bus");
        assert_eq!(line["ports"][0]["port"], bus.to_str().unwrap());
        assert_eq!(line["pid"], process.id());
        let target = std::fs::read_link(&bus).unwrap();
        assert!(target.starts_with("/dev/pts/"), "{target:?}");
        // The line is first, the file follows at once.
        let text = loop {
            match std::fs::read_to_string(&ready) {
                Ok(text) => break text,
                Err(_) => std::thread::yield_now(),
            }
        };
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), line);
        let terminated = Command::new("kill")
            .args(["-TERM", &process.id().to_string()])
            .status();
        assert!(terminated.unwrap().success());
        std::thread::spawn(move || lines.for_each(drop));
        process.wait().unwrap();
        assert!(
            std::fs::symlink_metadata(&bus).is_err(),
            "{what}: the link is removed"
        );
        std::fs::remove_file(&ready).unwrap();
    }
    // Somebody else's file is left alone.
    std::fs::write(&bus, "mine").unwrap();
    let ran = payrig_in(
        folder.path(),
        &["run", "rig.toml", "--no-record", "--link", &link],
    );
    assert_eq!(ran.code, 3, "{}", ran.err);
    assert!(ran.err.contains("left alone"), "{}", ran.err);
    assert_eq!(std::fs::read_to_string(&bus).unwrap(), "mine");
}

/// Outside witnesses, short: see `.ci/witnesses` for the whole. This repository holds no copy of them.
#[test]
fn programs_of_somebody_else_are_judged_by_the_standard_in_lock_step() {
    let Some(python) = python() else { return };
    let peers = std::env::var_os("PAYRIG_PEERS")
        .map_or_else(|| root().join("../shared/peers"), PathBuf::from);
    let run = Command::new(python)
        .arg(file("tests/python/lockstep_witnesses.py"))
        .arg(peers)
        .arg(binary())
        .args(["short", "--jobs", "2"])
        .output()
        .unwrap();
    let out = String::from_utf8_lossy(&run.stdout);
    match run.status.code() {
        Some(SKIPPED) => eprintln!("SKIPPED lockstep: {}", out.trim()),
        code => assert_eq!(
            code,
            Some(0),
            "{out}\n{}",
            String::from_utf8_lossy(&run.stderr)
        ),
    }
}

#[test]
fn a_peer_cannot_be_had_beside_a_port() {
    for more in [
        ["--link", "pty"],
        ["--coding", "plain"],
        ["--reconnect", "3"],
    ] {
        let arguments = [&["run", "--peer", "true"][..], &more].concat();
        assert_eq!(payrig(&arguments).code, 2, "{more:?}");
    }
}
