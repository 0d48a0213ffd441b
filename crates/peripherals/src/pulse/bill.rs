//! A bill validator on a pulse line.

use super::inhibit::Hold;
use super::track::{PulseTrack, TrackSetup};
use super::{Diary, PulseConfigError, PulseDevice, PulseFaults};
use payrig_pulse::{Edge, Profile};
use payrig_units::{Micros, Money, Movement, Place};
use serde::Deserialize;

/// A pulse bill validator, as a rig spells it.
///
/// ```toml
/// name = "bill-1"
/// bills = [100, 500, 1000, 2000]  # what it takes, in minor units
/// travel-ms = 1500                # from the mouth to the decision
/// stack-ms = 700                  # from the decision to the stacker; the pulses come then
/// return-ms = 800                 # from the decision back to the mouth
/// [pulse]
/// profile = "short"
/// [faults]
/// ```
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PulseAcceptorConfig {
    /// The device's name, as it stands in the ledger.
    pub name: String,
    /// The bills it takes.
    pub bills: Vec<Money>,
    /// From the mouth to the decision, in milliseconds.
    #[serde(default = "travel")]
    pub travel_ms: u32,
    /// From the decision to the stacker, in milliseconds.
    #[serde(default = "stack")]
    pub stack_ms: u32,
    /// From the decision back to the mouth, in milliseconds.
    #[serde(default = "back")]
    pub return_ms: u32,
    /// The profile it should send by.
    #[serde(default = "Profile::short")]
    pub pulse: Profile,
    /// How it is wrong.
    #[serde(default)]
    pub faults: PulseFaults,
}

fn travel() -> u32 {
    1_500
}

fn stack() -> u32 {
    700
}

fn back() -> u32 {
    800
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Path {
    Empty,
    Travelling(Money, Micros),
    Stacking(Money, Micros),
    Returning(Money, Micros),
}

/// A bill validator that reports stacked bills as pulses. It decides by the inhibit line twice: it
/// does not draw a bill in while inhibited, and gives a bill back when inhibited at the decision.
/// A bill decided for is stacked and its pulses are sent, inhibited or not.
#[derive(Clone, Debug)]
pub struct PulseAcceptor {
    config: PulseAcceptorConfig,
    sent: Profile,
    track: PulseTrack,
    path: Path,
    powered: bool,
    hold: Hold,
    diary: Diary,
}

impl PulseAcceptor {
    /// A validator with an empty path.
    ///
    /// # Errors
    /// When a bill cannot be expressed in pulses of the profile, or the faults contradict it.
    pub fn new(config: PulseAcceptorConfig) -> Result<Self, PulseConfigError> {
        let bad = |text: String| PulseConfigError {
            device: config.name.clone(),
            text,
        };
        for bill in &config.bills {
            let plan = config.pulse.plan(*bill);
            if !plan.remainder.is_zero() || plan.runs.is_empty() {
                return Err(bad(format!(
                    "a bill of {} minor units cannot be expressed in pulses of profile \"{}\": change \
                     pulses and unit, or leave the bill out",
                    bill.0, config.pulse.name
                )));
            }
        }
        let sent = config.faults.sent_profile(&config.pulse).map_err(bad)?;
        Ok(Self {
            track: PulseTrack::new(TrackSetup::of(&sent), config.faults.clone()),
            sent,
            path: Path::Empty,
            powered: true,
            hold: Hold::new(&config.pulse.inhibit, &config.faults),
            diary: Diary::default(),
            config,
        })
    }

    fn escrow(&self) -> Place {
        Place::Escrow(self.config.name.clone())
    }

    /// Somebody puts a bill in, or (worth nothing) a piece of paper. Gives true when it is drawn
    /// in.
    pub fn insert_bill(&mut self, now: Micros, bill: Money) -> bool {
        let refused = if bill < Money::ZERO {
            Some("not a bill")
        } else if !self.powered {
            Some("no power")
        } else if self.hold.is_held_off() {
            Some("inhibited")
        } else if self.path != Path::Empty {
            Some("another bill is in the path")
        } else {
            None
        };
        if let Some(why) = refused {
            self.diary
                .note(format!("bill of {} not drawn in: {why}", bill.0));
            return false;
        }
        let escrow = self.escrow();
        self.diary
            .moved(Place::Customer, escrow, bill, "bill drawn in");
        self.path = Path::Travelling(bill, now + Micros::ms(self.config.travel_ms.into()));
        true
    }

    fn give_back(&mut self, now: Micros, bill: Money, why: &str) {
        self.diary
            .note(format!("bill of {} comes back: {why}", bill.0));
        self.path = Path::Returning(bill, now + Micros::ms(self.config.return_ms.into()));
    }

    /// True while a bill is in the path or pulses are left to send.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        self.path != Path::Empty || !self.track.is_idle()
    }
}

impl PulseDevice for PulseAcceptor {
    fn name(&self) -> &str {
        &self.config.name
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        self.track.resting_levels()
    }

    fn inputs(&self) -> Vec<String> {
        vec![self.config.pulse.inhibit.line.clone()]
    }

    fn input_edge(&mut self, now: Micros, line: &str, high: bool) {
        self.hold.edge(now, line, high);
    }

    fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        self.diary.pulses_forgotten(self.track.power(now, on));
        self.hold.power_cut();
        if on {
            match self.path {
                Path::Travelling(bill, _) | Path::Returning(bill, _) => {
                    self.give_back(now, bill, "power came back");
                }
                Path::Stacking(bill, _) => {
                    let until = now + Micros::ms(self.config.stack_ms.into());
                    self.path = Path::Stacking(bill, until);
                }
                Path::Empty => {}
            }
        }
    }

    fn next_deadline(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let path = match self.path {
            Path::Empty => Micros::NEVER,
            Path::Travelling(_, at) | Path::Stacking(_, at) | Path::Returning(_, at) => at,
        };
        path.min(self.hold.next_deadline())
            .min(self.track.next_deadline())
    }

    fn wake(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        match self.path {
            Path::Travelling(bill, at) if now >= at => {
                if !self.config.bills.contains(&bill) {
                    self.give_back(now, bill, "not recognised");
                } else if self.hold.is_held_off() {
                    self.give_back(now, bill, "inhibited meanwhile");
                } else {
                    let until = now + Micros::ms(self.config.stack_ms.into());
                    self.path = Path::Stacking(bill, until);
                }
            }
            Path::Stacking(bill, at) if now >= at => {
                let stacker = Place::Stacker(self.config.name.clone());
                let escrow = self.escrow();
                self.diary.moved(escrow, stacker, bill, "bill stacked");
                self.track.send(&self.sent.plan(bill));
                self.path = Path::Empty;
            }
            Path::Returning(bill, at) if now >= at => {
                let escrow = self.escrow();
                self.diary
                    .moved(escrow, Place::Customer, bill, "bill returned");
                self.path = Path::Empty;
            }
            _ => {}
        }
        if self.hold.stray_due(now) {
            self.track.send_one();
        }
        self.track.wake(now);
    }

    fn take_edges(&mut self) -> Vec<(String, Edge)> {
        self.track.take_edges()
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.diary.movements)
    }

    fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.diary.notes)
    }
}
