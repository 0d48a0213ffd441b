//! The float of a machine: the coins in its tubes, and what they can change.
//!
//! From coins, tubes, prices and bills: can change always be paid, which credit and price fail
//! first, is the exact-change light on, how many sales in a row does the fill last, and what is the
//! smallest fill that would do. All of it exact: no way of paying is overlooked, and none is
//! claimed that does not exist. Where a question has too many cases to try them all, the answer
//! says so instead of guessing.
//!
//! No clock, no I/O: values in, values out.

mod analysis;
mod changes;
mod fill;
mod light;
mod machine;
mod need;
mod reach;
mod sales;

pub use analysis::{Analysis, BillAnswer, FillAnswers, Questions, analyse};
pub use changes::changes_of;
pub use fill::{FillAnswer, smallest_fill};
pub use light::{Acceptance, exact_change_light, is_welcome};
pub use machine::{Guard, Line, Machine, MachineError, Piece, Tube};
pub use need::{Need, needs};
pub use payrig_controller::{Coins, Stock, make_change};
pub use reach::Reach;
pub use sales::{Run, RunFailure, run, some_way};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
