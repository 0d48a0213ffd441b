//! The verbs over HTTP: loopback, a token, JSON, server-sent events.

use crate::host::Host;
use crate::log::Log;
use crate::params;
use crate::problem::{Kind, Problem};
use crate::session::Streaming;
use crate::verbs::{Answer, Method, VERBS, Verb};
use crate::{Filter, api, openapi};
use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::rejection::RawPathParamsRejection;
use axum::extract::{RawPathParams, RawQuery, Request, State};
use axum::http::header::{
    ALLOW, AUTHORIZATION, CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_TYPE, HOST, ORIGIN,
    RETRY_AFTER, WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodFilter, MethodRouter, on};
use futures_util::stream::{self, Stream};
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, VecDeque};
use std::convert::Infallible;
use std::future::Future;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::net::TcpListener;

/// The largest body that is taken.
pub const LARGEST_BODY: usize = 1024 * 1024;

/// As many events are read at once for a stream.
const BATCH: usize = 256;

/// What a server allows.
#[derive(Clone, Debug)]
pub struct Guard {
    /// What `Authorization: Bearer` has to say.
    pub token: String,
    /// The names under which it is asked for, with the port: `127.0.0.1:8080`, `localhost:8080`.
    pub names: Vec<String>,
    /// Requests a second at the most.
    pub rate: u32,
    /// Event streams at once.
    pub streams: usize,
}

impl Guard {
    /// Names of an address: itself, and `localhost` where it is loopback.
    #[must_use]
    pub fn names_of(address: SocketAddr) -> Vec<String> {
        let port = address.port();
        let mut names = vec![address.to_string()];
        if address.ip().is_loopback() {
            names.extend([
                format!("localhost:{port}"),
                format!("127.0.0.1:{port}"),
                format!("[::1]:{port}"),
            ]);
            names.sort();
            names.dedup();
        }
        names
    }
}

/// A token that nobody guesses: 256 bits of the system's own.
///
/// # Errors
/// When the system has none to give.
pub fn token() -> Result<String, Problem> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).map_err(|error| Problem::failed("random numbers", &error))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// A bucket that fills with so many requests a second.
#[derive(Debug)]
struct Bucket {
    left: f64,
    filled: Instant,
}

#[derive(Debug)]
struct Server {
    host: Arc<Host>,
    guard: Guard,
    bucket: Mutex<Bucket>,
    streams: Arc<tokio::sync::Semaphore>,
}

/// The routes: those of the table, and the description.
pub fn router(host: Arc<Host>, guard: Guard) -> Router {
    let server = Arc::new(Server {
        host,
        bucket: Mutex::new(Bucket {
            left: f64::from(guard.rate),
            filled: Instant::now(),
        }),
        streams: Arc::new(tokio::sync::Semaphore::new(guard.streams)),
        guard,
    });
    let mut paths: BTreeMap<&'static str, (MethodRouter<Arc<Server>>, Vec<&'static str>)> =
        BTreeMap::new();
    for verb in VERBS.iter() {
        let (filter, name) = match verb.method {
            Method::Get => (MethodFilter::GET, "GET"),
            Method::Post => (MethodFilter::POST, "POST"),
            Method::Delete => (MethodFilter::DELETE, "DELETE"),
        };
        let handler = move |State(server): State<Arc<Server>>,
                            path: Result<RawPathParams, RawPathParamsRejection>,
                            RawQuery(query): RawQuery,
                            headers: HeaderMap,
                            body: Body| async move {
            match path {
                Ok(path) => answer(verb, server, &path, query.as_deref(), &headers, body).await,
                Err(error) => respond(&Problem::new(Kind::NoSuchBench, error.to_string())),
            }
        };
        let (router, names) = paths.remove(verb.path).unwrap_or_default();
        let names = names.into_iter().chain([name]).collect();
        paths.insert(verb.path, (router.on(filter, handler), names));
    }
    let mut router = Router::new().route(
        openapi::PATH,
        on(MethodFilter::GET, || async {
            (
                [(CONTENT_TYPE, "application/json")],
                openapi::document().to_string(),
            )
        })
        .fallback(|| async { wrong_method(&["GET"]) }),
    );
    for (path, (methods, names)) in paths {
        router = router.route(
            path,
            methods.fallback(move || async move { wrong_method(&names) }),
        );
    }
    router
        .fallback(|uri: Uri| async move {
            let text = format!("there is nothing at {}", uri.path());
            let advice = format!("{} says what there is", openapi::PATH);
            respond(&Problem::new(Kind::NoSuchVerb, text).advice(advice))
        })
        .layer(middleware::from_fn_with_state(Arc::clone(&server), guarded))
        .with_state(server)
}

fn wrong_method(allowed: &[&str]) -> Response {
    let allowed = allowed.join(", ");
    let problem = Problem::new(
        Kind::WrongMethod,
        "this path is not asked for with this method",
    )
    .advice(format!("it takes {allowed}"));
    let mut response = respond(&problem);
    if let Ok(allowed) = HeaderValue::from_str(&allowed) {
        response.headers_mut().insert(ALLOW, allowed);
    }
    response
}

/// A problem as HTTP has it.
fn respond(problem: &Problem) -> Response {
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let body = serde_json::to_string(problem).unwrap_or_default();
    let mut response = (status, [(CONTENT_TYPE, "application/problem+json")], body).into_response();
    let headers = response.headers_mut();
    if problem.is(Kind::NotAllowed) {
        headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    }
    if problem.is(Kind::TooMany) {
        headers.insert(RETRY_AFTER, HeaderValue::from_static("1"));
    }
    response
}

/// What every request has to pass.
async fn guarded(State(server): State<Arc<Server>>, request: Request, next: Next) -> Response {
    let mut response = match server.admits(&request) {
        Ok(()) => next.run(request).await,
        Err(problem) => respond(&problem),
    };
    let headers = response.headers_mut();
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

impl Server {
    fn admits(&self, request: &Request) -> Result<(), Problem> {
        self.known_host(request.headers(), request.uri())?;
        self.at_rate()?;
        let path = request.uri().path();
        let open = VERBS
            .iter()
            .any(|verb| verb.open_to_all && verb.path == path);
        match open || path == openapi::PATH {
            true => Ok(()),
            false => self.allowed(request.headers()),
        }
    }

    /// A page of somebody else's that was made to ask here is refused, whatever name it uses for this
    /// machine.
    fn known_host(&self, headers: &HeaderMap, uri: &Uri) -> Result<(), Problem> {
        let known = |name: &str| {
            self.guard
                .names
                .iter()
                .any(|own| own.eq_ignore_ascii_case(name))
        };
        let text = |value: &HeaderValue| value.to_str().unwrap_or_default().to_owned();
        let host = headers.get(HOST).map(text);
        let host = host.or_else(|| uri.authority().map(ToString::to_string));
        if !host.as_deref().is_some_and(known) {
            let host = host.unwrap_or_default();
            return Err(Problem::new(
                Kind::Foreign,
                format!("Host is \"{host}\", and it is not served here"),
            )
            .advice(format!("ask for {}", self.guard.names.join(" or "))));
        }
        let Some(origin) = headers.get(ORIGIN).map(text) else {
            return Ok(());
        };
        match origin.strip_prefix("http://").is_some_and(known) {
            true => Ok(()),
            false => Err(Problem::new(
                Kind::Foreign,
                format!("Origin is \"{origin}\": no page from there is answered"),
            )),
        }
    }

    fn allowed(&self, headers: &HeaderMap) -> Result<(), Problem> {
        let given = headers
            .get(AUTHORIZATION)
            .and_then(|value| value.to_str().ok());
        let given = given.and_then(|value| value.split_once(' '));
        let token = given.filter(|(scheme, _)| scheme.eq_ignore_ascii_case("Bearer"));
        match token {
            Some((_, token)) if same(token.trim(), &self.guard.token) => Ok(()),
            Some(_) => Err(Problem::new(
                Kind::NotAllowed,
                "this is not the token of this server",
            )),
            None => Err(Problem::new(Kind::NotAllowed, "no token was given")),
        }
        .map_err(|problem| {
            problem.advice("send Authorization: Bearer and the token of the ready line")
        })
    }

    fn at_rate(&self) -> Result<(), Problem> {
        let rate = f64::from(self.guard.rate);
        let mut bucket = self.bucket.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        let filled = now.duration_since(bucket.filled).as_secs_f64() * rate;
        bucket.left = (bucket.left + filled).min(rate);
        bucket.filled = now;
        if bucket.left < 1.0 {
            let text = format!("more than {} requests a second", self.guard.rate);
            return Err(Problem::new(Kind::TooMany, text).advice(
                "ask less often: waits are done by the server; or start it with a higher rate",
            ));
        }
        bucket.left -= 1.0;
        Ok(())
    }
}

/// Compares in a time that does not depend on where they differ.
fn same(given: &str, own: &str) -> bool {
    let differs = given
        .bytes()
        .zip(own.bytes())
        .fold(0, |differs, (a, b)| differs | (a ^ b));
    given.len() == own.len() && differs == 0
}

/// Answers a verb.
async fn answer(
    verb: &'static Verb,
    server: Arc<Server>,
    path: &RawPathParams,
    query: Option<&str>,
    headers: &HeaderMap,
    body: Body,
) -> Response {
    let answered = async {
        let fields = fields(verb, path, query, headers, body).await?;
        if verb.answer == Answer::Stream {
            return streamed(&server, fields, headers);
        }
        let result = verb.call(Arc::clone(&server.host), fields).await?;
        Ok(match verb.answer {
            Answer::Document(content_type) => document(content_type, &result),
            _ => ([(CONTENT_TYPE, "application/json")], result.to_string()).into_response(),
        })
    };
    answered
        .await
        .unwrap_or_else(|problem: Problem| respond(&problem))
}

fn document(content_type: &'static str, result: &Value) -> Response {
    let text = |field: &str| {
        result
            .get(field)
            .and_then(Value::as_str)
            .unwrap_or_default()
    };
    let name: String = text("name")
        .chars()
        .filter(|c| c.is_ascii() && !c.is_control() && *c != '"')
        .collect();
    let mut response = ([(CONTENT_TYPE, content_type)], text("text").to_owned()).into_response();
    if let Ok(name) = HeaderValue::from_str(&format!("inline; filename=\"{name}\"")) {
        response.headers_mut().insert(CONTENT_DISPOSITION, name);
    }
    response
}

/// The fields of a verb: those in the path, and those of the query or the body.
async fn fields(
    verb: &Verb,
    path: &RawPathParams,
    query: Option<&str>,
    headers: &HeaderMap,
    body: Body,
) -> Result<Value, Problem> {
    let mut fields = match verb.method {
        Method::Post => in_body(headers, body).await?,
        Method::Get | Method::Delete => in_query(verb, query)?,
    };
    for (name, value) in path {
        if fields
            .insert(name.to_owned(), Value::String(value.to_owned()))
            .is_some()
        {
            let text = format!("`{name}` is in the path already");
            return Err(Problem::new(Kind::BadField, text)
                .field(name)
                .advice("leave it out of the rest"));
        }
    }
    Ok(Value::Object(fields))
}

fn in_query(verb: &Verb, query: Option<&str>) -> Result<Map<String, Value>, Problem> {
    let pairs: Vec<(String, String)> = axum::extract::Query::try_from_uri(
        &format!("/?{}", query.unwrap_or_default())
            .parse::<Uri>()
            .map_err(|error| Problem::new(Kind::BadField, format!("the query: {error}")))?,
    )
    .map_err(|error| Problem::new(Kind::BadField, error.to_string()))?
    .0;
    let schema = params::schema(verb.params);
    let mut fields = Map::new();
    for (name, text) in pairs {
        let value = params::typed(&schema, &name, &text);
        if fields.insert(name.clone(), value).is_some() {
            let text = format!("`{name}` is given more than once");
            return Err(Problem::new(Kind::BadField, text)
                .field(name)
                .advice("give several with commas between"));
        }
    }
    Ok(fields)
}

async fn in_body(headers: &HeaderMap, body: Body) -> Result<Map<String, Value>, Problem> {
    let body: Bytes = axum::body::to_bytes(body, LARGEST_BODY)
        .await
        .map_err(|_| {
            Problem::new(
                Kind::TooLarge,
                format!("the body is larger than {LARGEST_BODY} bytes, or broke off"),
            )
        })?;
    if body.iter().all(u8::is_ascii_whitespace) {
        return Ok(Map::new());
    }
    // What a form of a page can send is not taken: a page needs no leave to send it.
    let content_type = headers
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok());
    let is_json = content_type.is_none_or(|given| {
        let given = given
            .split(';')
            .next()
            .unwrap_or_default()
            .trim()
            .to_ascii_lowercase();
        given == "application/json" || given.ends_with("+json")
    });
    if !is_json {
        let given = content_type.unwrap_or_default();
        let text = format!("Content-Type is \"{given}\"; expected application/json");
        return Err(Problem::new(Kind::NotJson, text));
    }
    read_object(&body)
}

/// An object from the bytes of JSON.
pub(crate) fn read_object(bytes: &[u8]) -> Result<Map<String, Value>, Problem> {
    match serde_json::from_slice(bytes) {
        Ok(Value::Object(fields)) => Ok(fields),
        Ok(_) => Err(Problem::new(Kind::NotJson, "it is JSON, and no object")
            .advice("write {\"name\": value}")),
        Err(error) => Err(Problem::new(Kind::NotJson, error.to_string())
            .advice("write one JSON object, as in {\"do\": \"insert-coin\", \"value\": \"0.25\"}")),
    }
}

/// Where a reader of events is.
struct Reader {
    log: Arc<Log>,
    filter: Filter,
    next: u64,
    bell: tokio::sync::watch::Receiver<()>,
    queue: VecDeque<Event>,
    ended: bool,
    /// Its place among the streams of the server, and among those of the bench.
    _place: (tokio::sync::OwnedSemaphorePermit, Streaming),
}

fn streamed(server: &Server, fields: Value, headers: &HeaderMap) -> Result<Response, Problem> {
    let read: api::ReadEvents = params::read("stream", fields)?;
    let filter = read.filter();
    filter.check(&crate::host::types())?;
    let session = server.host.session(&read.bench)?;
    let place = Arc::clone(&server.streams)
        .try_acquire_owned()
        .map_err(|_| {
            let text = format!(
                "{} streams are read, and no more are served",
                server.guard.streams
            );
            Problem::new(Kind::TooMany, text)
        })?;
    let last = headers
        .get("last-event-id")
        .and_then(|value| value.to_str().ok());
    let last = match last {
        Some(text) => Some(text.trim().parse::<u64>().map_err(|_| {
            let text = format!("Last-Event-ID is \"{text}\"; expected the number of an event");
            Problem::new(Kind::BadField, text).field("Last-Event-ID")
        })?),
        None => None,
    };
    let next = last.map(|last| last.saturating_add(1)).or(read.from);
    let reader = Reader {
        next: next.unwrap_or_else(|| session.log.next()),
        bell: session.log.bell(),
        log: Arc::clone(&session.log),
        filter,
        queue: VecDeque::new(),
        ended: false,
        _place: (place, session.stream()),
    };
    Ok(Sse::new(events(reader))
        .keep_alive(KeepAlive::new().interval(Duration::from_secs(15)))
        .into_response())
}

/// Events as they come. What is not read in time is forgotten, and the reader is given the numbers.
fn events(reader: Reader) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(reader, |mut reader| async move {
        loop {
            if let Some(event) = reader.queue.pop_front() {
                return Some((Ok(event), reader));
            }
            if reader.ended {
                return None;
            }
            reader.bell.mark_unchanged();
            let page = reader.log.read(reader.next, BATCH);
            if let Some((from, to)) = page.missed {
                let missed = json!({"type": "missed", "from": from, "to": to});
                reader
                    .queue
                    .push_back(Event::default().event("missed").data(missed.to_string()));
            }
            let any = !page.events.is_empty();
            for event in page.events {
                if event.is_wanted(&reader.filter) {
                    let sent = Event::default().id(event.number.to_string());
                    reader
                        .queue
                        .push_back(sent.event(event.type_name()).data(event.json()));
                }
            }
            reader.next = page.next;
            reader.ended = page.ended;
            if page.ended {
                let end = json!({"type": "end", "next": page.next});
                reader
                    .queue
                    .push_back(Event::default().event("end").data(end.to_string()));
            } else if !any && reader.bell.changed().await.is_err() {
                return None;
            }
        }
    })
}

/// Serves until `stop` is ready; streams and waits have ended by then, or are cut off a little later.
///
/// # Errors
/// When the socket fails.
pub async fn serve(
    listener: TcpListener,
    host: Arc<Host>,
    guard: Guard,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let router = router(Arc::clone(&host), guard);
    let (ended, has_ended) = tokio::sync::oneshot::channel();
    let ending = async move {
        stop.await;
        host.end().await;
        let _ = ended.send(());
    };
    let served = axum::serve(listener, router).with_graceful_shutdown(ending);
    tokio::select! {
        served = async { served.await } => served,
        // Whoever keeps a connection open and does not read is not waited for.
        () = async {
            let _ = has_ended.await;
            tokio::time::sleep(Duration::from_secs(2)).await;
        } => Ok(()),
    }
}
