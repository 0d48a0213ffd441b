//! Bills: stacked or given back, credited once, by their reports only.

use super::common::{behave, deaf, given, kept, refund, refunds, times, uses_escrow};
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, What};
use crate::board::kit::BillFor;
use crate::board::setup::BoardSetup;
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Seen, Weight};
use crate::device::habit::{Context, Habits};
use payrig_bench::action::BillAction;
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_peripherals::bill::Fault as BillFault;
use payrig_units::{Micros, Money, Place, words};
use payrig_wire::Source;

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "bill-stacked-and-credited",
        title: "Stacks a bill from escrow and credits it",
        expected: "{bill} stacked, {bill} comes back in coins",
        section: "6.3, ESCROW",
        advice: "Bills are refused, or not credited.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let bill = b.bill(BillFor::Change);
            b.secs(8);
            if kept(b) != bill {
                let text = format!("{} of {} kept", b.show(kept(b)), b.show(bill));
                return Ok(Seen::fail(text));
            }
            // Stacked, and credited as something else than it is worth.
            let seen = refunds(b, bill)?;
            let nothing = b.customer() == -bill;
            Ok(seen.matter_of("mixed-scaling", !nothing))
        },
        quirk: Quirk::new("returns-bills", "returns every bill from escrow", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x35, _] => Said::Changed(vec![0x35, 0x00]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "escrow-decided",
        title: "Decides on a bill in escrow",
        expected: "ESCROW within 5 s of ESCROW POSITION, or at the coin return where the bill is held until something is bought",
        section: "6.3, POLL, note 2",
        advice: "A bill that is not decided on comes back or is credited too soon: order ESCROW, credit it when it is stacked.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = b.ready();
            uses_escrow(b)?;
            b.bill(BillFor::Change);
            b.secs(8);
            if b.count(from, What::Escrow) > 0 {
                return given(b, from, What::Escrow);
            }
            // Held until something is bought, it is given back at the coin return.
            refund(b);
            let held = b.customer();
            let ordered = b.count(from, What::Escrow) > 0;
            let text = format!(
                "{} at the coin return; {} missing then",
                times(b, from, What::Escrow),
                b.show(-held)
            );
            Ok(Seen::judge(ordered && held.is_zero(), text).beside(held, Money::ZERO))
        },
        quirk: Quirk::new(
            "credits-in-escrow",
            "takes a bill in escrow for stacked",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x33] {
                        for b in d.iter_mut().filter(|b| (0x90..0xA0).contains(*b)) {
                            *b &= 0x8F;
                        }
                    }
                })
            },
        ),
    },
    // vmc.py of ../shared/peers has this as `credits-in-escrow`: it orders ESCROW as a good one does.
    BoardCheck {
        id: "escrow-not-credited",
        title: "Credits no bill that is still in escrow",
        expected: "the coin return pays nothing for {bill} that was ordered to the stacker and is not there yet",
        section: "6.3, POLL, ESCROW",
        advice: "Bills are credited and given back: credit a bill when it is stacked.",
        weight: Weight::Money,
        // A validator that holds a bill and does not hear what is to become of it.
        arrange: Some(|s| deaf(s, BILL, |c| matches!(c, [0x35, ..]))),
        run: |b| {
            let from = b.ready();
            uses_escrow(b)?;
            b.bill(BillFor::Change);
            let ordered = |b: &BoardBench| b.count(from, What::Escrow) > 0;
            b.until_so(Micros::secs(8), ordered);
            b.wait(Micros::ms(300));
            // A board that holds it until something is bought orders it back now.
            b.press_return();
            if !b.until_so(Micros::secs(4), ordered) {
                return Ok(Seen::cannot_tell("no ESCROW was ordered for the bill"));
            }
            // It is not obeyed, and a reset gives the bill back (section 6.3, RESET).
            b.secs(14);
            let more = kept(b).saturating_add(b.customer());
            let text = format!("{} paid for a bill that was never stacked", b.show(more));
            Ok(Seen::judge(more.is_zero(), text).beside(more, Money::ZERO))
        },
        quirk: Quirk::new(
            "credits-before-stacked",
            "credits a bill at ESCROW POSITION, whatever becomes of it",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c != [0x33] {
                        return;
                    }
                    let held = d.iter().position(|b| (0x90..0xA0).contains(b));
                    match held.and_then(|at| Some((at, *d.get(at)?))) {
                        Some((at, bill)) if m.count == 0 => {
                            m.count = 1;
                            d.insert(at, bill & 0x8F);
                        }
                        None if m.count == 1 => d.retain(|b| !(0x80..0x90).contains(b)),
                        _ => {}
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "bill-credited-once",
        title: "Credits a bill once when its ACK was lost",
        expected: "{bill} reported twice: {bill} comes back",
        section: "Appendix 3, section 3, condition 2",
        advice: "A noisy bus makes money: tell repetitions from new bills.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            // The first ACK is that of ESCROW POSITION, where the board uses that.
            let skip = u32::from(b.habits().escrow != Some(false));
            b.fault(Fault {
                kind: FaultKind::Deaf,
                from: Source::Master,
                frame: FrameKind::Ack,
                address: Some(Address::BILL_VALIDATOR),
                skip,
                count: 1,
            });
            let bill = b.bill(BillFor::Change);
            b.secs(8);
            refunds(b, bill)
        },
        quirk: Quirk::new(
            "credits-repeated-bills",
            "takes a repeated report for a new bill",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x33] && d.iter().any(|b| (0x80..0x90).contains(b)) {
                        m.count += 1;
                        // The other bill of the same kind of report: it cannot be taken for a repetition.
                        if m.count > 1 {
                            *d = vec![0x81];
                        }
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "several-bills-credited",
        title: "Credits several bills of one answer",
        expected: "{bill} and {second} in one answer: {both} come back",
        section: "6.3, POLL, Appendix 3, section 4",
        advice: "Bills put in quickly are lost: read the whole answer.",
        weight: Weight::Money,
        arrange: Some(quick_bills),
        run: |b| {
            b.ready();
            b.need(b.kit().bill(BillFor::Second))?;
            deaf_validator(b);
            let first = b.bill(BillFor::Change);
            b.wait(Micros::ms(700));
            let both = first.saturating_add(b.bill(BillFor::Second));
            b.secs(5);
            let kept = b.sum(|p| matches!(p, Place::Stacker(_)));
            if kept != both {
                let (kept, both) = (b.show(kept), b.show(both));
                let text = format!("the board let the validator take {kept} of {both}");
                return Ok(Seen::cannot_tell(text));
            }
            refunds(b, both)
        },
        quirk: Quirk::new(
            "reads-first-bill-only",
            "reads only the first bill of an answer",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x33] {
                        let mut seen = false;
                        d.retain(|b| {
                            !(0x80..0x90).contains(b) || !std::mem::replace(&mut seen, true)
                        });
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "bill-beside-status-credited",
        title: "Credits a bill that comes with a status",
        expected: "{bill} and CASHBOX OUT OF POSITION in one answer: {bill} comes back",
        section: "6.3, POLL, Appendix 3, section 4",
        advice: "Bills are lost when something else happens at once: read the whole answer.",
        weight: Weight::Money,
        arrange: Some(quick_bills),
        run: |b| {
            b.ready();
            deaf_validator(b);
            let bill = b.bill(BillFor::Change);
            b.wait(Micros::ms(800));
            b.at_validator(BillAction::RemoveCashBox);
            b.secs(5);
            refunds(b, bill)
        },
        quirk: Quirk::new(
            "drops-bills-beside-status",
            "does not credit a bill that comes with a status",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x33] && d.contains(&0x08) {
                        d.retain(|b| !(0x80..0x90).contains(b));
                    }
                })
            },
        ),
    },
    // vmc.py of ../shared/peers has this as `first-bill-only`.
    BoardCheck {
        id: "bill-behind-status-credited",
        title: "Credits a bill that comes behind a status",
        expected: "BILL REJECTED and {bill} in one answer: {bill} comes back",
        section: "6.3, POLL, Appendix 3, section 4",
        advice: "Bills are lost when something else happened before: read the whole answer.",
        weight: Weight::Money,
        arrange: Some(|s| {
            fn paper_first(context: &Context<'_>, data: &mut Vec<u8>) {
                if context.command == [0x33] && matches!(data.as_slice(), [0x80..=0x8F]) {
                    data.insert(0, 0x0B);
                }
            }
            quick_bills(s);
            let habits = Habits {
                rewrite: Some(paper_first),
                ..Habits::default()
            };
            behave(s, &[BILL], &habits);
        }),
        run: |b| {
            b.ready();
            let bill = b.bill(BillFor::Change);
            b.secs(5);
            refunds(b, bill)
        },
        quirk: Quirk::new(
            "reads-first-status-only",
            "reads only the first status of a validator's answer",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x33] {
                        d.truncate(1);
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "paper-not-credited",
        title: "Credits no rejected paper",
        expected: "nothing comes back on return",
        section: "6.3, POLL, 0BH",
        advice: "Status codes make money: read the report's code.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.paper();
            b.secs(8);
            refunds(b, Money::ZERO)
        },
        quirk: Quirk::new(
            "credits-rejected-paper",
            "takes BILL REJECTED for a bill",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x33] {
                        for b in d.iter_mut().filter(|b| **b == 0x0B) {
                            *b = 0x80;
                        }
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "jam-not-credited",
        title: "Credits nothing for a jam",
        expected: "nothing comes back, the validator is still polled",
        section: "6.3, POLL, 05H",
        advice: "Status codes make money: read the report's code.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.at_validator(BillAction::Break(BillFault::Jam));
            let from = b.now();
            b.secs(5);
            if b.count(from, What::Poll(BILL)) < 10 {
                return Ok(Seen::fail("the validator is not polled any more"));
            }
            refunds(b, Money::ZERO)
        },
        quirk: Quirk::new("credits-jams", "takes VALIDATOR JAMMED for a bill", |s| {
            s.bad.hears = Some(|_, c, d| {
                if c == [0x33] {
                    for b in d.iter_mut().filter(|b| **b == 0x05) {
                        *b = 0x80;
                    }
                }
            })
        }),
    },
    BoardCheck {
        id: "cash-box-out-borne",
        title: "Goes on while the cash box is out",
        expected: "the validator is polled for 10 s",
        section: "6.3, POLL, 08H",
        advice: "The validator stays dead after service: keep polling.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.at_validator(BillAction::RemoveCashBox);
            b.secs(2);
            let from = b.now();
            b.secs(10);
            let polls = b.count(from, What::Poll(BILL));
            Ok(Seen::judge(
                polls > 30,
                format!("{polls} in 10 s", polls = words::count(polls, "POLL")),
            ))
        },
        quirk: Quirk::new(
            "stops-at-cash-box",
            "polls the validator no more once its cash box is out",
            |s| {
                s.bad.says = Some(|m, c| {
                    let out = |d: &Vec<u8>| d.split_last().is_some_and(|(_, d)| d.contains(&0x08));
                    if m.last_data.get(&BILL).is_some_and(out) {
                        m.count = 1;
                    }
                    if m.count == 1 && c == [0x33] {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "stacker-full-borne",
        title: "Goes on when the stacker is full",
        expected: "the last bill is credited, the next refused, the validator still polled",
        section: "6.3, STACKER, POLL",
        advice: "Bills are lost, or the machine stops: take coins and cards when no bill fits any more.",
        weight: Weight::Money,
        arrange: Some(|s| s.bill.stacker_capacity = 1),
        run: |b| {
            b.ready();
            b.fit(&[CHANGER])?;
            let bill = b.bill(BillFor::Change);
            b.secs(8);
            let goods = match b.spend_held_bill() {
                true => b.kit().price(),
                false => Money::ZERO,
            };
            refund(b);
            let first = b.customer().saturating_add(bill);
            b.bill(BillFor::Change);
            b.secs(12);
            let second = refund(b);
            let kept = kept(b);
            let from = b.now();
            b.secs(5);
            let polls = b.count(from, What::Poll(BILL));
            let text = format!(
                "{} kept, {} and {} paid back, {polls} in 5 s",
                b.show(kept),
                b.show(first),
                b.show(second),
                polls = words::count(polls, "POLL")
            );
            let right = kept == bill && first.saturating_add(goods) == bill && second.is_zero();
            Ok(Seen::judge(right && polls > 10, text))
        },
        quirk: Quirk::new(
            "stops-at-full-stacker",
            "polls the validator no more once it is disabled behind a stacked bill",
            |s| {
                s.bad.says = Some(|m, c| {
                    let told = |code: u8| {
                        let data = m.last_data.get(&BILL);
                        data.and_then(|d| d.split_last())
                            .is_some_and(|(_, d)| d.contains(&code))
                    };
                    let (stacked, disabled) = (told(0x80), told(0x09));
                    m.count = match (m.count, stacked, disabled) {
                        (0, true, _) => 1,
                        (1, _, true) => 2,
                        (n, ..) => n,
                    };
                    if m.count == 2 && c == [0x33] {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "large-bill-refused",
        title: "Refuses a bill too large for its change",
        expected: "{large} comes back while the tubes hold less",
        section: COMMON_PRACTICE,
        advice: "The tubes are emptied or customers lose change: hold it off.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.fit(&[CHANGER])?;
            b.bill(BillFor::TooLarge);
            b.secs(12);
            let kept = kept(b);
            Ok(Seen::judge(
                kept.is_zero(),
                format!("{} kept", b.show(kept)),
            ))
        },
        quirk: Quirk::new(
            "takes-large-bills",
            "takes the bill of type 3 whatever the tubes hold",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x33] && d.contains(&0x93) {
                        m.count = 1;
                    }
                });
                s.bad.says = Some(|m, c| match c {
                    [0x34, high, low, ..] if (*high, *low) != (0, 0) => {
                        Said::Changed(vec![0x34, *high, low | 0x08, *high, low | 0x08])
                    }
                    [0x35, ..] if m.count == 1 => {
                        m.count = 0;
                        Said::Changed(vec![0x35, 0x01])
                    }
                    _ => Said::AsIs,
                });
            },
        ),
    },
];

/// A validator without escrow that is quick: two bills within a second and a half.
fn quick_bills(s: &mut BoardSetup) {
    s.bill.escrow = false;
    s.bill.travel.to_escrow = Micros::ms(300);
    s.bill.travel.to_stacker = Micros::ms(200);
}

/// The validator hears nothing for two seconds, so that its reports gather.
fn deaf_validator(b: &mut BoardBench) {
    b.fault(Fault {
        kind: FaultKind::Deaf,
        from: Source::Master,
        frame: FrameKind::Block,
        address: Some(Address::BILL_VALIDATOR),
        skip: 0,
        count: 14,
    });
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
