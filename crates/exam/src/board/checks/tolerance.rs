//! What a board must tolerate: answers as late and words as slow as the standard allows, and as
//! older peripherals are; payouts and decisions that take their time; codes nobody knows.

use super::common::{behave, refunds, times};
use super::start::changer_initialised;
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, READER, What};
use crate::board::kit::{CoinFor, Pick, Sum};
use crate::board::setup::BoardSetup;
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Weight};
use crate::device::habit::{Context, Habits};
use payrig_units::{Micros, Money};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "bears-late-answers",
        title: "Tolerates answers after 12 ms",
        expected: "a changer that slow is set up",
        section: "Appendix 3, section 2",
        advice: "Old peripherals are not found: wait 20 ms.",
        weight: Weight::Advice,
        arrange: Some(|s| {
            let habits = Habits {
                late: Some((1, Micros::ms(11))),
                ..Habits::default()
            };
            behave(s, &[CHANGER], &habits);
        }),
        run: changer_initialised,
        quirk: Quirk::new("waits-5-ms", "waits 5 ms for an answer", |s| {
            s.board.timing.answer_tolerated = Micros::ms(5)
        }),
    },
    BoardCheck {
        id: "bears-slow-answers",
        title: "Tolerates pauses of 4 ms inside answers",
        expected: "a changer that slow is set up",
        section: "Appendix 3, section 2",
        advice: "Old peripherals are not understood: tolerate 5 ms.",
        weight: Weight::Advice,
        arrange: Some(|s| {
            let habits = Habits {
                gap: Some(Micros::ms(4)),
                ..Habits::default()
            };
            behave(s, &[CHANGER], &habits);
        }),
        run: changer_initialised,
        quirk: Quirk::new("bears-1-ms", "tolerates a pause of 1.2 ms", |s| {
            s.board.timing.gap_tolerated = Micros(1_200)
        }),
    },
    BoardCheck {
        id: "accepts-answers-at-5-ms",
        title: "Accepts answers that come after 4.9 ms",
        expected: "changer, validator and reader that slow are set up",
        section: "3.2",
        advice: "Good peripherals are taken for dead: wait at least 5 ms for an answer.",
        weight: Weight::Rule,
        arrange: Some(|s| slow(s, Some(Micros(3_900)), None)),
        run: all_set_up,
        quirk: Quirk::new("waits-3-ms", "waits 3 ms for an answer", |s| {
            s.board.timing.answer_tolerated = Micros::ms(3)
        }),
    },
    BoardCheck {
        id: "accepts-pauses-of-1-ms",
        title: "Accepts pauses of 1 ms inside answers",
        expected: "changer, validator and reader that slow are set up",
        section: "3.2",
        advice: "Good peripherals are not understood: tolerate pauses of at least 1 ms.",
        weight: Weight::Rule,
        arrange: Some(|s| slow(s, None, Some(Micros::ms(1)))),
        run: all_set_up,
        quirk: Quirk::new(
            "bears-half-a-millisecond",
            "tolerates a pause of 0.5 ms",
            |s| s.board.timing.gap_tolerated = Micros(500),
        ),
    },
    BoardCheck {
        id: "bears-answers-at-18-ms",
        title: "Tolerates answers after 18 ms",
        expected: "changer, validator and reader that slow are set up",
        section: "Appendix 3, section 2",
        advice: "Old peripherals are not found: wait 20 ms.",
        weight: Weight::Advice,
        arrange: Some(|s| slow(s, Some(Micros::ms(17)), None)),
        run: all_set_up,
        quirk: Quirk::new("waits-15-ms", "waits 15 ms for an answer", |s| {
            s.board.timing.answer_tolerated = Micros::ms(15)
        }),
    },
    BoardCheck {
        id: "waits-for-slow-payout",
        title: "Waits for a payout that takes long",
        expected: "a changer whose coins take 4 s each is not reset, and {over} comes back",
        section: "5.3, DISPENSE, Appendix 3, section 2",
        advice: "Change is paid in part or twice: wait while CHANGER PAYOUT BUSY is said.",
        weight: Weight::Money,
        arrange: Some(|s| s.changer.payout_time = Micros::secs(4)),
        run: |b| {
            let from = b.ready_or_not();
            let over = b.put_in(Sum::Over);
            b.secs(2);
            b.press_return();
            b.secs(40);
            b.until_so(Micros::secs(60), |b| b.customer().is_zero());
            let text = format!(
                "{} of {} missing after 40 s and more, {}",
                b.show(-b.customer()),
                b.show(over),
                times(b, from, What::Reset(CHANGER))
            );
            let reset = b.count(from, What::Reset(CHANGER)) > 0;
            let seen = Seen::judge(b.customer().is_zero() && !reset, text);
            Ok(seen.beside(b.customer(), Money::ZERO))
        },
        quirk: Quirk::new(
            "resets-slow-payout",
            "sends RESET in place of the 34th POLL after DISPENSE",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0D, ..] => {
                        m.count = 1;
                        Said::AsIs
                    }
                    [0x0B] if m.count > 0 => {
                        m.count += 1;
                        if m.count == 35 {
                            Said::Instead(vec![0x08])
                        } else {
                            Said::AsIs
                        }
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "waits-for-slow-decision",
        title: "Waits for a card as long as its reader says",
        expected: "a reader that says 30 s and takes 20 s sells",
        section: "7.4.2, 7.5, Appendix 3, section 2",
        advice: "Online cards cannot buy: wait for the reader's maximum response time.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            s.cashless.response_time = 30;
            s.cashless.approve_delay = Micros::secs(20);
        }),
        run: |b| {
            let from = b.ready_or_not();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Cheap);
            let over = |b: &BoardBench| b.card_vend_over(from);
            let most = b.habits().delivery + Micros::ms(31_500);
            b.within(most, over);
            b.secs(2);
            let sold = b.delivered().len();
            let text = format!("{sold} sold, {}", times(b, from, What::VendCancel));
            let cancelled = b.count(from, What::VendCancel) > 0;
            Ok(Seen::judge(sold == 1 && !cancelled, text))
        },
        quirk: Quirk::new(
            "knows-no-response-time",
            "takes every response time for 5 s",
            |s| {
                s.bad.hears = Some(|_, _, d| {
                    if let [0x01, _, _, _, _, _, time, _] = d.as_mut_slice() {
                        *time = 5;
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "unknown-code-borne",
        title: "Skips a status code it does not know",
        expected: "a coin reported behind it is credited",
        section: "2.4.4, Appendix 3, section 4",
        advice: "A newer peripheral loses money: skip what is unknown.",
        weight: Weight::Money,
        arrange: Some(|s| {
            fn status_0f_first(context: &Context<'_>, data: &mut Vec<u8>) {
                if context.command == [0x0B] && matches!(data.as_slice(), [0x40..=0x5F, _]) {
                    data.insert(0, 0x0F);
                }
            }
            let habits = Habits {
                rewrite: Some(status_0f_first),
                ..Habits::default()
            };
            behave(s, &[CHANGER], &habits);
        }),
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.coin(CoinFor::Tube);
            b.secs(3);
            refunds(b, tube)
        },
        quirk: Quirk::new(
            "chokes-on-unknown",
            "drops a changer's answer that begins with 0FH",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x0B] && d.first() == Some(&0x0F) {
                        d.clear();
                    }
                })
            },
        ),
    },
];

/// All peripherals are this much later than usual with their answers, or pause so long in them.
fn slow(s: &mut BoardSetup, late: Option<Micros>, gap: Option<Micros>) {
    let habits = Habits {
        late: late.map(|by| (1, by)),
        gap,
        ..Habits::default()
    };
    behave(s, &[CHANGER, BILL, READER], &habits);
}

fn all_set_up(b: &mut BoardBench) -> Run {
    let from = b.now();
    b.ready_or_not();
    let last = [
        (What::CoinType, "changer"),
        (What::BillType, "validator"),
        (What::ReaderEnable, "reader"),
    ];
    let fitted = last.iter().filter(|(what, _)| b.has(what.address()));
    let missing = fitted.filter(|(what, _)| b.count(from, *what) == 0);
    let missing: Vec<&str> = missing.map(|(_, who)| *who).collect();
    let text = match missing.is_empty() {
        true => "all are set up".to_owned(),
        false => format!("never set up: {}", missing.join(", ")),
    };
    Ok(Seen::judge(missing.is_empty(), text))
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
