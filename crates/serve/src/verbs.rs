//! The table of verbs: from it come the routes over HTTP, the verbs of JSON lines, and the description
//! of both.

use crate::host::Host;
use crate::params;
use crate::problem::Problem;
use crate::show;
use futures_util::future::BoxFuture;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::fmt;
use std::sync::{Arc, LazyLock};

/// How a verb is asked for over HTTP.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// It looks at something: its fields are in the path and the query.
    Get,
    /// It does something, or takes its time: its fields are in the path and the body.
    Post,
    /// It does away with something.
    Delete,
}

/// What a verb answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// JSON.
    Json,
    /// A document of this type, over HTTP as it is.
    Document(&'static str),
    /// Events as they come: server-sent events over HTTP, lines of JSON.
    Stream,
}

type Call = dyn Fn(Arc<Host>, Value) -> BoxFuture<'static, Result<Value, Problem>> + Send + Sync;

/// A row of the table.
pub struct Verb {
    /// Its name.
    pub name: &'static str,
    /// Over HTTP.
    pub method: Method,
    /// Over HTTP; what is in braces is a field.
    pub path: &'static str,
    /// What it does, in a line.
    pub summary: &'static str,
    /// What it answers.
    pub answer: Answer,
    /// It needs no token: it reveals nothing and does nothing.
    pub open_to_all: bool,
    /// What its fields are.
    pub params: fn(&mut SchemaGenerator) -> Schema,
    /// What it answers.
    pub result: fn(&mut SchemaGenerator) -> Schema,
    call: Box<Call>,
}

impl fmt::Debug for Verb {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name)
    }
}

impl Verb {
    /// Does it.
    ///
    /// # Errors
    /// When it cannot be done: says why and what to do.
    pub fn call(
        &self,
        host: Arc<Host>,
        params: Value,
    ) -> BoxFuture<'static, Result<Value, Problem>> {
        (self.call)(host, params)
    }

    /// The fields that are in its path.
    pub fn in_path(&self) -> impl Iterator<Item = &'static str> {
        let parts = self.path.split('/');
        parts.filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
    }
}

fn row<P, R, F, Fut>(
    name: &'static str,
    method: Method,
    path: &'static str,
    summary: &'static str,
    work: F,
) -> Verb
where
    P: DeserializeOwned + JsonSchema + Send + 'static,
    R: Serialize + JsonSchema + 'static,
    F: Fn(Arc<Host>, P) -> Fut + Clone + Send + Sync + 'static,
    Fut: Future<Output = Result<R, Problem>> + Send + 'static,
{
    Verb {
        name,
        method,
        path,
        summary,
        answer: Answer::Json,
        open_to_all: false,
        params: |generator| generator.subschema_for::<P>(),
        result: |generator| generator.subschema_for::<R>(),
        call: Box::new(move |host, value| {
            let work = work.clone();
            Box::pin(async move {
                let params = params::read::<P>(name, value)?;
                work(host, params).await.map(|result| show::json(&result))
            })
        }),
    }
}

impl Verb {
    fn open_to_all(mut self) -> Self {
        self.open_to_all = true;
        self
    }

    fn document(mut self, content_type: &'static str) -> Self {
        self.answer = Answer::Document(content_type);
        self
    }

    fn stream(mut self) -> Self {
        self.answer = Answer::Stream;
        self
    }
}

/// All verbs.
pub static VERBS: LazyLock<Vec<Verb>> = LazyLock::new(|| {
    use Method::{Delete, Get, Post};
    vec![
        row("version", Get, "/version", "What answers.", Host::version).open_to_all(),
        row("benches", Get, "/benches", "Which benches are open, and how they are.", Host::benches),
        row("open", Post, "/benches", "Opens a bench from a rig.", Host::open),
        row("state", Get, "/benches/{bench}", "How a bench is now.", Host::state),
        row(
            "remove",
            Delete,
            "/benches/{bench}",
            "Ends a bench with its verdict, and forgets it.",
            Host::remove,
        ),
        row(
            "act",
            Post,
            "/benches/{bench}/act",
            "Does something at a bench, as a step of a rig's script does.",
            Host::act,
        ),
        row(
            "wait",
            Post,
            "/benches/{bench}/wait",
            "Waits for something in bench time. That it did not come true is an answer, and no problem.",
            Host::wait,
        ),
        row(
            "run",
            Post,
            "/benches/{bench}/run",
            "Moves a bench on, by a time or until something comes true; a paused one, too.",
            Host::run,
        ),
        row("pace", Post, "/benches/{bench}/pace", "Says how bench time passes.", Host::pace),
        row("look", Get, "/benches/{bench}/look", "Looks at something on a bench.", Host::look),
        row(
            "events",
            Get,
            "/benches/{bench}/events",
            "What happened on a bench, by number.",
            Host::events,
        ),
        row(
            "stream",
            Get,
            "/benches/{bench}/stream",
            "What happens on a bench, as it happens. It goes on where `from` or Last-Event-ID says, and ends \
             with the bench.",
            Host::events,
        )
        .stream(),
        row(
            "ledger",
            Get,
            "/benches/{bench}/ledger",
            "Where the money is, and how it came there.",
            Host::ledger,
        ),
        row(
            "findings",
            Get,
            "/benches/{bench}/findings",
            "Limits broken, and advice.",
            Host::findings,
        ),
        row(
            "trains",
            Get,
            "/benches/{bench}/trains",
            "Pulse trains as they were measured.",
            Host::trains,
        ),
        row(
            "recording",
            Get,
            "/benches/{bench}/recording",
            "Everything that happened, as `payrig run` writes it. Once the bench has ended, its verdict is \
             the last line.",
            Host::recording,
        )
        .document("application/jsonl"),
        row(
            "reset",
            Post,
            "/benches/{bench}/reset",
            "Sets a bench up again, from the beginning.",
            Host::reset,
        ),
        row(
            "close",
            Post,
            "/benches/{bench}/close",
            "Ends a bench with its verdict and its books. What happened on it can be asked for until it is removed.",
            Host::close,
        ),
    ]
});

/// The verb of a name.
#[must_use]
pub fn verb(name: &str) -> Option<&'static Verb> {
    VERBS.iter().find(|verb| verb.name == name)
}
