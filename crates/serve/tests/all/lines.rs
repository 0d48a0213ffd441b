//! The verbs as lines of JSON.

use crate::Client;
use payrig_serve::stdio::{self, read_line};
use serde_json::{Value, json};
use std::sync::Arc;

/// Gives a host these lines, and reads what it answers.
async fn exchange(client: &Client, lines: &str) -> Vec<Value> {
    let (ours, theirs) = tokio::io::duplex(16 * 1024 * 1024);
    let input = tokio::io::BufReader::new(std::io::Cursor::new(lines.as_bytes().to_vec()));
    stdio::serve(Arc::clone(&client.0), input, theirs)
        .await
        .unwrap();
    let mut text = String::new();
    tokio::io::AsyncReadExt::read_to_string(&mut { ours }, &mut text)
        .await
        .unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn answer(lines: &[Value], id: u64) -> &Value {
    let found = lines.iter().find(|line| line["id"] == id);
    found.unwrap_or_else(|| panic!("no answer to {id}: {lines:?}"))
}

#[tokio::test]
async fn a_coin_in_lines_and_the_end_of_the_input_is_the_end_of_the_bench() {
    let client = Client::ready().await;
    let lines = r#"{"id": 1, "verb": "stream", "params": {"type": "movement,verdict"}}
{"id": 2, "verb": "act", "params": {"do": "insert-coin", "value": "0.25"}}
{"id": 3, "verb": "wait", "params": {"expect": "credit", "value": "0.25"}}
"#;
    let answers = exchange(&client, lines).await;
    assert!(answer(&answers, 1)["result"]["next"].is_u64());
    assert_eq!(
        answer(&answers, 2)["result"]["text"],
        "coin of 0.25 into changer"
    );
    assert_eq!(answer(&answers, 3)["result"]["met"], true);
    let events: Vec<&Value> = answers
        .iter()
        .filter(|line| line["event"].is_object())
        .collect();
    assert!(
        events.iter().any(|e| e["event"]["to"] == "board-credit"),
        "{answers:?}"
    );
    assert_eq!(events.last().unwrap()["event"]["type"], "verdict");
    assert_eq!(events.last().unwrap()["bench"], "a");
}

#[tokio::test]
async fn what_is_no_request_is_answered_and_the_next_line_is_read() {
    let client = Client::ready().await;
    let long = "x".repeat(1_100_000);
    let lines = format!(
        "nonsense\n\n[1]\n{{\"id\": 1}}\n{{\"id\": 2, \"verb\": \"acct\"}}\n{{\"id\": 3, \"verb\": \"state\", \"params\": 5}}\n\
         {{\"id\": 4, \"verb\": \"state\", \"prams\": {{}}}}\n{{\"id\": {{}}, \"verb\": \"state\"}}\n\"{long}\"\n\
         {{\"id\": 5, \"verb\": \"state\"}}\n\u{0}\n{{\"id\": 6, \"verb\": \"state\", \"params\": {{\"bench\": \"b\"}}}}"
    );
    let answers = exchange(&client, &lines).await;
    let kinds = |id: Value| -> Vec<String> {
        let own = answers.iter().filter(|line| line["id"] == id);
        let kinds = own.map(|line| {
            line["problem"]["type"]
                .as_str()
                .unwrap_or("none")
                .to_owned()
        });
        kinds
            .map(|kind| kind.rsplit(':').next().unwrap().to_owned())
            .collect()
    };
    assert_eq!(
        kinds(Value::Null),
        ["not-json", "not-json", "bad-field", "too-large", "not-json"]
    );
    assert_eq!(kinds(json!(1)), ["bad-field"]);
    assert_eq!(kinds(json!(2)), ["no-such-verb"]);
    assert_eq!(
        answer(&answers, 2)["problem"]["advice"],
        "did you mean \"act\"?"
    );
    assert_eq!(kinds(json!(3)), ["bad-field"]);
    assert_eq!(kinds(json!(4)), ["bad-field"]);
    assert_eq!(kinds(json!(5)), ["none"]);
    assert_eq!(kinds(json!(6)), ["no-such-bench"]);
}

/// Acts reach the bench in the order of their lines, whatever is waited for in between.
#[tokio::test]
async fn requests_reach_the_bench_in_order() {
    let client = Client::ready().await;
    let mut lines = String::new();
    for id in 0..40 {
        let verb = match id % 4 {
            3 => r#""verb": "wait", "params": {"for": "1 ms"}"#,
            _ => r#""verb": "act", "params": {"do": "press-return"}"#,
        };
        lines.push_str(&format!("{{\"id\": {id}, {verb}}}\n"));
    }
    let answers = exchange(&client, &lines).await;
    let next = |id: u64| answer(&answers, id)["result"]["at_us"].as_u64().unwrap();
    assert!(
        (1..40).all(|id| next(id) >= next(id - 1) || id % 4 == 0),
        "{answers:?}"
    );
}

#[test]
fn a_line_is_read_by_its_fields() {
    let asked = read_line(br#"{"id": "x", "verb": "act", "params": {"do": "y"}}"#).unwrap();
    assert_eq!((asked.id, asked.verb.as_str()), (json!("x"), "act"));
    let (id, problem) = *read_line(br#"{"id": "x", "verb": 3}"#).unwrap_err();
    assert_eq!((id, problem.field.as_deref()), (json!("x"), Some("verb")));
}
