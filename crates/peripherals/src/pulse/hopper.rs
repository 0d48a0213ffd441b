//! A payout hopper: a motor line held on, a pulse per coin from the exit sensor.

use super::track::{PulseTrack, TrackSetup};
use super::{Diary, PulseConfigError, PulseDevice, PulseFaults};
use payrig_pulse::{Edge, Level};
use payrig_units::{Micros, Money, Movement, Place};
use serde::Deserialize;

/// Name of the motor line unless the rig says otherwise.
pub const MOTOR_LINE: &str = "motor";

/// Name of the exit sensor's line unless the rig says otherwise.
pub const EXIT_LINE: &str = "exit";

/// A payout hopper, as a rig spells it.
///
/// ```toml
/// name = "hopper-1"
/// coin = 25             # minor units
/// fill = 80             # coins in it at the start
/// capacity = 400
/// motor-line = "motor"
/// motor-on = "high"     # the level that runs the motor
/// exit-line = "exit"
/// exit-active = "low"   # the level while a coin passes the sensor
/// coin-interval-ms = 350
/// exit-pulse-ms = 40
/// jam-after = 5         # wrong on purpose: jams when so many coins have gone
/// coins-after-stop = 1  # wrong on purpose: coins that still fall when the motor stops
/// runs-by-itself = true      # wrong on purpose: the motor's line is understood the wrong way round
/// runs-without-power = true  # wrong on purpose: the motor has another supply
/// [faults]              # of the exit line
/// ```
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PulseHopperConfig {
    /// The device's name, as it stands in the ledger.
    pub name: String,
    /// What one coin is worth.
    pub coin: Money,
    /// Coins in it at the start.
    #[serde(default)]
    pub fill: u32,
    /// Coins it can hold.
    #[serde(default = "capacity")]
    pub capacity: u32,
    /// Name of the motor line.
    #[serde(default = "motor_line")]
    pub motor_line: String,
    /// The level that runs the motor.
    #[serde(default = "motor_on")]
    pub motor_on: Level,
    /// Name of the exit sensor's line.
    #[serde(default = "exit_line")]
    pub exit_line: String,
    /// The level while a coin passes the sensor.
    #[serde(default)]
    pub exit_active: Level,
    /// From one coin to the next, in milliseconds; also from the start of the motor to the first.
    #[serde(default = "interval")]
    pub coin_interval_ms: u32,
    /// How long a coin covers the sensor, in milliseconds.
    #[serde(default = "exit_pulse")]
    pub exit_pulse_ms: u32,
    /// Wrong on purpose: after so many coins it jams.
    pub jam_after: Option<u32>,
    /// Wrong on purpose: coins that still fall when the motor stops.
    #[serde(default)]
    pub coins_after_stop: u32,
    /// Wrong on purpose: the motor runs while its line says off, and stops while it says on.
    #[serde(default)]
    pub runs_by_itself: bool,
    /// Wrong on purpose: the motor has another supply and goes on when the hopper's power is cut.
    #[serde(default)]
    pub runs_without_power: bool,
    /// How the exit sensor is wrong.
    #[serde(default)]
    pub faults: PulseFaults,
}

fn capacity() -> u32 {
    400
}

fn motor_line() -> String {
    MOTOR_LINE.to_owned()
}

fn exit_line() -> String {
    EXIT_LINE.to_owned()
}

fn motor_on() -> Level {
    Level::High
}

fn interval() -> u32 {
    350
}

fn exit_pulse() -> u32 {
    40
}

/// A hopper: while its motor line is held on, coins fall one after another, each with a pulse from
/// the exit sensor.
#[derive(Clone, Debug)]
pub struct PulseHopper {
    config: PulseHopperConfig,
    track: PulseTrack,
    coins: u32,
    paid: u32,
    /// When the next coin falls.
    next_coin: Micros,
    /// What the motor line says, powered or not.
    commanded: bool,
    running: bool,
    run_on: u32,
    powered: bool,
    diary: Diary,
}

impl PulseHopper {
    /// A filled hopper; the filling is its first movement, from the supply.
    ///
    /// # Errors
    /// When the coin has no value, more coins are filled in than fit, or a coin would cover the
    /// sensor until the next one comes.
    pub fn new(config: PulseHopperConfig) -> Result<Self, PulseConfigError> {
        let bad = |text: String| {
            Err(PulseConfigError {
                device: config.name.clone(),
                text,
            })
        };
        if config.coin <= Money::ZERO {
            return bad("coin must be worth more than nothing".to_owned());
        }
        if config.fill > config.capacity {
            return bad(format!(
                "fill is {} coins but capacity only {}",
                config.fill, config.capacity
            ));
        }
        if config.exit_pulse_ms == 0 || config.exit_pulse_ms >= config.coin_interval_ms {
            return bad(format!(
                "exit-pulse-ms {} must be above zero and below coin-interval-ms {}",
                config.exit_pulse_ms, config.coin_interval_ms
            ));
        }
        let on = Micros::ms(config.exit_pulse_ms.into());
        let least = Micros::ms(1).min(on);
        let setup = TrackSetup {
            lines: vec![config.exit_line.clone()],
            active: config.exit_active,
            on,
            off: least,
            pause: least,
            counts_from: least,
        };
        let mut hopper = Self {
            track: PulseTrack::new(setup, config.faults.clone()),
            coins: config.fill,
            paid: 0,
            next_coin: Micros::NEVER,
            commanded: false,
            running: false,
            run_on: 0,
            powered: true,
            diary: Diary::default(),
            config,
        };
        if hopper.config.runs_by_itself {
            hopper.running = true;
            hopper.next_coin = hopper.interval();
        }
        if hopper.coins > 0 {
            let amount = hopper.worth(hopper.coins);
            let place = hopper.place();
            hopper
                .diary
                .moved(Place::Supply, place, amount, "hopper filled");
        }
        Ok(hopper)
    }

    fn worth(&self, coins: u32) -> Money {
        Money(self.config.coin.0.saturating_mul(coins.into()))
    }

    /// Where its coins are, in the ledger.
    #[must_use]
    pub fn place(&self) -> Place {
        Place::Hopper(self.config.name.clone())
    }

    /// What one coin is worth.
    #[must_use]
    pub fn coin(&self) -> Money {
        self.config.coin
    }

    /// Coins in it.
    #[must_use]
    pub fn coins(&self) -> u32 {
        self.coins
    }

    /// A coin falls in from the acceptor above: false when it is full. Moving the money is the
    /// acceptor's part.
    pub fn take_coin(&mut self, now: Micros) -> bool {
        if self.coins >= self.config.capacity {
            return false;
        }
        self.coins += 1;
        if self.running && self.next_coin == Micros::NEVER {
            self.next_coin = now + self.interval();
        }
        true
    }

    fn interval(&self) -> Micros {
        Micros::ms(self.config.coin_interval_ms.into())
    }

    fn jammed(&self) -> bool {
        self.config.jam_after.is_some_and(|n| self.paid >= n)
    }

    /// The motor starts or stops.
    pub fn motor(&mut self, now: Micros, on: bool) {
        self.commanded = on;
        if on == self.running || !self.powered {
            return;
        }
        self.running = on;
        self.next_coin = if on {
            now + self.interval()
        } else {
            Micros::NEVER
        };
        self.run_on = 0;
        if !on && self.config.coins_after_stop > 0 {
            self.run_on = self.config.coins_after_stop;
            self.next_coin = now + Micros(self.interval().0 / 2);
        }
    }

    fn drop_coin(&mut self, now: Micros) {
        self.next_coin = Micros::NEVER;
        if self.coins == 0 || self.jammed() {
            self.run_on = 0;
            self.diary.note(if self.coins == 0 {
                "hopper empty, motor runs on"
            } else {
                "hopper jammed, motor runs on"
            });
            return;
        }
        self.coins -= 1;
        self.paid += 1;
        let place = self.place();
        let coin = self.config.coin;
        self.diary
            .moved(place, Place::Customer, coin, "coin paid out");
        self.track.send_one();
        self.run_on = self.run_on.saturating_sub(1);
        if self.running || self.run_on > 0 {
            self.next_coin = now + self.interval();
        }
    }
}

impl PulseDevice for PulseHopper {
    fn name(&self) -> &str {
        &self.config.name
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        self.track.resting_levels()
    }

    fn inputs(&self) -> Vec<String> {
        vec![self.config.motor_line.clone()]
    }

    fn input_edge(&mut self, now: Micros, line: &str, high: bool) {
        if line == self.config.motor_line {
            let on = Level::of(high) == self.config.motor_on;
            self.motor(now, on != self.config.runs_by_itself);
        }
    }

    fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered || self.config.runs_without_power {
            return;
        }
        // Without power the motor stops at once; when it comes back the line decides again.
        self.powered = on;
        self.running = false;
        self.run_on = 0;
        self.next_coin = Micros::NEVER;
        self.track.power(now, on);
        self.motor(now, self.commanded);
    }

    fn next_deadline(&self) -> Micros {
        self.next_coin.min(self.track.next_deadline())
    }

    fn wake(&mut self, now: Micros) {
        if self.powered && now >= self.next_coin {
            self.drop_coin(now);
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
