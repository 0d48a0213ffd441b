//! Reading the fields of a verb: what is wrong is said by field, with what was expected and what to do.

use crate::problem::{Kind, Problem};
use payrig_rig::nearest;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};

/// The fields of a type, by its schema.
fn schema_of<P: JsonSchema>() -> Value {
    SchemaGenerator::default()
        .into_root_schema_for::<P>()
        .to_value()
}

/// The whole schema of the fields of a verb.
pub(crate) fn schema(fields: fn(&mut SchemaGenerator) -> Schema) -> Value {
    let mut generator = SchemaGenerator::default();
    let own = fields(&mut generator).to_value();
    let mut whole = resolved(&json!({"$defs": generator.definitions()}), &own).clone();
    if let Some(whole) = whole.as_object_mut() {
        whole.insert("$defs".to_owned(), json!(generator.take_definitions(true)));
    }
    whole
}

/// What a schema that refers to another one says.
fn resolved<'a>(root: &'a Value, schema: &'a Value) -> &'a Value {
    let name = schema.get("$ref").and_then(Value::as_str);
    let name = name.and_then(|name| name.strip_prefix("#/$defs/"));
    match name.and_then(|name| root.get("$defs")?.get(name)) {
        Some(found) => found,
        None => schema,
    }
}

/// Reads the fields of a verb.
///
/// # Errors
/// When one is missing, unknown, or not what it should be.
pub(crate) fn read<P: DeserializeOwned + JsonSchema>(
    verb: &str,
    value: Value,
) -> Result<P, Problem> {
    let value = match value {
        Value::Null => Value::Object(Map::new()),
        value => value,
    };
    let Value::Object(mut fields) = value else {
        let text = format!(
            "the fields of `{verb}` are {}; expected an object",
            kind(&value)
        );
        return Err(Problem::new(Kind::BadField, text).advice("write {\"name\": value}"));
    };
    fields.retain(|_, value| !value.is_null());
    let schema = schema_of::<P>();
    let empty = Map::new();
    let known = schema
        .get("properties")
        .and_then(Value::as_object)
        .unwrap_or(&empty);
    let closed = schema.get("additionalProperties") == Some(&Value::Bool(false));
    if closed && let Some(other) = fields.keys().find(|name| !known.contains_key(*name)) {
        let names: Vec<&str> = known.keys().map(String::as_str).collect();
        let problem =
            Problem::new(Kind::BadField, format!("`{verb}` has no field `{other}`")).field(other);
        return Err(problem.advice(match nearest(other, &names) {
            Some(near) => format!("did you mean `{near}`?"),
            None if names.is_empty() => "it has none".to_owned(),
            None => format!("fields it has: {}", names.join(", ")),
        }));
    }
    let required = schema.get("required").and_then(Value::as_array);
    for name in required.into_iter().flatten().filter_map(Value::as_str) {
        if !fields.contains_key(name) {
            let text = format!("`{verb}` needs `{name}`: {}", described(known, name));
            return Err(Problem::new(Kind::BadField, text).field(name));
        }
    }
    // One after the other, so that it is known which is wrong.
    for (name, value) in &fields {
        let Some(own) = known.get(name) else { continue };
        if !fits(&schema, own, value) {
            let found = shown(value);
            let text = format!(
                "`{name}` is {found}; expected {}",
                expected(&schema, own, known, name)
            );
            return Err(Problem::new(Kind::BadField, text).field(name));
        }
    }
    serde_json::from_value(Value::Object(fields))
        .map_err(|error| Problem::new(Kind::BadField, format!("`{verb}`: {error}")))
}

fn described(known: &Map<String, Value>, name: &str) -> String {
    let text = known
        .get(name)
        .and_then(|own| own.get("description"))
        .and_then(Value::as_str);
    text.unwrap_or("it must be there")
        .trim_end_matches('.')
        .to_owned()
}

/// A value as errors repeat it: not too much of it.
fn shown(value: &Value) -> String {
    let text = value.to_string();
    match text.char_indices().nth(80) {
        Some((at, _)) => format!("{}...", text.get(..at).unwrap_or_default()),
        None => text,
    }
}

const fn kind(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "true or false",
        Value::Number(_) => "a number",
        Value::String(_) => "a text",
        Value::Array(_) => "a list",
        Value::Object(_) => "an object",
    }
}

/// Whether a value is what a schema of ours says: its type, its words, its range.
fn fits(root: &Value, schema: &Value, value: &Value) -> bool {
    let schema = resolved(root, schema);
    for key in ["anyOf", "oneOf"] {
        if let Some(any) = schema.get(key).and_then(Value::as_array) {
            return any.iter().any(|one| fits(root, one, value));
        }
    }
    if let Some(word) = schema.get("const") {
        return word == value;
    }
    if let Some(words) = schema.get("enum").and_then(Value::as_array)
        && !words.contains(value)
    {
        return false;
    }
    let is = |name: &str| match name {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "integer" => value.is_u64() || value.is_i64(),
        "number" => value.is_number(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        _ => true,
    };
    let typed = match schema.get("type") {
        Some(Value::String(name)) => is(name),
        Some(Value::Array(names)) => names.iter().filter_map(Value::as_str).any(is),
        _ => true,
    };
    let least = schema.get("minimum").and_then(Value::as_i64);
    let most = schema.get("maximum").and_then(Value::as_u64);
    typed
        && least.is_none_or(|least| value.as_i64().is_none_or(|n| n >= least))
        && most.is_none_or(|most| value.as_u64().is_none_or(|n| n <= most))
        && (!is_time(schema)
            || value
                .as_str()
                .is_none_or(|t| payrig_rig::parse_time(t).is_some()))
        && (schema.get("type") != Some(&Value::String("array".to_owned()))
            || value.as_array().is_none_or(|items| {
                let own = schema.get("items").unwrap_or(&Value::Null);
                items.iter().all(|item| fits(root, own, item))
            }))
}

fn is_time(schema: &Value) -> bool {
    schema.get("pattern").and_then(Value::as_str) == Some(crate::time::PATTERN)
}

/// What a schema asks for, in words.
fn expected(root: &Value, schema: &Value, known: &Map<String, Value>, name: &str) -> String {
    let own = resolved(root, schema);
    if let Some(any) = own.get("anyOf").and_then(Value::as_array) {
        let wanted = any
            .iter()
            .filter(|one| one.get("type") != Some(&Value::from("null")));
        let all: Vec<String> = wanted.map(|one| expected(root, one, known, name)).collect();
        return all.join(", or ");
    }
    let words = own
        .get("enum")
        .or_else(|| own.get("oneOf"))
        .and_then(Value::as_array);
    if let Some(words) = words {
        let word = |word: &Value| {
            word.get("const")
                .unwrap_or(word)
                .as_str()
                .map(str::to_owned)
        };
        let all: Vec<String> = words.iter().filter_map(word).collect();
        return format!("one of {}", all.join(", "));
    }
    if is_time(own) {
        return "a time in quotes, as in \"125 ms\", \"2 s\" or \"300 us\"".to_owned();
    }
    let range = match (own.get("minimum"), own.get("maximum")) {
        (Some(least), Some(most)) => format!(" from {least} to {most}"),
        (Some(least), None) => format!(" from {least} on"),
        (None, Some(most)) => format!(" up to {most}"),
        (None, None) => String::new(),
    };
    let types = match own.get("type") {
        Some(Value::String(name)) => vec![name.as_str()],
        Some(Value::Array(names)) => names.iter().filter_map(Value::as_str).collect(),
        _ => Vec::new(),
    };
    let words = types.iter().filter_map(|name| match *name {
        "boolean" => Some("true or false".to_owned()),
        "string" => Some("a text".to_owned()),
        "integer" => Some(format!("a whole number{range}")),
        "number" => Some(format!("a number{range}")),
        "array" => Some("a list".to_owned()),
        "object" => Some("an object".to_owned()),
        _ => None,
    });
    let words: Vec<String> = words.collect();
    match words.is_empty() {
        true => described(known, name),
        false => words.join(" or "),
    }
}

/// Gives texts of a query the types that the fields of a verb have: a query has texts only.
pub(crate) fn typed(schema: &Value, name: &str, text: &str) -> Value {
    let own = schema.get("properties").and_then(|known| known.get(name));
    let wants = |wanted: &str| {
        let Some(own) = own.map(|own| resolved(schema, own)) else {
            return false;
        };
        match own.get("type") {
            Some(Value::String(name)) => name == wanted,
            Some(Value::Array(names)) => names.iter().any(|name| name == wanted),
            _ => false,
        }
    };
    if wants("integer")
        && let Ok(number) = text.parse::<u64>()
    {
        return Value::from(number);
    }
    match text {
        "true" if wants("boolean") => Value::Bool(true),
        "false" if wants("boolean") => Value::Bool(false),
        _ => Value::String(text.to_owned()),
    }
}
