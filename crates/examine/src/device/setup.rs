//! What is on the bench of a device examination.

use super::habit::Habits;
use payrig_mdb::changer::DiagnosticCode;
use payrig_mdb::{Address, CurrencyCode};
use payrig_peripherals::PortTiming;
use payrig_peripherals::bill::{self, BillConfig};
use payrig_peripherals::cashless::CashlessConfig;
use payrig_peripherals::changer::{self, ChangerConfig};
use payrig_peripherals::pulse::{PulseAcceptorConfig, PulseFaults};
use payrig_pulse::Profile;
use payrig_units::{Decimals, Money};
use std::fmt;

/// Kinds of devices that can be examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Coin changer, 08H.
    Changer,
    /// Bill validator, 30H.
    BillValidator,
    /// Cashless device, 10H.
    Cashless,
    /// Acceptor on a credit pulse line.
    Pulse,
}

impl Kind {
    /// All of them, in the order they are examined.
    pub const ALL: [Self; 4] = [
        Self::Changer,
        Self::BillValidator,
        Self::Cashless,
        Self::Pulse,
    ];

    /// The name on the command line.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Changer => "changer",
            Self::BillValidator => "bill-validator",
            Self::Cashless => "cashless",
            Self::Pulse => "pulse",
        }
    }

    /// Its address on the bus; `None` for a pulse acceptor.
    #[must_use]
    pub const fn address(self) -> Option<Address> {
        match self {
            Self::Changer => Some(Address::CHANGER),
            Self::BillValidator => Some(Address::BILL_VALIDATOR),
            Self::Cashless => Some(Address::CASHLESS_1),
            Self::Pulse => None,
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Changer => "changer",
            Self::BillValidator => "bill validator",
            Self::Cashless => "cashless device",
            Self::Pulse => "pulse acceptor",
        })
    }
}

/// An emulated device and how it misbehaves.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Which of the four is examined.
    pub kind: Kind,
    /// The changer.
    pub changer: ChangerConfig,
    /// Its quirks.
    pub changer_quirks: changer::Quirks,
    /// Faults its diagnostics tell of.
    pub changer_faults: Vec<DiagnosticCode>,
    /// The bill validator.
    pub bill: BillConfig,
    /// Its quirks.
    pub bill_quirks: bill::Quirks,
    /// The cashless device, with its quirks.
    pub cashless: CashlessConfig,
    /// The pulse acceptor, with its faults.
    pub pulse: PulseAcceptorConfig,
    /// Times on the bus.
    pub timing: PortTiming,
    /// Bad habits on the wire.
    pub habits: Habits,
    /// Decimals of all amounts.
    pub decimals: Decimals,
}

impl Setup {
    /// A good device of a kind, of the invented route "Harbour Loop".
    #[must_use]
    pub fn good(kind: Kind) -> Self {
        let mut changer = ChangerConfig::demo();
        changer.currency = CurrencyCode::USD;
        Self {
            kind,
            changer,
            changer_quirks: changer::Quirks::default(),
            changer_faults: Vec::new(),
            bill: BillConfig::default(),
            bill_quirks: bill::Quirks::default(),
            cashless: CashlessConfig::default(),
            pulse: PulseAcceptorConfig {
                name: "pulse acceptor".to_owned(),
                bills: [100, 500, 1_000, 2_000].map(Money).to_vec(),
                travel_ms: 1_500,
                stack_ms: 700,
                return_ms: 800,
                pulse: Profile::short(),
                faults: PulseFaults::default(),
            },
            timing: PortTiming::default(),
            habits: Habits::default(),
            decimals: Decimals(2),
        }
    }
}
