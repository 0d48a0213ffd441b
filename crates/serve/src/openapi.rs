//! The description of the verbs over HTTP, made from their table: OpenAPI 3.1.

use crate::problem::{Kind, Problem};
use crate::verbs::{Answer, Method, VERBS, Verb};
use schemars::{Schema, SchemaGenerator, generate::SchemaSettings};
use serde_json::{Map, Value, json};
use std::sync::LazyLock;

/// Where it is served.
pub const PATH: &str = "/openapi.json";

static DOCUMENT: LazyLock<Value> = LazyLock::new(make);

/// The document.
#[must_use]
pub fn document() -> &'static Value {
    &DOCUMENT
}

fn generator() -> SchemaGenerator {
    let mut settings = SchemaSettings::draft2020_12();
    settings.definitions_path = "/components/schemas".into();
    settings.into_generator()
}

fn make() -> Value {
    let mut generator = generator();
    let problem: Schema = generator.subschema_for::<Problem>();
    let mut paths: Map<String, Value> = Map::new();
    for verb in VERBS.iter() {
        let method = match verb.method {
            Method::Get => "get",
            Method::Post => "post",
            Method::Delete => "delete",
        };
        let operation = operation(verb, &mut generator, &problem);
        let path = paths.entry(verb.path).or_insert_with(|| json!({}));
        if let Some(path) = path.as_object_mut() {
            path.insert(method.to_owned(), operation);
        }
    }
    let schemas = generator.take_definitions(true);
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "payrig serve",
            "version": env!("CARGO_PKG_VERSION"),
            "summary": "Benches of payment devices, driven over HTTP.",
            "description": "Times are in microseconds of the bench, amounts in minor units. Errors are problem \
                            details (RFC 9457). What acts or reveals needs the token of the ready line.",
            "license": {"name": "MIT OR Apache-2.0"},
        },
        "servers": [{"url": "/"}],
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    })
}

/// The fields of a verb, by name: schema, and whether it has to be there.
fn fields(
    verb: &Verb,
    generator: &mut SchemaGenerator,
) -> (Value, Map<String, Value>, Vec<String>) {
    let schema = (verb.params)(generator).to_value();
    let name = schema.get("$ref").and_then(Value::as_str);
    let name = name.and_then(|name| name.rsplit('/').next());
    let whole = name
        .and_then(|name| generator.definitions().get(name))
        .unwrap_or(&schema);
    let known = whole.get("properties").and_then(Value::as_object);
    let required = whole.get("required").and_then(Value::as_array);
    let required = required.into_iter().flatten().filter_map(Value::as_str);
    (
        whole.clone(),
        known.cloned().unwrap_or_default(),
        required.map(str::to_owned).collect(),
    )
}

fn operation(verb: &Verb, generator: &mut SchemaGenerator, problem: &Schema) -> Value {
    let (whole, known, required) = fields(verb, generator);
    let in_path: Vec<&str> = verb.in_path().collect();
    let mut parameters = Vec::new();
    for (name, schema) in &known {
        let place = match (in_path.contains(&name.as_str()), verb.method) {
            (true, _) => "path",
            (false, Method::Post) => continue,
            (false, Method::Get | Method::Delete) => "query",
        };
        let mut schema = schema.clone();
        let description = schema
            .as_object_mut()
            .and_then(|own| own.remove("description"));
        parameters.push(json!({
            "name": name,
            "in": place,
            "required": place == "path" || required.contains(name),
            "description": description.unwrap_or_default(),
            "schema": schema,
        }));
    }
    let result = (verb.result)(generator).to_value();
    let content = match verb.answer {
        Answer::Json => json!({"application/json": {"schema": result}}),
        Answer::Document(content_type) => json!({content_type: {"schema": {"type": "string"}}}),
        Answer::Stream => json!({"text/event-stream": {"schema": {"type": "string"}}}),
    };
    let mut operation = json!({
        "operationId": verb.name,
        "summary": verb.summary,
        "responses": {
            "200": {"description": "It is done.", "content": content},
            "default": {
                "description": "What went wrong.",
                "content": {"application/problem+json": {"schema": problem}},
            },
        },
    });
    let Some(own) = operation.as_object_mut() else {
        return operation;
    };
    if !parameters.is_empty() {
        own.insert("parameters".to_owned(), Value::Array(parameters));
    }
    if verb.open_to_all {
        own.insert("security".to_owned(), json!([]));
    }
    if verb.method == Method::Post {
        let mut body = whole;
        let mut needed = false;
        if let Some(body) = body.as_object_mut() {
            if let Some(properties) = body.get_mut("properties").and_then(Value::as_object_mut) {
                properties.retain(|name, _| !in_path.contains(&name.as_str()));
            }
            if let Some(required) = body.get_mut("required").and_then(Value::as_array_mut) {
                required.retain(|name| !in_path.iter().any(|own| name == own));
                needed = !required.is_empty();
            }
            if !needed {
                body.remove("required");
            }
            body.remove("title");
        }
        own.insert(
            "requestBody".to_owned(),
            json!({"required": needed, "content": {"application/json": {"schema": body}}}),
        );
    }
    if let Some(responses) = own.get_mut("responses").and_then(Value::as_object_mut) {
        for kind in kinds(verb) {
            let (_, status, title) = kind.row();
            responses.insert(
                status.to_string(),
                json!({
                    "description": title,
                    "content": {"application/problem+json": {"schema": problem}},
                }),
            );
        }
    }
    operation
}

/// The problems that a verb may well have; others are in `default`.
fn kinds(verb: &Verb) -> Vec<Kind> {
    let mut kinds = vec![Kind::BadField];
    if !verb.open_to_all {
        kinds.push(Kind::NotAllowed);
    }
    if verb.in_path().next().is_some() {
        kinds.push(Kind::NoSuchBench);
    }
    if verb.method == Method::Post {
        kinds.extend([Kind::NotJson, Kind::Refused]);
    }
    kinds
}
