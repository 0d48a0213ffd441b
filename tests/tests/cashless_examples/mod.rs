//! The example vend sessions of MDB/ICP 4.3, section 7.7, as conversations between our controller
//! and our cashless device. Each test has the number of its example in its name.
//!
//! What is compared is what the standard draws: who says what, in which order. POLLs that have
//! nothing to report are left out where the standard draws them or not as it pleases.

mod baskets;
mod coupons;
mod data_entry;
mod idle;
mod mixed;
mod remote;
mod returns;
pub(crate) mod scene;
mod sessions;
mod trouble;

use scene::*;
