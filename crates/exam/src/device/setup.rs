//! What is on the bench of a device examination.

use super::habit::Habits;
use payrig_bench::Plan;
use payrig_bench::plan::{DevicePlan, Kind as RigKind, PulsePlan};
use payrig_mdb::changer::DiagnosticCode;
use payrig_mdb::{Address, CurrencyCode};
use payrig_peripherals::PortTiming;
use payrig_peripherals::bill::{self, BillConfig, RecyclerStore};
use payrig_peripherals::cashless::CashlessConfig;
use payrig_peripherals::changer::{self, ChangerConfig};
use payrig_peripherals::pulse::{
    PulseAcceptorConfig, PulseCardReaderConfig, PulseCoinAcceptorConfig, PulseFaults,
    PulseHopperConfig,
};
use payrig_pulse::{Level, Profile};
use payrig_units::{Decimals, Micros, Money};
use std::fmt;

/// Kinds of devices that can be examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Coin changer, 08H.
    Changer,
    /// Bill validator, 30H.
    BillValidator,
    /// Bill validator that pays bills out again, 30H.
    BillRecycler,
    /// Cashless device, 10H.
    Cashless,
    /// Bill validator on a credit pulse line.
    PulseBill,
    /// Coin acceptor on credit pulse lines.
    PulseCoin,
    /// Coin acceptor on credit pulse lines, above a payout hopper.
    PulseCoinHopper,
    /// Payout hopper alone.
    PulseHopper,
    /// Card reader on a credit pulse line.
    PulseCard,
}

impl Kind {
    /// All of them, in the order they are examined.
    pub const ALL: [Self; 9] = [
        Self::Changer,
        Self::BillValidator,
        Self::BillRecycler,
        Self::Cashless,
        Self::PulseBill,
        Self::PulseCoin,
        Self::PulseCoinHopper,
        Self::PulseHopper,
        Self::PulseCard,
    ];

    /// The name on the command line; where a rig has the kind, as it is there.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Changer => "changer",
            Self::BillValidator => "bill-validator",
            Self::BillRecycler => "bill-recycler",
            Self::Cashless => "cashless",
            Self::PulseBill => "pulse-bill-validator",
            Self::PulseCoin => "pulse-coin-acceptor",
            Self::PulseCoinHopper => "pulse-coin-hopper",
            Self::PulseHopper => "pulse-hopper",
            Self::PulseCard => "pulse-card-reader",
        }
    }

    /// The kind of a name; also of the older `pulse`.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "pulse" => Some(Self::PulseBill),
            _ => Self::ALL.into_iter().find(|k| k.name() == name),
        }
    }

    /// The kind without what it has besides: a recycler is a bill validator, an acceptor above a
    /// hopper an acceptor.
    #[must_use]
    pub const fn plainer(self) -> Self {
        match self {
            Self::BillRecycler => Self::BillValidator,
            Self::PulseCoinHopper => Self::PulseCoin,
            other => other,
        }
    }

    /// Its address on the bus, of a card reader the first of the two; `None` for a device on pulse
    /// lines. [`Setup::address`] knows which it is.
    #[must_use]
    pub const fn address(self) -> Option<Address> {
        match self {
            Self::Changer => Some(Address::CHANGER),
            Self::BillValidator | Self::BillRecycler => Some(Address::BILL_VALIDATOR),
            Self::Cashless => Some(Address::CASHLESS_1),
            Self::PulseBill
            | Self::PulseCoin
            | Self::PulseCoinHopper
            | Self::PulseHopper
            | Self::PulseCard => None,
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Changer => "changer",
            Self::BillValidator => "bill validator",
            Self::BillRecycler => "bill recycler",
            Self::Cashless => "cashless device",
            Self::PulseBill => "pulse bill validator",
            Self::PulseCoin => "pulse coin acceptor",
            Self::PulseCoinHopper => "pulse coin acceptor with hopper",
            Self::PulseHopper => "pulse hopper",
            Self::PulseCard => "pulse card reader",
        })
    }
}

/// The devices on pulse lines, one of each kind.
#[derive(Clone, Debug)]
pub struct PulseSetup {
    /// The bill validator.
    pub bill: PulseAcceptorConfig,
    /// The coin acceptor, perhaps above a hopper.
    pub coin: PulseCoinAcceptorConfig,
    /// The hopper that stands alone.
    pub hopper: PulseHopperConfig,
    /// The card reader.
    pub card: PulseCardReaderConfig,
    /// Amounts that are chosen at a card reader without a fixed price.
    pub amounts: Vec<Money>,
}

impl PulseSetup {
    /// Good ones, of the invented route "Harbour Loop".
    #[must_use]
    pub fn good() -> Self {
        let hopper = |name: &str| PulseHopperConfig {
            name: name.to_owned(),
            coin: Money(25),
            fill: 60,
            capacity: 200,
            motor_line: payrig_peripherals::pulse::MOTOR_LINE.to_owned(),
            motor_on: Level::High,
            exit_line: payrig_peripherals::pulse::EXIT_LINE.to_owned(),
            exit_active: Level::Low,
            coin_interval_ms: 350,
            exit_pulse_ms: 40,
            jam_after: None,
            coins_after_stop: 0,
            runs_by_itself: false,
            runs_without_power: false,
            faults: PulseFaults::default(),
        };
        Self {
            bill: PulseAcceptorConfig {
                name: "pulse acceptor".to_owned(),
                bills: [100, 500, 1_000, 2_000].map(Money).to_vec(),
                travel_ms: 1_500,
                stack_ms: 700,
                return_ms: 800,
                pulse: Profile::short(),
                faults: PulseFaults::default(),
            },
            coin: PulseCoinAcceptorConfig {
                name: "pulse coin acceptor".to_owned(),
                coins: [5, 10, 25, 100].map(Money).to_vec(),
                fall_ms: 250,
                pulse: Profile::short().with_count(1, Money(5)),
                hopper: Some(hopper("hopper")),
                faults: PulseFaults::default(),
            },
            hopper: hopper("pulse hopper"),
            card: PulseCardReaderConfig {
                name: "pulse card reader".to_owned(),
                balance: Money(200_000),
                price: None,
                vend_pulses: 1,
                authorise_ms: 1_200,
                pulse: Profile::short(),
                faults: PulseFaults::default(),
            },
            amounts: [100, 500, 1_000, 2_000].map(Money).to_vec(),
        }
    }

    /// Faults of the credit lines of the device of a kind; of the exit line for a hopper alone.
    pub fn faults(&mut self, kind: Kind) -> &mut PulseFaults {
        match kind {
            Kind::PulseCoin | Kind::PulseCoinHopper => &mut self.coin.faults,
            Kind::PulseHopper => &mut self.hopper.faults,
            Kind::PulseCard => &mut self.card.faults,
            _ => &mut self.bill.faults,
        }
    }

    /// Changes the hopper of a kind, alone or below an acceptor, where there is one.
    pub fn at_hopper(&mut self, kind: Kind, change: impl FnOnce(&mut PulseHopperConfig)) {
        match kind {
            Kind::PulseHopper => change(&mut self.hopper),
            Kind::PulseCoinHopper => {
                if let Some(hopper) = &mut self.coin.hopper {
                    change(hopper);
                }
            }
            _ => {}
        }
    }
}

/// An emulated device and how it misbehaves.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Which of them is examined.
    pub kind: Kind,
    /// The changer.
    pub changer: ChangerConfig,
    /// Its quirks.
    pub changer_quirks: changer::Quirks,
    /// Faults its diagnostics report.
    pub changer_faults: Vec<DiagnosticCode>,
    /// The bill validator.
    pub bill: BillConfig,
    /// Its quirks.
    pub bill_quirks: bill::Quirks,
    /// The cashless device, with its quirks.
    pub cashless: CashlessConfig,
    /// The devices on pulse lines, with their faults.
    pub pulse: PulseSetup,
    /// Times on the bus.
    pub timing: PortTiming,
    /// Bad habits on the wire.
    pub habits: Habits,
    /// Decimals of all amounts.
    pub decimals: Decimals,
}

/// What a person does at a real device before a check that arranges an emulated one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ByHand {
    /// Nothing: its SETUP says what it is.
    Nothing,
    /// Makes the card reader take so long to decide on a vend.
    SlowReader(Micros),
}

impl Setup {
    /// How a real device of this setup becomes what a check has `arranged`; `None` where only an
    /// emulated one can.
    pub(super) fn by_hand(&self, arranged: &Self) -> Option<ByHand> {
        match self.kind {
            Kind::Cashless => {}
            Kind::BillValidator | Kind::BillRecycler => {
                // A stacker is filled in the check itself, by bills or by hand.
                let rest = BillConfig {
                    stacker_capacity: self.bill.stacker_capacity,
                    ..arranged.bill.clone()
                };
                return (rest == self.bill).then_some(ByHand::Nothing);
            }
            // How quick they are is their own: the person is as quick as they allow.
            Kind::PulseBill | Kind::PulseCoin | Kind::PulseCoinHopper | Kind::PulseCard => {
                return Some(ByHand::Nothing);
            }
            Kind::Changer | Kind::PulseHopper => return None,
        }
        let rest = CashlessConfig {
            level: self.cashless.level,
            approve_delay: self.cashless.approve_delay,
            ..arranged.cashless.clone()
        };
        // Checks of a card reader arrange nothing else.
        if rest != self.cashless {
            return None;
        }
        let slow = arranged.cashless.approve_delay;
        Some(match slow > self.cashless.approve_delay {
            true => ByHand::SlowReader(slow),
            false => ByHand::Nothing,
        })
    }

    /// A good device of a kind, of the invented route "Harbour Loop".
    #[must_use]
    pub fn good(kind: Kind) -> Self {
        let mut changer = ChangerConfig::demo();
        changer.currency = CurrencyCode::USD;
        let mut pulse = PulseSetup::good();
        if kind == Kind::PulseCoin {
            pulse.coin.hopper = None;
        }
        let bill = match kind {
            Kind::BillRecycler => recycler(),
            _ => BillConfig::default(),
        };
        Self {
            kind,
            changer,
            changer_quirks: changer::Quirks::default(),
            changer_faults: Vec::new(),
            bill,
            bill_quirks: bill::Quirks::default(),
            cashless: CashlessConfig::default(),
            pulse,
            timing: PortTiming::default(),
            habits: Habits::default(),
            decimals: Decimals(2),
        }
    }

    /// The address it is spoken to at (section 2.3, Table 1): 10H or 60H for a card reader, by its
    /// unit. `None` for a device on pulse lines.
    #[must_use]
    pub const fn address(&self) -> Option<Address> {
        match self.kind {
            Kind::Cashless => Some(self.cashless.unit.address()),
            kind => kind.address(),
        }
    }

    /// A device of a rig, with the quirks and faults the rig gives it; `None` for what cannot be
    /// examined.
    #[must_use]
    pub fn of_rig(rig: &Plan, device: &DevicePlan) -> Option<Self> {
        let mut setup = match &device.kind {
            RigKind::Changer(config, quirks) => Self {
                changer: config.clone(),
                changer_quirks: *quirks,
                ..Self::good(Kind::Changer)
            },
            RigKind::Bill(config, quirks) => Self {
                bill: config.clone(),
                bill_quirks: *quirks,
                ..Self::good(match config.recycler.is_empty() {
                    true => Kind::BillValidator,
                    false => Kind::BillRecycler,
                })
            },
            RigKind::Cashless(config) => Self {
                cashless: config.clone(),
                ..Self::good(Kind::Cashless)
            },
            RigKind::Pulse(pulse) => Self::of_pulse(pulse),
            RigKind::Bridge(_) => return None,
        };
        setup.timing = device.timing;
        setup.decimals = rig.decimals;
        Some(setup)
    }

    fn of_pulse(pulse: &PulsePlan) -> Self {
        let kind = match pulse {
            PulsePlan::Bill(_) => Kind::PulseBill,
            PulsePlan::Coin(c) if c.hopper.is_some() => Kind::PulseCoinHopper,
            PulsePlan::Coin(_) => Kind::PulseCoin,
            PulsePlan::Hopper(_) => Kind::PulseHopper,
            PulsePlan::Card(_) => Kind::PulseCard,
        };
        let mut setup = Self::good(kind);
        match pulse {
            PulsePlan::Bill(config) => setup.pulse.bill = config.clone(),
            PulsePlan::Coin(config) => setup.pulse.coin = config.clone(),
            PulsePlan::Hopper(config) => setup.pulse.hopper = config.clone(),
            PulsePlan::Card(config) => setup.pulse.card = config.clone(),
        }
        setup
    }
}

/// A level 2 validator that pays 1.00 and 5.00 out again.
fn recycler() -> BillConfig {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 30,
    };
    BillConfig {
        name: "bill recycler".to_owned(),
        level: 2,
        recycler: vec![store(0, 10), store(1, 6)],
        ..BillConfig::default()
    }
}
