//! What this crate promises, from outside: known captures, properties, the picture of the guide.

// Helpers outside of #[test] functions are not recognised as tests by clippy.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

mod captures;
mod common;
mod properties;
