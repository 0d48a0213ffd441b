//! What is on the bench of a board examination.

use super::bad_habit::BadHabits;
use super::habits::Habits as BoardHabits;
use crate::device::habit::Habits;
use payrig_bench::Plan;
use payrig_bench::plan::{Kind, PulsePlan};
use payrig_controller::BoardConfig;
use payrig_mdb::Address;
use payrig_peripherals::bill::BillConfig;
use payrig_peripherals::cashless::CashlessConfig;
use payrig_peripherals::changer::{ChangerConfig, Quirks as ChangerQuirks};
use payrig_peripherals::pulse::PulseAcceptorConfig;
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
    /// The old bill acceptor on a credit line it is given.
    pub pulse: PulseAcceptorConfig,
    /// Bad habits of these on the wire, by address.
    pub device_habits: BTreeMap<Address, Habits>,
    /// The check judges what the board does first: one outside is switched off and on for it.
    pub from_cold: bool,
    /// What the rig says and the examination does not use, in plain words.
    pub unused: Vec<String>,
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
            board,
            habits: BoardHabits::default(),
            bad: BadHabits::default(),
            changer: changer.0,
            changer_quirks: changer.1,
            bill,
            cashless,
            pulse,
            device_habits: BTreeMap::new(),
            from_cold: false,
            unused: Vec::new(),
            is_outside: false,
        })
    }

    /// The board of a rig on the bench of the examination: its pace, levels and policies, with the
    /// examination's peripherals and items. A board that is outside is as it is.
    ///
    /// # Errors
    /// As [`good`](Self::good).
    pub fn of_rig(rig: &Plan) -> Result<Self, RigError> {
        let mut setup = Self::good()?;
        match rig.board.controller(rig) {
            Some(board) => {
                setup.board = BoardConfig {
                    items: setup.board.items,
                    expected: setup.board.expected,
                    decimals: setup.board.decimals,
                    ..board
                };
            }
            None => {
                setup.is_outside = true;
                setup.habits = BoardHabits::said(&rig.board);
                setup.board.multi_vend = rig.board.multi_vend;
            }
        }
        let own = "the examination has its own";
        if !rig.machine.selections.is_empty() {
            setup.unused.push(format!("items and prices: {own}"));
        }
        let devices = rig.devices.iter();
        let devices = devices.map(|d| format!("device \"{}\": {own}", d.name));
        setup.unused.extend(devices);
        if !rig.script.is_empty() {
            setup.unused.push(format!("the script: {own}"));
        }
        Ok(setup)
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
            let setup = BoardSetup::of_rig(&rig).unwrap();
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
    fn names_what_of_a_rig_is_not_used() {
        let mut rig = payrig_rig::parse(Path::new("rig"), BENCH).unwrap();
        let setup = BoardSetup::of_rig(&rig).unwrap();
        assert_eq!(setup.unused.len(), 5, "{:?}", setup.unused);
        assert!(setup.unused[1].contains("\"changer\""));
        rig.devices.clear();
        rig.machine.selections.clear();
        let setup = BoardSetup::of_rig(&rig).unwrap();
        assert_eq!(setup.unused, Vec::<String>::new());
    }
}
