//! The script of a rig: what is done, in order, and what must then be true.

use super::error::{RigError, nearest};
use super::fields::Fields;
use super::{bill, cashless, changer, machine};
use payrig_bench::action::{Action, Expectation, Step, StepKind, Tender};
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_units::{Decimals, Micros};
use payrig_wire::Source;

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
    let what = match (fields.string("do")?, fields.string("expect")?) {
        (Some(name), None) => read_do(fields, scene, &name)?,
        (None, Some(name)) => {
            let what = read_expectation(fields, scene, &name)?;
            let within = fields.time("within")?.unwrap_or(Micros::secs(10));
            StepKind::Expect { what, within }
        }
        _ => {
            let message = "a [[script]] step has either `do` or `expect`";
            let mut error = fields.error(message);
            error.hint = Some(format!(
                "do: {}; expect: {}",
                doable().join(", "),
                Expectation::NAMES.join(", ")
            ));
            return Err(error);
        }
    };
    fields.finish()?;
    let line = fields.error("").line;
    Ok(Step { line, after, what })
}

fn unknown_word(fields: &Fields<'_>, key: &str, word: &str, words: &[&str]) -> RigError {
    let mut error = fields.error(format!("`{key} = \"{word}\"` is not known"));
    error.hint = Some(match nearest(word, words) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("it is one of {}", words.join(", ")),
    });
    error
}

/// Everything that stands behind `do`.
fn doable() -> Vec<&'static str> {
    StepKind::NAMES.into_iter().chain(Action::names()).collect()
}

fn read_do(fields: &Fields<'_>, scene: &Scene<'_>, name: &str) -> Result<StepKind, RigError> {
    Ok(match name {
        "wait-ready" => StepKind::WaitReady {
            within: fields.time("within")?.unwrap_or(Micros::secs(30)),
        },
        "wait" => {
            let time = fields.time("for")?;
            StepKind::Wait {
                time: fields.need("for", "a time, as in \"2 s\"", time)?,
            }
        }
        _ => StepKind::Do(read_action(fields, scene, name)?),
    })
}

fn read_action(fields: &Fields<'_>, scene: &Scene<'_>, name: &str) -> Result<Action, RigError> {
    Ok(match name {
        "insert-coin" => Action::InsertCoin {
            device: scene.device(fields, name)?,
            coin: scene.tender(fields)?,
        },
        "insert-bill" => Action::InsertBill {
            device: scene.device(fields, name)?,
            bill: scene.tender(fields)?,
        },
        "present-card" => Action::PresentCard {
            device: scene.device(fields, name)?,
            balance: fields.money("balance", scene.decimals)?,
            amount: fields.money("amount", scene.decimals)?,
        },
        "remove-card" => Action::RemoveCard {
            device: scene.device(fields, name)?,
        },
        "select" => Action::Select {
            item: scene.item(fields)?,
        },
        "jam-item" => Action::JamItem {
            item: scene.item(fields)?,
        },
        "press-return" => Action::PressReturn,
        "bus-reset" => Action::BusReset,
        "service" => {
            let on = fields.boolean_or_none("on")?;
            let on = fields.need("on", "true or false", on)?;
            Action::Service { on }
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
            Action::Power { device, on }
        }
        "fault" => Action::Fault(read_fault(fields)?),
        _ => return read_other(fields, scene, name),
    })
}

/// Actions of single kinds of devices, and of the machine.
fn read_other(fields: &Fields<'_>, scene: &Scene<'_>, name: &str) -> Result<Action, RigError> {
    if let Some(what) = bill::read_action(fields, name)? {
        let device = scene.device(fields, name)?;
        return Ok(Action::AtBillValidator { device, what });
    }
    if let Some(what) = changer::read_action(fields, name, scene.decimals)? {
        let device = scene.device(fields, name)?;
        return Ok(Action::AtChanger { device, what });
    }
    if let Some(what) = cashless::read_action(fields, name, scene.decimals)? {
        let device = scene.device(fields, name)?;
        return Ok(Action::AtCashless { device, what });
    }
    let machine = machine::read_action(fields, name, scene.items, scene.decimals)?;
    machine
        .map(Action::AtMachine)
        .ok_or_else(|| unknown_word(fields, "do", name, &doable()))
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
        _ => return Err(unknown_word(fields, "expect", name, &Expectation::NAMES)),
    })
}
