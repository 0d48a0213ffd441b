//! The states of section 7.2, and what the device remembers in each.

use payrig_mdb::cashless::State as Reported;
use payrig_units::{Micros, Money};
use std::fmt;

/// Where a cashless device is (section 7.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum CashlessState {
    /// After power-up or reset, until both SETUP commands were received (7.2.1).
    Inactive,
    /// Set up, takes no card (7.2.2).
    Disabled,
    /// Takes cards (7.2.3).
    Enabled,
    /// Enabled with the option that lets VEND REQUEST come first (7.2.5, Always Idle).
    AlwaysIdle,
    /// A card is in, nothing asked yet (7.2.4).
    SessionIdle,
    /// From VEND REQUEST to its end (7.2.5, Vend).
    Vend,
    /// From REVALUE REQUEST to its answer (7.2.6).
    Revalue,
    /// From NEGATIVE VEND REQUEST to its end (7.2.7).
    NegativeVend,
}

impl CashlessState {
    /// The state as COMMAND OUT OF SEQUENCE reports it; Always Idle is reported as Enabled (7.4.4).
    #[must_use]
    pub const fn reported(self) -> Reported {
        match self {
            Self::Inactive => Reported::Inactive,
            Self::Disabled => Reported::Disabled,
            Self::Enabled | Self::AlwaysIdle => Reported::Enabled,
            Self::SessionIdle => Reported::SessionIdle,
            Self::Vend => Reported::Vend,
            Self::Revalue => Reported::Revalue,
            Self::NegativeVend => Reported::NegativeVend,
        }
    }
}

impl fmt::Display for CashlessState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::AlwaysIdle => f.write_str("Always Idle"),
            other => other.reported().fmt(f),
        }
    }
}

/// The state with what belongs to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    Inactive,
    Disabled,
    Enabled,
    SessionIdle {
        /// SESSION COMPLETE was received, END SESSION is due.
        ending: bool,
    },
    Vend(Vend),
    Revalue(Revalue),
}

/// A vend or negative vend under way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Vend {
    pub(super) negative: bool,
    pub(super) price: Money,
    pub(super) item: u16,
    /// Options price of a basket request, counts.
    pub(super) options_price: u32,
    /// More than one item was asked for.
    pub(super) basket: bool,
    pub(super) stage: Stage,
    /// Value of the products reported as dispensed so far (basket option).
    pub(super) dispensed: Money,
    /// Value of the products reported as failed so far (basket option).
    pub(super) failed: Money,
}

/// How far a vend is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stage {
    /// Always idle: no card yet.
    AwaitingCard { until: Micros },
    /// The answer is being found.
    Deciding { at: Micros },
    /// "Ask Begin Session": BEGIN SESSION was the answer, the VMC's next step is awaited.
    AskedBegin,
    /// VEND APPROVED is due or was sent.
    Approved {
        amount: Money,
        /// VEND APPROVED has gone out (and the money with it).
        sent: bool,
        /// The VMC heard it.
        heard: bool,
    },
    /// VEND DENIED is due.
    Denied,
}

/// A revalue under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Revalue {
    pub(super) amount: Money,
    /// It began in Session Idle; otherwise in Always Idle.
    pub(super) in_session: bool,
}
