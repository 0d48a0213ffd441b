//! `payrig run --link pty` from outside: a board in Python, written from docs/src/links.md alone
//! (pyserial from PyPI opens the port), sets the changer up, takes coins, sells and gives change.

use payrig_tests::cli::{binary, file};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

/// The interpreter with pyserial: `PAYRIG_PYTHON`, or `python3`; `None` when it has none.
fn python() -> Option<String> {
    let python = std::env::var("PAYRIG_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has = Command::new(&python)
        .args(["-c", "import serial"])
        .stderr(Stdio::null())
        .status();
    let ok = has.is_ok_and(|s| s.success());
    if !ok {
        eprintln!(
            "SKIPPED live::run: {python} has no pyserial (pip install -r tests/python/requirements.txt)"
        );
    }
    ok.then_some(python)
}

const RIG: &str = r#"
[bench]
name = "A board behind a pseudo-terminal"

[board]
kind = "outside"

[[device]]
kind = "changer"
name = "changer"

[[script]]
do = "wait-ready"

COINS
# 1.75 in, an item for 1.60, fifteen cents out.
[[script]]
expect = "balance"
place = "customer"
minus = "1.60"
within = "30 s"
"#;

fn sells(coding: &str) {
    sells_on(RIG, "bus: ", coding, &["--link", "pty", "--coding", coding]);
}

/// 1.75 in coins that go to their tube: each report says how many are in it, so that one that
/// is reported again because the machine stalled is known again.
fn with_coins(rig: &str) -> String {
    let coin = "[[script]]\ndo = \"insert-coin\"\nvalue = \"0.25\"\nafter = \"400 ms\"\n";
    rig.replace("COINS", &coin.repeat(7))
}

/// A sale over a link. Both sides are processes of a machine that may stall, and then an ACK comes too
/// late and money is reported twice, as it would be on a bus: a sale that went wrong so is tried again.
fn sells_on(rig: &str, bus: &str, coding: &str, link: &[&str]) {
    let Some(python) = python() else { return };
    let mut wrong = Vec::new();
    for _ in 0..4 {
        match a_sale(&python, rig, bus, coding, link) {
            Ok(()) => return,
            Err(what) => wrong.push(what),
        }
    }
    panic!("{}", wrong.join("\n"));
}

fn a_sale(python: &str, rig: &str, bus: &str, coding: &str, link: &[&str]) -> Result<(), String> {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("rig.toml"), with_coins(rig)).unwrap();
    let mut bench = Command::new(binary())
        .args(["run", "rig.toml", "--limit", "60"])
        .args(link)
        .current_dir(folder.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(bench.stdout.take().unwrap()).lines();
    let path = lines
        .find_map(|l| l.unwrap().strip_prefix(bus).map(str::to_owned))
        .unwrap();
    // The rest is read aside, so that the bench never waits for a full pipe.
    let rest = std::thread::spawn(move || lines.map_while(Result::ok).collect::<Vec<_>>());
    let board = Command::new(python)
        .arg(file("tests/python/board_on_pty.py"))
        .args([&path, "--coding", coding, "--price", "160"])
        .stderr(Stdio::inherit())
        .output()
        .unwrap();
    let said = String::from_utf8(board.stdout).unwrap();
    let ended = bench.wait().unwrap();
    let log = rest.join().unwrap().join("\n");
    let last = said.lines().last().unwrap_or_default();
    let last: Value = serde_json::from_str(last).unwrap_or_default();
    // The tool may say of itself that it was late: the money must be right.
    let good = (&last["board"], &last["change"]) == (&"done".into(), &15.into())
        && log.contains("ok: customer holds -1.60")
        && ended.code().is_some_and(|code| code <= 1);
    assert!(folder.path().join("rig.recording.jsonl").exists());
    match good {
        true => Ok(()),
        false => Err(format!("{said}\n{log}")),
    }
}

#[test]
fn a_board_in_another_language_sells_over_marked_parity() {
    sells("marked-parity");
}

#[test]
fn a_board_in_another_language_sells_over_plain_lines() {
    sells("plain");
}

/// The same changer on a port of its own, as the rig says, while another is on the board's bus.
#[test]
fn a_board_in_another_language_sells_over_the_port_of_one_device() {
    let alone = "name = \"changer\"\n[device.link]\nport = \"pty\"\ncoding = \"plain\"\n";
    let rig = RIG.replace("name = \"changer\"\n", alone);
    sells_on(&rig, "bus of changer: ", "plain", &[]);
}

#[test]
fn a_port_that_is_not_there_is_exit_code_3_with_what_to_do() {
    let rig = file("bench-rigs/outside-board.toml");
    let rig = rig.to_str().unwrap();
    let ran = payrig_tests::cli::payrig(&["run", rig, "--link", "/dev/ttyNOTTHERE", "--no-record"]);
    assert_eq!(ran.code, 3, "{}", ran.err);
    assert!(
        ran.err.contains("/dev/ttyNOTTHERE") && ran.err.contains("payrig ports"),
        "{}",
        ran.err
    );
    assert!(
        ran.err.contains("34 V"),
        "the cautions come first: {}",
        ran.err
    );
    let ports = payrig_tests::cli::payrig(&["ports"]);
    assert_eq!(ports.code, 0);
    let coding = payrig_tests::cli::payrig(&["run", rig, "--link", "pty", "--coding", "morse"]);
    assert_eq!(coding.code, 2);
}

#[test]
fn the_rig_says_the_link_and_the_command_line_has_the_last_word() {
    let folder = tempfile::tempdir().unwrap();
    let rig = "[bench]\nname = \"x\"\n[link]\nport = \"/dev/ttyNOTTHERE\"\n[board]\nkind = \"outside\"\n\
               [[device]]\nkind = \"changer\"\nname = \"changer\"\n[device.link]\nport = \"pty\"\n";
    std::fs::write(folder.path().join("rig.toml"), rig).unwrap();
    let run = |more: &[&str]| {
        let mut all = vec!["run", "rig.toml", "--no-record", "--limit", "1"];
        all.extend(more);
        payrig_tests::cli::payrig_in(folder.path(), &all)
    };
    let there = run(&[]);
    assert_eq!(there.code, 3, "{}", there.err);
    assert!(there.err.contains("/dev/ttyNOTTHERE"), "{}", there.err);
    let pty = run(&["--link", "pty", "--peer-optional"]);
    assert_eq!(pty.code, 0, "{}{}", pty.out, pty.err);
    for what in ["bus: /dev/pts/", "bus of changer: /dev/pts/"] {
        assert!(pty.out.contains(what), "{}", pty.out);
    }
    let none = run(&["--link", "virtual", "--peer-optional"]);
    assert_eq!(none.code, 0, "{}{}", none.out, none.err);
    assert!(!none.out.contains("bus: /dev/"), "{}", none.out);
    let coding = run(&["--coding", "plain"]);
    assert_eq!(coding.code, 2);
    assert!(coding.err.contains("take --link pty"), "{}", coding.err);
    let role = run(&["--link", "virtual", "--role", "board"]);
    assert_eq!(role.code, 2);
    assert!(role.err.contains("write [link] in the rig"), "{}", role.err);
}

#[test]
fn the_rig_for_hardware_names_what_is_missing_after_the_cautions() {
    let rig = file("bench-rigs/bridge-on-ports.toml");
    let text = std::fs::read_to_string(&rig).unwrap();
    // On a machine that has such adapters nothing is moved by a test.
    let text = text.replace("/dev/ttyUSB", "/dev/ttyNOTTHERE");
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("rig.toml"), text).unwrap();
    let ran = payrig_tests::cli::payrig_in(folder.path(), &["run", "rig.toml", "--no-record"]);
    assert_eq!(ran.code, 3, "{}", ran.err);
    assert!(ran.err.contains("34 V"), "{}", ran.err);
    assert!(ran.err.contains("payrig ports"), "{}", ran.err);
}

#[test]
fn every_rig_of_the_repository_is_read() {
    for entry in std::fs::read_dir(file("bench-rigs")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "toml") {
            payrig_rig::load(&path).unwrap_or_else(|e| panic!("{e}"));
        }
    }
}

/// A UART that connects its outputs to its inputs inside, until this is dropped.
struct Loop {
    port: String,
    script: std::process::Child,
}

impl Loop {
    fn new() -> Self {
        let port = std::env::var("PAYRIG_LOOP_PORT").unwrap_or_else(|_| "/dev/ttyS0".to_owned());
        let mut script = Command::new("python3")
            .arg(file("tests/python/pulses_on_a_loop.py"))
            .arg(&port)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut ready = String::new();
        BufReader::new(script.stdout.take().unwrap())
            .read_line(&mut ready)
            .unwrap();
        assert_eq!(ready, "ready\n", "{port} has no TIOCM_LOOP");
        Self { port, script }
    }

    /// Five pulses on CTS.
    fn pulses(&mut self) {
        drop(self.script.stdin.take());
    }
}

impl Drop for Loop {
    fn drop(&mut self) {
        self.pulses();
        let _ = self.script.wait();
    }
}

/// The modem lines of a real UART, if there is one that can connect its RTS to its CTS inside. By
/// hand: cargo test --test end_to_end -- --ignored real_uart --test-threads 1
#[test]
#[ignore = "needs a UART with TIOCM_LOOP and nothing connected: PAYRIG_LOOP_PORT or /dev/ttyS0"]
fn pulses_on_the_loop_of_a_real_uart_are_measured() {
    let mut uart = Loop::new();
    let listen = Command::new(binary())
        .args(["pulse", "listen", &uart.port, "--in", "cts", "--for", "5s"])
        .args(["--board", "long", "--fed", "5.00"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Its own opening moves the lines; then come the pulses.
    std::thread::sleep(std::time::Duration::from_millis(500));
    uart.pulses();
    let heard = listen.wait_with_output().unwrap();
    let out = String::from_utf8_lossy(&heard.stdout);
    let err = String::from_utf8_lossy(&heard.stderr);
    assert!(out.contains("5 pulses"), "{out}{err}");
    assert!(err.contains("How edges are seen: "), "{err}");
}

/// An emulated acceptor on DTR, and the same pulses as a real acceptor's on DSR, through a bridge
/// onto the bus of our board: the drivers are real, the wire is inside the UART.
#[test]
#[ignore = "needs a UART with TIOCM_LOOP and nothing connected: PAYRIG_LOOP_PORT or /dev/ttyS0"]
fn a_bridge_on_the_modem_lines_of_a_real_uart() {
    let uart = Loop::new();
    let acceptor = |name: &str, link: &str| {
        format!(
            "[[device]]\nkind = \"pulse-bill-validator\"\nname = \"{name}\"\n\
             bills = [\"1.00\", \"20.00\"]\n[device.link]\nport = \"{}\"\n{link}\n",
            uart.port
        )
    };
    let rig = format!(
        "[bench]\nname = \"loop\"\n[board]\nkind = \"controller\"\n[[board.item]]\nnumber = 11\n\
         price = \"1.00\"\n{}{}[[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"real\"\n\
         [[script]]\ndo = \"wait-ready\"\n[[script]]\ndo = \"insert-bill\"\ndevice = \"emulated\"\n\
         value = \"20.00\"\nafter = \"1 s\"\n[[script]]\nexpect = \"credit\"\nvalue = \"20.00\"\n\
         within = \"20 s\"\n",
        acceptor("emulated", "lines = { credit = \"dtr\" }"),
        acceptor("real", "outside = \"device\"\nlines = { credit = \"dsr\" }"),
    );
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("rig.toml"), rig).unwrap();
    let ran = payrig_tests::cli::payrig_in(folder.path(), &["run", "rig.toml"]);
    assert!(ran.out.contains("ok: credit is 20.00"), "{}", ran.out);
    assert!(ran.out.contains("20 pulses counted"), "{}", ran.out);
}
