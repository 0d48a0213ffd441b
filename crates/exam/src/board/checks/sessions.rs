//! Card sessions: begun, cancelled, left alone, cut short, with one vend or several.

use super::common::{after_vend, buy, buy_with, given, not_given, than_right, times};
use crate::board::bad_habit::{Memory, Said, of_reader};
use crate::board::bench::BoardBench;
use crate::board::heard::{HeardBlock, READER, What};
use crate::board::kit::{Pick, Sum};
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use crate::device::habit::{Context, Habits, Rewrite};
use payrig_bench::action::CashlessAction;
use payrig_mdb::cashless;
use payrig_mdb::cashless::{Report, State, VmcConfig};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "cancel-ends-session",
        title: "Ends the session when the reader asks",
        expected: "SESSION COMPLETE after SESSION CANCEL REQUEST",
        section: "7.4.4, 04H",
        advice: "Cards are held: answer the request.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.rich_card();
            b.secs(2);
            b.at_reader(CashlessAction::PressCancel);
            b.secs(5);
            given(b, from, What::SessionComplete)
        },
        quirk: Quirk::new(
            "ignores-cancel",
            "takes no notice of SESSION CANCEL REQUEST",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x12] && *d == [0x04] {
                        d.clear();
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "unknown-balance-asked",
        title: "Asks a card whose balance is not known",
        expected: "VEND REQUEST after BEGIN SESSION with FFFFH",
        section: "Appendix 3, section 4",
        advice: "Such cards cannot buy: the balance is for display only.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| asked_with(b, None),
        quirk: Quirk::new(
            "wants-a-balance",
            "asks nothing of a card without a balance",
            |s| {
                s.bad.hears = Some(|m, _, d| {
                    if matches!(d.as_slice(), [0x03, 0xFF, 0xFF, ..]) {
                        m.count = 1;
                    }
                });
                s.bad.says = Some(no_request);
            },
        ),
    },
    BoardCheck {
        id: "low-balance-asked",
        title: "Asks a card with too small a balance",
        expected: "VEND REQUEST though the balance is below the price",
        section: "Appendix 3, section 4",
        advice: "Discounts and credit are refused: the balance is for display only.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let low = b.kit().low_balance();
            asked_with(b, Some(low))
        },
        quirk: Quirk::new(
            "judges-the-balance",
            "asks nothing of a card with too little",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    // Amounts of four bytes are not for it.
                    if of_reader(c)
                        && d.len() <= 10
                        && matches!(d.as_slice(), [0x03, 0x00, 0..=12, ..])
                    {
                        m.count = 1;
                    }
                });
                s.bad.says = Some(no_request);
            },
        ),
    },
    BoardCheck {
        id: "multi-vend-only-where-allowed",
        title: "Sells once where a reader allows one vend",
        expected: "SESSION COMPLETE after the first vend",
        section: "Appendix 3, section 4",
        advice: "Readers fall out of step: see bit b1 of their options.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            (s.board.multi_vend, s.cashless.multivend) = (true, false);
        }),
        run: |b| after_vend(b, What::SessionComplete),
        quirk: Quirk::new(
            "multi-vend-everywhere",
            "goes on with the session whatever the reader allows",
            |s| {
                s.bad.hears = Some(|_, _, d| {
                    if let [0x01, _, _, _, _, _, _, misc] = d.as_mut_slice() {
                        *misc |= 2;
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "multi-vend",
        title: "Sells twice in a session where that is allowed",
        expected: "two VEND REQUESTs, one BEGIN SESSION",
        section: "Appendix 3, section 4",
        advice: "Allowed, but customers must present their card again.",
        weight: Weight::Advice,
        arrange: Some(|s| {
            (s.board.multi_vend, s.cashless.multivend) = (true, true);
        }),
        run: |b| {
            let from = buy(b, Pick::Cheap);
            let first = b.now();
            b.select(Pick::Dear);
            b.vend_over(first);
            let text = format!("{} in one session", times(b, from, What::VendRequest));
            Ok(Seen::judge(b.count(from, What::VendRequest) == 2, text))
        },
        quirk: Quirk::new(
            "never-multi-vend",
            "ends every session after one vend",
            |s| {
                s.bad.hears = Some(|_, _, d| {
                    if let [0x01, _, _, _, _, _, _, misc] = d.as_mut_slice() {
                        *misc &= !2;
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "out-of-sequence-resets",
        title: "Resets a reader that is out of step",
        expected: "RESET after COMMAND OUT OF SEQUENCE",
        section: "Appendix 3, section 3",
        advice: "Both sides stay out of step: send RESET.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            let rewrite = Some(says_out_of_sequence as Rewrite);
            s.device_habits.insert(
                READER,
                Habits {
                    rewrite,
                    ..Habits::default()
                },
            );
        }),
        run: |b| {
            buy(b, Pick::Cheap);
            // In the state it was in: enabled (section 7.4.4, 0BH).
            let told = b.blocks().iter().find(|block| {
                let reports = block.reader_reports();
                reports == [Report::OutOfSequence(Some(State::Enabled))]
            });
            let Some(told) = told.map(|block| block.at) else {
                return Ok(Seen::cannot_tell("no vend was asked for"));
            };
            let mut after = b.since(told);
            let reset = after.find(|block| block.is(What::Reset(READER)));
            let reset = reset.map(|block| block.at.since(told));
            let text = match reset {
                Some(after) => format!("RESET after {after}"),
                None => "no RESET".to_owned(),
            };
            Ok(Seen::judge(
                reset.is_some_and(|after| after < Micros::secs(2)),
                text,
            ))
        },
        quirk: Quirk::new(
            "ignores-out-of-sequence",
            "takes COMMAND OUT OF SEQUENCE for a denial",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    // Alone, or behind VEND APPROVED.
                    let told = matches!(d.as_slice(), [0x0B] | [0x0B, _] | [0x05, _, _, 0x0B, _]);
                    if of_reader(c) && told {
                        *d = vec![0x06];
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "not-disabled-in-session",
        title: "Does not disable a reader in a session",
        expected: "no READER DISABLE between BEGIN and END SESSION",
        section: "Appendix 3, section 4",
        advice: "Old readers end the session: leave them enabled.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            let from = buy(b, Pick::Cheap);
            not_given(b, from, What::ReaderDisable)
        },
        quirk: Quirk::new(
            "disables-in-session",
            "sends READER DISABLE in a session",
            |s| {
                s.bad.hears = Some(|m, _, d| {
                    if d.len() > 2 && d.first() == Some(&0x03) {
                        m.count = 1;
                    }
                });
                s.bad.says = Some(|m, c| match c {
                    [0x12] if m.count == 1 => {
                        m.count = 2;
                        Said::Instead(vec![0x14, 0x00])
                    }
                    _ => Said::AsIs,
                });
            },
        ),
    },
    BoardCheck {
        id: "idle-session-ends",
        title: "Ends a session nobody uses",
        expected: "SESSION COMPLETE within 90 s",
        section: COMMON_PRACTICE,
        advice: "The card of one customer pays for the next: end idle sessions.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.rich_card();
            b.secs(90);
            given(b, from, What::SessionComplete)
        },
        quirk: Quirk::new(
            "endless-sessions",
            "lets an idle session go on for an hour",
            |s| s.board.session_timeout = Micros::secs(3_600),
        ),
    },
    BoardCheck {
        id: "session-repeated-once",
        title: "Takes a repeated BEGIN SESSION for one session",
        expected: "one vend, one VEND SUCCESS",
        section: "2.2, Appendix 3, section 3",
        advice: "A repetition upsets the board: one session is one.",
        weight: Weight::Money,
        arrange: Some(|s| {
            s.cashless.quirks.begin_session_repeated = true;
        }),
        run: |b| {
            let from = buy(b, Pick::Cheap);
            let once = [What::VendRequest, What::VendSuccess];
            let text = once.map(|what| times(b, from, what)).join(", ");
            let good = once.iter().all(|what| b.count(from, *what) == 1);
            Ok(Seen::judge(good, text))
        },
        quirk: Quirk::new("sells-twice", "asks again for the same item", |s| {
            s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                ([0x12], [0x03, ..]) => m.count += 1,
                ([0x12], [0x07]) => m.count = 0,
                _ => {}
            });
            s.bad.says = Some(|m, c| match c {
                // BEGIN SESSION came twice, and so does this.
                [0x13, 0x04] if m.count > 1 => {
                    m.count = 0;
                    Said::Instead(vec![0x13, 0x00, 0x00, 0x0D, 0x00, 0x0B])
                }
                _ => Said::AsIs,
            });
        }),
    },
    BoardCheck {
        id: "return-and-card-at-once",
        title: "Copes with a card taken out just as the return is pressed",
        expected: "no coin, and the next card can buy",
        section: "Appendix 3, section 4",
        advice: "Board and reader wait for each other: accept END SESSION whenever it comes.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(2);
            b.take_card();
            b.press_return();
            b.secs(12);
            let coins = b.customer();
            let from = b.now();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Cheap);
            b.vend_over(from);
            let sold = b.delivered().len();
            let text = format!(
                "{} in coins; the next card buys {sold}",
                b.show(coins),
                sold = words::count(sold, "item")
            );
            Ok(Seen::judge(coins.is_zero() && sold == 1, text).beside(coins, Money::ZERO))
        },
        quirk: Quirk::new(
            "knows-one-session",
            "hears of no card once a session ended without a vend",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    // SESSION COMPLETE was all.
                    (c, [0x07]) if of_reader(c) && m.commands.get(&0x13) == Some(&1) => m.count = 1,
                    ([0x12], [0x03, ..]) if m.count == 1 => d.clear(),
                    _ => {}
                })
            },
        ),
    },
    BoardCheck {
        id: "card-taken-in-session",
        title: "Sells nothing on a card that was taken out",
        expected: "SESSION COMPLETE, and no item for a later selection",
        section: "7.3.2, 7.4.4, 04H",
        advice: "Items are given away, or the next customer pays: end the session.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.rich_card();
            b.secs(2);
            b.take_card();
            b.secs(5);
            let ended = b.count(from, What::SessionComplete) > 0;
            let text = times(b, from, What::SessionComplete);
            b.select(Pick::Cheap);
            b.delivery_and(Micros::ms(6_500));
            let sold = b.delivered().len();
            let text = format!("{text}, {} afterwards", words::count(sold, "item"));
            Ok(Seen::judge(ended && sold == 0, text))
        },
        quirk: Quirk::new(
            "keeps-taken-cards",
            "sells on a card that was taken out",
            |s| {
                // SESSION COMPLETE is said without the board's knowing, and it sells all the same.
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    ([0x12], [0x03, ..]) => m.count = 0,
                    ([0x12], [0x04]) => {
                        m.count = 1;
                        d.clear();
                    }
                    (c, [0x07]) if of_reader(c) && m.count > 1 => d.clear(),
                    (c, [0x06] | [0x0B, ..]) if of_reader(c) && m.count > 1 => {
                        *d = vec![0x05, 0x00, 0x0D];
                    }
                    _ => {}
                });
                s.bad.says = Some(|m, c| match c {
                    [0x12] if m.count == 1 => {
                        m.count = 2;
                        Said::Instead(vec![0x13, 0x04])
                    }
                    _ => Said::AsIs,
                });
            },
        ),
    },
    BoardCheck {
        id: "reader-lost-in-session",
        title: "Sells for cash when the reader goes away in mid session",
        expected: "{change} of {over} comes back with the item",
        section: "2.4.3, Appendix 3, section 2",
        advice: "A dead reader stops the machine: forget its session and go on.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(2);
            b.power(READER, false);
            b.secs(10);
            b.put_in(Sum::Over);
            b.secs(2);
            let change = b.kit().change();
            b.sell(Pick::Cheap, change);
            b.press_return();
            b.payout_over();
            let gain = b.customer().saturating_add(b.sold());
            let sold = b.delivered().len();
            let text = format!("{sold} sold; the customer has {}", than_right(b, gain));
            Ok(Seen::judge(sold == 1 && gain.is_zero(), text).beside(gain, Money::ZERO))
        },
        quirk: Quirk::new(
            "cash-off-without-reader",
            "credits no coins while the reader is away",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    let lost = m.silences.get(&READER).is_some_and(|n| *n > 0);
                    if lost && c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                        d.clear();
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "display-request-shown",
        title: "Shows the text of a DISPLAY REQUEST",
        expected: "the text of DISPLAY REQUEST on the display, where the board lends it",
        section: "7.4.4, 02H, Appendix 3, section 4",
        advice: "Customers do not learn why a card is refused: show it, or tell the reader 0 columns.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            b.fit(&[READER])?;
            b.ready();
            let mut commands = b.blocks().iter().filter_map(HeardBlock::to_reader);
            let lends = |config: &VmcConfig| config.columns > 0 && config.rows > 0;
            let lent = commands.any(|command| match command {
                cashless::Kind::SetupConfig(config) => lends(config),
                _ => false,
            });
            if !lent {
                return Ok(Seen::skipped("the board lends readers no display"));
            }
            b.at_reader(CashlessAction::ShowText {
                text: "TRY AGAIN".to_owned(),
                // For somebody who has to look up.
                time: Micros::secs(20),
            });
            b.secs(2);
            let seen = b.showed("TRY AGAIN");
            let text = if seen { "shown" } else { "not shown" };
            Ok(Seen::judge(seen, text))
        },
        quirk: Quirk::new(
            "shows-nothing-for-readers",
            "shows nothing a reader asks for",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    // DISPLAY REQUEST (section 7.4.4, 02H).
                    if let ([0x12], [0x02, ..]) = (c, d.as_slice()) {
                        d.clear();
                    }
                })
            },
        ),
    },
];

fn no_request(m: &mut Memory, command: &[u8]) -> Said {
    match command {
        [0x13, 0x00, ..] if m.count == 1 => Said::Instead(vec![0x12]),
        _ => Said::AsIs,
    }
}

fn says_out_of_sequence(_: &Context<'_>, data: &mut Vec<u8>) {
    if data.first() == Some(&0x05) && data.len() == 3 {
        *data = vec![0x0B, 0x03];
    }
}

fn asked_with(b: &mut BoardBench, balance: Option<i64>) -> Run {
    let from = buy_with(b, balance, Pick::Cheap);
    given(b, from, What::VendRequest)
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
