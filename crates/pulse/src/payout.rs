//! The board's half of a payout hopper: motor on, coins counted at the exit sensor, motor off.

use crate::debounce::Debounce;
use crate::{Edge, Level};
use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// What a [`HopperPayout`] must know about its hopper.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PayoutSetup {
    /// The level of the exit sensor while a coin passes.
    pub exit_active: Level,
    /// Level changes of the sensor that do not hold this long are ignored.
    pub bounce: Micros,
    /// With the motor on and no coin for this long, the hopper is empty or jammed.
    pub coin_timeout: Micros,
}

impl Default for PayoutSetup {
    /// Active low, 5 ms of bounce, 3 s for a coin (common practice, no source).
    fn default() -> Self {
        Self {
            exit_active: Level::Low,
            bounce: Micros::ms(5),
            coin_timeout: Micros::secs(3),
        }
    }
}

/// How far a payout has come. Counts are of coins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Payout {
    /// Nothing was asked for.
    Idle,
    /// The motor runs.
    Paying {
        /// Coins still to come.
        left: u32,
    },
    /// All coins came.
    Done {
        /// Coins that fell after the motor was stopped.
        extra: u32,
    },
    /// No coin came in time: empty or jammed. The motor is off.
    Short {
        /// Coins still owed.
        left: u32,
    },
}

/// Pays coins from a hopper: says when the motor runs, and counts each coin as soon as it covers
/// the exit sensor. Coins that fall when none was asked for are counted too, never dropped.
#[derive(Clone, Debug)]
pub struct HopperPayout {
    setup: PayoutSetup,
    sensor: Debounce,
    payout: Payout,
    last_coin: Micros,
    coins: u64,
    motor: Vec<(Micros, bool)>,
}

impl HopperPayout {
    /// A payout at rest, motor off.
    #[must_use]
    pub fn new(setup: PayoutSetup) -> Self {
        Self {
            sensor: Debounce::new(setup.bounce, !setup.exit_active.is_high()),
            setup,
            payout: Payout::Idle,
            last_coin: Micros::ZERO,
            coins: 0,
            motor: Vec::new(),
        }
    }

    /// Asks for coins, on top of what is being paid.
    pub fn pay(&mut self, now: Micros, coins: u32) {
        if coins == 0 {
            return;
        }
        let left = match self.payout {
            Payout::Paying { left } => left,
            _ => {
                self.last_coin = now;
                self.motor.push((now, true));
                0
            }
        };
        self.payout = Payout::Paying {
            left: left.saturating_add(coins),
        };
    }

    /// Stops a payout that is going on, motor off. Gives the coins still owed; coins that fall
    /// later are counted as extra.
    pub fn stop(&mut self, now: Micros) -> u32 {
        let Payout::Paying { left } = self.payout else {
            return 0;
        };
        self.motor.push((now, false));
        self.payout = Payout::Done { extra: 0 };
        left
    }

    /// An edge of the exit sensor.
    pub fn exit_edge(&mut self, now: Micros, high: bool) {
        let clean = self.sensor.edge(Edge { at: now, high });
        self.coin(now, clean.map(|c| c.edge));
    }

    fn coin(&mut self, now: Micros, edge: Option<Edge>) {
        if edge.is_none_or(|e| Level::of(e.high) != self.setup.exit_active) {
            return;
        }
        self.coins += 1;
        self.last_coin = now;
        self.payout = match self.payout {
            Payout::Paying { left } if left > 1 => Payout::Paying { left: left - 1 },
            Payout::Paying { .. } => {
                self.motor.push((now, false));
                Payout::Done { extra: 0 }
            }
            Payout::Done { extra } => Payout::Done {
                extra: extra.saturating_add(1),
            },
            Payout::Idle => Payout::Done { extra: 1 },
            Payout::Short { left } if left > 1 => Payout::Short { left: left - 1 },
            Payout::Short { .. } => Payout::Done { extra: 0 },
        };
    }

    /// Time has passed without an edge.
    pub fn wake(&mut self, now: Micros) {
        let clean = self.sensor.idle(now);
        self.coin(now, clean.map(|c| c.edge));
        if let Payout::Paying { left } = self.payout
            && now >= self.last_coin + self.setup.coin_timeout
        {
            self.motor.push((now, false));
            self.payout = Payout::Short { left };
        }
    }

    /// When [`wake`](Self::wake) has something to do; [`Micros::NEVER`] when it has not.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        let timeout = match self.payout {
            Payout::Paying { .. } => self.last_coin + self.setup.coin_timeout,
            _ => Micros::NEVER,
        };
        timeout.min(self.sensor.next_deadline())
    }

    /// Changes of the motor since the last call: when, and true for on.
    pub fn take_motor(&mut self) -> Vec<(Micros, bool)> {
        std::mem::take(&mut self.motor)
    }

    /// How far the payout has come.
    #[must_use]
    pub fn payout(&self) -> Payout {
        self.payout
    }

    /// All coins seen at the exit so far.
    #[must_use]
    pub fn coins(&self) -> u64 {
        self.coins
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;

    fn coins(payout: &mut HopperPayout, start: u64, count: u32) {
        let ms = Micros::ms;
        for edge in clean_pulses(Level::Low, ms(start), count, ms(40), ms(310)) {
            payout.exit_edge(edge.at, edge.high);
            payout.wake(edge.at + ms(5));
        }
    }

    #[test]
    fn the_motor_stops_at_the_last_coin() {
        let mut payout = HopperPayout::new(PayoutSetup::default());
        payout.pay(Micros::ZERO, 3);
        coins(&mut payout, 350, 3);
        assert_eq!(payout.payout(), Payout::Done { extra: 0 });
        assert_eq!(
            payout.take_motor(),
            [(Micros::ZERO, true), (Micros::ms(1_055), false)]
        );
        coins(&mut payout, 2_000, 1);
        assert_eq!(payout.payout(), Payout::Done { extra: 1 });
        assert_eq!(payout.coins(), 4);
    }

    #[test]
    fn an_empty_hopper_is_noticed_and_still_owes() {
        let mut payout = HopperPayout::new(PayoutSetup::default());
        payout.pay(Micros::ZERO, 3);
        coins(&mut payout, 350, 1);
        let due = payout.next_deadline();
        assert_eq!(due, Micros::ms(3_355));
        payout.wake(due);
        assert_eq!(payout.payout(), Payout::Short { left: 2 });
        assert_eq!(payout.take_motor().last(), Some(&(due, false)));
        payout.pay(Micros::secs(9), 2);
        coins(&mut payout, 9_350, 2);
        assert_eq!(payout.payout(), Payout::Done { extra: 0 });
    }

    #[test]
    fn a_stopped_payout_says_what_it_owes() {
        let mut payout = HopperPayout::new(PayoutSetup::default());
        payout.pay(Micros::ZERO, 3);
        coins(&mut payout, 350, 1);
        assert_eq!(payout.stop(Micros::ms(500)), 2);
        assert_eq!(payout.take_motor().last(), Some(&(Micros::ms(500), false)));
        assert_eq!(payout.stop(Micros::ms(600)), 0);
        assert!(payout.take_motor().is_empty());
    }

    #[test]
    fn bounce_of_the_sensor_is_one_coin() {
        let mut payout = HopperPayout::new(PayoutSetup::default());
        payout.pay(Micros::ZERO, 2);
        for (at, high) in [
            (350_000, false),
            (351_000, true),
            (352_000, false),
            (390_000, true),
        ] {
            payout.exit_edge(Micros(at), high);
        }
        payout.wake(Micros::ms(400));
        assert_eq!(payout.payout(), Payout::Paying { left: 1 });
    }
}
