//! `payrig serve` over a real socket, and `payrig run --control stdio`.
#![cfg(unix)]

use payrig_tests::cli::{binary, interrupt};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};

/// A server, and what its ready line says.
struct Server {
    child: Child,
    out: BufReader<ChildStdout>,
    ready: Value,
}

impl Server {
    fn start(folder: &Path, arguments: &[&str]) -> Self {
        let mut child = Command::new(binary())
            .arg("serve")
            .args(arguments)
            .current_dir(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        out.read_line(&mut line).unwrap();
        let ready = serde_json::from_str(&line).unwrap();
        Self { child, out, ready }
    }

    /// Sends a request of one connection.
    fn send(&self, method: &str, path: &str, body: &str) -> TcpStream {
        let address = format!(
            "{}:{}",
            self.ready["address"].as_str().unwrap(),
            self.ready["port"]
        );
        let mut stream = TcpStream::connect(&address).unwrap();
        let token = self.ready["token"].as_str().unwrap();
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        )
        .unwrap();
        stream
    }

    /// The status and the body of the answer.
    fn ask(&self, method: &str, path: &str, body: &Value) -> (u16, Value) {
        let mut answer = String::new();
        self.send(method, path, &body.to_string())
            .read_to_string(&mut answer)
            .unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        (
            status,
            serde_json::from_str(body).unwrap_or_else(|_| panic!("{answer}")),
        )
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // One that has ended is not there any more.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_bench_is_driven_over_a_socket_and_ends_whole_with_the_server() {
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::start(folder.path(), &["first-vend", "--ready-file", "ready.json"]);
    assert_eq!(server.ready["type"], "ready");
    assert_eq!(server.ready["benches"][0]["bench"], "b1");
    let file = folder.path().join("ready.json");
    let kept: Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
    assert_eq!(kept, server.ready);
    let mode = std::os::unix::fs::PermissionsExt::mode(&file.metadata().unwrap().permissions());
    assert_eq!(mode & 0o77, 0, "the token is its owner's: {mode:o}");

    let ready = server.ask("POST", "/benches/b1/wait", &json!({"ready": true}));
    assert_eq!((ready.0, &ready.1["met"]), (200, &json!(true)));
    server.ask(
        "POST",
        "/benches/b1/act",
        &json!({"do": "insert-coin", "value": "0.25"}),
    );
    let credit = json!({"expect": "credit", "value": "0.25"});
    assert_eq!(
        server.ask("POST", "/benches/b1/wait", &credit).1["met"],
        true
    );
    let wrong = server.ask("POST", "/benches/b1/act", &json!({"do": "insert-con"}));
    assert_eq!(
        (wrong.0, &wrong.1["advice"]),
        (422, &json!("did you mean \"insert-coin\"?"))
    );

    let second =
        json!({"id": "kept", "record": "kept.jsonl", "link": "pty", "peer_optional": true});
    let opened = server.ask("POST", "/benches", &second).1;
    assert!(
        Path::new(opened["links"][0]["path"].as_str().unwrap()).exists(),
        "{opened}"
    );
    // A stream that is being read ends with the server.
    let mut stream = server.send("GET", "/benches/kept/stream", "");
    let mut first = [0; 15];
    stream.read_exact(&mut first).unwrap();
    assert_eq!(&first, b"HTTP/1.1 200 OK");
    interrupt(&server.child);
    let mut rest = String::new();
    stream.read_to_string(&mut rest).unwrap();
    assert!(
        rest.contains("event: verdict") && rest.contains("event: end"),
        "{rest}"
    );
    assert_eq!(server.child.wait().unwrap().code(), Some(0));
    let mut more = String::new();
    server.out.read_to_string(&mut more).unwrap();
    assert_eq!(more, "", "one line on standard output");
    let recording = std::fs::read_to_string(folder.path().join("kept.jsonl")).unwrap();
    assert!(
        recording
            .lines()
            .last()
            .unwrap()
            .contains("\"type\":\"verdict\""),
        "{recording}"
    );
}

#[test]
fn a_rig_that_cannot_be_opened_and_an_address_that_cannot_be_had_are_said() {
    let folder = tempfile::tempdir().unwrap();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = taken.local_addr().unwrap().to_string();
    let _held = std::net::TcpListener::bind(&taken);
    for (arguments, part) in [
        (vec!["serve", "none.toml"], "none.toml: cannot be read"),
        (
            vec!["serve", "--listen", "192.0.2.1:1"],
            "192.0.2.1:1: cannot be listened on",
        ),
        (
            vec!["run", "none.toml", "--control", "stdio"],
            "none.toml: cannot be read",
        ),
    ] {
        let done = Command::new(binary())
            .args(&arguments)
            .current_dir(folder.path())
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&done.stderr);
        assert_eq!(done.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.contains(part), "{arguments:?}: {said}");
    }
}

/// Lines in, lines out, and how it ended.
fn lines(folder: &Path, arguments: &[&str], input: &str) -> (Vec<Value>, Option<i32>) {
    let mut child = Command::new(binary())
        .args(["run", "--control", "stdio"])
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()
        .unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(input.as_bytes())
        .unwrap();
    let done = child.wait_with_output().unwrap();
    let text = String::from_utf8(done.stdout).unwrap();
    let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
    (lines.collect(), done.status.code())
}

#[test]
fn a_bench_is_driven_by_lines_and_its_verdict_is_the_exit_code() {
    let folder = tempfile::tempdir().unwrap();
    let coin = r#"{"id": 1, "verb": "wait", "params": {"ready": true}}
{"id": 2, "verb": "act", "params": {"do": "insert-coin", "value": "0.25"}}
{"id": 3, "verb": "wait", "params": {"expect": "credit", "value": "0.25"}}
"#;
    let (answers, code) = lines(folder.path(), &["--record", "a.jsonl"], coin);
    assert_eq!(answers[0]["type"], "ready");
    assert_eq!(
        answers.last().unwrap()["result"]["met"],
        true,
        "{answers:?}"
    );
    assert_eq!(code, Some(0));
    let recording = std::fs::read_to_string(folder.path().join("a.jsonl")).unwrap();
    assert!(recording.lines().last().unwrap().contains("\"verdict\""));
    let fault = r#"{"id": 1, "verb": "wait", "params": {"ready": true}}
{"id": 2, "verb": "act", "params": {"do": "fault", "kind": "late", "by": "9 ms", "from": "peripheral", "device": "changer"}}
{"id": 3, "verb": "run", "params": {"for": "1 s"}}
"#;
    let (_, code) = lines(folder.path(), &["--seed", "3"], fault);
    assert_eq!(code, Some(1), "a late answer");
    assert_eq!(
        std::fs::read_dir(folder.path()).unwrap().count(),
        1,
        "nothing else is written"
    );
}
