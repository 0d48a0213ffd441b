//! JSON Schema (2020-12) of what is written, from the types that write it.

use crate::prelude::*;
use schemars::generate::SchemaSettings;
use schemars::transform::{Transform, transform_subschemas};
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde_json::Value;

/// What makes schemas of values as they are written: draft 2020-12, with [`Written`] over each. For documents
/// that hold several schemas with common definitions; [`of_written`] makes one.
#[must_use]
pub fn generator() -> SchemaGenerator {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    settings.with_transform(Written).into_generator()
}

/// The schema of a type as it is written.
#[must_use]
pub fn of_written<T: JsonSchema>() -> Schema {
    generator().into_root_schema_for::<T>()
}

/// Makes a schema say what is written and no more: a field that may be missing is never `null`, and
/// descriptions are plain text where the documentation of the code has links.
#[derive(Clone, Debug, Default)]
pub struct Written;

impl Transform for Written {
    fn transform(&mut self, schema: &mut Schema) {
        if let Some(Value::String(text)) = schema.get_mut("description") {
            *text = plain(text);
        }
        let required: Vec<Value> = schema
            .get("required")
            .and_then(Value::as_array)
            .cloned()
            .unwrap_or_default();
        if let Some(Value::Object(properties)) = schema.get_mut("properties") {
            for (name, property) in properties {
                // What is written whether there is something or not may be `null`; the rest is left out.
                if !required.iter().any(|r| r.as_str() == Some(name)) {
                    without_null(property);
                }
            }
        }
        transform_subschemas(self, schema);
    }
}

/// The same schema, but for `null`.
fn without_null(schema: &mut Value) {
    let Some(fields) = schema.as_object_mut() else {
        return;
    };
    if let Some(Value::Array(types)) = fields.get_mut("type") {
        types.retain(|t| t != "null");
        if let [only] = types.as_slice() {
            let only = only.clone();
            fields.insert("type".to_owned(), only);
        }
    }
    let Some(Value::Array(any)) = fields.get_mut("anyOf") else {
        return;
    };
    any.retain(|s| s.get("type").and_then(Value::as_str) != Some("null"));
    if let [Value::Object(only)] = any.as_slice() {
        let only = only.clone();
        fields.remove("anyOf");
        for (name, value) in only {
            fields.entry(name).or_insert(value);
        }
    }
}

/// Documentation without the links and line ends of its source.
fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for (number, paragraph) in text.split("\n\n").enumerate() {
        if number > 0 {
            out.push_str("\n\n");
        }
        out.push_str(&paragraph.replace('\n', " "));
    }
    let out = out.replace("[`", "`").replace("`]", "`");
    // `[text](target)` is its text; a target that is code is of no use to who reads a schema.
    let mut plain = String::with_capacity(out.len());
    let mut rest = out.as_str();
    while let Some(at) = rest.find("`(") {
        let (before, link) = rest.split_at(at + 1);
        plain.push_str(before);
        match link.find(')') {
            Some(end) if link.get(..end).is_some_and(|l| l.contains("::")) => {
                rest = link.get(end + 1..).unwrap_or_default();
            }
            _ => {
                plain.push('(');
                rest = link.get(1..).unwrap_or_default();
            }
        }
    }
    plain.push_str(rest);
    plain
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Micros;
    use serde::Serialize;
    use serde_json::json;

    /// Something with [`Micros`] and a [`link`](crate::Micros::ZERO) on
    /// two lines (and brackets).
    #[derive(JsonSchema, Serialize)]
    struct Example {
        /// Left out.
        #[serde(skip_serializing_if = "Option::is_none")]
        at_us: Option<Micros>,
        #[serde(skip_serializing_if = "Option::is_none")]
        text: Option<String>,
        /// Always there.
        passed: Option<bool>,
    }

    #[test]
    fn what_is_left_out_is_never_null() {
        let schema = of_written::<Example>();
        let schema = schema.as_value();
        assert_eq!(schema["required"], json!(["passed"]));
        assert_eq!(schema["properties"]["text"]["type"], "string");
        assert_eq!(schema["properties"]["at_us"]["$ref"], "#/$defs/Micros");
        assert_eq!(schema["properties"]["at_us"]["anyOf"], Value::Null);
        let passed = &schema["properties"]["passed"]["type"];
        assert_eq!(*passed, json!(["boolean", "null"]));
        assert_eq!(
            schema["description"],
            "Something with `Micros` and a `link` on two lines (and brackets)."
        );
    }
}
