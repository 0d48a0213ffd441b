//! What commands write with `--format json`: the types of their lines. Every line is an object with a
//! `type`; the first is a header that names schema and version, the last says how it ended. What is written
//! is written from these types, and so are the schemas in `docs/src/schema`.

pub(crate) mod common;
pub(crate) mod examine;
pub(crate) mod float;
pub(crate) mod ports;
pub(crate) mod pulse;
mod schemas;
pub(crate) mod tickets;
pub(crate) mod written;

pub use schemas::{Document, documents};
