//! The script of a rig: what is done, in order, and what must then be true.

use super::error::{RigError, nearest};
use super::fields::Fields;
use super::limits::MOST_STEPS;
use super::selections::read_number;
use super::{bill, cashless, changer, machine};
use payrig_bench::action::{Action, Expectation, FaultAction, Step, StepKind, Tender};
use payrig_bench::machine::Machine;
use payrig_bench::plan::{Checker, DevicePlan};
use payrig_bench::{Fault, FaultKind, FrameKind, Plan, Refusal};
use payrig_mdb::Address;
use payrig_units::{Decimals, Micros, Place};
use payrig_wire::Source;
use std::collections::BTreeMap;

/// What a script may name on the bench of a plan.
pub(crate) struct Scene<'a> {
    checker: Checker<'a>,
    plan: &'a Plan,
    /// What each device can be the object of, by its name.
    devices: BTreeMap<&'a str, Vec<&'static str>>,
    /// The devices that can be the object of something.
    able: BTreeMap<&'static str, Vec<&'a DevicePlan>>,
    machine: &'a Machine,
    decimals: Decimals,
}

impl<'a> Scene<'a> {
    pub(crate) fn of(plan: &'a Plan) -> Self {
        let mut able: BTreeMap<&'static str, Vec<&'a DevicePlan>> = BTreeMap::new();
        let mut devices = BTreeMap::new();
        for device in &plan.devices {
            let actions = device.actions();
            for action in &actions {
                able.entry(action).or_default().push(device);
            }
            devices.insert(device.name.as_str(), actions);
        }
        Self {
            checker: plan.checker(),
            plan,
            devices,
            able,
            machine: &plan.machine,
            decimals: plan.decimals,
        }
    }
}

impl Scene<'_> {
    /// The device something is done at: the one that is named, or the only one that can.
    fn device(&self, fields: &Fields<'_>, act: &str) -> Result<String, RigError> {
        let able = self.able.get(act).map_or(&[][..], Vec::as_slice);
        if let Some(name) = fields.string("device")? {
            let actions = self.devices.get(name.as_str());
            if actions.is_some_and(|actions| actions.contains(&act)) {
                return Ok(name);
            }
            let able: Vec<&str> = able.iter().map(|d| d.name.as_str()).collect();
            let message = format!("no device \"{name}\" that can `{act}`");
            let mut error = fields.error(message);
            error.hint = Some(match nearest(&name, &able) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("devices that can: {}", able.join(", ")),
            });
            return Err(error);
        }
        // A real one is meant only where there is no other.
        let mut ours = able.iter().filter(|d| !self.plan.is_real(d));
        match (ours.next(), ours.next(), able) {
            (Some(only), None, _) | (None, _, [only]) => Ok(only.name.clone()),
            (_, _, []) => Err(fields.error(format!("the rig has no device that can `{act}`"))),
            (_, _, several) => {
                let names: Vec<&str> = several.iter().map(|d| d.name.as_str()).collect();
                let names = names.join(", ");
                Err(fields.error(format!("`{act}` needs `device`: one of {names}")))
            }
        }
    }

    /// A step that the bench of this plan cannot do, in words: with advice.
    fn refused(&self, fields: &Fields<'_>, name: &str, refusal: &Refusal) -> RigError {
        let mut error = fields.error(format!("`{name}` cannot work: {refusal}"));
        error.hint = match refusal {
            Refusal::BoardOutside => Some(
                "the board is at the other end of a link: leave the step out, or let the board be ours \
                 (kind = \"controller\" in [board], and no [link] to a board)"
                    .to_owned(),
            ),
            Refusal::DeviceOutside(device) => Some(format!(
                "leave the step out and do it by hand, or let \"{device}\" be emulated: take its link out"
            )),
            Refusal::NoSuchDevice(device) => {
                let names: Vec<&str> = self.devices.keys().copied().collect();
                nearest(device, &names).map(|near| format!("did you mean \"{near}\"?"))
            }
            Refusal::NoSuchPlace(place) => Some(self.places_like(place)),
            Refusal::Link(_) => Some(
                "what our own side sends can be lost, late, slow or flipped; what it hears can be lost or \
                 flipped for it"
                    .to_owned(),
            ),
            // Its own text says all there is to say.
            _ => None,
        };
        error
    }

    fn places_like(&self, place: &str) -> String {
        let names: Vec<&str> = self.checker.place_names().collect();
        if let Some(near) = nearest(place, &names) {
            return format!("did you mean \"{near}\"?");
        }
        let few: Vec<&str> = names.iter().copied().take(20).collect();
        format!("places there are: {}", few.join(", "))
    }

    fn named(&self, name: &str) -> Option<&DevicePlan> {
        self.plan.devices.iter().find(|d| d.name == name)
    }

    fn place(&self, fields: &Fields<'_>, name: &str) -> Result<Place, RigError> {
        let found = self.checker.place(name).cloned();
        found.ok_or_else(|| {
            let refusal = Refusal::NoSuchPlace(name.to_owned());
            self.refused(fields, "balance", &refusal)
        })
    }

    /// The board is outside, and the rig does not say on what link: where the bench is opened, it may turn
    /// out to be a peer in lock-step, which can be asked to do things. If not, that is said there.
    fn may_be_a_peer(&self) -> bool {
        self.plan.link.is_none() || self.plan.in_lock_step()
    }

    fn item(&self, fields: &Fields<'_>, name: &str) -> Result<u16, RigError> {
        // Only a board of ours can be operated, or one that is a program and can be asked to.
        if !self.plan.board_is_ours() && !self.may_be_a_peer() {
            return Err(self.refused(fields, name, &Refusal::BoardOutside));
        }
        let number = read_number(fields, "item", self.machine)?;
        fields.need("item", "an item: its number, or its keys in quotes", number)
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

/// Reads a script: steps, and groups of steps that are repeated.
pub(crate) fn read_script(tables: &[Fields<'_>], scene: &Scene<'_>) -> Result<Vec<Step>, RigError> {
    let mut script = Vec::new();
    for fields in tables {
        let times = fields.number("repeat", 1..MOST_STEPS as u64 + 1)?;
        let group = fields.tables("step", "[[script.step]]")?;
        let Some(times) = times else {
            if !group.is_empty() {
                let message = "[[script.step]] is for a [[script]] with `repeat`, how often its steps are played";
                return Err(fields.error(message));
            }
            room(fields, script.len(), 1)?;
            script.push(read_step(fields, scene)?);
            continue;
        };
        if group.is_empty() {
            let mut error = fields.error("[[script]] with `repeat` needs steps to be repeated");
            error.hint = Some("write [[script.step]] tables below it, each a step".to_owned());
            return Err(error);
        }
        fields.finish()?;
        let times = usize::try_from(times).unwrap_or(usize::MAX);
        room(fields, script.len(), group.len().saturating_mul(times))?;
        let steps = group.iter().map(|step| read_step(step, scene));
        let steps: Vec<Step> = steps.collect::<Result<_, _>>()?;
        for _ in 0..times {
            script.extend(steps.iter().cloned());
        }
    }
    Ok(script)
}

/// Reads one step that comes from no rig, for the bench of a plan.
pub(crate) fn read_one(fields: &Fields<'_>, plan: &Plan) -> Result<Step, RigError> {
    read_step(fields, &Scene::of(plan))
}

/// A script has an end.
fn room(fields: &Fields<'_>, have: usize, more: usize) -> Result<(), RigError> {
    match have.saturating_add(more) > MOST_STEPS {
        true => Err(fields.error(format!(
            "the script would have more than {MOST_STEPS} steps"
        ))),
        false => Ok(()),
    }
}

fn read_step(fields: &Fields<'_>, scene: &Scene<'_>) -> Result<Step, RigError> {
    let after = fields.time("after")?.unwrap_or_default();
    let (name, what) = match (fields.string("do")?, fields.string("expect")?) {
        (Some(name), None) => {
            let what = read_do(fields, scene, &name)?;
            (name, what)
        }
        (None, Some(name)) => {
            let what = read_expectation(fields, scene, &name)?;
            let within = fields.time("within")?.unwrap_or(Micros::secs(10));
            (name, StepKind::Expect { what, within })
        }
        _ => {
            let message = "a step has either `do` or `expect`";
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
    let may_be_done = |refusal: &Refusal| {
        let at_board = *refusal == Refusal::BoardOutside && matches!(what, StepKind::Do(_));
        at_board && scene.may_be_a_peer()
    };
    if let Err(refusal) = scene.checker.check(&what)
        && !may_be_done(&refusal)
    {
        return Err(scene.refused(fields, &name, &refusal));
    }
    let line = fields.line();
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
            item: scene.item(fields, name)?,
        },
        "jam-item" => Action::JamItem {
            item: scene.item(fields, name)?,
        },
        "free-item" => Action::FreeItem {
            item: scene.item(fields, name)?,
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
        // What it was called at a bill validator and at a changer, before every device could.
        "silent" | "stay-silent" | "go-silent" => {
            let time = fields.time("for")?;
            Action::Silent {
                device: scene.device(fields, name)?,
                time: fields.need("for", "a time, as in \"2 s\"", time)?,
            }
        }
        "fault" => Action::Fault(read_fault(fields, scene)?),
        "end-faults" => {
            let device = fields.string("device")?;
            let named = device.as_deref().and_then(|name| scene.named(name));
            let address = named.and_then(DevicePlan::own_address);
            Action::EndFaults { device, address }
        }
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
    let machine = machine::read_action(fields, name, scene.machine, scene.decimals)?;
    machine
        .map(Action::AtMachine)
        .ok_or_else(|| unknown_word(fields, "do", name, &doable()))
}

fn read_fault(fields: &Fields<'_>, scene: &Scene<'_>) -> Result<FaultAction, RigError> {
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
    let at = fields.word("at", &addresses)?;
    let device = fields.string("device")?;
    if at.is_some() && device.is_some() {
        let message = "`device` says the bus and the address: leave `at` out";
        return Err(fields.error(message));
    }
    let named = device.as_deref().and_then(|name| scene.named(name));
    let fault = Fault {
        kind,
        from,
        frame,
        address: at.or_else(|| named.and_then(DevicePlan::own_address)),
        skip: fields.number("skip", 0..1_000_000)?.unwrap_or(0) as u32,
        count: fields.number("count", 1..1_000_000)?.unwrap_or(1) as u32,
    };
    Ok(FaultAction { device, fault })
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
            let place = scene.place(fields, &place)?;
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
