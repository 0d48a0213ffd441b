//! Bills taken and reported, refused when they are off.

use super::{accept, feed, kept, poll_answered, routed, setup, start, used, waiting_bill, watch};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::checks::common::{answered, data, found, order, until_just_reset};
use crate::device::habit::Context;
use crate::device::{Close, DeviceCheck, altered};
use payrig_mdb::bill::{BillTypes, Command, Response, Routing};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "bill-values",
        title: "Says what its bills are worth",
        expected: "level 1 or 2, a scaling factor, bill values in ascending order",
        section: "6.3, SETUP",
        advice: "Boards credit wrong amounts. Check its bill set and configuration.",
        weight: Weight::Money,
        quirk: Quirk::new("scaling-zero", "a scaling factor of 0", |s| {
            s.habits.rewrite = Some(scaling_zero)
        }),
        arrange: None,
        run: |b| {
            found(b);
            let setup = setup(b)?;
            let values: Vec<Money> = used(&setup).into_iter().map(|(_, v)| v).collect();
            let shown: Vec<String> = values.iter().map(|v| b.show(*v)).collect();
            let mut wrong = Vec::new();
            if !matches!(setup.level, 1 | 2) {
                wrong.push(format!("level {} is none of this standard", setup.level));
            }
            if setup.scaling.factor == 0 {
                wrong.push("the scaling factor is 0: bills are worth nothing".to_owned());
            }
            if values.is_empty() {
                wrong.push("no bill has a value".to_owned());
            }
            if values.iter().zip(values.iter().skip(1)).any(|(a, b)| a > b) {
                wrong.push("values do not ascend".to_owned());
            }
            let text = format!(
                "level {}, scaling factor {}, bills {}{}{}",
                setup.level,
                setup.scaling.factor,
                shown.join(" "),
                if wrong.is_empty() { "" } else { ": " },
                wrong.join(", ")
            );
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "identification-length",
        title: "Answers the plain identification in its own length",
        expected: "29 bytes, without option bits",
        section: "6.3, 37H 00H",
        advice: "Level 1 boards refuse the answer. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "option-bytes-in-short-identification",
            "option bits where none belong",
            |s| s.bill_quirks.option_bytes_in_short_identification = true,
        ),
        arrange: None,
        run: |b| {
            found(b);
            let command = Command::Identification;
            let bytes = data(b, &command)?;
            Ok(Seen::judge(
                bytes.len() == 29,
                words::count(bytes.len(), "byte"),
            ))
        },
    },
    Check {
        id: "each-bill-reported-once",
        title: "Reports each bill once",
        expected: "every bill type fed is reported as stacked exactly once, by its own type",
        section: "6.3, POLL",
        advice: "Boards credit too much or too little. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk {
            name: "duplicate-report-after-ack",
            about: "reports each bill twice",
            caught_by: &["bills-in-a-row"],
            apply: |s| s.bill_quirks.duplicate_report_after_ack = true,
        },
        arrange: None,
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            let mut wrong = Vec::new();
            let used = used(&setup);
            for (bill_type, value) in &used {
                let seen = routed(&feed(b, *bill_type)?, Routing::Stacked);
                if seen != [*bill_type] {
                    let times = seen.len();
                    wrong.push(format!(
                        "{} reported {times}",
                        b.show(*value),
                        times = words::times(times)
                    ));
                }
            }
            let text = match wrong.is_empty() {
                true => format!(
                    "{} fed, each reported once",
                    words::count(used.len(), "bill")
                ),
                false => wrong.join("; "),
            };
            // Some and not others: that is a matter of many in a row.
            let now_and_then = wrong.len() < used.len();
            Ok(Seen::judge(wrong.is_empty(), text).matter_of("bills-in-a-row", now_and_then))
        },
    },
    Check {
        id: "bill-repeated-after-lost-ack",
        title: "Repeats a bill whose report was not acknowledged",
        expected: "the same report at the next POLL",
        section: "2.2, Appendix 3, section 3",
        advice: "Customers lose bills on a noisy bus. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "forgets-unacknowledged",
            "forgets a bill whose report was not acknowledged",
            |s| s.habits.silence_is_ack_of = Some(|data| data.iter().any(|b| *b >= 0x80)),
        ),
        arrange: None,
        run: |b| {
            waiting_bill(b)?;
            let first = match answered(b, &Command::Poll, Close::Silence) {
                Ok(Response::Poll(reports)) => routed(&reports, Routing::Stacked),
                _ => Vec::new(),
            };
            if first.is_empty() {
                return Ok(Seen::cannot_tell("no bill was reported"));
            }
            let again = routed(&poll_answered(b), Routing::Stacked);
            let text = format!(
                "reported once, after the lost ACK {}",
                words::times(again.len())
            );
            Ok(Seen::judge(again == first, text))
        },
    },
    Check {
        id: "disabled-bills-refused",
        title: "Refuses each bill that is disabled",
        expected: "one type off at a time: that one comes back",
        section: "6.3, BILL TYPE",
        advice: "It takes bills the board will not credit. Replace it.",
        weight: Weight::Money,
        quirk: Quirk {
            name: "accepts-disabled-bills",
            about: "takes bills that are off",
            caught_by: &["all-bills-off-after-reset"],
            apply: |s| s.bill_quirks.accepts_disabled_bills = true,
        },
        arrange: None,
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            let mut wrong = Vec::new();
            let used = used(&setup);
            for (bill_type, value) in &used {
                let others = used.iter().filter(|(t, _)| t != bill_type);
                accept(b, others.map(|(t, _)| *t).collect(), BillTypes::NONE)?;
                let before = kept(b);
                let seen = routed(&feed(b, *bill_type)?, Routing::Stacked);
                if !seen.is_empty() || kept(b) != before {
                    wrong.push(format!("{} taken while disabled", b.show(*value)));
                }
            }
            let text = match wrong.is_empty() {
                true => format!(
                    "{}, each refused when it was off",
                    words::count(used.len(), "type")
                ),
                false => wrong.join("; "),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "all-bills-off-after-reset",
        title: "Takes no bill after RESET",
        expected: "every bill comes back until BILL TYPE enables it",
        section: "6.3, RESET",
        advice: "Bills are taken while the board cannot credit them. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("stays-enabled", "stays enabled after RESET", |s| {
            s.habits.stays_enabled = true
        }),
        arrange: None,
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            order(b, &Command::Reset)?;
            until_just_reset(b);
            watch(b, Micros::secs(1));
            let before = kept(b);
            let used = used(&setup);
            for (bill_type, _) in &used {
                feed(b, *bill_type)?;
            }
            let taken = kept(b).saturating_sub(before);
            let text = format!(
                "{} fed, {} taken",
                words::count(used.len(), "bill"),
                b.show(taken)
            );
            Ok(Seen::judge(taken.is_zero(), text))
        },
    },
];

fn scaling_zero(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::bill(context, bytes, |response| {
        if let Response::Setup(setup) = response {
            setup.scaling.factor = 0;
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
