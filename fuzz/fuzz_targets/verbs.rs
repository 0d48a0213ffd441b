//! Any line as a request: never panics; what cannot be done is a problem with a type and a text, and the
//! bench has its books afterwards.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_serve::stdio::read_line;
use payrig_serve::verbs::verb;
use payrig_serve::{Host, Limits, TYPE};
use serde_json::{Value, json};
use std::sync::Arc;

/// What may be asked for without writing files, reading them or waiting for the wall clock.
const VERBS: [&str; 9] = [
    "state", "act", "run", "wait", "look", "events", "ledger", "findings", "reset",
];

fuzz_target!(|line: &[u8]| {
    let asked = match read_line(line) {
        Ok(asked) if VERBS.contains(&asked.verb.as_str()) => asked,
        Ok(_) => return,
        Err(refused) => {
            let (_, problem) = *refused;
            assert!(problem.r#type.starts_with(TYPE) && !problem.detail.is_empty());
            return;
        }
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let host = Arc::new(Host::new(Limits::default()));
        let ask = |name: &str, fields: Value| verb(name).unwrap().call(Arc::clone(&host), fields);
        ask("open", json!({"id": "a"})).await.unwrap();
        let mut params = Value::Object(asked.params);
        params["bench"] = json!("a");
        // Some seconds of the bench are enough.
        for field in ["for", "within"] {
            if params.get(field).is_some_and(Value::is_string) {
                params[field] = json!("1 s");
            }
        }
        if let Err(problem) = ask(&asked.verb, params).await {
            assert!(problem.r#type.starts_with(TYPE) && !problem.detail.is_empty());
        }
        let closed = ask("close", json!({"bench": "a"})).await.unwrap();
        assert!(closed["balances"].is_array());
    });
});
