//! What this crate promises, from outside: known captures, rules on both sides of their limits,
//! recordings, a second opinion, and what may be trusted.

// Helpers outside of #[test] functions are not recognised as tests by clippy.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

mod known_captures;
mod recordings;
mod rules;
#[cfg(feature = "schema")]
mod schema;
mod second_opinion;
mod verdicts;
