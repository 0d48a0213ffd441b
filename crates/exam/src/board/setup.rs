//! What is on the bench of a board examination.

use super::bad_habit::BadHabits;
use super::habits::Habits as BoardHabits;
use crate::device::habit::Habits;
use payrig_bench::Plan;
use payrig_bench::machine::Keys;
use payrig_bench::plan::{DevicePlan, Kind, PulsePlan};
use payrig_controller::{BillChange, BoardConfig, Expected, ExpectedKind, Item, PulseLink};
use payrig_mdb::Address;
use payrig_mdb::cashless::Options;
use payrig_mdb::changer::Features;
use payrig_peripherals::bill::BillConfig;
use payrig_peripherals::cashless::CashlessConfig;
use payrig_peripherals::changer::{ChangerConfig, Quirks as ChangerQuirks};
use payrig_peripherals::pulse::{PulseAcceptorConfig, PulseCoinAcceptorConfig, PulseFaults};
use payrig_pulse::Coding;
use payrig_rig::RigError;
use std::collections::BTreeMap;
use std::path::Path;

/// The bench that is built in.
const BENCH: &str = include_str!("bench.toml");

/// A board and the peripherals the tool plays.
#[derive(Clone, Debug)]
pub struct BoardSetup {
    /// The board.
    pub board: BoardConfig,
    /// What is known of the habits of a board outside; those of our own are its settings.
    pub habits: BoardHabits,
    /// What the machine sells and at which prices, whatever the board makes of them.
    pub items: Vec<Item>,
    /// Its bad habits.
    pub bad: BadHabits,
    /// The changer it is given.
    pub changer: ChangerConfig,
    /// The changer's quirks.
    pub changer_quirks: ChangerQuirks,
    /// The bill validator it is given.
    pub bill: BillConfig,
    /// The card reader it is given.
    pub cashless: CashlessConfig,
    /// The old acceptor on a credit line it is given: one of bills, or of coins, whose name, values and
    /// profile stand here likewise.
    pub pulse: PulseAcceptorConfig,
    /// It takes coins, and is this.
    pub pulse_coins: Option<PulseCoinAcceptorConfig>,
    /// Bad habits of these on the wire, by address.
    pub device_habits: BTreeMap<Address, Habits>,
    /// The check judges what the board does first: one outside is switched off and on for it.
    pub from_cold: bool,
    /// Which of the peripherals are there.
    pub fitted: Fitted,
    /// What stands on the machine for its items.
    pub keys: Keys,
    /// What the rig says and the examination does not use, in plain words.
    pub unused: Vec<String>,
    /// What the machine of the rig does not have, and the examination has of its own.
    pub own: Vec<String>,
    /// The board of the rig is outside.
    pub is_outside: bool,
}

impl BoardSetup {
    /// Our own controller, as it is.
    ///
    /// # Errors
    /// Never, unless the built-in bench is broken.
    pub fn good() -> Result<Self, RigError> {
        let rig = payrig_rig::parse(Path::new("board examination"), BENCH)?;
        let board = rig.board.controller(&rig);
        let (mut changer, mut bill, mut cashless, mut pulse) = (None, None, None, None);
        for device in rig.devices {
            match device.kind {
                Kind::Changer(config, quirks) => changer = Some((config, quirks)),
                Kind::Bill(config, _) => bill = Some(config),
                Kind::Cashless(config) => cashless = Some(config),
                Kind::Pulse(device) => {
                    if let PulsePlan::Bill(config) = *device {
                        pulse = Some(config);
                    }
                }
                // Not on the examination's bench.
                Kind::Bridge(_) => {}
            }
        }
        let parts = (board, changer, bill, cashless, pulse);
        let (Some(board), Some(changer), Some(bill), Some(cashless), Some(pulse)) = parts else {
            return Err(RigError {
                file: "board examination".into(),
                line: 0,
                message: "a peripheral is missing".to_owned(),
                hint: None,
            });
        };
        Ok(Self {
            items: board.items.clone(),
            board,
            habits: BoardHabits::default(),
            bad: BadHabits::default(),
            changer: changer.0,
            changer_quirks: changer.1,
            bill,
            cashless,
            pulse,
            pulse_coins: None,
            device_habits: BTreeMap::new(),
            from_cold: false,
            fitted: Fitted::ALL,
            keys: Keys::default(),
            unused: Vec::new(),
            own: Vec::new(),
            is_outside: false,
        })
    }

    /// The machine of a rig on the bench of the examination: its board, selections and prices, its
    /// devices as they are set. They are played without the habits that the rig gives them; what the
    /// examination has no place for is in [`unused`](Self::unused). A board that is outside is as it is.
    /// With `fill`, what the machine does not have is taken from the built-in bench, so that no check
    /// is left out for it, and [`own`](Self::own) says so.
    ///
    /// # Errors
    /// As [`good`](Self::good).
    pub fn of_rig(rig: &Plan, fill: bool) -> Result<Self, RigError> {
        let mut setup = Self::good()?;
        let own = setup.board.clone();
        let mut ours = rig.clone();
        ours.board.ours = true;
        if let Some(board) = ours.board.controller(&ours) {
            setup.board = board;
        }
        if !rig.board.ours {
            setup.is_outside = true;
            setup.habits = BoardHabits::said(&rig.board);
        }
        setup.board.bills.change = BillChange::Off;
        setup.board.changer.alternative_payout = false;
        if setup.board.items.is_empty() {
            setup.board.items = own.items;
            setup.own.push("the selections and their prices".to_owned());
        }
        setup.items.clone_from(&setup.board.items);
        setup.keys = Keys::of(&rig.machine);
        setup.fitted = Fitted::default();
        for device in &rig.devices {
            if let Some(why) = setup.take(device) {
                setup
                    .unused
                    .push(format!("device \"{}\": {why}", device.name));
            }
        }
        setup.fill_tubes();
        let nothing = setup.fitted == Fitted::default();
        for (fitted, what) in setup.fitted.missing() {
            if fill || nothing {
                setup.own.push(what.to_owned());
                fitted(&mut setup.fitted);
            }
        }
        setup.expect();
        if !rig.script.is_empty() {
            setup
                .unused
                .push("the script: the examination has its own".to_owned());
        }
        Ok(setup)
    }

    /// The acceptor on pulses that is played.
    #[must_use]
    pub(super) fn on_pulses(&self) -> PulsePlan {
        match &self.pulse_coins {
            None => PulsePlan::Bill(self.pulse.clone()),
            Some(config) => PulsePlan::Coin(PulseCoinAcceptorConfig {
                coins: self.pulse.bills.clone(),
                pulse: self.pulse.pulse.clone(),
                ..config.clone()
            }),
        }
    }

    /// Takes a device of the rig; otherwise why not.
    fn take(&mut self, device: &DevicePlan) -> Option<String> {
        const ONE: &str = "the examination plays one of its kind";
        const ONE_ON_PULSES: &str = "the examination plays one acceptor on pulses";
        if device.behind.is_some() {
            return Some("it is behind a bridge, which is examined by itself".to_owned());
        }
        match &device.kind {
            Kind::Changer(..) if self.fitted.changer => return Some(ONE.to_owned()),
            Kind::Bill(..) if self.fitted.bill => return Some(ONE.to_owned()),
            Kind::Cashless(_) if self.fitted.cashless => return Some(ONE.to_owned()),
            Kind::Changer(config, _) => {
                self.fitted.changer = true;
                self.changer = ChangerConfig {
                    name: config.name.clone(),
                    currency: config.currency,
                    decimals: config.decimals,
                    level: config.level,
                    scaling_factor: config.scaling_factor,
                    features: config.features & Features::EXTENDED_DIAGNOSTIC,
                    serial: config.serial.clone(),
                    coins: config.coins.clone(),
                    ..self.changer.clone()
                };
            }
            Kind::Bill(config, _) => {
                self.fitted.bill = true;
                self.bill = BillConfig {
                    name: config.name.clone(),
                    currency: config.currency,
                    level: config.level,
                    scaling: config.scaling,
                    bills: config.bills.clone(),
                    escrow: config.escrow,
                    security: config.security,
                    stacker_capacity: config.stacker_capacity.max(20),
                    identification: config.identification,
                    ..self.bill.clone()
                };
                if !config.recycler.is_empty() {
                    let text = format!("the recycler of \"{}\": examine the device", device.name);
                    self.unused.push(text);
                }
            }
            Kind::Cashless(config) => {
                self.fitted.cashless = true;
                let used = config.options & Options::MONEY_32 & self.board.cashless.options;
                self.cashless = CashlessConfig {
                    name: config.name.clone(),
                    level: config.level,
                    currency: config.currency,
                    scale: config.scale,
                    decimals: config.decimals,
                    response_time: config.response_time.min(30),
                    restores_funds: config.restores_funds,
                    multivend: config.multivend,
                    has_display: config.has_display,
                    cash_sale: config.cash_sale,
                    options: used,
                    id: config.id,
                    ..self.cashless.clone()
                };
            }
            Kind::Pulse(pulse) => match &**pulse {
                PulsePlan::Bill(_) if self.fitted.pulse && self.pulse_coins.is_none() => {
                    return Some(ONE.to_owned());
                }
                PulsePlan::Bill(config) => {
                    if let Some(coins) = self.pulse_coins.take() {
                        let text = format!("device \"{}\": {ONE_ON_PULSES}", coins.name);
                        self.unused.push(text);
                    }
                    self.fitted.pulse = true;
                    self.pulse = PulseAcceptorConfig {
                        name: config.name.clone(),
                        bills: config.bills.clone(),
                        pulse: config.pulse.clone(),
                        ..self.pulse.clone()
                    };
                }
                PulsePlan::Coin(_) if self.fitted.pulse => return Some(ONE_ON_PULSES.to_owned()),
                PulsePlan::Coin(config) => {
                    if config.hopper.is_some() {
                        let text = "it pays out by a hopper, and a board that pays from one is examined with \
                                    a changer only";
                        return Some(text.to_owned());
                    }
                    if !matches!(config.pulse.coding, Coding::Count { .. }) {
                        let text = "the examination plays acceptors that count on one credit line";
                        return Some(text.to_owned());
                    }
                    self.fitted.pulse = true;
                    self.pulse = PulseAcceptorConfig {
                        name: config.name.clone(),
                        bills: config.coins.clone(),
                        pulse: config.pulse.clone(),
                        ..self.pulse.clone()
                    };
                    self.pulse_coins = Some(PulseCoinAcceptorConfig {
                        faults: PulseFaults::default(),
                        ..config.clone()
                    });
                }
                PulsePlan::Card(_) | PulsePlan::Hopper(_) => {
                    let text = "of pulse devices the examination of a board plays bill validators and coin \
                                acceptors";
                    return Some(text.to_owned());
                }
            },
            Kind::Bridge(_) => return Some("a bridge is examined by itself".to_owned()),
        }
        None
    }

    /// Tubes that are nearly empty are filled: what a fill can change is for `payrig float` to say.
    fn fill_tubes(&mut self) {
        if !self.fitted.changer {
            return;
        }
        let mut filled = false;
        for coin in self.changer.coins.iter_mut().flatten() {
            if let Some(tube) = &mut coin.tube {
                let enough = (tube.capacity / 2).min(20);
                filled |= tube.coins < enough;
                tube.coins = tube.coins.max(enough);
            }
        }
        if filled {
            self.unused.push(
                "the fill of tubes with less than 20 coins: they are filled for the checks"
                    .to_owned(),
            );
        }
    }

    /// The board expects what is on the bench, and nothing else.
    fn expect(&mut self) {
        let fitted = self.fitted;
        let mut expected = Vec::new();
        let mut add = |is: bool, name: &str, kind: ExpectedKind| {
            if is {
                expected.push(Expected {
                    name: name.to_owned(),
                    kind,
                });
            }
        };
        add(fitted.changer, &self.changer.name, ExpectedKind::Changer);
        add(fitted.bill, &self.bill.name, ExpectedKind::BillValidator);
        let unit = self.cashless.unit;
        add(
            fitted.cashless,
            &self.cashless.name,
            ExpectedKind::Cashless(unit),
        );
        let pulse = PulseLink {
            profile: self.pulse.pulse.clone(),
            values: self.pulse.bills.clone(),
        };
        add(
            fitted.pulse,
            &self.pulse.name,
            ExpectedKind::Pulse(Box::new(pulse)),
        );
        self.board.expected = expected;
    }
}

/// Which devices are on the bench.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Fitted {
    /// A changer on the bus.
    pub changer: bool,
    /// A bill validator on the bus.
    pub bill: bool,
    /// A card reader on the bus.
    pub cashless: bool,
    /// An acceptor on pulses.
    pub pulse: bool,
}

/// How a device is fitted, and what it is.
type Fitting = (fn(&mut Fitted), &'static str);

impl Fitted {
    /// All of them.
    pub const ALL: Self = Self {
        changer: true,
        bill: true,
        cashless: true,
        pulse: true,
    };

    fn missing(self) -> Vec<Fitting> {
        let all: [(bool, Fitting); 4] = [
            (self.changer, (|f| f.changer = true, "a changer on the bus")),
            (
                self.bill,
                (|f| f.bill = true, "a bill validator on the bus"),
            ),
            (
                self.cashless,
                (|f| f.cashless = true, "a card reader on the bus"),
            ),
            (
                self.pulse,
                (|f| f.pulse = true, "a bill validator on pulses"),
            ),
        ];
        let missing = all.into_iter().filter(|(has, _)| !has);
        missing.map(|(_, fitting)| fitting).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_units::Micros;

    #[test]
    fn the_rig_of_a_board_outside_says_its_habits() {
        let habits = |keys: &str| {
            let text = format!(
                "[bench]\nname = \"x\"\n[board]\nkind = \"outside\"\n{keys}\n\
                 [[device]]\nkind = \"changer\"\nname = \"changer\"\n"
            );
            let rig = payrig_rig::parse(Path::new("rig"), &text).unwrap();
            let setup = BoardSetup::of_rig(&rig, false).unwrap();
            assert!(setup.is_outside);
            assert_eq!(setup.board.multi_vend, setup.habits.several_vends);
            setup.habits
        };
        let unknown = BoardHabits::default();
        assert_eq!(habits(""), unknown);
        let said = BoardHabits {
            keeps_credit: Some(true),
            delivery: Micros::secs(12),
            several_vends: true,
            ..unknown
        };
        let keys = "keep-credit = true\nmotor = \"12 s\"\nmulti-vend = true";
        assert_eq!(habits(keys), said);
        // That it pays change at once is said, too: it is held to it.
        assert_eq!(habits("keep-credit = false").keeps_credit, Some(false));
    }

    #[test]
    fn the_examination_is_of_the_machine_of_the_rig() {
        let mut rig = payrig_rig::parse(Path::new("rig"), BENCH).unwrap();
        let setup = BoardSetup::of_rig(&rig, false).unwrap();
        let good = BoardSetup::good().unwrap();
        assert_eq!(setup.unused, Vec::<String>::new());
        assert_eq!((setup.board, setup.changer), (good.board, good.changer));
        assert_eq!(setup.bill.bills, good.bill.bills);
        assert_eq!(
            (setup.bill.level, setup.bill.scaling),
            (good.bill.level, good.bill.scaling)
        );
        assert_eq!(
            (setup.pulse.bills, setup.pulse.pulse),
            (good.pulse.bills, good.pulse.pulse)
        );
        assert_eq!((setup.cashless, setup.fitted), (good.cashless, Fitted::ALL));
        // What it lacks is not there, or asked for is the examination's own.
        rig.devices.retain(|d| d.name != "bill");
        let setup = BoardSetup::of_rig(&rig, false).unwrap();
        assert!(!setup.fitted.bill && setup.own.is_empty());
        let setup = BoardSetup::of_rig(&rig, true).unwrap();
        assert!(setup.fitted.bill);
        assert_eq!(setup.own, ["a bill validator on the bus"]);
    }

    #[test]
    fn names_what_of_a_rig_is_not_used() {
        let text = include_str!("../../../../bench-rigs/old-machine.toml");
        let rig = payrig_rig::parse(Path::new("rig"), text).unwrap();
        let setup = BoardSetup::of_rig(&rig, false).unwrap();
        let all = setup.unused.join("\n");
        for what in [
            "\"coins\"",
            "\"new bill\": it is behind",
            "\"bridge\"",
            "script",
        ] {
            assert!(all.contains(what), "{all}");
        }
        assert!(setup.fitted.cashless && !setup.fitted.changer);
    }
}
