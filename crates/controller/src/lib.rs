//! The board's side: a vending machine controller as a state machine.
//!
//! From the wire up: [`BusMaster`] does one exchange at a time; a channel per peripheral finds it,
//! sets it up, polls it and finds it again; a driver per kind speaks its section of the standard;
//! [`Vending`] sells. [`Controller`] is all of them together. No clock, no I/O.

mod bill;
mod bill_host;
mod board;
mod cashless;
mod change;
mod changer;
mod channel;
mod files;
mod hopper;
mod master;
mod motor;
mod paying;
mod pulse_input;
mod vending;

pub use bill::{BillChange, BillPolicy};
pub use bill_host::BillHost;
pub use board::{BoardConfig, Controller, Expected, ExpectedKind};
pub use cashless::{BasketShares, Calendar, CashlessUse, Clock, VmcIdentity};
pub use change::{Coins, Stock, make_change};
pub use changer::ChangerPolicy;
pub use channel::{Life, Rhythm};
pub use files::{Mailbox, NoTransfer};
pub use hopper::HopperLink;
pub use master::{BusMaster, MasterTiming, Outcome};
pub use motor::Mishap;
pub use pulse_input::PulseLink;
pub use vending::{
    CardSession, Coupon, Delivery, Dispensed, Item, Means, NotDispensed, Order, Policy, Reader,
    Report, SaleKind, Sold, Vending,
};
