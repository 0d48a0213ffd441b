//! The checks, a file per group. In each the check itself says how it arranges the bench, what it
//! does, what it must see, and a misbehaviour that it catches; the test at the end of the file holds
//! it to that.

mod common;

pub(super) mod bills;
pub(super) mod blocks;
pub(super) mod change;
pub(super) mod coins;
pub(super) mod cuts;
pub(super) mod inhibit;
pub(super) mod levels;
pub(super) mod mains;
pub(super) mod prices;
pub(super) mod pulses;
pub(super) mod resets;
pub(super) mod revalue;
pub(super) mod sessions;
pub(super) mod silence;
pub(super) mod start;
pub(super) mod timing;
pub(super) mod tolerance;
pub(super) mod values;
pub(super) mod vends;
