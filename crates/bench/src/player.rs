//! Plays the script of a rig on a stage.

use crate::rig::{Act, Expectation, Step};
use crate::stage::Stage;
use payrig_units::{Decimals, Micros, Money, words};
use std::collections::VecDeque;

/// A step that has ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct StepDone {
    pub(crate) number: u32,
    pub(crate) line: usize,
    pub(crate) text: String,
    pub(crate) passed: Option<bool>,
    pub(crate) why: Option<String>,
}

/// Where the script is.
#[derive(Debug, Default)]
pub(crate) struct Player {
    steps: VecDeque<Step>,
    had_steps: bool,
    number: u32,
    /// When the current step began to be due: its `after` counts from the end of the last one.
    since: Micros,
    /// When the current expectation gives up, once it is being waited for.
    until: Option<Micros>,
    delivered: u32,
    /// What was seen since the last `seen` expectation came true.
    seen: Vec<String>,
}

impl Player {
    pub(crate) fn new(steps: Vec<Step>) -> Self {
        Self {
            had_steps: !steps.is_empty(),
            steps: steps.into(),
            ..Self::default()
        }
    }

    /// True when there was a script at all.
    pub(crate) fn had_steps(&self) -> bool {
        self.had_steps
    }

    pub(crate) fn ended(&self) -> bool {
        self.steps.is_empty()
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        match (self.steps.front(), self.until) {
            (None, _) => Micros::NEVER,
            (Some(_), Some(until)) => until,
            (Some(step), None) => self.since + step.after,
        }
    }

    pub(crate) fn delivered(&mut self, items: usize) {
        self.delivered = self
            .delivered
            .saturating_add(u32::try_from(items).unwrap_or(u32::MAX));
    }

    pub(crate) fn saw(&mut self, text: &str) {
        self.seen.push(text.to_owned());
    }

    /// Takes over what a stand-in saw while this player was acting.
    pub(crate) fn merge(&mut self, stand_in: Self) {
        self.delivered = self.delivered.saturating_add(stand_in.delivered);
        self.seen.extend(stand_in.seen);
    }

    /// Steps that were never reached, for a bench that is ended early.
    pub(crate) fn unplayed(&self, decimals: Decimals) -> Vec<String> {
        let of = |s: &Step| {
            format!(
                "line {}: not reached: {}",
                s.line,
                describe(&s.act, decimals)
            )
        };
        self.steps.iter().map(of).collect()
    }

    /// Plays the next step if its time has come. `None` when there is nothing to do yet.
    pub(crate) fn step(&mut self, stage: &mut Stage) -> Option<StepDone> {
        let now = stage.now();
        let step = self.steps.front()?.clone();
        if now < self.since + step.after {
            return None;
        }
        let verdict = match &step.act {
            Act::Expect { what, within } => self.wait(now, *within, self.met(stage, what))?,
            Act::WaitReady { within } => {
                let state = match stage.is_ready() {
                    true => Ok(()),
                    false => Err("the board has not set up every device".to_owned()),
                };
                self.wait(now, *within, state)?
            }
            Act::Wait { time } => {
                let until = *self.until.get_or_insert(now + *time);
                if now < until {
                    return None;
                }
                Ok(None)
            }
            act => perform(stage, act).map(|()| None),
        };
        if matches!(
            &step.act,
            Act::Expect {
                what: Expectation::Seen(_),
                ..
            }
        ) {
            self.seen.clear();
        }
        self.steps.pop_front();
        self.since = now;
        self.until = None;
        self.number += 1;
        let (passed, why) = match verdict {
            Ok(passed) => (passed, None),
            Err(why) => (Some(false), Some(why)),
        };
        let (number, line) = (self.number, step.line);
        Some(StepDone {
            number,
            line,
            text: describe(&step.act, stage.decimals()),
            passed,
            why,
        })
    }

    /// Waits for something to come true. `None` while there is time left.
    fn wait(
        &mut self,
        now: Micros,
        within: Micros,
        state: Result<(), String>,
    ) -> Option<Result<Option<bool>, String>> {
        let until = *self.until.get_or_insert(now + within);
        match state {
            Ok(()) => Some(Ok(Some(true))),
            Err(why) if now >= until => Some(Err(format!("{why} (waited {within})"))),
            Err(_) => None,
        }
    }

    fn met(&self, stage: &Stage, what: &Expectation) -> Result<(), String> {
        let show = |m: Money| m.show(stage.decimals()).to_string();
        let check = |ok: bool, found: String| if ok { Ok(()) } else { Err(found) };
        let board = stage.board();
        match what {
            Expectation::Credit(value) => {
                let found = board.map(|b| b.vending().credit()).unwrap_or_default();
                check(
                    found == *value,
                    format!("credit is {}, not {}", show(found), show(*value)),
                )
            }
            Expectation::Display(text) => {
                let found = board.map(|b| b.vending().display()).unwrap_or_default();
                check(
                    found.contains(text.as_str()),
                    format!("the display shows \"{found}\""),
                )
            }
            Expectation::Balance { place, amount } => {
                let found = stage.balance(place);
                let text = format!("{place} holds {}, not {}", show(found), show(*amount));
                check(found == *amount, text)
            }
            Expectation::Sold(count) => check(
                self.delivered == *count,
                format!("delivered: {}", words::count(self.delivered, "item")),
            ),
            Expectation::ExactChange(on) => {
                let found = board.is_some_and(|b| b.exact_change());
                let state = if found { "on" } else { "off" };
                check(found == *on, format!("the exact-change light is {state}"))
            }
            Expectation::Seen(text) => {
                let found = self.seen.iter().any(|s| s.contains(text.as_str()));
                check(found, format!("nobody saw \"{text}\""))
            }
            Expectation::Ready { device, ready } => {
                let found = stage.device_ready(device);
                let state = if found { "set up" } else { "not set up" };
                check(found == *ready, format!("{device} is {state}"))
            }
        }
    }
}

fn perform(stage: &mut Stage, act: &Act) -> Result<(), String> {
    let now = stage.now();
    match act {
        Act::Fault(fault) => match stage.bus_mut() {
            Some(bus) => {
                bus.add_fault(*fault);
                Ok(())
            }
            None => Err("faults are for the virtual bus; this bench is on a link".to_owned()),
        },
        Act::Select { item } => with_board(stage, |b| b.select(now, *item)),
        Act::AtMachine(what) => with_board(stage, |b| what.perform(b, now)),
        Act::PressReturn => with_board(stage, |b| b.press_return(now)),
        Act::JamItem { item } => with_board(stage, |b| b.jam(*item)),
        Act::BusReset => with_board(stage, |b| b.bus_reset(now)),
        Act::Service { on } => with_board(stage, |b| b.set_service(now, *on)),
        Act::Power { device: None, on } => {
            with_board(stage, |b| b.power(now, *on))?;
            stage.powered(None, *on);
            Ok(())
        }
        Act::Power {
            device: Some(device),
            on,
        } => {
            stage.peers_mut().perform(now, act)?;
            stage.powered(Some(device), *on);
            Ok(())
        }
        act => stage.peers_mut().perform(now, act),
    }
}

fn with_board(
    stage: &mut Stage,
    act: impl FnOnce(&mut payrig_controller::Controller),
) -> Result<(), String> {
    match stage.board_mut() {
        Some(board) => {
            act(board);
            Ok(())
        }
        None => Err("the board is not ours to operate".to_owned()),
    }
}

/// A step in plain words.
pub(crate) fn describe(act: &Act, decimals: Decimals) -> String {
    use crate::rig::Tender;
    let tender = |t: &Tender, thing: &str| match t {
        Tender::Worth(value) => format!("{thing} of {}", value.show(decimals)),
        Tender::Unknown => format!("unknown {thing}"),
    };
    match act {
        Act::WaitReady { .. } => "wait until the board is ready".into(),
        Act::Wait { time } => format!("wait {time}"),
        Act::InsertCoin { device, coin } => format!("{} into {device}", tender(coin, "coin")),
        Act::InsertBill { device, bill } => format!("{} into {device}", tender(bill, "bill")),
        Act::AtBillValidator { device, what } => format!("{device}: {what}"),
        Act::AtChanger { device, what } => format!("{device}: {}", what.text(decimals)),
        Act::Service { on: true } => "the door is opened for service".into(),
        Act::Service { on: false } => "the door is closed".into(),
        Act::AtCashless { device, what } => format!("{device}: {what}"),
        Act::AtMachine(what) => what.to_string(),
        Act::PresentCard {
            device,
            amount: Some(amount),
            ..
        } => {
            let amount = amount.as_minor();
            format!("{amount} minor units chosen and a card shown to {device}")
        }
        Act::PresentCard {
            device,
            balance: Some(b),
            ..
        } => {
            format!("card with {} to {device}", b.show(decimals))
        }
        Act::PresentCard {
            device,
            balance: None,
            ..
        } => {
            format!("card with unknown balance to {device}")
        }
        Act::RemoveCard { device } => format!("card away from {device}"),
        Act::Select { item } => format!("select item {item}"),
        Act::PressReturn => "press the coin return".into(),
        Act::JamItem { item } => format!("item {item} will jam"),
        Act::Power { device, on } => {
            let who = device.as_deref().unwrap_or("the board");
            format!("power to {who} {}", if *on { "on" } else { "off" })
        }
        Act::BusReset => "the board resets the bus".into(),
        Act::Fault(fault) => format!("fault on the wire: {:?} from {:?}", fault.kind, fault.from),
        Act::Expect { what, .. } => match what {
            Expectation::Credit(m) => format!("credit is {}", m.show(decimals)),
            Expectation::Display(text) => format!("display shows \"{text}\""),
            Expectation::Balance { place, amount } => {
                format!("{place} holds {}", amount.show(decimals))
            }
            Expectation::Sold(n) => format!("{} delivered", words::count(*n, "item")),
            Expectation::ExactChange(on) => {
                format!("exact-change light {}", if *on { "on" } else { "off" })
            }
            Expectation::Seen(text) => format!("\"{text}\" is seen"),
            Expectation::Ready {
                device,
                ready: true,
            } => format!("{device} is set up"),
            Expectation::Ready { device, .. } => format!("{device} is not set up"),
        },
    }
}
