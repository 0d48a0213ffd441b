//! The script of a bench: a person who does one thing after another, and looks.

use crate::bench::Bench;
use crate::observation::{Missed, Observation, Observed};
use crate::rig::{Act, Expectation, Step};
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
#[derive(Clone, Debug, Default)]
pub(crate) struct Script {
    steps: VecDeque<Step>,
    /// A plan gives one, if only one without steps.
    written: bool,
    had_steps: bool,
    number: u32,
    /// When the current step began to be due: its `after` counts from the end of the last one.
    since: Micros,
    /// When the current expectation gives up, once it is being waited for.
    until: Option<Micros>,
    /// What was seen since the last `seen` expectation came true.
    seen: Vec<String>,
}

impl Script {
    pub(crate) fn new(steps: Vec<Step>) -> Self {
        Self {
            written: true,
            had_steps: !steps.is_empty(),
            steps: steps.into(),
            ..Self::default()
        }
    }

    /// True when nobody said what is to be done: a bench that is driven from outside.
    pub(crate) fn is_endless(&self) -> bool {
        !self.written
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

    pub(crate) fn saw(&mut self, text: &str) {
        self.seen.push(text.to_owned());
    }

    /// True when somebody saw a text since a step last asked for one.
    pub(crate) fn has_seen(&self, text: &str) -> bool {
        self.seen.iter().any(|seen| seen.contains(text))
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
}

impl Bench {
    /// Plays the next step of the script if its time has come. `None` when there is nothing to do yet.
    pub(crate) fn next_step(&mut self) -> Option<StepDone> {
        let now = self.now();
        let step = self.script.steps.front()?;
        if now < self.script.since + step.after {
            return None;
        }
        let step = step.clone();
        let verdict = match &step.act {
            Act::Expect { what, within } => {
                let missed = self.missed(what);
                self.wait_for(*within, missed)?
            }
            Act::WaitReady { within } => {
                let ready = (Observation::BoardReady, Observed::Flag(true));
                let missed = self.differs(ready.0, ready.1);
                self.wait_for(*within, missed)?
            }
            Act::Wait { time } => {
                let until = *self.script.until.get_or_insert(now + *time);
                if now < until {
                    return None;
                }
                Ok(None)
            }
            act => self
                .begin_act(act)
                .map(|()| None)
                .map_err(|r| r.to_string()),
        };
        if let Act::Expect { what, .. } = &step.act
            && matches!(what, Expectation::Seen(_))
        {
            self.script.seen.clear();
        }
        let script = &mut self.script;
        script.steps.pop_front();
        script.since = now;
        script.until = None;
        script.number += 1;
        let (passed, why) = match verdict {
            Ok(passed) => (passed, None),
            Err(why) => (Some(false), Some(why)),
        };
        Some(StepDone {
            number: script.number,
            line: step.line,
            text: describe(&step.act, self.decimals()),
            passed,
            why,
        })
    }

    /// Waits for something to come true. `None` while there is time left.
    fn wait_for(
        &mut self,
        within: Micros,
        missed: Option<Missed>,
    ) -> Option<Result<Option<bool>, String>> {
        let now = self.now();
        let until = *self.script.until.get_or_insert(now + within);
        match missed {
            None => Some(Ok(Some(true))),
            Some(missed) if now >= until => {
                let missed = Missed {
                    waited: within,
                    ..missed
                };
                Some(Err(missed.text(self.decimals())))
            }
            Some(_) => None,
        }
    }

    /// What is not as it is expected; `None` when all is.
    fn missed(&self, what: &Expectation) -> Option<Missed> {
        let (what, wanted) = match what {
            Expectation::Credit(value) => (Observation::Credit, Observed::Amount(*value)),
            Expectation::Display(text) => (Observation::Display, Observed::Text(text.clone())),
            Expectation::Balance { place, amount } => {
                let place = Observation::Balance(place.clone());
                (place, Observed::Amount(*amount))
            }
            Expectation::Sold(count) => (Observation::Delivered, Observed::Count(*count)),
            Expectation::ExactChange(on) => (Observation::ExactChange, Observed::Flag(*on)),
            Expectation::Seen(text) => (Observation::Seen(text.clone()), Observed::Flag(true)),
            Expectation::Ready { device, ready } => {
                let device = Observation::Ready(device.clone());
                (device, Observed::Flag(*ready))
            }
        };
        self.differs(what, wanted)
    }

    fn differs(&self, what: Observation, wanted: Observed) -> Option<Missed> {
        let nothing = match &wanted {
            Observed::Amount(_) => Observed::Amount(Money::ZERO),
            Observed::Text(_) => Observed::Text(String::new()),
            Observed::Count(_) => Observed::Count(0),
            Observed::Flag(_) => Observed::Flag(false),
        };
        let found = self.observe(&what).unwrap_or(nothing);
        let met = match (&found, &wanted) {
            // Part of what the display shows.
            (Observed::Text(found), Observed::Text(wanted)) => found.contains(wanted.as_str()),
            (found, wanted) => found == wanted,
        };
        (!met).then_some(Missed {
            what,
            found,
            wanted,
            waited: Micros::ZERO,
        })
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
