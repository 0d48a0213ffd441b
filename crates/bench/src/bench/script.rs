//! The script of a bench: a person who does one thing after another, and looks.

use super::Bench;
use crate::action::{Expectation, Step, StepKind};
use crate::machine::Keys;
use crate::observation::{Missed, Observation, Observed};
use payrig_units::{Decimals, Micros, Money};
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
    pub(crate) fn unplayed(&self, decimals: Decimals, keys: &Keys) -> Vec<String> {
        let text = |s: &Step| s.what.text(decimals, keys);
        let of = |s: &Step| format!("line {}: not reached: {}", s.line, text(s));
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
        // Asked at every turn of the loop, and answered alike for most of a bench's time.
        if matches!(step.what, StepKind::Wait { .. }) && self.script.until.is_some_and(|t| now < t)
        {
            return None;
        }
        let step = step.clone();
        let verdict = match &step.what {
            StepKind::Expect { what, within } => {
                let missed = self.missed(what);
                self.wait_for(*within, missed)?
            }
            StepKind::WaitReady { within } => {
                let missed = self.expect_ready();
                self.wait_for(*within, missed)?
            }
            StepKind::Wait { time } => {
                let until = *self.script.until.get_or_insert(now + *time);
                if now < until {
                    return None;
                }
                Ok(None)
            }
            StepKind::Do(action) => self
                .begin_act(action)
                .map(|()| None)
                .map_err(|r| r.to_string()),
        };
        if let StepKind::Expect { what, .. } = &step.what
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
            text: step.what.text(self.decimals(), &self.keys),
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

    /// Looks whether something is as it is expected: what is not, or `None` when all is. A text that was
    /// [seen](Expectation::Seen) counts once: the next time it has to be seen anew, as in a script.
    pub fn expect(&mut self, what: &Expectation) -> Option<Missed> {
        let missed = self.missed(what);
        if missed.is_none() && matches!(what, Expectation::Seen(_)) {
            self.script.seen.clear();
        }
        missed
    }

    /// The same for the board: whether everything that is to be set up is.
    #[must_use]
    pub fn expect_ready(&self) -> Option<Missed> {
        self.differs(Observation::BoardReady, Observed::Flag(true))
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
