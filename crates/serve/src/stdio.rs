//! The verbs as lines of JSON: for those who cannot open a port.

use crate::filter::Filter;
use crate::host::{Host, types};
use crate::http::{LARGEST_BODY, read_object};
use crate::problem::{Kind, Problem};
use crate::verbs::{Answer, VERBS, verb};
use crate::{api, params};
use futures_util::FutureExt;
use payrig_rig::nearest;
use serde_json::{Map, Value, json};
use std::io;
use std::sync::Arc;
use tokio::io::{AsyncBufRead, AsyncBufReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;

/// A request that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// What answers to it carry; null where it has none.
    pub id: Value,
    /// The verb.
    pub verb: String,
    /// Its fields.
    pub params: Map<String, Value>,
}

/// Reads a line.
///
/// # Errors
/// When it is no request: the answer carries the id, as far as there is one.
pub fn read_line(line: &[u8]) -> Result<Asked, Box<(Value, Problem)>> {
    if line.len() > LARGEST_BODY {
        let text = format!("the line is longer than {LARGEST_BODY} bytes");
        return Err(Box::new((Value::Null, Problem::new(Kind::TooLarge, text))));
    }
    let mut fields = read_object(line).map_err(|problem| {
        let advice =
            "a line is one request, as in {\"id\": 1, \"verb\": \"state\", \"params\": {}}";
        Box::new((Value::Null, problem.advice(advice)))
    })?;
    let id = fields.remove("id").unwrap_or_default();
    let wrong = |field: &str, text: String| {
        Err(Box::new((
            id.clone(),
            Problem::new(Kind::BadField, text).field(field),
        )))
    };
    if id.is_object() || id.is_array() {
        return Err(Box::new((
            Value::Null,
            Problem::new(Kind::BadField, "`id` is no number and no text").field("id"),
        )));
    }
    let verb = match fields.remove("verb") {
        Some(Value::String(verb)) => verb,
        Some(other) => return wrong("verb", format!("`verb` is {other}; expected a text")),
        None => {
            return wrong(
                "verb",
                "a request needs `verb`: what is to be done".to_owned(),
            );
        }
    };
    let params = match fields.remove("params") {
        Some(Value::Object(params)) => params,
        None | Some(Value::Null) => Map::new(),
        Some(other) => return wrong("params", format!("`params` is {other}; expected an object")),
    };
    if let Some(other) = fields.keys().next() {
        return wrong(
            other,
            format!("a request has no field `{other}`: it has id, verb and params"),
        );
    }
    Ok(Asked { id, verb, params })
}

/// Does what was asked for.
async fn done(
    host: Arc<Host>,
    asked: Asked,
    out: mpsc::UnboundedSender<String>,
) -> Result<Value, Problem> {
    let Asked {
        verb: name,
        mut params,
        ..
    } = asked;
    let Some(verb) = verb(&name) else {
        let names: Vec<&str> = VERBS.iter().map(|verb| verb.name).collect();
        let problem =
            Problem::new(Kind::NoSuchVerb, format!("no verb is called \"{name}\"")).field("verb");
        return Err(problem.advice(match nearest(&name, &names) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("verbs: {}", names.join(", ")),
        }));
    };
    // Where there is one bench it need not be said.
    if verb.in_path().any(|field| field == "bench")
        && !params.contains_key("bench")
        && let Some(only) = host.only()
    {
        params.insert("bench".to_owned(), Value::String(only));
    }
    if verb.answer != Answer::Stream {
        return verb.call(host, Value::Object(params)).await;
    }
    let read: api::ReadEvents = params::read(verb.name, Value::Object(params))?;
    let filter = read.filter();
    filter.check(&types())?;
    let session = host.session(&read.bench)?;
    let next = read.from.unwrap_or_else(|| session.log.next());
    tokio::spawn(follow(session, filter, next, out));
    Ok(json!({"next": next}))
}

/// Sends events as they come.
async fn follow(
    session: Arc<crate::session::Session>,
    filter: Filter,
    mut next: u64,
    out: mpsc::UnboundedSender<String>,
) {
    let log = Arc::clone(&session.log);
    let place = session.stream();
    let mut bell = log.bell();
    loop {
        bell.mark_unchanged();
        let page = log.read(next, 256);
        if let Some((from, to)) = page.missed {
            let _ = out
                .send(json!({"bench": session.id, "missed": {"from": from, "to": to}}).to_string());
        }
        let any = !page.events.is_empty();
        let id = Value::from(session.id.as_str());
        for event in page.events.iter().filter(|event| event.is_wanted(&filter)) {
            let line = format!("{{\"bench\":{id},\"event\":{}}}", event.json());
            if out.send(line).is_err() {
                return;
            }
        }
        next = page.next;
        if page.ended || !any && bell.changed().await.is_err() {
            drop(place);
            return;
        }
    }
}

/// Answers requests, a line each, until there are no more; those under way are answered as well. Requests
/// reach a bench in the order in which they came; one that waits keeps none that follow.
///
/// # Errors
/// When a line cannot be read or written.
pub async fn serve(
    host: Arc<Host>,
    mut input: impl AsyncBufRead + Unpin,
    output: impl AsyncWrite + Unpin + Send + 'static,
) -> io::Result<()> {
    let (lines, all) = mpsc::unbounded_channel::<String>();
    let writer = tokio::spawn(write(all, output));
    let mut line = Vec::new();
    loop {
        line.clear();
        if !read_one(&mut input, &mut line).await? {
            break;
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let answered = lines.clone();
        let answer = |id: Value, result: Result<Value, Problem>| {
            match result {
                Ok(result) => json!({"id": id, "result": result}),
                Err(problem) => json!({"id": id, "problem": problem}),
            }
            .to_string()
        };
        match read_line(&line) {
            Err(refused) => {
                let (id, problem) = *refused;
                let _ = answered.send(answer(id, Err(problem)));
            }
            Ok(asked) => {
                let id = asked.id.clone();
                let mut doing = Box::pin(done(Arc::clone(&host), asked, lines.clone()));
                // As far as it goes at once, before the next one is begun.
                match doing.as_mut().now_or_never() {
                    Some(result) => {
                        let _ = answered.send(answer(id, result));
                    }
                    None => {
                        tokio::spawn(async move {
                            let result = doing.await;
                            let _ = answered.send(answer(id, result));
                        });
                    }
                }
            }
        }
    }
    drop(lines);
    host.end().await;
    writer.await.unwrap_or(Ok(()))
}

/// Reads a line, and no more of it than is taken. False at the end.
async fn read_one(input: &mut (impl AsyncBufRead + Unpin), line: &mut Vec<u8>) -> io::Result<bool> {
    loop {
        let buffer = input.fill_buf().await?;
        if buffer.is_empty() {
            return Ok(!line.is_empty());
        }
        let end = buffer.iter().position(|byte| *byte == b'\n');
        let taken = end.map_or(buffer.len(), |at| at + 1);
        let room = (LARGEST_BODY + 1).saturating_sub(line.len());
        line.extend(buffer.iter().take(taken.min(room)));
        input.consume(taken);
        if end.is_some() {
            return Ok(true);
        }
    }
}

async fn write(
    mut lines: mpsc::UnboundedReceiver<String>,
    mut output: impl AsyncWrite + Unpin,
) -> io::Result<()> {
    while let Some(mut line) = lines.recv().await {
        line.push('\n');
        output.write_all(line.as_bytes()).await?;
        if lines.is_empty() {
            output.flush().await?;
        }
    }
    output.flush().await
}
