//! A shop's tickets: every examination kept, by serial number, in one SQLite file.
//!
//! Nothing is ever changed or removed: a ticket is added, and read again. What is said of it later (a note,
//! the customer's reference, that it is void) is added beside it.

mod compare;
mod error;
mod export;
mod remark;
mod row;
mod schema;
mod shelf;
mod site;
mod store;
mod version;

pub use compare::{Comparison, Drift, Turn, compare};
pub use error::StoreError;
pub use export::export_csv;
pub use remark::{Remark, RemarkKind};
pub use row::{Row, Ticket};
pub use schema::same_kind;
pub use shelf::{Failed, ShelfFilter, Shelved, shelf};
pub use site::{Day, Site, clock};
pub use store::{Added, Store, default_path};
pub use version::SCHEMA_VERSION;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}

#[cfg(test)]
mod tests;
