//! A coin acceptor on pulse lines, alone or above a payout hopper.

use super::inhibit::Hold;
use super::track::{PulseTrack, TrackSetup};
use super::{Diary, PulseConfigError, PulseDevice, PulseFaults, PulseHopper, PulseHopperConfig};
use payrig_pulse::{Edge, Profile};
use payrig_units::{Micros, Money, Movement, Place};
use serde::Deserialize;
use std::collections::VecDeque;

/// A pulse coin acceptor, as a rig spells it.
///
/// ```toml
/// name = "coin-1"
/// coins = [5, 10, 25, 100]   # what it takes, in minor units
/// fall-ms = 250              # from the slot to the sensor
/// [pulse]
/// lines = [{ name = "coin-5", value = 5 }, { name = "coin-25", value = 25 }]
/// [hopper]                   # optional, see PulseHopperConfig
/// name = "hopper-1"
/// coin = 25
/// [faults]
/// ```
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PulseCoinAcceptorConfig {
    /// The device's name, as it stands in the ledger.
    pub name: String,
    /// The coins it takes.
    pub coins: Vec<Money>,
    /// From the slot to the sensor, in milliseconds.
    #[serde(default = "fall")]
    pub fall_ms: u32,
    /// The profile it should send by.
    #[serde(default = "Profile::short")]
    pub pulse: Profile,
    /// The hopper below it.
    pub hopper: Option<PulseHopperConfig>,
    /// How it is wrong.
    #[serde(default)]
    pub faults: PulseFaults,
}

fn fall() -> u32 {
    250
}

/// A coin acceptor. A coin takes its time to fall; at the sensor it is accepted or sent back to
/// the customer. Coins of the hopper's value fall into the hopper while it has room, all others
/// into the cash box.
#[derive(Clone, Debug)]
pub struct PulseCoinAcceptor {
    config: PulseCoinAcceptorConfig,
    sent: Profile,
    track: PulseTrack,
    hopper: Option<PulseHopper>,
    falling: VecDeque<(Money, Micros)>,
    powered: bool,
    hold: Hold,
    diary: Diary,
}

impl PulseCoinAcceptor {
    /// An acceptor with nothing in its path.
    ///
    /// # Errors
    /// When a coin cannot be expressed in pulses of the profile, the faults contradict it, or the
    /// hopper contradicts itself.
    pub fn new(config: PulseCoinAcceptorConfig) -> Result<Self, PulseConfigError> {
        let bad = |text: String| PulseConfigError {
            device: config.name.clone(),
            text,
        };
        for coin in &config.coins {
            let plan = config.pulse.plan(*coin);
            if !plan.remainder.is_zero() || plan.runs.is_empty() {
                return Err(bad(format!(
                    "a coin of {} minor units cannot be expressed in pulses of profile \"{}\": give it \
                     a line, change pulses and unit, or leave the coin out",
                    coin.0, config.pulse.name
                )));
            }
        }
        let sent = config.faults.sent_profile(&config.pulse).map_err(bad)?;
        let hopper = match &config.hopper {
            Some(hopper) => Some(PulseHopper::new(hopper.clone())?),
            None => None,
        };
        Ok(Self {
            track: PulseTrack::new(TrackSetup::of(&sent), config.faults.clone()),
            sent,
            hopper,
            falling: VecDeque::new(),
            powered: true,
            hold: Hold::new(&config.pulse.inhibit, &config.faults),
            diary: Diary::default(),
            config,
        })
    }

    /// The hopper below, if there is one.
    #[must_use]
    pub fn hopper(&self) -> Option<&PulseHopper> {
        self.hopper.as_ref()
    }

    /// Somebody puts a coin in, or (worth nothing) something that is no coin. Gives false for an
    /// amount below zero.
    pub fn insert_coin(&mut self, now: Micros, coin: Money) -> bool {
        if coin < Money::ZERO {
            return false;
        }
        // A coin never overtakes the one before it.
        let at = now + Micros::ms(self.config.fall_ms.into());
        let at = self
            .falling
            .back()
            .map_or(at, |(_, before)| at.max(*before));
        self.falling.push_back((coin, at));
        true
    }

    fn at_sensor(&mut self, now: Micros, coin: Money) {
        let refused = if !self.powered {
            Some("no power")
        } else if self.hold.is_held_off() {
            Some("inhibited")
        } else if !self.config.coins.contains(&coin) {
            Some("not recognised")
        } else {
            None
        };
        if let Some(why) = refused {
            self.diary
                .note(format!("coin of {} falls through: {why}", coin.0));
            return;
        }
        let mut into = Place::CashBox(self.config.name.clone());
        if let Some(hopper) = self.hopper.as_mut().filter(|h| h.coin() == coin)
            && hopper.take_coin(now)
        {
            into = hopper.place();
        }
        self.diary
            .moved(Place::Customer, into, coin, "coin accepted");
        self.track.send(&self.sent.plan(coin));
    }
}

impl PulseDevice for PulseCoinAcceptor {
    fn name(&self) -> &str {
        &self.config.name
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        let mut levels = self.track.resting_levels();
        levels.extend(self.hopper.iter().flat_map(PulseDevice::resting_levels));
        levels
    }

    fn inputs(&self) -> Vec<String> {
        let mut inputs = vec![self.config.pulse.inhibit.line.clone()];
        inputs.extend(self.hopper.iter().flat_map(PulseDevice::inputs));
        inputs
    }

    fn input_edge(&mut self, now: Micros, line: &str, high: bool) {
        if let Some(hopper) = &mut self.hopper {
            hopper.input_edge(now, line, high);
        }
        self.hold.edge(now, line, high);
    }

    fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        self.hold.power_cut();
        self.diary.pulses_forgotten(self.track.power(now, on));
        if let Some(hopper) = &mut self.hopper {
            hopper.power(now, on);
        }
    }

    fn next_deadline(&self) -> Micros {
        // Coins fall with or without power.
        let fall = self.falling.front().map_or(Micros::NEVER, |(_, at)| *at);
        let hopper = self
            .hopper
            .as_ref()
            .map_or(Micros::NEVER, PulseDevice::next_deadline);
        fall.min(self.hold.next_deadline())
            .min(self.track.next_deadline())
            .min(hopper)
    }

    fn wake(&mut self, now: Micros) {
        while let Some((coin, at)) = self.falling.front().copied() {
            if now < at {
                break;
            }
            self.falling.pop_front();
            self.at_sensor(now, coin);
        }
        if self.hold.stray_due(now) {
            self.track.send_one();
        }
        self.track.wake(now);
        if let Some(hopper) = &mut self.hopper {
            hopper.wake(now);
        }
    }

    fn take_edges(&mut self) -> Vec<(String, Edge)> {
        let mut edges = self.track.take_edges();
        edges.extend(self.hopper.iter_mut().flat_map(PulseDevice::take_edges));
        edges.sort_by_key(|(_, edge)| edge.at);
        edges
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        // The opening fill comes before any coin that falls on top of it.
        let mut movements: Vec<_> = self
            .hopper
            .iter_mut()
            .flat_map(PulseDevice::take_movements)
            .collect();
        let (fill, paid): (Vec<_>, Vec<_>) =
            movements.drain(..).partition(|m| m.from == Place::Supply);
        movements.extend(fill);
        movements.append(&mut self.diary.movements);
        movements.extend(paid);
        movements
    }

    fn take_notes(&mut self) -> Vec<String> {
        let mut notes = std::mem::take(&mut self.diary.notes);
        notes.extend(self.hopper.iter_mut().flat_map(PulseDevice::take_notes));
        notes
    }
}
