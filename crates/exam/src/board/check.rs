//! A check of a board.

use super::bench::BoardBench;
use super::setup::BoardSetup;
use crate::check::Check;

/// A check of a board, and a misbehaviour that it catches.
pub type BoardCheck = Check<BoardBench, BoardSetup>;
