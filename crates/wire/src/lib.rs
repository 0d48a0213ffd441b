//! Time-stamped words and edges; the timing rules and their findings; captures and recordings.
//!
//! No clock and, but for [`capture::read_path`], no file is opened here: values in, values out.
//!
//! - [`capture`]: logic captures in and out;
//! - [`uart`]: nine-bit words from edges, and edges from words;
//! - [`BlockBuilder`]: words to blocks; [`rules`]: what the standard asks of their times;
//! - [`recording`]: what happened on a bench, line by line; the same lines are what scripts read.

pub mod analysis;
mod blocks;
mod bounded;
pub mod capture;
pub mod port;
pub mod reading;
pub mod recording;
pub mod rules;
mod signal;
pub mod uart;

pub use blocks::{BlockBuilder, FINISHED_PAUSE, UNFINISHED_PAUSE, WireBlock};
pub use rules::{BusRule, Finding, Judge, Monitor, Observed, Origin, Party, RuleName, Severity};
pub use signal::{BAUD, BusEvent, Edge, Source, TimedWord, Transmission, WORD_TIME};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
