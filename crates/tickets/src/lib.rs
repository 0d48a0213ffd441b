//! A shop's tickets: every examination kept, by serial number, in one SQLite file.
//!
//! Nothing is ever changed or removed: a ticket is added, and read again.

mod compare;
mod error;
mod export;
mod schema;
mod store;
mod version;

pub use compare::{Comparison, Drift, Turn, compare};
pub use error::StoreError;
pub use export::export_csv;
pub use schema::same_kind;
pub use store::{Row, Store, Ticket, default_path};
pub use version::SCHEMA_VERSION;

#[cfg(test)]
mod tests;
