//! Checks of a payout hopper: a motor line held on, a pulse of the exit sensor per coin. What they
//! share: coins inside, and payouts.

pub(in crate::device) mod fed;
pub(in crate::device) mod payouts;

use crate::check::Seen;
use crate::device::Bench;
use payrig_units::{Micros, Money, Place, words};

/// What came out of the hopper until now.
fn inside(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::Hopper(_)))
}

fn coins(b: &Bench, amount: Money) -> Result<i64, Seen> {
    Ok(amount.as_minor() / b.hopper()?.coin.as_minor().max(1))
}

/// The end of a check when there are too few coins in it.
fn enough(b: &mut Bench, least: i64) -> Result<(), Seen> {
    let held = inside(b);
    match coins(b, held)? {
        held if held >= least => Ok(()),
        held => {
            let text = format!(
                "{held} in it, {least} are needed: fill it",
                held = words::count(held, "coin")
            );
            Err(Seen::cannot_tell(text))
        }
    }
}

/// Runs the motor until so many pulses came, or none came for 3 s. The motor stops at once, as a
/// board's does; the pulses are given.
fn pay(b: &mut Bench, wanted: usize) -> Result<Vec<(Micros, Micros)>, Seen> {
    b.hopper()?;
    b.take_exit();
    let mut pulses: Vec<(Micros, Micros)> = Vec::new();
    let mut last = b.now();
    b.motor(true);
    while pulses.len() < wanted && b.now() < last + Micros::secs(3) {
        b.wait(Micros::ms(5));
        let new = b.take_exit();
        if !new.is_empty() {
            last = b.now();
        }
        pulses.extend(new);
    }
    b.motor(false);
    Ok(pulses)
}
