//! The script of a rig: what is done, in order, and what must then be true.

use super::bill::BillAct;
use super::cards::MachineAct;
use super::cashless::CashlessAct;
use super::changer::ChangerAct;
use super::error::{RigError, nearest};
use super::fields::Fields;
use crate::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::Source;

/// One step: wait, then act or check.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The line in the rig, for messages.
    pub line: usize,
    /// Pause before the step.
    pub after: Micros,
    /// What happens.
    pub act: Act,
}

/// A coin or bill that is put in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tender {
    /// Of this value.
    Worth(Money),
    /// Something the device does not know.
    Unknown,
}

/// What a step does. Devices are named as in the rig.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// Waits until the board has set up every device.
    WaitReady {
        /// How long at the most.
        within: Micros,
    },
    /// Lets time pass.
    Wait {
        /// How long.
        time: Micros,
    },
    /// A coin is put into a changer or a pulse coin acceptor.
    InsertCoin {
        /// Which.
        device: String,
        /// The coin.
        coin: Tender,
    },
    /// A bill is put into a bill validator, on MDB or pulses.
    InsertBill {
        /// Which.
        device: String,
        /// The bill.
        bill: Tender,
    },
    /// Something happens to a bill validator on MDB, or is done at it.
    AtBillValidator {
        /// Which.
        device: String,
        /// What.
        what: BillAct,
    },
    /// Something happens to a changer, or is done at it.
    AtChanger {
        /// Which.
        device: String,
        /// What.
        what: ChangerAct,
    },
    /// The machine's door is opened for service, or closed for sales.
    Service {
        /// Opened.
        on: bool,
    },
    /// Something is done at a cashless device, or it does something.
    AtCashless {
        /// Which.
        device: String,
        /// What.
        what: CashlessAct,
    },
    /// Something is done at the machine.
    AtMachine(MachineAct),
    /// A card is presented.
    PresentCard {
        /// To which reader.
        device: String,
        /// Its balance; `None` when the reader does not know it.
        balance: Option<Money>,
        /// What the customer chose to pay, at a reader that pays by pulses.
        amount: Option<Money>,
    },
    /// The card is taken away.
    RemoveCard {
        /// From which reader.
        device: String,
    },
    /// A selection key.
    Select {
        /// The item's number.
        item: u16,
    },
    /// The coin return lever of the machine.
    PressReturn,
    /// The next delivery of this item fails.
    JamItem {
        /// The item's number.
        item: u16,
    },
    /// Power to a device.
    Power {
        /// Which; `None` for the board.
        device: Option<String>,
        /// On or off.
        on: bool,
    },
    /// The board resets the bus.
    BusReset,
    /// Something goes wrong on the wire.
    Fault(Fault),
    /// Something must be true, now or soon.
    Expect {
        /// What.
        what: Expectation,
        /// How soon.
        within: Micros,
    },
}

impl Act {
    /// The device it is done at; `None` for what is done at the board.
    #[must_use]
    pub fn device(&self) -> Option<&str> {
        match self {
            Self::InsertCoin { device, .. }
            | Self::InsertBill { device, .. }
            | Self::AtBillValidator { device, .. }
            | Self::AtChanger { device, .. }
            | Self::AtCashless { device, .. }
            | Self::PresentCard { device, .. }
            | Self::RemoveCard { device } => Some(device),
            Self::Power { device, .. } => device.as_deref(),
            _ => None,
        }
    }
}

/// Something a step expects.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Expectation {
    /// The board's cash credit.
    Credit(Money),
    /// The display shows a text that contains this.
    Display(String),
    /// A place of the ledger holds this much, by the place's name.
    Balance {
        /// As the ledger prints it: `changer tube 2`, `customer`, `bill stacker`.
        place: String,
        /// How much.
        amount: Money,
    },
    /// This many items were delivered since the start.
    Sold(u32),
    /// The board's exact-change light.
    ExactChange(bool),
    /// Somebody at the machine saw this (a device's note that contains it).
    Seen(String),
    /// A device is set up and polled.
    Ready {
        /// Which.
        device: String,
        /// Or not.
        ready: bool,
    },
}

const ACTS: &[&str] = &[
    "wait-ready",
    "wait",
    "insert-coin",
    "insert-bill",
    "present-card",
    "remove-card",
    "select",
    "press-return",
    "jam-item",
    "power",
    "bus-reset",
    "service",
    "fault",
];

/// All acts: those of the list and those of single kinds of devices.
fn acts() -> Vec<&'static str> {
    let own = ACTS.iter().copied().chain(BillAct::NAMES);
    own.chain(ChangerAct::NAMES)
        .chain(CashlessAct::NAMES)
        .chain(MachineAct::NAMES)
        .collect()
}

const EXPECTATIONS: &[&str] = &[
    "credit",
    "display",
    "balance",
    "sold",
    "exact-change",
    "seen",
    "ready",
];

/// Devices a script may name, with their kinds, and the currency's decimals.
pub(crate) struct Scene<'a> {
    pub(crate) devices: &'a [(String, Vec<&'static str>)],
    pub(crate) items: &'a [u16],
    pub(crate) decimals: Decimals,
}

impl Scene<'_> {
    fn device(&self, fields: &Fields<'_>, act: &str) -> Result<String, RigError> {
        let able: Vec<&str> = self
            .devices
            .iter()
            .filter(|(_, acts)| acts.contains(&act))
            .map(|(name, _)| name.as_str())
            .collect();
        match (fields.string("device")?, able.as_slice()) {
            (Some(name), _) if able.contains(&name.as_str()) => Ok(name),
            (Some(name), _) => {
                let message = format!("no device \"{name}\" that can `{act}`");
                let mut error = fields.error(message);
                error.hint = Some(match nearest(&name, &able) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("devices that can: {}", able.join(", ")),
                });
                Err(error)
            }
            (None, [only]) => Ok((*only).to_owned()),
            (None, []) => Err(fields.error(format!("the rig has no device that can `{act}`"))),
            (None, several) => {
                let names = several.join(", ");
                Err(fields.error(format!("`{act}` needs `device`: one of {names}")))
            }
        }
    }

    fn item(&self, fields: &Fields<'_>) -> Result<u16, RigError> {
        let number = fields.number("item", 1..65_535)?;
        let number = fields.need("item", "the number of a [[board.item]]", number)?;
        match self.items.iter().find(|n| u64::from(**n) == number) {
            Some(n) => Ok(*n),
            None => {
                let all: Vec<String> = self.items.iter().map(u16::to_string).collect();
                let message = format!(
                    "no [[board.item]] has number {number}; there are {}",
                    all.join(", ")
                );
                Err(fields.error(message))
            }
        }
    }

    fn tender(&self, fields: &Fields<'_>) -> Result<Tender, RigError> {
        let unknown = fields.boolean("unknown")?;
        match (fields.money("value", self.decimals)?, unknown) {
            (Some(value), false) => Ok(Tender::Worth(value)),
            (None, true) => Ok(Tender::Unknown),
            _ => Err(fields.error("give either `value`, as in \"1.00\", or `unknown = true`")),
        }
    }
}

pub(crate) fn read_step(fields: &Fields<'_>, scene: &Scene<'_>) -> Result<Step, RigError> {
    let after = fields.time("after")?.unwrap_or_default();
    let act = match (fields.string("do")?, fields.string("expect")?) {
        (Some(name), None) => read_act(fields, scene, &name)?,
        (None, Some(name)) => {
            let what = read_expectation(fields, scene, &name)?;
            let within = fields.time("within")?.unwrap_or(Micros::secs(10));
            Act::Expect { what, within }
        }
        _ => {
            let message = "a [[script]] step has either `do` or `expect`";
            let mut error = fields.error(message);
            error.hint = Some(format!(
                "do: {}; expect: {}",
                acts().join(", "),
                EXPECTATIONS.join(", ")
            ));
            return Err(error);
        }
    };
    fields.finish()?;
    let line = fields.error("").line;
    Ok(Step { line, after, act })
}

fn unknown_word(fields: &Fields<'_>, key: &str, word: &str, words: &[&str]) -> RigError {
    let mut error = fields.error(format!("`{key} = \"{word}\"` is not known"));
    error.hint = Some(match nearest(word, words) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("it is one of {}", words.join(", ")),
    });
    error
}

fn read_act(fields: &Fields<'_>, scene: &Scene<'_>, name: &str) -> Result<Act, RigError> {
    Ok(match name {
        "wait-ready" => Act::WaitReady {
            within: fields.time("within")?.unwrap_or(Micros::secs(30)),
        },
        "wait" => {
            let time = fields.time("for")?;
            Act::Wait {
                time: fields.need("for", "a time, as in \"2 s\"", time)?,
            }
        }
        "insert-coin" => Act::InsertCoin {
            device: scene.device(fields, name)?,
            coin: scene.tender(fields)?,
        },
        "insert-bill" => Act::InsertBill {
            device: scene.device(fields, name)?,
            bill: scene.tender(fields)?,
        },
        "present-card" => Act::PresentCard {
            device: scene.device(fields, name)?,
            balance: fields.money("balance", scene.decimals)?,
            amount: fields.money("amount", scene.decimals)?,
        },
        "remove-card" => Act::RemoveCard {
            device: scene.device(fields, name)?,
        },
        "select" => Act::Select {
            item: scene.item(fields)?,
        },
        "jam-item" => Act::JamItem {
            item: scene.item(fields)?,
        },
        "press-return" => Act::PressReturn,
        "bus-reset" => Act::BusReset,
        "service" => {
            let on = fields.boolean_or_none("on")?;
            let on = fields.need("on", "true or false", on)?;
            Act::Service { on }
        }
        "power" => {
            let on = fields.boolean_or_none("on")?;
            let on = fields.need("on", "true or false", on)?;
            let board = fields.boolean("board")?;
            let device = if board {
                None
            } else {
                Some(scene.device(fields, name)?)
            };
            Act::Power { device, on }
        }
        "fault" => Act::Fault(read_fault(fields)?),
        _ => return read_other(fields, scene, name),
    })
}

/// Acts of single kinds of devices, and of the machine.
fn read_other(fields: &Fields<'_>, scene: &Scene<'_>, name: &str) -> Result<Act, RigError> {
    if let Some(what) = BillAct::read(fields, name)? {
        let device = scene.device(fields, name)?;
        return Ok(Act::AtBillValidator { device, what });
    }
    if let Some(what) = ChangerAct::read(fields, name, scene.decimals)? {
        let device = scene.device(fields, name)?;
        return Ok(Act::AtChanger { device, what });
    }
    if let Some(what) = CashlessAct::read(fields, name, scene.decimals)? {
        let device = scene.device(fields, name)?;
        return Ok(Act::AtCashless { device, what });
    }
    let machine = MachineAct::read(fields, name, scene.items, scene.decimals)?;
    machine
        .map(Act::AtMachine)
        .ok_or_else(|| unknown_word(fields, "do", name, &acts()))
}

fn read_fault(fields: &Fields<'_>) -> Result<Fault, RigError> {
    let kinds = [
        ("lose", 0),
        ("deaf", 1),
        ("flip", 2),
        ("late", 3),
        ("slow", 4),
    ];
    let kind = fields.word("kind", &kinds)?;
    let kind = match fields.need("kind", "one of lose, deaf, flip, late, slow", kind)? {
        0 => FaultKind::Lose,
        1 => FaultKind::Deaf,
        2 => FaultKind::Flip {
            word: fields.number("word", 0..36)?.unwrap_or(0) as u8,
            bit: fields.number("bit", 0..9)?.unwrap_or(0) as u8,
        },
        3 => {
            let by = fields.time("by")?;
            FaultKind::Late {
                by: fields.need("by", "a time, as in \"7 ms\"", by)?,
            }
        }
        _ => {
            let gap = fields.time("gap")?;
            FaultKind::Slow {
                gap: fields.need("gap", "a time, as in \"1500 us\"", gap)?,
            }
        }
    };
    let from = fields.word(
        "from",
        &[
            ("board", Source::Master),
            ("peripheral", Source::Peripheral),
        ],
    )?;
    let from = fields.need("from", "who sends the frame: board or peripheral", from)?;
    let frames = [
        ("any", FrameKind::Any),
        ("ack", FrameKind::Ack),
        ("nak", FrameKind::Refusal),
        ("block", FrameKind::Block),
    ];
    let frame = fields.word("frame", &frames)?.unwrap_or_default();
    let addresses = [
        ("changer", Address::CHANGER),
        ("bill-validator", Address::BILL_VALIDATOR),
        ("cashless-1", Address::CASHLESS_1),
        ("cashless-2", Address::CASHLESS_2),
    ];
    Ok(Fault {
        kind,
        from,
        frame,
        address: fields.word("at", &addresses)?,
        skip: fields.number("skip", 0..1_000_000)?.unwrap_or(0) as u32,
        count: fields.number("count", 1..1_000_000)?.unwrap_or(1) as u32,
    })
}

fn read_expectation(
    fields: &Fields<'_>,
    scene: &Scene<'_>,
    name: &str,
) -> Result<Expectation, RigError> {
    let money = |key| {
        let found = fields.money(key, scene.decimals)?;
        fields.need(key, "an amount, as in \"1.00\"", found)
    };
    let text = |key, what| {
        let found = fields.string(key)?;
        fields.need(key, what, found)
    };
    Ok(match name {
        "credit" => Expectation::Credit(money("value")?),
        "display" => Expectation::Display(text("text", "part of what the display shows")?),
        "seen" => Expectation::Seen(text("text", "part of what is seen at the machine")?),
        "balance" => {
            let place = text("place", "a place of the ledger, as in \"changer tube 2\"")?;
            // The customer's pocket counts from zero, so it may be below.
            let negative = fields.money("minus", scene.decimals)?;
            let amount = match negative {
                Some(m) => -m,
                None => money("value")?,
            };
            Expectation::Balance { place, amount }
        }
        "sold" => {
            let count = fields.number("count", 0..1_000_000)?;
            Expectation::Sold(fields.need("count", "a whole number", count)? as u32)
        }
        "exact-change" => {
            let on = fields.boolean_or_none("on")?;
            Expectation::ExactChange(fields.need("on", "true or false", on)?)
        }
        "ready" => Expectation::Ready {
            device: scene.device(fields, "ready")?,
            ready: fields.boolean_or_none("on")?.unwrap_or(true),
        },
        _ => return Err(unknown_word(fields, "expect", name, EXPECTATIONS)),
    })
}
