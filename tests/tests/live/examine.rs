//! An examination over pseudo-terminals: our devices are a process, the examination is another,
//! and bytes are carried between the two. The machine may stall: no times are asserted.

use super::super::trust::{command, lines_of, signal, verdicts};
use payrig_tests::cli::{binary, interrupt, json_lines, payrig_in, pump};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::thread;

const DEVICES: &str = r#"
[bench]
name = "devices"
[board]
kind = "outside"
[[device]]
kind = "changer"
name = "changer"
[[script]]
do = "wait"
for = "100 s"
"#;

/// A rig that says where a real board is.
const REAL_BOARD: &str = r#"
[bench]
name = "a real board"
[link]
port = "pty"
[board]
kind = "outside"
[[device]]
kind = "changer"
name = "changer"
"#;

/// Our board with its own devices outside.
const OUR_BOARD: &str = r#"
[bench]
name = "board"
[link]
port = "pty"
outside = "devices"
[board]
kind = "controller"
[[board.item]]
number = 11
price = "0.65"
[[device]]
kind = "changer"
name = "changer"
[[device]]
kind = "bill-validator"
name = "bill"
[[device]]
kind = "cashless"
name = "reader"
[[script]]
do = "wait"
for = "110 s"
"#;

/// Reads lines until one has a path of a pseudo-terminal; all that is said is given back.
fn path_in(from: impl Read + Send + 'static) -> (String, thread::JoinHandle<String>) {
    let mut lines = BufReader::new(from).lines();
    let mut said = Vec::new();
    let path = lines
        .by_ref()
        .map_while(Result::ok)
        .find_map(|line| {
            said.push(line.clone());
            let at = line.find("/dev/pts/")?;
            let path = &line[at..];
            let end = path.find([':', ' ']).unwrap_or(path.len());
            Some(path[..end].to_owned())
        })
        .expect("a path of a pseudo-terminal");
    let rest = thread::spawn(move || {
        said.extend(lines.map_while(Result::ok));
        said.join("\n")
    });
    (path, rest)
}

/// A bench as a process, an examination as another, and bytes carried between the two. The
/// examination, what it said on standard output and on error, and where its files are.
fn both(rig: &str, run: &[&str], examine: &[&str]) -> (Child, String, String, tempfile::TempDir) {
    both_until(usize::MAX, rig, run, examine)
}

/// The same; the examination is sent Ctrl-C after so many checks on its standard output.
fn both_until(
    lines: usize,
    rig: &str,
    run: &[&str],
    examine: &[&str],
) -> (Child, String, String, tempfile::TempDir) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("it.toml"), rig).unwrap();
    std::fs::write(folder.path().join("real-board.toml"), REAL_BOARD).unwrap();
    let spawn = |arguments: &[&str]| {
        Command::new(binary())
            .args(arguments)
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    };
    let mut bench = spawn(run);
    let (far, _) = path_in(bench.stdout.take().unwrap());
    let mut examination = spawn(examine);
    let (near, error) = path_in(examination.stderr.take().unwrap());
    pump(&far, &near);
    pump(&near, &far);
    let mut out = String::new();
    let mut stdout = BufReader::new(examination.stdout.take().unwrap());
    let mut number = 0;
    loop {
        let before = out.len();
        if stdout.read_line(&mut out).unwrap() == 0 {
            break;
        }
        number += usize::from(out[before..].contains("\"type\":\"check\""));
        if number == lines {
            interrupt(&examination);
            number += 1;
        }
    }
    bench.kill().unwrap();
    bench.wait().unwrap();
    (examination, out, error.join().unwrap(), folder)
}

/// The examination of the changer of a bench.
fn examined(more: &[&str]) -> (Child, String, String, tempfile::TempDir) {
    let run = [
        "run",
        "it.toml",
        "--link",
        "pty",
        "--no-record",
        "--limit",
        "110",
    ];
    let examine = [
        "examine", "device", "--kind", "changer", "--link", "pty", "--format", "json",
    ];
    both(DEVICES, &run, &[&examine, more].concat())
}

#[test]
fn a_changer_in_another_process_is_examined_and_recorded() {
    let more = [
        "--unattended",
        "--only",
        "identity-readable",
        "--record",
        "it.jsonl",
        "--json",
        "it.json",
    ];
    let (mut examination, out, error, folder) = examined(&more);
    assert_eq!(
        examination.wait().unwrap().code(),
        Some(0),
        "{out}\n{error}"
    );
    let lines = json_lines(&out);
    assert_eq!(lines[0]["id"], "identity-readable");
    assert_eq!(lines[0]["outcome"], "pass", "{out}");
    assert!(lines[0]["seen"].as_str().unwrap().contains("ZZZ"), "{out}");
    let report = std::fs::read_to_string(folder.path().join("it.json")).unwrap();
    let report: Value = serde_json::from_str(&report).unwrap();
    assert_eq!(report["recording_sha256"].as_str().unwrap().len(), 64);
    assert!(report["link"].as_str().unwrap().starts_with("/dev/pts/"));
    assert!(report["date"].as_str().unwrap().starts_with("20"));
    let recording = std::fs::read_to_string(folder.path().join("it.jsonl")).unwrap();
    assert!(recording.contains("\"type\":\"block\""), "{recording}");
}

/// What a check does is on the disk while it is still under way; an end by a signal in the middle of it
/// keeps report, ticket and recording, whose header says when it began and what was ours.
#[test]
fn a_signal_in_the_middle_of_a_check_keeps_report_ticket_and_recording() {
    for name in ["TERM", "HUP"] {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        std::fs::write(path("it.toml"), DEVICES).unwrap();
        let run = ["run", "it.toml", "--link", "pty", "--no-record"];
        let mut bench = command(folder.path(), &run).spawn().unwrap();
        let (far, _) = path_in(bench.stdout.take().unwrap());
        // Four thousand POLLs: it lasts for minutes.
        let examine = [
            "examine",
            "device",
            "--kind",
            "changer",
            "--link",
            "pty",
            "--unattended",
            "--only",
            "answer-time",
            "--record",
            "it.jsonl",
            "--json",
            "it.json",
            "--html",
            "it.html",
            "--ticket",
            "--db",
            "it.db",
        ];
        let mut examination = command(folder.path(), &examine).spawn().unwrap();
        let (near, error) = path_in(examination.stderr.take().unwrap());
        pump(&far, &near);
        pump(&near, &far);
        // Whole blocks of a check that has no result yet.
        let recorded = || std::fs::read_to_string(path("it.jsonl")).unwrap_or_default();
        while recorded().matches("\"type\":\"block\"").count() < 40 {
            assert!(examination.try_wait().unwrap().is_none(), "it has ended");
            thread::sleep(std::time::Duration::from_millis(20));
        }
        assert!(
            !recorded().contains("\"type\":\"step\""),
            "no check is over"
        );
        signal(&examination, name);
        assert_eq!(examination.wait().unwrap().code(), Some(1));
        let error = error.join().unwrap();
        assert!(error.contains(&format!("SIG{name}: ")), "{error}");
        bench.kill().unwrap();
        bench.wait().unwrap();

        let lines = lines_of(&path("it.jsonl"));
        assert_eq!(verdicts(&lines), 1, "{name}");
        let header = &lines[0];
        assert_eq!(header["live"], true);
        assert_eq!(header["ours"]["bus"], "master");
        assert!(
            header["started"].as_str().unwrap().starts_with("20"),
            "{header}"
        );
        // In order, and nothing twice.
        let starts = lines.iter().filter(|l| l["type"] == "block");
        let starts: Vec<u64> = starts.map(|l| l["start_us"].as_u64().unwrap()).collect();
        assert!(starts.windows(2).all(|pair| pair[0] < pair[1]), "{name}");
        let report = std::fs::read_to_string(path("it.json")).unwrap();
        let report: Value = serde_json::from_str(&report).unwrap();
        assert_eq!(report["checks"][0]["outcome"], "skipped", "{report}");
        assert_eq!(report["recording_sha256"].as_str().unwrap().len(), 64);
        let html = std::fs::read_to_string(path("it.html")).unwrap();
        assert!(html.contains("</html>"));
        let tickets = payrig_in(folder.path(), &["tickets", "--db", "it.db"]);
        assert!(
            tickets.out.contains("not examined in full"),
            "{}",
            tickets.out
        );
    }
}

#[test]
fn ctrl_c_in_mid_examination_keeps_what_was_found() {
    let run = ["run", "it.toml", "--link", "pty", "--no-record"];
    let examine = [
        "examine",
        "device",
        "--kind",
        "changer",
        "--link",
        "pty",
        "--format",
        "json",
        "--unattended",
        "--record",
        "it.jsonl",
        "--json",
        "it.json",
        "--ticket",
        "--db",
        "it.db",
    ];
    let (mut examination, out, error, folder) = both_until(2, DEVICES, &run, &examine);
    assert_eq!(
        examination.wait().unwrap().code(),
        Some(1),
        "{out}\n{error}"
    );
    assert!(error.contains("Ctrl-C: "), "{error}");
    let path = |name: &str| folder.path().join(name);
    let mut lines = json_lines(&out);
    // It was kept as a ticket.
    assert_eq!(lines.pop().unwrap()["type"], "kept");
    let (verdict, checks) = lines.split_last().unwrap();
    assert_eq!(verdict["type"], "verdict");
    assert_eq!(verdict["stopped"], true);
    assert_eq!(verdict["passed"], false);
    assert_eq!(verdict["grade"], "partial");
    // The first was done; the last was not, and says why.
    assert_ne!(checks[0]["outcome"], "skipped", "{out}");
    let last = checks.last().unwrap();
    assert_eq!(last["outcome"], "skipped", "{out}");
    assert!(last["seen"].as_str().unwrap().contains("ended"), "{out}");
    // Every check of the kind is printed.
    let list = payrig_in(
        folder.path(),
        &["examine", "device", "--kind", "changer", "--list"],
    );
    let named = list.out.lines().filter(|l| l.starts_with("  ")).count();
    assert_eq!(checks.len(), named);

    let report = std::fs::read_to_string(path("it.json")).unwrap();
    let report: Value = serde_json::from_str(&report).unwrap();
    assert_eq!(report["checks"].as_array().unwrap().len(), named);
    let sum = Command::new("sha256sum").arg(path("it.jsonl")).output();
    let sum = String::from_utf8(sum.unwrap().stdout).unwrap();
    let told = report["recording_sha256"].as_str().unwrap();
    assert_eq!(sum.split_whitespace().next(), Some(told));
    // The recording is whole: it can be read, and has a step for every check.
    let recording = std::fs::read_to_string(path("it.jsonl")).unwrap();
    let steps = recording
        .lines()
        .filter(|l| l.contains("\"type\":\"step\""));
    assert_eq!(steps.count(), named);
    let read = payrig_in(folder.path(), &["read", "it.jsonl", "--format", "json"]);
    assert_ne!(read.code, 2, "{}", read.err);
    // And there is a ticket.
    let tickets = ["tickets", "list", "--db", "it.db", "--format", "json"];
    let tickets = payrig_in(folder.path(), &tickets);
    assert_eq!(tickets.json().len(), 1, "{}\n{}", tickets.out, tickets.err);
    assert_eq!(tickets.json()[0]["grade"], "partial");
}

#[test]
fn what_needs_a_person_is_left_out_where_nobody_answers() {
    let (mut examination, out, error, _) = examined(&["--only", "slug-not-credited"]);
    assert!(error.contains("Standard input is no terminal"), "{error}");
    assert!(error.contains("something that is no coin"), "{error}");
    assert!(error.contains("Nobody answers any more"), "{error}");
    let check = json_lines(&out).remove(0);
    assert_eq!(check["outcome"], "skipped", "{out}");
    assert!(
        check["seen"]
            .as_str()
            .unwrap()
            .starts_with("needs a person"),
        "{out}"
    );
    examination.wait().unwrap();
}

/// Our board is a process, the examination plays its peripherals.
#[test]
fn a_board_in_another_process_is_examined() {
    let only = "coin-to-tube-credited";
    let subject = ["run", "it.toml", "--no-record", "--limit", "115"];
    let examine = [
        "examine",
        "board",
        "--rig",
        "real-board.toml",
        "--format",
        "json",
        "--unattended",
        "--only",
        only,
    ];
    let (mut examination, out, error, _) = both(OUR_BOARD, &subject, &examine);
    let check = json_lines(&out).remove(0);
    assert_eq!(check["id"], only);
    // On a stalled machine it may be too close to tell; it is never the board's fault.
    let outcome = check["outcome"].as_str().unwrap();
    assert!(["pass", "cannot-tell"].contains(&outcome), "{out}\n{error}");
    assert!(
        error.contains("assumed to be prepared like this: "),
        "{error}"
    );
    examination.wait().unwrap();
}

/// The person is asked to prepare the board, and presses Ctrl-C instead.
#[test]
fn ctrl_c_at_the_first_question_of_a_board_skips_all_checks() {
    let folder = tempfile::tempdir().unwrap();
    let mut examination = Command::new(binary())
        .args([
            "examine", "board", "--link", "pty", "--format", "json", "--json", "it.json",
        ])
        .current_dir(folder.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(examination.stderr.take().unwrap()).lines();
    let mut line_with = |what: &str| {
        let found = said.by_ref().map_while(Result::ok);
        let mut found = found.skip_while(|line| !line.contains(what));
        found.next().unwrap_or_else(|| panic!("never said: {what}"))
    };
    let line = line_with("/dev/pts/");
    let (path, _) = path_in(std::io::Cursor::new(line.into_bytes()));
    // Somebody opens the other end; no board is there.
    let mut other_end = std::fs::OpenOptions::new();
    let other_end = other_end.read(true).write(true).open(path).unwrap();
    line_with("Please: set the board up");
    interrupt(&examination);
    line_with("Ctrl-C: ");
    let mut out = String::new();
    let mut stdout = examination.stdout.take().unwrap();
    stdout.read_to_string(&mut out).unwrap();
    drop(other_end);
    assert_eq!(examination.wait().unwrap().code(), Some(1), "{out}");
    let lines = json_lines(&out);
    let (verdict, checks) = lines.split_last().unwrap();
    assert_eq!(verdict["stopped"], true);
    assert_eq!(verdict["grade"], "partial");
    assert!(checks.len() > 100);
    assert!(checks.iter().all(|c| c["outcome"] == "skipped"), "{out}");
    assert!(folder.path().join("it.json").exists());
}

/// A terminal keeps a line until it ends: what was begun before a question is thrown away, and the answer
/// is what was typed after it. While a check goes on by itself, a line says which, and how far it is.
#[test]
fn a_line_that_was_begun_before_a_question_is_no_part_of_its_answer() {
    let mut keyboard = Keyboard::new();
    let mut board = Command::new(binary())
        .args(["run", "it.toml", "--link", "pty", "--no-record"])
        .current_dir(keyboard.folder.path())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let (far, _) = path_in(board.stdout.take().unwrap());
    let only = "finds-every-peripheral,price-asked";
    let arguments = [
        "examine", "board", "--link", "pty", "--only", only, "--json", "it.json",
    ];
    let mut examination = keyboard.examine(&arguments);
    let near = keyboard.screen_until("minutes at most.\r\n");
    keyboard.types("s");
    keyboard.echoes('s');
    let at = near.find("/dev/pts/").unwrap();
    let path: String = near[at..].chars().take_while(|c| *c != ':').collect();
    pump(&far, &path);
    pump(&path, &far);
    keyboard.screen_until("q to end");
    keyboard.types("\n");
    // The board was begun with: "s" was no part of the answer.
    let silent = keyboard.screen_until("finds-every-peripheral: 3 of about ");
    assert!(!silent.contains("please Enter"), "{silent}");
    assert!(silent.contains("\r\u{1b}[Kcheck "), "{silent:?}");
    let asked = keyboard.screen_until("press selection 11");
    assert!(asked.contains("2 of 2, price-asked: "), "{asked:?}");
    keyboard.screen_until("q to end");
    keyboard.types("q\n");
    assert_eq!(examination.wait().unwrap().code(), Some(1));
    board.kill().unwrap();
    board.wait().unwrap();
    let report = std::fs::read_to_string(keyboard.folder.path().join("it.json")).unwrap();
    let report: Value = serde_json::from_str(&report).unwrap();
    let outcomes: Vec<&str> = report["checks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["outcome"].as_str().unwrap())
        .collect();
    assert_ne!(outcomes[0], "skipped", "{report}");
    assert_eq!(outcomes[1], "skipped", "{report}");
}

/// A terminal with a person at it, who types and reads.
struct Keyboard {
    folder: tempfile::TempDir,
    /// The person's end.
    hands: std::fs::File,
    path: String,
    read: String,
}

impl Keyboard {
    fn new() -> Self {
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
        let hands = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&hands).unwrap();
        unlockpt(&hands).unwrap();
        let path = ptsname(&hands, Vec::new()).unwrap();
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("it.toml"), OUR_BOARD).unwrap();
        let size = rustix::termios::Winsize {
            ws_row: 40,
            ws_col: 100,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        rustix::termios::tcsetwinsize(&hands, size).unwrap();
        Self {
            folder,
            hands: hands.into(),
            path: path.into_string().unwrap(),
            read: String::new(),
        }
    }

    /// An examination whose terminal this is.
    fn examine(&self, arguments: &[&str]) -> Child {
        let terminal = || {
            let mut options = std::fs::OpenOptions::new();
            options.read(true).write(true).open(&self.path).unwrap()
        };
        Command::new(binary())
            .args(arguments)
            .current_dir(self.folder.path())
            .stdin(terminal())
            .stdout(Stdio::null())
            .stderr(terminal())
            .spawn()
            .unwrap()
    }

    fn types(&mut self, keys: &str) {
        use std::io::Write;
        self.hands.write_all(keys.as_bytes()).unwrap();
    }

    /// All that is said up to this.
    fn screen_until(&mut self, what: &str) -> String {
        let mut bytes = [0; 512];
        loop {
            if let Some(at) = self.read.find(what) {
                let rest = self.read.split_off(at + what.len());
                return std::mem::replace(&mut self.read, rest);
            }
            let count = self.hands.read(&mut bytes);
            let count = count.unwrap_or_else(|e| panic!("never said: {what}: {e}\n{}", self.read));
            self.read
                .push_str(&String::from_utf8_lossy(&bytes[..count]));
        }
    }

    /// The terminal has the key: it shows it.
    fn echoes(&mut self, key: char) {
        self.screen_until(&key.to_string());
    }
}
