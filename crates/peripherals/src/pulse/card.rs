//! A card reader that pays by pulses.

use super::inhibit::Hold;
use super::track::{PulseTrack, TrackSetup};
use super::{Diary, PulseConfigError, PulseDevice, PulseFaults};
use payrig_pulse::{Edge, Plan, Profile, Run};
use payrig_units::{Micros, Money, Movement, Place};
use serde::Deserialize;

/// A pulse card reader, as a rig spells it.
///
/// ```toml
/// name = "card-1"
/// balance = 5000        # on the card at the start, in minor units
/// price = 150           # a fixed vend price; without it, value by count of pulses
/// vend-pulses = 1       # pulses that stand for one vend at the fixed price
/// authorise-ms = 1200   # from the card to the answer
/// [pulse]
/// profile = "short"
/// [faults]
/// ```
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PulseCardReaderConfig {
    /// The device's name, as it stands in the ledger.
    pub name: String,
    /// What is on the card at the start.
    #[serde(default)]
    pub balance: Money,
    /// The fixed price of a vend; without it the customer chooses an amount.
    pub price: Option<Money>,
    /// Pulses that stand for one vend at the fixed price.
    #[serde(default = "one")]
    pub vend_pulses: u32,
    /// From the card to the answer, in milliseconds.
    #[serde(default = "authorise")]
    pub authorise_ms: u32,
    /// The profile it should send by.
    #[serde(default = "Profile::short")]
    pub pulse: Profile,
    /// How it is wrong.
    #[serde(default)]
    pub faults: PulseFaults,
}

fn one() -> u32 {
    1
}

fn authorise() -> u32 {
    1_200
}

/// A card reader that takes money from a card and sends it as pulses: a fixed price per card shown,
/// or an amount the customer chose.
#[derive(Clone, Debug)]
pub struct PulseCardReader {
    config: PulseCardReaderConfig,
    sent: Profile,
    track: PulseTrack,
    balance: Money,
    asking: Option<(Money, Micros)>,
    powered: bool,
    hold: Hold,
    diary: Diary,
}

impl PulseCardReader {
    /// A reader with no card; what is on the card is its first movement, from the supply.
    ///
    /// # Errors
    /// When the price or the balance is negative, or the faults contradict the profile.
    pub fn new(config: PulseCardReaderConfig) -> Result<Self, PulseConfigError> {
        let bad = |text: String| PulseConfigError {
            device: config.name.clone(),
            text,
        };
        if config.balance < Money::ZERO || config.price.is_some_and(|p| p <= Money::ZERO) {
            return Err(bad(
                "balance must not be negative, price must be above zero".to_owned(),
            ));
        }
        if config.vend_pulses == 0 {
            return Err(bad("vend-pulses must be above zero".to_owned()));
        }
        let sent = config.faults.sent_profile(&config.pulse).map_err(bad)?;
        let mut reader = Self {
            track: PulseTrack::new(TrackSetup::of(&sent), config.faults.clone()),
            sent,
            balance: config.balance,
            asking: None,
            powered: true,
            hold: Hold::new(&config.pulse.inhibit, &config.faults),
            diary: Diary::default(),
            config,
        };
        if !reader.balance.is_zero() {
            let account = reader.account();
            reader
                .diary
                .moved(Place::Supply, account, reader.balance, "card loaded");
        }
        Ok(reader)
    }

    fn account(&self) -> Place {
        Place::CardAccount(self.config.name.clone())
    }

    /// What is left on the card.
    #[must_use]
    pub fn balance(&self) -> Money {
        self.balance
    }

    /// Somebody shows a card, having chosen `amount` (not asked for at a fixed price). Gives true
    /// when the reader begins to ask for the money.
    pub fn present_card(&mut self, now: Micros, amount: Option<Money>) -> bool {
        let wanted = self.config.price.or(amount);
        let refused = if !self.powered {
            Some("no power")
        } else if self.hold.is_held_off() {
            Some("inhibited")
        } else if self.asking.is_some() {
            Some("another card is being asked for")
        } else {
            None
        };
        match (refused, wanted) {
            (Some(why), _) => self.diary.note(format!("card refused: {why}")),
            (None, None) => self.diary.note("card refused: choose an amount first"),
            (None, Some(wanted)) => {
                let plan = self.config.pulse.plan(wanted);
                let sayable = plan.remainder.is_zero() && !plan.runs.is_empty();
                if self.config.price.is_some() || sayable {
                    let at = now + Micros::ms(self.config.authorise_ms.into());
                    self.asking = Some((wanted, at));
                    return true;
                }
                self.diary.note(format!(
                    "card refused: {} minor units cannot be expressed in pulses of profile \"{}\"",
                    wanted.0, self.config.pulse.name
                ));
            }
        }
        false
    }

    /// The card is taken away. Before the answer this cancels; afterwards it changes nothing.
    pub fn remove_card(&mut self, _now: Micros) {
        if self.config.faults.charges_taken_cards {
            return;
        }
        if self.asking.take().is_some() {
            self.diary
                .note("card taken away before the answer: nothing paid");
        }
    }

    fn answer(&mut self, wanted: Money) {
        if self.hold.is_held_off() {
            self.diary.note("card refused: inhibited meanwhile");
            return;
        }
        let Some(left) = self
            .balance
            .checked_sub(wanted)
            .filter(|left| *left >= Money::ZERO)
        else {
            self.diary.note("card refused: not enough money on it");
            return;
        };
        self.balance = left;
        let account = self.account();
        let receipts = Place::CardReceipts(self.config.name.clone());
        self.diary.moved(account, receipts, wanted, "card paid");
        self.track.send(&self.plan(wanted));
    }

    fn plan(&self, wanted: Money) -> Plan {
        if self.config.price.is_none() {
            return self.sent.plan(wanted);
        }
        let count = self
            .config
            .faults
            .wrong_pulses
            .unwrap_or(self.config.vend_pulses);
        let line = self.sent.lines().first().map(|l| (*l).to_owned());
        Plan {
            runs: line
                .map(|line| Run {
                    line,
                    on: self.sent.on,
                    count: count.into(),
                })
                .into_iter()
                .collect(),
            ..Plan::default()
        }
    }
}

impl PulseDevice for PulseCardReader {
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
        self.hold.power_cut();
        if self.asking.take().is_some() {
            self.diary
                .note("power lost before the answer: nothing paid");
        }
        self.diary.pulses_forgotten(self.track.power(now, on));
    }

    fn next_deadline(&self) -> Micros {
        let answer = self.asking.map_or(Micros::NEVER, |(_, at)| at);
        answer
            .min(self.hold.next_deadline())
            .min(self.track.next_deadline())
    }

    fn wake(&mut self, now: Micros) {
        if let Some((wanted, at)) = self.asking
            && now >= at
        {
            self.asking = None;
            self.answer(wanted);
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
