//! Whatever is on the wire, nothing panics, no device leaves the states of the standard, and no
//! money is made of it.

mod blocks;
mod conversations;
mod liars;
mod machines;
