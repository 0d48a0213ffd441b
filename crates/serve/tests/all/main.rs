//! The verbs, and their two front ends, without a network.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing
)]

mod bad_input;
mod benches;
mod document;
mod guide;
mod http;
mod lines;
mod waits;

use payrig_serve::verbs::verb;
use payrig_serve::{Host, Limits, Problem};
use serde_json::{Value, json};
use std::sync::Arc;

/// A host, and its verbs.
#[derive(Clone)]
pub(crate) struct Client(pub(crate) Arc<Host>);

impl Client {
    pub(crate) fn new() -> Self {
        Self(Arc::new(Host::new(Limits::default())))
    }

    /// Asks for a verb.
    pub(crate) async fn ask(&self, name: &str, params: Value) -> Result<Value, Problem> {
        verb(name)
            .expect(name)
            .call(Arc::clone(&self.0), params)
            .await
    }

    /// The same, and it is done.
    pub(crate) async fn get(&self, name: &str, params: Value) -> Value {
        match self.ask(name, params.clone()).await {
            Ok(answer) => answer,
            Err(problem) => panic!("{name} {params}: {problem}"),
        }
    }

    /// A bench of the built-in rig that is ready to sell.
    pub(crate) async fn ready() -> Self {
        let client = Self::new();
        client.get("open", json!({"id": "a"})).await;
        let ready = client
            .get("wait", json!({"bench": "a", "ready": true}))
            .await;
        assert_eq!(ready["met"], true, "{ready}");
        client
    }

    /// Something done at bench `a`.
    pub(crate) async fn act(&self, fields: Value) -> Value {
        self.get("act", with_bench(fields)).await
    }

    /// Something waited for at bench `a`.
    pub(crate) async fn wait(&self, fields: Value) -> Value {
        self.get("wait", with_bench(fields)).await
    }
}

fn with_bench(mut fields: Value) -> Value {
    fields["bench"] = json!("a");
    fields
}

/// What a kind of problem is called.
pub(crate) fn kind(problem: &Problem) -> &str {
    problem.r#type.strip_prefix(payrig_serve::TYPE).unwrap()
}
