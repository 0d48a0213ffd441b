//! The tables of the user's guide that are made from the code.

pub mod board_map;
pub mod coverage;
mod rules_table;

pub use rules_table::rules_table;
