//! A board and its cashless devices when something goes wrong between them: on the wire, with the
//! power, in the reader. Whatever it is, the ledger says where the money went, and where board and
//! money disagree that is found.

mod forms;
mod power;
mod prices;
mod quirks;
mod random;
mod reports;
mod revalue;
mod rig;
mod sales;
mod states;
mod wire;

use crate::cashless_examples::scene::*;
