//! Times as a rig writes them.

use payrig_rig::parse_time;
use payrig_units::Micros;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;

/// A time of the bench, as in a rig: `"125 ms"`, `"2 s"`, `"300 us"`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Time(pub Micros);

/// How it is written, as a regular expression.
pub(crate) const PATTERN: &str = r"^[0-9]{1,12} ?(us|ms|s|min|h)$";

impl<'de> Deserialize<'de> for Time {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        let time = parse_time(&text).map(Self);
        time.ok_or_else(|| {
            D::Error::custom(format!(
                "\"{text}\" is no time; expected one as in \"125 ms\", \"2 s\" or \"300 us\""
            ))
        })
    }
}

impl Serialize for Time {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&format_args!("{} us", self.0.as_us()))
    }
}

impl JsonSchema for Time {
    fn schema_name() -> Cow<'static, str> {
        "Time".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": PATTERN,
            "description": "A time of the bench: a whole number and us, ms, s, min or h.",
            "examples": ["125 ms", "2 s", "300 us"],
        })
    }
}
