//! Waiting, in bench time.

use crate::{Client, kind};
use serde_json::{Value, json};
use std::time::Duration;

fn numbers(evidence: &Value) -> Vec<u64> {
    let all = evidence.as_array().unwrap();
    all.iter().filter_map(|e| e["number"].as_u64()).collect()
}

#[tokio::test]
async fn what_came_true_comes_with_what_made_it_true() {
    let client = Client::ready().await;
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    let waited = client
        .wait(json!({"expect": "credit", "value": "0.25"}))
        .await;
    assert_eq!(
        (&waited["met"], &waited["text"]),
        (&json!(true), &json!("credit is 0.25"))
    );
    assert!(waited["missed"].is_null());
    let evidence = waited["evidence"].as_array().unwrap();
    let has = |what: &dyn Fn(&Value) -> bool| evidence.iter().any(what);
    assert!(
        has(&|e| e["type"] == "movement" && e["to"] == "board-credit"),
        "{waited}"
    );
    assert!(has(&|e| e["type"] == "block"), "{waited}");
    let numbers = numbers(&waited["evidence"]);
    assert!(numbers.is_sorted() && !numbers.is_empty());
    assert!(waited["at_us"].as_u64() > waited["began_us"].as_u64());
}

#[tokio::test]
async fn what_did_not_come_true_says_what_was_seen_instead_and_takes_its_time_of_the_bench() {
    let client = Client::ready().await;
    let waited = client
        .wait(json!({"expect": "credit", "value": "0.25", "within": "3 s"}))
        .await;
    assert_eq!(waited["met"], false);
    assert_eq!(
        (&waited["missed"]["found"], &waited["missed"]["wanted"]),
        (&json!(0), &json!(25))
    );
    assert!(
        waited["missed"]["text"]
            .as_str()
            .unwrap()
            .starts_with("credit is 0.00, not 0.25")
    );
    let took = waited["at_us"].as_u64().unwrap() - waited["began_us"].as_u64().unwrap();
    assert_eq!(took, 3_000_000, "exactly so much");
}

#[tokio::test]
async fn evidence_is_bounded_and_says_how_much_is_left_out() {
    let client = Client::ready().await;
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    let few = client
        .wait(json!({"expect": "credit", "value": "0.25", "most": 2}))
        .await;
    assert_eq!(few["evidence"].as_array().unwrap().len(), 2);
    assert!(few["left_out"].as_u64().unwrap() > 0, "{few}");
}

#[tokio::test]
async fn an_event_is_waited_for_from_the_act_on_that_causes_it() {
    let client = Client::ready().await;
    let acted = client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    // It has happened long ago when it is asked for.
    client.wait(json!({"for": "5 s"})).await;
    let event = json!({"type": "movement", "device": "changer"});
    let found = client
        .wait(json!({"event": event, "from": acted["next"], "within": "1 s"}))
        .await;
    assert_eq!(found["met"], true, "{found}");
    assert_eq!(found["event"]["amount"], 25);
    assert_eq!(found["at_us"], found["began_us"], "no time passed for it");
    let again = client.wait(json!({"event": event, "within": "1 s"})).await;
    assert_eq!(again["met"], false, "from now on there was none: {again}");
    let poll = client
        .wait(json!({"event": {"name": "POLL", "source": "master"}}))
        .await;
    assert_eq!(poll["event"]["type"], "block", "{poll}");
}

#[tokio::test]
async fn what_was_seen_counts_once_as_in_a_script() {
    let client = Client::ready().await;
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    let seen = json!({"expect": "seen", "text": "Credit 0.25", "within": "2 s"});
    assert_eq!(client.wait(seen.clone()).await["met"], true);
    assert_eq!(client.wait(seen).await["met"], false);
}

#[tokio::test]
async fn a_paused_bench_stands_but_for_run() {
    let client = Client::ready().await;
    client
        .get("pace", json!({"bench": "a", "pace": "paused"}))
        .await;
    let before = client.get("state", json!({"bench": "a"})).await["now_us"].clone();
    let never = json!({"bench": "a", "expect": "credit", "value": "0.25"});
    let problem = client.ask("wait", never.clone()).await.unwrap_err();
    assert_eq!(kind(&problem), "paused");
    assert!(problem.advice.unwrap().contains("`run`"));
    // What is so already needs no time.
    let zero = json!({"bench": "a", "expect": "credit", "value": "0.00"});
    assert_eq!(client.get("wait", zero).await["met"], true);
    assert_eq!(
        client.get("state", json!({"bench": "a"})).await["now_us"],
        before
    );
    let run = client
        .get("run", json!({"bench": "a", "for": "1234 us"}))
        .await;
    assert_eq!(
        run["at_us"].as_u64().unwrap() - before.as_u64().unwrap(),
        1234
    );
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    assert_eq!(client.get("run", never).await["met"], true);
}

#[tokio::test]
async fn a_simulated_bench_stands_while_nobody_waits() {
    let client = Client::ready().await;
    let now = client.get("state", json!({"bench": "a"})).await["now_us"].clone();
    for _ in 0..50 {
        tokio::task::yield_now().await;
    }
    assert_eq!(
        client.get("state", json!({"bench": "a"})).await["now_us"],
        now
    );
}

/// With the wall clock, which the test stops and moves itself.
#[tokio::test(start_paused = true)]
async fn at_real_pace_several_wait_at_once_and_are_answered_in_turn() {
    let client = Client::new();
    client.get("open", json!({"id": "a", "pace": "real"})).await;
    let ask = |fields: Value| {
        let client = client.clone();
        tokio::spawn(async move { client.wait(fields).await })
    };
    let first = ask(json!({"ready": true}));
    let second = ask(json!({"event": {"type": "note", "device": "display"}, "within": "30 s"}));
    let third = ask(json!({"expect": "credit", "value": "0.25", "within": "30 s"}));
    let first = first.await.unwrap();
    assert_eq!(first["met"], true, "{first}");
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    for waited in [second.await.unwrap(), third.await.unwrap()] {
        assert_eq!(waited["met"], true, "{waited}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_wait_is_answered_when_its_bench_ends() {
    let client = Client::new();
    client.get("open", json!({"id": "a", "pace": "real"})).await;
    let waiting = {
        let client = client.clone();
        tokio::spawn(async move {
            client
                .wait(json!({"expect": "credit", "value": "9.00", "within": "1 h"}))
                .await
        })
    };
    while client.get("state", json!({"bench": "a"})).await["waits"] == 0 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    client.get("close", json!({"bench": "a"})).await;
    let waited = waiting.await.unwrap();
    assert_eq!(
        (&waited["met"], &waited["ended"]),
        (&json!(false), &json!(true))
    );
}

/// An hour on one bench keeps no other from being served.
#[tokio::test]
async fn a_long_run_goes_on_in_slices() {
    let client = Client::new();
    client.get("open", json!({"id": "a"})).await;
    client.get("open", json!({"id": "b"})).await;
    let long = {
        let client = client.clone();
        tokio::spawn(async move {
            client
                .get("run", json!({"bench": "a", "for": "20 min"}))
                .await
        })
    };
    let mut seen = Vec::new();
    while seen.len() < 3 {
        // On one thread: this is served only because the other gives way.
        let state = client.get("state", json!({"bench": "a"})).await;
        let now = state["now_us"].as_u64().unwrap();
        if now > 0 && seen.last() != Some(&now) {
            seen.push(now);
        }
        client
            .get("run", json!({"bench": "b", "for": "1 ms"}))
            .await;
    }
    assert!(!long.is_finished(), "{seen:?}");
    client.get("close", json!({"bench": "a"})).await;
    assert_eq!(long.await.unwrap()["ended"], true);
}
