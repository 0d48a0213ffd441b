//! A coin acceptor and the hopper below it.

use super::inside;
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::DeviceCheck;
use payrig_units::Micros;

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[Check {
    id: "hopper-is-fed",
    title: "Keeps the coins the hopper pays",
    expected: "a coin of the hopper's value falls into the hopper, others do not",
    section: COMMON_PRACTICE,
    advice: "The hopper runs empty though its coins come in: see the sorter, or empty the \
                 hopper.",
    weight: Weight::Advice,
    quirk: Quirk::new(
        "sorts-to-cash-box",
        "the sorter sends the hopper's coins to the cash box",
        |s| s.pulse.at_hopper(s.kind, |c| c.capacity = c.fill),
    ),
    arrange: None,
    run: |b| {
        let coin = b.hopper()?.coin;
        let mut wrong = Vec::new();
        let values = b.values();
        if !values.contains(&coin) {
            return Ok(Seen::skipped(
                "the acceptor does not take the hopper's coin",
            ));
        }
        for value in values {
            let before = inside(b);
            b.act(b.money(value))?;
            b.wait(Micros::secs(5));
            let rose = inside(b) > before;
            if rose != (value == coin) {
                let where_to = if rose { "hopper" } else { "cash box" };
                wrong.push(format!("{} fell into the {where_to}", b.show(value)));
            }
        }
        let text = match wrong.is_empty() {
            true => "every coin went where it belongs".to_owned(),
            false => wrong.join("; "),
        };
        Ok(Seen::judge(wrong.is_empty(), text))
    },
}];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
