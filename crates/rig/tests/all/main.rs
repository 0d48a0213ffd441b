//! What a bench promises to those who drive it, on rigs.

// Helpers outside of #[test] functions are not recognised as tests by clippy.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing
)]

mod bench;
mod harbour_loop;
mod harness;
mod silence;
mod stalls;
mod two_benches;
