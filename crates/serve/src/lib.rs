//! Benches driven from anywhere: opened, acted on, waited for and read by whoever speaks JSON.
//!
//! One [`Host`] holds the benches. The table of [`verbs`] says what can be asked of it; [`http`] and
//! [`stdio`] are two front ends of that table, and [`openapi`] describes it.

pub mod api;
mod desk;
mod evidence;
mod filter;
mod host;
pub mod http;
mod log;
pub mod openapi;
mod params;
mod problem;
mod recording;
mod session;
mod show;
pub mod stdio;
mod time;
pub mod verbs;

pub use api::PaceName;
pub use filter::{Filter, Side, Words};
pub use host::{EMBEDDED, Host, Limits};
pub use problem::{Kind, Problem, TYPE};
pub use time::Time;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
