//! How a board speaks to what is plugged into it: one driver per kind of peripheral.
//!
//! From the wire up: [`BusMaster`] does one exchange at a time; a channel per peripheral finds it,
//! sets it up, polls it and finds it again; a driver per kind speaks its section of the standard.
//! Hoppers, pulse inputs and motors hang on lines of their own. Drivers take orders and give
//! [`Report`]s. What things cost, and what to do with money, is the shop's business.

pub(crate) mod bill;
pub(crate) mod cashless;
pub(crate) mod changer;
pub(crate) mod channel;
pub(crate) mod files;
pub(crate) mod hopper;
pub(crate) mod master;
pub(crate) mod motor;
pub(crate) mod order;
pub(crate) mod pulse_input;
pub(crate) mod report;

pub use bill::{BillChange, BillHost, BillPolicy};
pub use cashless::{Calendar, CashlessUse, Clock, VmcIdentity};
pub use changer::ChangerPolicy;
pub use channel::{Life, Rhythm};
pub use files::{Mailbox, NoTransfer};
pub use hopper::HopperLink;
pub use master::{BusMaster, Fit, MasterTiming, Outcome};
pub use motor::{Delivery, Mishap};
pub use order::{Dispensed, NotDispensed, SaleKind, Sold};
pub use pulse_input::PulseLink;
pub use report::{CardSession, Coupon, Reader, Report};
