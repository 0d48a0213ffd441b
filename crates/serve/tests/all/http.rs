//! HTTP without a socket.

use crate::Client;
use axum::Router;
use axum::body::Body;
use axum::http::Request;
use futures_util::StreamExt;
use payrig_serve::http::{Guard, router};
use serde_json::{Value, json};
use std::sync::Arc;
use tower::ServiceExt;

const TOKEN: &str = "token of the test";
const HOST: &str = "127.0.0.1:8080";

pub(crate) struct Server(Router);

/// A request; with the token and the right host unless it says otherwise.
pub(crate) struct Asked {
    method: String,
    path: String,
    headers: Vec<(String, String)>,
    body: String,
}

pub(crate) struct Answered {
    pub(crate) status: u16,
    pub(crate) headers: axum::http::HeaderMap,
    pub(crate) text: String,
}

impl Asked {
    pub(crate) fn of(method: &str, path: &str) -> Self {
        let headers = [
            ("host", HOST.to_owned()),
            ("authorization", format!("Bearer {TOKEN}")),
        ];
        let headers = headers.map(|(name, value)| (name.to_owned(), value));
        Self {
            method: method.to_owned(),
            path: path.to_owned(),
            headers: headers.into(),
            body: String::new(),
        }
    }

    pub(crate) fn body(mut self, body: &str) -> Self {
        body.clone_into(&mut self.body);
        self.header("content-type", "application/json")
    }

    fn json(self, body: &Value) -> Self {
        self.body(&body.to_string())
    }

    /// A header, in the place of one of that name; none for an empty one.
    fn header(mut self, name: &str, value: &str) -> Self {
        self.headers.retain(|(own, _)| own != name);
        if !value.is_empty() {
            self.headers.push((name.to_owned(), value.to_owned()));
        }
        self
    }

    fn request(self) -> Request<Body> {
        let mut request = Request::builder()
            .method(self.method.as_str())
            .uri(&self.path);
        for (name, value) in &self.headers {
            request = request.header(name, value);
        }
        request.body(Body::from(self.body)).unwrap()
    }
}

impl Answered {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|_| panic!("{}", self.text))
    }
}

impl Server {
    pub(crate) async fn ask(&self, asked: Asked) -> Answered {
        let response = self.0.clone().oneshot(asked.request()).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = axum::body::to_bytes(body, usize::MAX).await.unwrap();
        Answered {
            status: parts.status.as_u16(),
            headers: parts.headers,
            text: String::from_utf8(bytes.to_vec()).unwrap(),
        }
    }
}

fn guard() -> Guard {
    Guard {
        token: TOKEN.to_owned(),
        names: vec![HOST.to_owned()],
        rate: 10_000,
        streams: 2,
    }
}

/// A server with bench `a`, ready to sell.
pub(crate) async fn server() -> (Client, Server) {
    let client = Client::ready().await;
    let server = Server(router(Arc::clone(&client.0), guard()));
    (client, server)
}

#[tokio::test]
async fn a_coin_over_http() {
    let (_client, server) = server().await;
    let coin = json!({"do": "insert-coin", "value": "0.25"});
    let acted = server
        .ask(Asked::of("POST", "/benches/a/act").json(&coin))
        .await;
    assert_eq!(acted.status, 200, "{}", acted.text);
    assert_eq!(acted.headers["content-type"], "application/json");
    let credit = json!({"expect": "credit", "value": "0.25"});
    let waited = server
        .ask(Asked::of("POST", "/benches/a/wait").json(&credit))
        .await;
    assert_eq!(waited.json()["met"], true);
    let path = "/benches/a/events?from=1&most=3&type=block,movement";
    let events = server.ask(Asked::of("GET", path)).await.json();
    assert_eq!(events["events"].as_array().unwrap().len(), 3, "{events}");
    let recording = server.ask(Asked::of("GET", "/benches/a/recording")).await;
    assert_eq!(recording.headers["content-type"], "application/jsonl");
    assert!(
        recording
            .text
            .starts_with("{\"type\":\"header\",\"schema\":\"payrig-recording\""),
        "{}",
        recording.text
    );
    let removed = server.ask(Asked::of("DELETE", "/benches/a")).await;
    assert_eq!(removed.json()["passed"], true);
}

#[tokio::test]
async fn nobody_is_let_in_without_the_token_from_elsewhere_or_with_what_is_no_json() {
    let (_client, server) = server().await;
    let get = || Asked::of("GET", "/benches/a");
    let act = || Asked::of("POST", "/benches/a/act");
    let large = format!("{{\"do\": \"{}\"}}", "x".repeat(2_000_000));
    let rows = [
        (get().header("authorization", ""), 401, "not-allowed"),
        (
            get().header("authorization", "Bearer wrong"),
            401,
            "not-allowed",
        ),
        (
            get().header("authorization", "Basic dG9rZW4="),
            401,
            "not-allowed",
        ),
        (get().header("host", ""), 403, "foreign"),
        (get().header("host", "rebound.example:8080"), 403, "foreign"),
        (
            get().header("origin", "http://evil.example"),
            403,
            "foreign",
        ),
        (get().header("origin", "null"), 403, "foreign"),
        (act().body("{"), 400, "not-json"),
        (act().body("[1, 2]"), 400, "not-json"),
        (
            act()
                .body("{\"do\": \"x\"}")
                .header("content-type", "text/plain"),
            400,
            "not-json",
        ),
        (act().body(&large), 413, "too-large"),
        (Asked::of("PUT", "/benches/a"), 405, "wrong-method"),
        (Asked::of("GET", "/benches/a/nothing"), 404, "no-such-verb"),
        (Asked::of("GET", "/benches/nobody"), 404, "no-such-bench"),
        (
            Asked::of("GET", "/benches/a/events?from=-1"),
            422,
            "bad-field",
        ),
        (
            Asked::of("GET", "/benches/a/events?form=1"),
            422,
            "bad-field",
        ),
        (
            Asked::of("GET", "/benches/a/events?from=1&from=2"),
            422,
            "bad-field",
        ),
        (Asked::of("GET", "/benches/a/state%ff"), 404, "no-such-verb"),
        (Asked::of("GET", "/benches/%ff"), 404, "no-such-bench"),
        (
            act().json(&json!({"bench": "b", "do": "press-return"})),
            422,
            "bad-field",
        ),
    ];
    for (asked, status, kind) in rows {
        let what = format!("{} {}", asked.method, asked.path);
        let answer = server.ask(asked).await;
        assert_eq!(answer.status, status, "{what}: {}", answer.text);
        assert_eq!(
            answer.headers["content-type"], "application/problem+json",
            "{what}"
        );
        let problem = answer.json();
        assert_eq!(
            problem["type"],
            format!("{}{kind}", payrig_serve::TYPE),
            "{what}: {problem}"
        );
        assert_eq!(problem["status"], status, "{what}");
        assert!(!problem["detail"].as_str().unwrap().is_empty());
    }
    let own = server
        .ask(get().header("origin", &format!("http://{HOST}")))
        .await;
    assert_eq!(own.status, 200);
    for open in ["/version", "/openapi.json"] {
        let answer = server
            .ask(Asked::of("GET", open).header("authorization", ""))
            .await;
        assert_eq!(answer.status, 200, "{open}");
    }
}

#[tokio::test]
async fn requests_are_counted() {
    let client = Client::new();
    let guard = Guard { rate: 3, ..guard() };
    let server = Server(router(Arc::clone(&client.0), guard));
    let mut statuses = Vec::new();
    for _ in 0..20 {
        statuses.push(server.ask(Asked::of("GET", "/version")).await.status);
    }
    assert_eq!(statuses[..3], [200, 200, 200]);
    assert!(statuses.contains(&429), "{statuses:?}");
}

/// Reads a stream up to an event of this kind; its lines.
async fn read_to(body: Body, last: &str) -> String {
    let mut text = String::new();
    let mut chunks = body.into_data_stream();
    while let Some(chunk) = chunks.next().await {
        text.push_str(std::str::from_utf8(&chunk.unwrap()).unwrap());
        if text.contains(last) {
            break;
        }
    }
    text
}

fn ids(text: &str) -> Vec<u64> {
    let ids = text.lines().filter_map(|line| line.strip_prefix("id: "));
    ids.map(|id| id.parse().unwrap()).collect()
}

#[tokio::test]
async fn a_stream_goes_on_where_its_reader_was_and_ends_with_the_bench() {
    let (client, server) = server().await;
    let first = server
        .0
        .clone()
        .oneshot(Asked::of("GET", "/benches/a/stream?from=1").request());
    let first = first.await.unwrap();
    assert_eq!(first.headers()["content-type"], "text/event-stream");
    let next = client.get("state", json!({"bench": "a"})).await["next"]
        .as_u64()
        .unwrap();
    let text = read_to(first.into_body(), &format!("id: {}\n", next - 1)).await;
    let seen = ids(&text);
    assert_eq!(seen, (1..=*seen.last().unwrap()).collect::<Vec<_>>());
    let last = seen.last().unwrap();
    client.get("run", json!({"bench": "a", "for": "1 s"})).await;
    let again = Asked::of("GET", "/benches/a/stream").header("last-event-id", &last.to_string());
    let again = server.0.clone().oneshot(again.request()).await.unwrap();
    client.get("close", json!({"bench": "a"})).await;
    let rest = read_to(again.into_body(), "no such text: to the end").await;
    assert_eq!(ids(&rest).first(), Some(&(last + 1)));
    assert!(
        rest.contains("event: verdict") && rest.contains("event: end"),
        "{rest}"
    );
}

#[tokio::test]
async fn a_slow_reader_is_given_the_numbers_it_missed() {
    let client = Client::new();
    client.get("open", json!({"id": "a", "keep": 50})).await;
    let server = Server(router(Arc::clone(&client.0), guard()));
    let slow = server
        .0
        .clone()
        .oneshot(Asked::of("GET", "/benches/a/stream?from=1").request());
    let slow = slow.await.unwrap();
    client
        .get("run", json!({"bench": "a", "for": "10 s"}))
        .await;
    client.get("close", json!({"bench": "a"})).await;
    let text = read_to(slow.into_body(), "no such text: to the end").await;
    assert!(
        text.contains("event: missed\ndata: {\"from\":1,\"to\":"),
        "{text}"
    );
    assert_eq!(ids(&text).len(), 50);
}

#[tokio::test]
async fn a_bench_ends_with_its_stream_where_that_was_asked_for_and_places_are_given_back() {
    let client = Client::new();
    client
        .get("open", json!({"id": "a", "end_on_disconnect": true}))
        .await;
    client.get("open", json!({"id": "b"})).await;
    let server = Server(router(Arc::clone(&client.0), guard()));
    let open = |id: &str| {
        server
            .0
            .clone()
            .oneshot(Asked::of("GET", &format!("/benches/{id}/stream")).request())
    };
    let (a, b) = (open("a").await.unwrap(), open("b").await.unwrap());
    assert_eq!(open("b").await.unwrap().status(), 429, "two at once");
    drop((a, b));
    for (id, ended) in [("a", true), ("b", false)] {
        assert_eq!(
            client.get("state", json!({"bench": id})).await["ended"],
            ended,
            "{id}"
        );
    }
    assert_eq!(open("b").await.unwrap().status(), 200);
}
