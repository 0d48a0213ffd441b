//! What cannot be done is said clearly, and the books and the recording stay whole.

use crate::{Client, kind};
use serde_json::{Value, json};

#[tokio::test]
async fn every_wrong_request_is_a_problem_that_names_what_is_wrong() {
    let client = Client::ready().await;
    // Verb, fields, kind, field, a part of what is said or advised.
    let rows: &[(&str, Value, &str, Option<&str>, &str)] = &[
        (
            "act",
            json!({"bench": "a", "do": "insert-con"}),
            "bad-step",
            None,
            "insert-coin",
        ),
        (
            "act",
            json!({"bench": "a", "do": "insert-coin", "value": 0.25}),
            "bad-step",
            None,
            "in quotes",
        ),
        (
            "act",
            json!({"bench": "a", "do": "insert-coin", "value": "-1"}),
            "bad-step",
            None,
            "expected an amount",
        ),
        (
            "act",
            json!({"bench": "a", "do": "insert-coin", "value": "0.25", "devise": "x"}),
            "bad-step",
            None,
            "device",
        ),
        (
            "act",
            json!({"bench": "a", "do": "insert-bill", "value": "1.00"}),
            "bad-step",
            None,
            "bill, old bill",
        ),
        (
            "act",
            json!({"bench": "a", "do": "silent", "device": "bill", "for": "-2 s"}),
            "bad-step",
            None,
            "a time",
        ),
        (
            "act",
            json!({"bench": "a", "do": "wait", "for": "9999 h"}),
            "bad-field",
            None,
            "24 h",
        ),
        (
            "act",
            json!({"bench": "a", "do": 3}),
            "bad-field",
            Some("do"),
            "a text",
        ),
        (
            "act",
            json!({"bench": "a"}),
            "bad-field",
            Some("do"),
            "needs `do`",
        ),
        (
            "act",
            json!({"bench": "b", "do": "press-return"}),
            "no-such-bench",
            Some("bench"),
            "did you mean \"a\"",
        ),
        ("wait", json!({"bench": "a"}), "bad-field", None, "expect"),
        (
            "wait",
            json!({"bench": "a", "rest": true, "ready": true}),
            "bad-field",
            None,
            "one thing",
        ),
        (
            "wait",
            json!({"bench": "a", "rest": true, "withing": "2 s"}),
            "bad-field",
            Some("withing"),
            "within",
        ),
        (
            "wait",
            json!({"bench": "a", "rest": true, "within": "-2 s"}),
            "bad-field",
            Some("within"),
            "a time",
        ),
        (
            "wait",
            json!({"bench": "a", "rest": true, "most": 1_000_000}),
            "bad-field",
            Some("most"),
            "1000",
        ),
        (
            "wait",
            json!({"bench": "a", "expect": "credits", "value": "1.00"}),
            "bad-step",
            None,
            "credit",
        ),
        (
            "wait",
            json!({"bench": "a", "event": {"type": "movment"}}),
            "bad-field",
            Some("type"),
            "movement",
        ),
        (
            "wait",
            json!({"bench": "a", "event": {}}),
            "bad-field",
            Some("event"),
            "its type",
        ),
        (
            "wait",
            json!({"bench": "a", "event": {"tipe": "block"}}),
            "bad-field",
            None,
            "tipe",
        ),
        (
            "pace",
            json!({"bench": "a", "pace": "fast"}),
            "bad-field",
            Some("pace"),
            "real, simulated, paused",
        ),
        (
            "look",
            json!({"bench": "a", "at": "balance"}),
            "bad-field",
            Some("place"),
            "place",
        ),
        (
            "look",
            json!({"bench": "a", "at": "balance", "place": "changer tub 2"}),
            "bad-field",
            Some("place"),
            "changer tube 2",
        ),
        (
            "look",
            json!({"bench": "a", "at": "ready", "device": "chnager"}),
            "bad-field",
            Some("device"),
            "changer",
        ),
        (
            "open",
            json!({"sede": 1}),
            "bad-field",
            Some("sede"),
            "`seed`",
        ),
        (
            "open",
            json!({"seed": -1}),
            "bad-field",
            Some("seed"),
            "whole number",
        ),
        (
            "open",
            json!({"seed": "1"}),
            "bad-field",
            Some("seed"),
            "whole number",
        ),
        (
            "open",
            json!({"id": "a"}),
            "refused",
            Some("id"),
            "another id",
        ),
        (
            "open",
            json!({"id": "../a"}),
            "bad-field",
            Some("id"),
            "letters",
        ),
        ("open", json!({"keep": 0}), "bad-field", Some("keep"), "1"),
        (
            "open",
            json!({"rig": "/none.toml"}),
            "bad-rig",
            None,
            "rig file",
        ),
        (
            "open",
            json!({"rig": "x", "toml": "y"}),
            "bad-field",
            Some("toml"),
            "both",
        ),
        ("open", json!({"toml": "["}), "bad-rig", None, "not TOML"),
        ("open", json!([1]), "bad-field", None, "an object"),
    ];
    let before = client.get("recording", json!({"bench": "a"})).await;
    for (verb, fields, wanted, field, part) in rows {
        let problem = client.ask(verb, fields.clone()).await;
        let problem = problem.expect_err(&format!("{verb} {fields}"));
        assert_eq!(kind(&problem), *wanted, "{verb} {fields}: {problem}");
        if field.is_some() {
            assert_eq!(
                problem.field.as_deref(),
                *field,
                "{verb} {fields}: {problem}"
            );
        }
        let said = format!(
            "{} {}",
            problem.detail,
            problem.advice.as_deref().unwrap_or_default()
        );
        assert!(said.contains(part), "{verb} {fields}: {said}");
    }
    assert_eq!(
        client.get("recording", json!({"bench": "a"})).await,
        before,
        "nothing has happened"
    );
    assert_eq!(
        client.get("close", json!({"bench": "a"})).await["passed"],
        true
    );
}

#[tokio::test]
async fn a_bench_that_has_ended_refuses_acts_and_shows_its_books() {
    let client = Client::ready().await;
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    client
        .wait(json!({"expect": "credit", "value": "0.25"}))
        .await;
    let closed = client.get("close", json!({"bench": "a"})).await;
    let tries = [
        ("act", json!({"bench": "a", "do": "press-return"})),
        (
            "wait",
            json!({"bench": "a", "expect": "credit", "value": "9.00"}),
        ),
        ("pace", json!({"bench": "a", "pace": "real"})),
    ];
    for (verb, fields) in tries {
        let problem = client.ask(verb, fields).await;
        match verb {
            // It can be said at once that it will not come true.
            "wait" => assert_eq!(problem.unwrap()["ended"], true),
            _ => assert_eq!(kind(&problem.unwrap_err()), "ended"),
        }
    }
    assert_eq!(
        client.get("close", json!({"bench": "a"})).await,
        closed,
        "the same once more"
    );
    let ledger = client.get("ledger", json!({"bench": "a"})).await;
    assert_eq!(ledger["balances"], closed["balances"]);
    let events = client
        .get("events", json!({"bench": "a", "type": "verdict"}))
        .await;
    assert_eq!(
        (events["events"].as_array().unwrap().len(), &events["ended"]),
        (1, &json!(true))
    );
    client.get("remove", json!({"bench": "a"})).await;
    let problem = client
        .ask("ledger", json!({"bench": "a"}))
        .await
        .unwrap_err();
    assert_eq!(kind(&problem), "no-such-bench");
}

#[tokio::test]
async fn a_log_that_forgot_says_so_instead_of_giving_half_a_recording() {
    let client = Client::new();
    client.get("open", json!({"id": "a", "keep": 20})).await;
    client.get("run", json!({"bench": "a", "for": "3 s"})).await;
    let events = client.get("events", json!({"bench": "a", "from": 1})).await;
    assert_eq!(events["events"].as_array().unwrap().len(), 20);
    assert_eq!(events["missed"]["from"], 1);
    let last = events["missed"]["to"].as_u64().unwrap();
    assert_eq!(events["events"][0]["number"], last + 1);
    let problem = client
        .ask("recording", json!({"bench": "a"}))
        .await
        .unwrap_err();
    assert_eq!(kind(&problem), "not-there");
    assert!(problem.advice.unwrap().contains("record"));
}
