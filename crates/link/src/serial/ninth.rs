//! Does the ninth bit have the right level? A UART checks what it hears by the parity it sends with,
//! so a wire from TX to RX cannot tell mark from odd. A second wire from TX to CTS can: at 110 baud
//! a bit lasts 9 ms, long enough to be looked at by hand.

use super::wire::Wire;
use crate::InLine;
use payrig_units::Micros;
use payrig_wire::BAUD;
use serde::{Deserialize, Serialize};
use std::io;

/// The level of the ninth bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum NinthBit {
    /// TX is not connected to CTS: it was not seen.
    Unseen,
    /// Set when it should be and clear when it should be, whatever the other bits.
    Right,
    /// It follows something else: odd or even parity, most likely, or is not there.
    Wrong,
}

const SLOW: u32 = 110;
const BIT: Micros = Micros(9_091);
const LOOK: Micros = Micros(250);
/// Eleven bits, and as much as any adapter keeps bytes back.
const LONG_ENOUGH: Micros = Micros::ms(160);

/// Sends a few slow words and looks at CTS.
pub(super) fn ninth_bit(wire: &mut impl Wire) -> io::Result<NinthBit> {
    wire.drain()?;
    wire.set_speed(SLOW)?;
    let found = look(wire);
    wire.set_speed(BAUD)?;
    wire.set_ninth(false)?;
    found
}

fn look(wire: &mut impl Wire) -> io::Result<NinthBit> {
    // The last run of zeros (asserted) ends with the ninth bit when that is clear, and just before
    // it when it is set. An even and an odd number of ones among the data tell mark and space from
    // odd and even.
    let words = [
        (0x00, false, 10),
        (0x00, true, 9),
        (0x01, false, 8),
        (0x01, true, 7),
    ];
    let mut seen = NinthBit::Right;
    for (byte, set, zeros) in words {
        wire.set_ninth(set)?;
        match last_run(wire, byte) {
            Ok(None) => return Ok(NinthBit::Unseen),
            Ok(Some(length)) => {
                let bits = (length.as_us() + BIT.as_us() / 2) / BIT.as_us();
                if bits != zeros {
                    seen = NinthBit::Wrong;
                }
            }
            // No such line: nothing is seen on it.
            Err(error) if error.kind() == io::ErrorKind::Unsupported => {
                return Ok(NinthBit::Unseen);
            }
            Err(error) => return Err(error),
        }
    }
    Ok(seen)
}

/// Sends a byte, and gives the length of the last time CTS was asserted. `None` when it was not, or
/// is asserted all the time.
fn last_run(wire: &mut impl Wire, byte: u8) -> io::Result<Option<Micros>> {
    if wire.line(InLine::Cts)? {
        return Ok(None);
    }
    wire.write(&[byte])?;
    let end = wire.now() + LONG_ENOUGH;
    let (mut since, mut run) = (None, None);
    while wire.now() < end {
        let next = wire.now() + LOOK;
        wire.wait(next, false, None)?;
        let now = wire.now();
        match (wire.line(InLine::Cts)?, since) {
            (true, None) => since = Some(now),
            (false, Some(start)) => {
                run = Some(now.since(start));
                since = None;
            }
            _ => {}
        }
    }
    Ok(run)
}

#[cfg(test)]
mod tests {
    use super::super::simulated::{Adapter, Parity};
    use super::*;

    fn found(change: impl FnOnce(&mut Adapter)) -> NinthBit {
        let mut adapter = Adapter::good();
        adapter.cts_on_tx = true;
        change(&mut adapter);
        ninth_bit(&mut adapter).unwrap()
    }

    #[test]
    fn mark_and_space_are_told_from_odd_and_even_and_from_ten_bits() {
        assert_eq!(found(|_| {}), NinthBit::Right);
        assert_eq!(found(|a| a.parity = Parity::OddAndEven), NinthBit::Wrong);
        assert_eq!(found(|a| a.parity = Parity::Stuck(true)), NinthBit::Wrong);
        assert_eq!(found(|a| a.parity = Parity::Stuck(false)), NinthBit::Wrong);
        assert_eq!(found(|a| a.sends_ninth = false), NinthBit::Wrong);
    }

    #[test]
    fn without_the_wire_nothing_is_said() {
        assert_eq!(found(|a| a.cts_on_tx = false), NinthBit::Unseen);
    }

    #[test]
    fn the_bus_has_its_own_speed_again() {
        let mut adapter = Adapter::good();
        adapter.cts_on_tx = true;
        ninth_bit(&mut adapter).unwrap();
        assert_eq!(adapter.speed, BAUD);
    }
}
