//! The board's side: a vending machine controller as a state machine. No clock, no I/O.
//!
//! Two rooms and the board that ties them. The drivers say how a board speaks to each peripheral:
//! [`BusMaster`], a channel per peripheral, a driver per kind. The shop ([`Vending`]) has prices,
//! credit and vends; it hears the drivers' [`Report`]s and gives [`Order`]s, and no driver knows of
//! it. [`Controller`] passes reports to the shop and orders to the drivers. Below both, [`make_change`].

mod board;
mod change;
mod drivers;
mod shop;

pub use board::{BoardConfig, Controller, Expected, ExpectedKind};
pub use change::{Coins, Stock, make_change};
pub use drivers::{
    BillChange, BillHost, BillPolicy, BusMaster, Calendar, CardSession, CashlessUse, ChangerPolicy,
    Clock, Coupon, Delivery, Dispensed, Fit, HopperLink, Life, Mailbox, MasterTiming, Mishap,
    NoTransfer, NotDispensed, Outcome, PulseLink, Reader, Report, Rhythm, SaleKind, Sold,
    VmcIdentity,
};
pub use shop::{BasketShares, CardPrice, CardSales, Item, Means, Order, Policy, Tariffs, Vending};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
