//! The schemas of all that is written as JSON, from its types. `docs/src/schema` keeps them.

use super::common::{self, Header, Line as Common, Named};
use super::{examine, float, ports, pulse, tickets, written};
use payrig_report::{SavedExamination, SavedSheet};
use payrig_units::schema::{Written, generator, of_written};
use payrig_wire::recording::{self, Entry};
use schemars::transform::Transform;
use schemars::{JsonSchema, Schema, json_schema};
use serde_json::{Value, json};

/// A schema that is kept in the guide.
#[derive(Clone, Debug)]
pub struct Document {
    /// What the first line, or the object, names as its schema.
    pub name: &'static str,
    /// Its version.
    pub version: u32,
    /// What writes it.
    pub writes: &'static str,
    /// True for lines, false for one object.
    pub is_lines: bool,
    /// The schema: of a line, or of the object.
    pub schema: Schema,
}

impl Document {
    /// Its file in `docs/src/schema`.
    #[must_use]
    pub fn file(&self) -> String {
        let name = self.name.strip_prefix("payrig-").unwrap_or(self.name);
        format!("{name}.json")
    }

    /// The file as it is kept.
    #[must_use]
    pub fn text(&self) -> String {
        // A schema is always JSON.
        let text = serde_json::to_string_pretty(self.schema.as_value()).unwrap_or_default();
        text + "\n"
    }
}

/// Lines of these types behind a header, and those that every command may write.
fn lines<H: JsonSchema, L: JsonSchema>(named: Named, writes: &'static str) -> Document {
    let mut generator = generator();
    let any = [
        generator.subschema_for::<H>(),
        generator.subschema_for::<Common>(),
        generator.subschema_for::<L>(),
    ];
    document(
        named,
        writes,
        true,
        json!({ "anyOf": any }),
        generator.take_definitions(false),
    )
}

fn document(
    named: Named,
    writes: &'static str,
    is_lines: bool,
    body: Value,
    definitions: serde_json::Map<String, Value>,
) -> Document {
    let what = if is_lines { "A line of what" } else { "What" };
    let mut schema = json_schema!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": named.name,
        "description": format!("{what} {writes} writes, version {}.", named.version),
    });
    if let Value::Object(body) = body {
        for (name, value) in body {
            schema.insert(name, value);
        }
    }
    if !definitions.is_empty() {
        schema.insert("$defs".to_owned(), Value::Object(definitions));
    }
    Written.transform(&mut schema);
    // The first line, or the object itself, names this schema and no other.
    let head = match is_lines {
        true => "/$defs/Header/properties",
        false => "/properties",
    };
    let mut value = schema.to_value();
    if let Some(Value::Object(properties)) = value.pointer_mut(head) {
        properties.insert("schema".to_owned(), json!({ "const": named.name }));
        properties.insert("version".to_owned(), json!({ "const": named.version }));
    }
    Document {
        name: named.name,
        version: named.version,
        writes,
        is_lines,
        schema: Schema::try_from(value).unwrap_or_default(),
    }
}

fn object<T: JsonSchema>(named: Named, writes: &'static str) -> Document {
    let Value::Object(mut body) = of_written::<T>().to_value() else {
        return document(named, writes, false, json!({}), serde_json::Map::new());
    };
    for known in ["$schema", "title", "description"] {
        body.remove(known);
    }
    let definitions = match body.remove("$defs") {
        Some(Value::Object(definitions)) => definitions,
        _ => serde_json::Map::new(),
    };
    document(named, writes, false, Value::Object(body), definitions)
}

/// All schemas.
#[must_use]
pub fn documents() -> Vec<Document> {
    vec![
        lines::<recording::Header, Entry>(
            common::RECORDING,
            "`payrig run`, `payrig read` or a recording",
        ),
        lines::<Header, examine::Line<'_>>(
            common::EXAMINE,
            "`payrig examine`, `payrig report` or `payrig tickets show`",
        ),
        lines::<Header, pulse::Line<'_>>(common::PULSE, "`payrig pulse`"),
        lines::<Header, float::Line<'_>>(common::FLOAT, "`payrig float`"),
        lines::<Header, ports::Line<'_>>(common::PORTS, "`payrig ports`"),
        lines::<Header, tickets::Line<'_>>(common::TICKETS, "`payrig tickets`"),
        lines::<Header, written::Line<'_>>(common::WRITTEN, "`payrig new` or `payrig sheet`"),
        lines::<Header, Common>(
            common::USAGE,
            "`payrig` with a command line that it does not understand",
        ),
        object::<SavedExamination<'_>>(
            Named {
                name: payrig_report::SCHEMA,
                version: payrig_report::VERSION,
            },
            "`--json FILE` of `payrig examine`, `payrig report` and `payrig tickets show`",
        ),
        object::<SavedSheet<'_>>(
            Named {
                name: payrig_report::SHEET_SCHEMA,
                version: payrig_report::SHEET_VERSION,
            },
            "`payrig sheet --json FILE`",
        ),
    ]
}
