//! The checks, a folder per kind of device and a file per group. In each the check itself says how it
//! arranges the device, what it does, what it must see, and a misbehaviour that it catches; the test
//! at the end of the file holds it to that. What the checks of a kind share is in its `mod.rs`.

pub(super) mod bill;
pub(super) mod cashless;
pub(super) mod changer;
pub(super) mod common;
pub(super) mod hopper;
pub(super) mod pulse;
pub(super) mod recycler;
