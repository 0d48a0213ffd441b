//! Opening, acting, reading, closing.

use crate::{Client, kind};
use payrig_rig::FIRST_VEND;
use payrig_wire::recording::{Entry, read_recording};
use serde_json::{Value, json};
use std::collections::BTreeSet;

#[tokio::test]
async fn a_snack_is_sold_by_hand_and_the_books_agree() {
    let client = Client::ready().await;
    client
        .act(json!({"do": "insert-bill", "value": "1.00", "device": "bill"}))
        .await;
    let credit = client
        .wait(json!({"expect": "credit", "value": "1.00", "within": "5 s"}))
        .await;
    assert_eq!(credit["met"], true, "{credit}");
    let acted = client.act(json!({"do": "select", "item": 11})).await;
    assert_eq!(acted["text"], "select item 11");
    let sold = client.wait(json!({"expect": "sold", "count": 1})).await;
    assert_eq!(sold["met"], true, "{sold}");
    let rest = client.wait(json!({"rest": true, "within": "20 s"})).await;
    assert_eq!(rest["met"], true, "{rest}");
    let state = client.get("state", json!({"bench": "a"})).await;
    assert_eq!(state["sold"], 1);
    assert_eq!(state["board"]["credit"], 0);
    let look = json!({"bench": "a", "at": "balance", "place": "board: sales"});
    assert_eq!(client.get("look", look).await["seen"], 65);
    let closed = client.get("close", json!({"bench": "a"})).await;
    assert_eq!(closed["passed"], true, "{closed}");
    assert_eq!(closed["verdict"]["type"], "verdict");
    let balances = closed["balances"].as_array().unwrap();
    let physical = balances.iter().filter(|b| b["physical"] == true);
    let sum: i64 = physical.map(|b| b["amount"].as_i64().unwrap()).sum();
    assert_eq!(sum, 0, "{closed}");
}

#[tokio::test]
async fn a_recording_is_whole_and_ends_with_the_verdict_kept_or_not() {
    let mut texts = Vec::new();
    for record in [json!(false), json!(true)] {
        let client = Client::new();
        client
            .get("open", json!({"id": "a", "record": record}))
            .await;
        client.wait(json!({"ready": true})).await;
        client
            .act(json!({"do": "insert-coin", "value": "0.25"}))
            .await;
        client.wait(json!({"for": "2 s"})).await;
        let closed = client.get("close", json!({"bench": "a"})).await;
        assert_eq!(closed["passed"], true);
        let document = client.get("recording", json!({"bench": "a"})).await;
        let text = document["text"].as_str().unwrap().to_owned();
        let read = read_recording("a", text.as_bytes()).unwrap();
        assert!(read.torn.is_none());
        assert!(matches!(
            read.entries.last(),
            Some((_, Entry::Verdict { passed: true, .. }))
        ));
        assert!(
            read.entries
                .iter()
                .any(|(_, e)| matches!(e, Entry::Act { text, .. } if text.contains("0.25")))
        );
        texts.push(text);
    }
    assert_eq!(texts[0], texts[1], "whether it is kept changes nothing");
}

#[tokio::test]
async fn a_recording_in_a_file_stays_and_replaces_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.jsonl");
    let client = Client::new();
    let open = json!({"id": "a", "record": path});
    let state = client.get("open", open.clone()).await;
    assert_eq!(state["recording"], json!(path));
    client.get("run", json!({"bench": "a", "for": "1 s"})).await;
    client.get("remove", json!({"bench": "a"})).await;
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.lines().last().unwrap().contains("\"verdict\""));
    let problem = client.ask("open", open).await.unwrap_err();
    assert_eq!(
        (kind(&problem), problem.field.as_deref()),
        ("refused", Some("record"))
    );
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
}

#[tokio::test]
async fn the_same_rig_and_seed_give_the_same_events_and_a_reset_begins_again() {
    let mut runs: Vec<Value> = Vec::new();
    let client = Client::new();
    for id in ["a", "b"] {
        client.get("open", json!({"id": id, "seed": 7})).await;
        client.get("run", json!({"bench": id, "for": "3 s"})).await;
        runs.push(client.get("recording", json!({"bench": id})).await["text"].clone());
    }
    let before = client.get("state", json!({"bench": "b"})).await;
    let again = client.get("reset", json!({"bench": "b"})).await;
    assert_eq!(again["now_us"], 0);
    assert!(
        again["next"].as_u64() > before["next"].as_u64(),
        "numbers go on"
    );
    client.get("run", json!({"bench": "b", "for": "3 s"})).await;
    runs.push(client.get("recording", json!({"bench": "b"})).await["text"].clone());
    assert_eq!(runs[0], runs[1]);
    assert_eq!(runs[0], runs[2]);
    let read = json!({"bench": "b", "type": "reset,verdict"});
    let events = client.get("events", read).await;
    let types: Vec<&str> = events["events"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| e["type"].as_str().unwrap())
        .collect();
    assert_eq!(types, ["verdict", "reset"], "the first run has its verdict");
}

#[tokio::test]
async fn a_script_is_played_where_it_is_asked_for_and_ends_the_bench() {
    let client = Client::new();
    client.get("open", json!({"id": "a", "script": true})).await;
    let end = client
        .wait(json!({"event": {"type": "verdict"}, "within": "1 h"}))
        .await;
    assert_eq!((&end["met"], &end["ended"]), (&json!(true), &json!(true)));
    assert_eq!(end["event"]["passed"], true, "{end}");
    let problem = client
        .ask("act", json!({"bench": "a", "do": "press-return"}))
        .await
        .unwrap_err();
    assert_eq!(kind(&problem), "ended");
}

#[tokio::test]
async fn rigs_come_as_text_and_as_files_and_say_where_they_are_wrong() {
    let client = Client::new();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("rig.toml");
    std::fs::write(&path, FIRST_VEND).unwrap();
    for open in [
        json!({"toml": FIRST_VEND}),
        json!({"rig": path}),
        json!({"rig": "first-vend"}),
        json!({}),
    ] {
        let opened = client.get("open", open).await;
        assert_eq!(opened["name"], "First vend");
    }
    assert_eq!(
        client.get("benches", json!({})).await["benches"]
            .as_array()
            .unwrap()
            .len(),
        4
    );
    let wrong = FIRST_VEND.replace("[board]", "[bord]");
    let line = 1 + FIRST_VEND
        .lines()
        .position(|line| line == "[board]")
        .unwrap();
    let problem = client
        .ask("open", json!({"toml": wrong}))
        .await
        .unwrap_err();
    assert_eq!(
        (kind(&problem), problem.line),
        ("bad-rig", Some(line as u64))
    );
    assert_eq!(problem.file.as_deref(), Some("toml"));
    assert!(problem.advice.unwrap().contains("board"));
}

/// Every name that a step can have is known here, too: the reader is the same.
#[tokio::test]
async fn every_act_of_a_script_can_be_asked_for() {
    let client = Client::ready().await;
    let names: BTreeSet<&str> = payrig_bench::action::Action::names().collect();
    assert!(names.len() > 30);
    for name in names {
        match client.ask("act", json!({"bench": "a", "do": name})).await {
            Ok(_) => {}
            // Its fields are missing, the rig has no such device, or it cannot be done now.
            Err(problem) => assert!(
                !problem.detail.contains("is not known"),
                "{name}: {problem}"
            ),
        }
    }
}

#[tokio::test]
async fn faults_strike_and_are_found() {
    let client = Client::ready().await;
    let acted = client
        .act(json!({"do": "fault", "kind": "late", "by": "9 ms", "from": "peripheral", "device": "changer"}))
        .await;
    let found = client
        .wait(json!({"event": {"type": "finding"}, "from": acted["next"], "within": "2 s"}))
        .await;
    assert_eq!(found["met"], true, "{found}");
    let findings = client.get("findings", json!({"bench": "a"})).await;
    assert_eq!(findings["findings"][0]["rule"], found["event"]["rule"]);
    assert_eq!(
        client.get("close", json!({"bench": "a"})).await["passed"],
        false
    );
}

#[tokio::test]
async fn pulse_trains_are_measured() {
    let client = Client::ready().await;
    client
        .act(json!({"do": "insert-bill", "value": "1.00", "device": "old bill"}))
        .await;
    client.wait(json!({"event": {"type": "train"}})).await;
    let trains = client.get("trains", json!({"bench": "a"})).await;
    assert_eq!(trains["trains"][0]["pulses"], 1, "{trains}");
}

#[tokio::test]
async fn so_many_benches_and_no_more_but_those_that_have_ended_make_room() {
    let limits = payrig_serve::Limits {
        benches: 2,
        ..payrig_serve::Limits::default()
    };
    let client = Client(std::sync::Arc::new(payrig_serve::Host::new(limits)));
    client.get("open", json!({"id": "a"})).await;
    client.get("open", json!({"id": "b"})).await;
    let problem = client.ask("open", json!({})).await.unwrap_err();
    assert_eq!((kind(&problem), problem.status), ("too-many", 429));
    client.get("close", json!({"bench": "a"})).await;
    client.get("open", json!({"id": "c"})).await;
    let gone = client
        .ask("state", json!({"bench": "a"}))
        .await
        .unwrap_err();
    assert_eq!(kind(&gone), "no-such-bench");
}

#[tokio::test]
async fn a_host_that_ends_gives_every_bench_its_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let client = Client::new();
    for id in ["a", "b", "c"] {
        let record = folder.path().join(id);
        client
            .get("open", json!({"id": id, "record": record}))
            .await;
    }
    client.0.end().await;
    for id in ["a", "b", "c"] {
        let text = std::fs::read_to_string(folder.path().join(id)).unwrap();
        assert!(
            text.lines().last().unwrap().contains("\"verdict\""),
            "{text}"
        );
    }
    let problem = client.ask("open", json!({})).await.unwrap_err();
    assert_eq!((kind(&problem), problem.status), ("ending", 503));
}

/// A bench at a pseudo-terminal: at real pace only, with a path to connect to, and it does not pass alone.
#[tokio::test]
async fn a_bench_on_a_pseudo_terminal_says_where_and_that_nobody_came() {
    let client = Client::new();
    let open = json!({"id": "a", "link": "pty"});
    let state = client.get("open", open.clone()).await;
    assert_eq!(
        (&state["pace"], &state["live"]),
        (&json!("real"), &json!(true))
    );
    let path = state["links"][0]["path"].as_str().unwrap();
    assert!(std::fs::metadata(path).is_ok(), "{path}");
    assert!(state["board"].is_null(), "the board is outside");
    let problem = client
        .ask("pace", json!({"bench": "a", "pace": "paused"}))
        .await
        .unwrap_err();
    assert_eq!(kind(&problem), "refused");
    client
        .act(json!({"do": "insert-coin", "value": "0.25"}))
        .await;
    let problem = client
        .ask("act", json!({"bench": "a", "do": "select", "item": 11}))
        .await
        .unwrap_err();
    assert!(problem.detail.contains("not ours"), "{problem}");
    let again = client.get("reset", json!({"bench": "a"})).await;
    assert!(again["links"][0]["path"].is_string());
    let closed = client.get("remove", json!({"bench": "a"})).await;
    assert_eq!(closed["passed"], false, "{closed}");
    let open = json!({"id": "a", "link": "pty", "peer_optional": true});
    client.get("open", open).await;
    assert_eq!(
        client.get("close", json!({"bench": "a"})).await["passed"],
        true
    );
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("bus");
    let open =
        json!({"id": "c", "link": format!("pty:{}", place.display()), "peer_optional": true});
    let state = client.get("open", open).await;
    assert_eq!(state["links"][0]["path"], json!(place));
    assert!(place.exists());
    client.get("remove", json!({"bench": "c"})).await;
    assert!(!place.is_symlink(), "it goes with the bench");
    for wrong in [
        json!({"role": "board"}),
        json!({"link": "pty", "coding": "morse"}),
        json!({"link": "pty", "pace": "simulated"}),
        json!({"link": "/dev/none", "coding": "plain"}),
    ] {
        let problem = client.ask("open", wrong).await.unwrap_err();
        assert_eq!(kind(&problem), "bad-field", "{problem}");
        assert!(problem.field.is_some());
    }
    let problem = client
        .ask("open", json!({"link": "/dev/none"}))
        .await
        .unwrap_err();
    assert_eq!(kind(&problem), "link-failed");
}
