//! Devices on pulse lines: bill validator, coin acceptor, payout hopper, card reader.
//!
//! Each is a state machine without clock or I/O: money put in by a person, edges on the inhibit or
//! motor line and passing time in; edges on the credit lines, moved money and plain words out.
//! Each can be made wrong on purpose ([`PulseFaults`]). Times of travel and fall are common
//! practice, no source.
//!
//! ```
//! use payrig_peripherals::pulse::{PulseAcceptor, PulseAcceptorConfig, PulseDevice, PulseFaults};
//! use payrig_pulse::Profile;
//! use payrig_units::{Micros, Money};
//!
//! let mut acceptor = PulseAcceptor::new(PulseAcceptorConfig {
//!     name: "old".into(),
//!     bills: vec![Money(100), Money(500)],
//!     travel_ms: 1500,
//!     stack_ms: 700,
//!     return_ms: 800,
//!     pulse: Profile::short(),
//!     faults: PulseFaults::default(),
//! })?;
//! assert!(acceptor.insert_bill(Micros::secs(1), Money(500)));
//! while acceptor.next_deadline() != Micros::NEVER {
//!     acceptor.wake(acceptor.next_deadline());
//! }
//! // Five pulses of two edges each, and the bill is in the stacker.
//! assert_eq!(acceptor.take_edges().len(), 10);
//! assert!(!acceptor.take_movements().is_empty());
//! # Ok::<(), payrig_peripherals::pulse::PulseConfigError>(())
//! ```

mod bill;
mod card;
mod coin;
mod faults;
mod hopper;
mod inhibit;
mod track;

pub use bill::{PulseAcceptor, PulseAcceptorConfig};
pub use card::{PulseCardReader, PulseCardReaderConfig};
pub use coin::{PulseCoinAcceptor, PulseCoinAcceptorConfig};
pub use faults::{PulseFaults, Stuck};
pub use hopper::{EXIT_LINE, MOTOR_LINE, PulseHopper, PulseHopperConfig};

use payrig_pulse::Edge;
use payrig_units::{Micros, Movement, words};

/// What every device on pulse lines does.
pub trait PulseDevice {
    /// The device's name, as it stands in the ledger.
    fn name(&self) -> &str;

    /// The credit (or exit sensor) lines and the level each has while nothing happens, true for
    /// high.
    fn resting_levels(&self) -> Vec<(String, bool)>;

    /// The lines the device listens to, by name.
    fn inputs(&self) -> Vec<String>;

    /// An edge on a line the device listens to; edges on other lines are ignored. Until the first
    /// edge an acceptor is not inhibited and a motor is off.
    fn input_edge(&mut self, now: Micros, line: &str, high: bool);

    /// Power comes or goes. Money stays where it is.
    fn power(&mut self, now: Micros, on: bool);

    /// When the device wants [`wake`](Self::wake); [`Micros::NEVER`] when it does not. May lie in
    /// the past: then it is due at once.
    fn next_deadline(&self) -> Micros;

    /// A deadline has come (or may have: waking early is harmless).
    fn wake(&mut self, now: Micros);

    /// Edges on the device's lines since the last call, in order. Each carries the time of the
    /// call that made it, so a late call makes a late edge.
    fn take_edges(&mut self) -> Vec<(String, Edge)>;

    /// Money that has physically moved since the last call, in order.
    fn take_movements(&mut self) -> Vec<Movement>;

    /// What a person at the machine would see or hear since the last call, in plain words.
    fn take_notes(&mut self) -> Vec<String>;
}

/// A device that contradicts itself, or its profile. Prints what and how to mend it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("pulse device \"{device}\": {text}")]
pub struct PulseConfigError {
    /// The device's name.
    pub device: String,
    /// What is wrong.
    pub text: String,
}

/// Money and words a device has not handed over yet.
#[derive(Clone, Debug, Default)]
struct Diary {
    movements: Vec<Movement>,
    notes: Vec<String>,
}

impl Diary {
    fn moved(
        &mut self,
        from: payrig_units::Place,
        to: payrig_units::Place,
        amount: payrig_units::Money,
        why: impl Into<String>,
    ) {
        if amount.is_zero() {
            return;
        }
        self.movements.push(Movement {
            from,
            to,
            amount,
            why: why.into(),
        });
    }

    fn note(&mut self, text: impl Into<String>) {
        self.notes.push(text.into());
    }

    /// Pulses that were still to be sent went with the power.
    fn pulses_forgotten(&mut self, lost: usize) {
        if lost > 0 {
            self.note(format!(
                "{} forgotten with the power",
                words::count(lost, "pulse")
            ));
        }
    }
}

#[cfg(test)]
mod tests;
