//! What money is worth: scaling factors, decimals and currency codes of peripherals that differ.

use super::common::refunds;
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{CHANGER, READER, What};
use crate::board::kit::{BillFor, CoinFor};
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Weight};
use payrig_mdb::CurrencyCode;
use payrig_units::words;

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "mixed-scaling",
        title: "Adds money of different scaling factors",
        expected: "a coin of {tube} and a bill of {bill}: {tube+bill} comes back",
        section: "Appendix 3, section 4",
        advice: "Credit is wrong: use each peripheral's own factor.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.need(b.kit().bill_after_coin())?;
            b.coin(CoinFor::Tube);
            b.secs(3);
            let bill = b.bill(BillFor::Change);
            b.secs(8);
            refunds(b, tube.saturating_add(bill))
        },
        quirk: Quirk::new(
            "one-scaling-for-all",
            "uses a tenth of the validator's scaling factor",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x31]
                        && let Some(factor) = d.get_mut(4)
                    {
                        *factor /= 10;
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "mixed-currency-codes",
        title: "Accepts different forms of the country code",
        expected: "a changer with a telephone code: {tube} comes back",
        section: "Appendix 3, section 4",
        advice: "Older changers are refused: do not compare codes.",
        weight: Weight::Money,
        arrange: Some(|s| {
            s.changer.currency = CurrencyCode([0x00, 0x01]);
        }),
        run: |b| {
            b.ready_or_not();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.coin(CoinFor::Tube);
            b.secs(3);
            refunds(b, tube)
        },
        quirk: Quirk::new(
            "compares-codes",
            "refuses a changer of level 3 with the code 0001",
            |s| {
                s.bad.says = Some(|m, c| {
                    if m.last_data
                        .get(&CHANGER)
                        .is_some_and(|d| d.starts_with(&[0x03, 0x00, 0x01]))
                    {
                        m.count = 1;
                    }
                    let changer = c.first().is_some_and(|b| (0x08..0x10).contains(b));
                    if m.count == 1 && changer {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reader-code-differs",
        title: "Accepts a reader with another form of country code",
        expected: "a reader with a telephone code is enabled beside a changer with ISO 4217",
        section: "Appendix 3, section 4",
        advice: "Older readers are refused: do not compare codes.",
        weight: Weight::Rule,
        arrange: Some(|s| s.cashless.currency = CurrencyCode([0x00, 0x01])),
        run: |b| {
            b.fit(&[READER])?;
            let from = b.now();
            b.ready_or_not();
            let enabled = b.count(from, What::ReaderEnable);
            Ok(Seen::judge(
                enabled > 0,
                format!("READER ENABLE {enabled}", enabled = words::times(enabled)),
            ))
        },
        quirk: Quirk::new(
            "compares-reader-codes",
            "refuses a reader with the code 0001",
            |s| {
                s.bad.says = Some(|m, c| {
                    let told = m.last_data.get(&READER);
                    if told.is_some_and(|d| matches!(d.as_slice(), [0x01, _, 0x00, 0x01, ..])) {
                        m.count = 1;
                    }
                    let reader = c.first().is_some_and(|b| (0x10..0x18).contains(b));
                    if m.count == 1 && reader {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "decimals-for-display-only",
        title: "Uses decimal places for the display only",
        expected: "a changer that says none: a bill of {bill} comes back as {bill} in coins",
        section: "Appendix 3, section 4",
        advice: "Credit is ten or a hundred times wrong: values are counts times the scaling factor.",
        weight: Weight::Money,
        arrange: Some(|s| s.changer.decimals = 0),
        run: decimals,
        quirk: Quirk::new(
            "multiplies-by-decimals",
            "takes amounts of a changer without decimal places tenfold",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if let ([0x09], [_, _, _, factor, 0, ..]) = (c, d.as_mut_slice()) {
                        *factor = factor.saturating_mul(10);
                    }
                })
            },
        ),
    },
];

fn decimals(b: &mut BoardBench) -> Run {
    b.ready();
    b.fit(&[CHANGER])?;
    let bill = b.bill(BillFor::Change);
    b.secs(8);
    refunds(b, bill)
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
