//! The board's side.
mod change;
mod channel;
mod master;
mod vending;
pub use change::{Coins, Stock, make_change};
pub use channel::{Life, Rhythm};
pub use master::{BusMaster, MasterTiming, Outcome};
pub use vending::{Item, Means, Order, Policy, Report, Vending};
