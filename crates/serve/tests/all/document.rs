//! The description and the routes are the same.

use crate::http::{Asked, server};
use payrig_serve::openapi;
use payrig_serve::verbs::{Method, VERBS};
use serde_json::{Value, json};
use std::collections::BTreeSet;

fn routes() -> BTreeSet<(String, String)> {
    let method = |method| match method {
        Method::Get => "get",
        Method::Post => "post",
        Method::Delete => "delete",
    };
    let all = VERBS.iter();
    all.map(|verb| (method(verb.method).to_owned(), verb.path.to_owned()))
        .collect()
}

#[tokio::test]
async fn every_route_is_described_and_everything_described_answers() {
    let document = openapi::document();
    let mut described = BTreeSet::new();
    for (path, methods) in document["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            described.insert((method.clone(), path.clone()));
            assert!(operation["responses"]["200"].is_object(), "{method} {path}");
        }
    }
    assert_eq!(described, routes());
    let (_client, server) = server().await;
    for (method, path) in described {
        let path = path.replace("{bench}", "nobody");
        let answer = server
            .ask(Asked::of(&method.to_uppercase(), &path).body("{\"do\": \"x\"}"))
            .await;
        let there = answer.status != 405 && !answer.text.contains("there is nothing at");
        assert!(there, "{method} {path}: {} {}", answer.status, answer.text);
    }
    let served = server.ask(Asked::of("GET", "/openapi.json")).await;
    assert_eq!(served.json(), *document);
}

/// References lead somewhere, and names are there once.
#[test]
fn the_description_is_whole() {
    fn references(value: &Value, all: &mut BTreeSet<String>) {
        match value {
            Value::Object(fields) => {
                if let Some(Value::String(reference)) = fields.get("$ref") {
                    all.insert(reference.clone());
                }
                fields.values().for_each(|value| references(value, all));
            }
            Value::Array(items) => items.iter().for_each(|value| references(value, all)),
            _ => {}
        }
    }
    let document = openapi::document();
    assert_eq!(document["openapi"], "3.1.0");
    let mut all = BTreeSet::new();
    references(document, &mut all);
    assert!(!all.is_empty());
    for reference in all {
        let pointer = reference.strip_prefix('#').unwrap();
        assert!(document.pointer(pointer).is_some(), "{reference}");
    }
    let names: BTreeSet<&str> = VERBS.iter().map(|verb| verb.name).collect();
    assert_eq!(names.len(), VERBS.len());
}

#[test]
fn the_description_in_the_guide_is_the_one_that_is_served() {
    let kept = include_str!("../../../../docs/openapi.json");
    let kept: Value = serde_json::from_str(kept).unwrap();
    let how = "cargo run -p payrig-serve --example openapi > docs/openapi.json";
    assert_eq!(kept, *openapi::document(), "{how}");
    assert_ne!(kept["paths"], json!({}));
}
