//! Tests of the emulated validator: what it answers, byte for byte, and where its bills are.

mod accepting;
mod bench;
mod faults;
mod levels;
mod property;
mod quirks;
mod recycler;
mod resets;
