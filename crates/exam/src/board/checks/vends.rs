//! Vends by card: prices, decisions, failures.

use super::common::{after_vend, buy, given, times};
use crate::board::bad_habit::{Said, of_reader};
use crate::board::bench::BoardBench;
use crate::board::heard::{HeardBlock, READER, What};
use crate::board::kit::{CoinFor, Kit, Pick};
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use payrig_controller::Item;
use payrig_mdb::cashless;
use payrig_peripherals::cashless::Policy;
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "price-asked",
        title: "Asks a card for the price",
        expected: "VEND REQUEST of {counts} of {count} for {card}",
        section: "7.4.5",
        advice: "Customers pay a wrong price: see the reader's scaling.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = buy(b, Pick::Cheap);
            let mut commands = b.since(from).filter_map(HeardBlock::to_reader);
            let price = commands.find_map(|command| match command {
                cashless::Kind::VendRequest(request) => Some(request.price),
                _ => None,
            });
            let Some(price) = price else {
                return Ok(Seen::fail("no VEND REQUEST"));
            };
            let kit = b.kit();
            let right = i64::from(price) == kit.counts(kit.card_price());
            let cash = kit.price() != kit.card_price()
                && i64::from(price) * kit.count().as_minor() == kit.price().as_minor();
            let text = format!(
                "asked for {} of {}{}",
                words::count(price, "count"),
                b.show(kit.count()),
                if cash {
                    ", which is the cash price"
                } else {
                    ""
                }
            );
            Ok(Seen::judge(right, text)
                .beside(i64::from(price), kit.counts(kit.card_price()))
                .matter_of("card-pays-card-price", cash))
        },
        quirk: Quirk::new("asks-more", "asks for one count more", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x13, 0x00, h, l, rest @ ..] => {
                    let mut out = vec![0x13, 0x00, *h, l + 1];
                    out.extend(rest);
                    Said::Changed(out)
                }
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "price-not-divisible",
        title: "Asks for no price that the reader cannot express",
        expected: "with a scale factor that does not divide it nothing else than {card} is asked",
        section: "7.4.2, 7.4.5",
        advice: "Customers pay a wrong price: refuse the sale.",
        weight: Weight::Money,
        arrange: Some(|s| {
            let price = Kit::of(s).card_price().as_minor();
            let divides = |scale: u8| price % i64::from(scale) == 0;
            let mut scales = (10..=u8::MAX).chain(2..10);
            s.cashless.scale = scales.find(|scale| !divides(*scale)).unwrap_or(10);
        }),
        run: |b| {
            let from = buy(b, Pick::Cheap);
            let asked = times(b, from, What::VendRequest);
            let price = b.show(b.kit().card_price());
            let text = format!("{price} in steps that do not divide it: {asked}");
            Ok(Seen::judge(b.count(from, What::VendRequest) == 0, text))
        },
        quirk: Quirk::new("ignores-scaling", "takes every scale factor for 5", |s| {
            s.bad.hears = Some(|_, _, d| {
                if let [0x01, _, _, _, scale, _, _, _] = d.as_mut_slice() {
                    *scale = 5;
                }
            })
        }),
    },
    BoardCheck {
        id: "vend-success-said",
        title: "Reports that an item was delivered",
        expected: "VEND SUCCESS after VEND APPROVED",
        section: "7.4.7",
        advice: "Readers refund what was sold: tell the end of every vend.",
        weight: Weight::Money,
        arrange: None,
        run: |b| after_vend(b, What::VendSuccess),
        quirk: Quirk::new("no-vend-success", "never says VEND SUCCESS", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x13, 0x02, ..] => Said::Instead(vec![0x12]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "session-completed",
        title: "Ends a session after a vend",
        expected: "SESSION COMPLETE",
        section: "7.4.9",
        advice: "Readers stay in a session: end it.",
        weight: Weight::Rule,
        // Where a reader allows several vends, a board may go on with the session.
        arrange: Some(|s| s.cashless.multivend = false),
        run: |b| after_vend(b, What::SessionComplete),
        quirk: Quirk::new("no-session-complete", "never says SESSION COMPLETE", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x13, 0x04] => Said::Instead(vec![0x12]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "denied-not-sold",
        title: "Sells nothing when the card denies",
        expected: "no VEND SUCCESS after VEND DENIED, no item",
        section: "7.4.5",
        advice: "Items are given away: read the answer.",
        weight: Weight::Money,
        arrange: Some(|s| {
            s.cashless.policy = Policy::Deny;
        }),
        run: |b| {
            let from = buy(b, Pick::Cheap);
            let fell = b.delivered().len();
            let success = times(b, from, What::VendSuccess);
            let text = format!("{success}, {}", words::count(fell, "item"));
            let denied = b.count(from, What::VendSuccess) == 0 && fell == 0;
            Ok(Seen::judge(denied, text))
        },
        quirk: Quirk::new(
            "sells-when-denied",
            "takes VEND DENIED for VEND APPROVED",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if of_reader(c) && *d == [0x06] {
                        *d = vec![0x05, 0x00, 0x0D];
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "approved-for-less",
        title: "Sells when less than the price is deducted",
        expected: "VEND SUCCESS after VEND APPROVED of {less}",
        section: "Appendix 3, section 4",
        advice: "Discounts are refused: the amount is the reader's matter.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            s.cashless.policy = Policy::ApproveLess(Kit::of(s).discount());
        }),
        run: |b| after_vend(b, What::VendSuccess),
        quirk: Quirk::new(
            "refuses-discounts",
            "takes an approval of less than 13 counts for a denial",
            |s| {
                s.bad.hears = Some(|_, _, d| {
                    if matches!(d.as_slice(), [0x05, 0x00, n] if *n < 13) {
                        *d = vec![0x06];
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "vend-failure-said",
        title: "Reports that an item was not delivered",
        expected: "VEND FAILURE with a blocked motor",
        section: "7.4.8, Appendix 3, section 4",
        advice: "Customers pay for nothing: say VEND FAILURE.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.block_motor(Pick::Cheap);
            let from = buy(b, Pick::Cheap);
            // Nothing said is another matter than the wrong thing said.
            let silent = b.count(from, What::VendSuccess) == 0;
            let seen = given(b, from, What::VendFailure)?;
            Ok(seen.matter_of("failed-card-vend-refunded", silent))
        },
        quirk: Quirk::new(
            "says-success-always",
            "says VEND SUCCESS for a failed vend",
            |s| {
                s.bad.says = Some(|_, c| match c {
                    [0x13, 0x03] => Said::Changed(vec![0x13, 0x02, 0x00, 0x0B]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "card-money-not-paid-in-cash",
        title: "Pays no card money in cash",
        expected: "no coin after a failed card vend and return",
        section: "Appendix 3, section 4",
        advice: "Cards are turned into cash: refund on the card only.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.block_motor(Pick::Cheap);
            buy(b, Pick::Cheap);
            b.secs(5);
            let before = b.customer();
            b.press_return();
            b.secs(8);
            let paid = b.customer().max(before);
            Ok(
                Seen::judge(paid.is_zero(), format!("{} paid in coins", b.show(paid)))
                    .beside(paid, Money::ZERO),
            )
        },
        quirk: Quirk::new(
            "pays-card-money",
            "pays coins after a failed card vend",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x13, 0x03] if m.count == 0 => {
                        m.count = 1;
                        Said::AsIs
                    }
                    [0x0B] if m.count == 1 => {
                        m.count = 2;
                        Said::Instead(vec![0x0D, 0x12])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "vend-timed-out",
        title: "Gives up a vend that is never decided",
        expected: "VEND CANCEL, SESSION COMPLETE or RESET within 40 s",
        section: "7.4.6, 7.5",
        advice: "The machine hangs: cancel after the response time.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            s.cashless.quirks.never_answers_vend_request = true;
        }),
        run: |b| {
            let from = buy(b, Pick::Cheap);
            b.secs(35);
            let endings = [What::VendCancel, What::SessionComplete, What::Reset(READER)];
            let gave_up = endings.into_iter().filter(|what| b.count(from, *what) > 0);
            let gave_up: Vec<&str> = gave_up.map(What::name).collect();
            let text = match gave_up.is_empty() {
                true => "nothing for 40 s".to_owned(),
                false => gave_up.join(", "),
            };
            Ok(Seen::judge(!gave_up.is_empty(), text))
        },
        quirk: Quirk::new("waits-for-ever", "waits for ever for a decision", |s| {
            s.bad.hears = Some(|m, c, d| {
                if of_reader(c) && matches!(d.as_slice(), [0x05 | 0x06, ..]) {
                    m.count = 0;
                }
            });
            s.bad.says = Some(|m, c| match c {
                [0x13, 0x00, ..] => {
                    m.count = 1;
                    Said::AsIs
                }
                [0x13, 0x01 | 0x04] | [0x10] if m.count == 1 => Said::Instead(vec![0x12]),
                _ => Said::AsIs,
            });
        }),
    },
    BoardCheck {
        id: "failed-card-vend-refunded",
        title: "Has a failed card vend refunded",
        expected: "the card has paid nothing after an item did not fall",
        section: "7.4.8, Appendix 3, section 4",
        advice: "Customers pay for nothing: VEND FAILURE is what makes the reader refund.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            refunds_cards(b)?;
            failed(b, &[Pick::Cheap])
        },
        quirk: Quirk::new(
            "keeps-failures-to-itself",
            "says nothing of a failed vend",
            |s| {
                s.bad.says = Some(|_, c| match c {
                    [0x13, 0x03] => Said::Instead(vec![0x12]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "failure-in-multi-vend",
        title: "Reports a failed vend in a session of several",
        expected: "of two items one falls: the card has paid for one",
        section: "7.4.8, Appendix 3, section 4",
        advice: "Customers pay for nothing: say VEND FAILURE for each vend that fails.",
        weight: Weight::Money,
        arrange: Some(|s| {
            (s.board.multi_vend, s.cashless.multivend) = (true, true);
        }),
        run: |b| {
            refunds_cards(b)?;
            failed(b, &[Pick::Dear, Pick::Cheap])
        },
        quirk: Quirk::new(
            "success-for-all-after-one",
            "says VEND SUCCESS for every vend once one succeeded",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x13, 0x02, ..] => {
                        m.count = 1;
                        Said::AsIs
                    }
                    [0x13, 0x03] if m.count == 1 => Said::Changed(vec![0x13, 0x02, 0x00, 0x0B]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "item-number-told",
        title: "Sends the reader the item number",
        expected: "VEND REQUEST and VEND SUCCESS with item {item}",
        section: "7.4.5, 7.4.7, Appendix 3, section 4",
        advice: "Discounts and statistics by item do not work: send the number of the selection.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            let from = buy(b, Pick::Cheap);
            let commands = b.since(from).filter_map(HeardBlock::to_reader);
            let items = commands.filter_map(|command| match command {
                cashless::Kind::VendRequest(request) => Some(request.item),
                cashless::Kind::VendSuccess(success) => Some(success.item),
                _ => None,
            });
            let items: Vec<u16> = items.collect();
            let good = items.len() >= 2 && items.iter().all(|i| *i == b.number(Pick::Cheap));
            let items: Vec<String> = items.iter().map(ToString::to_string).collect();
            let text = match items.is_empty() {
                true => "no item number".to_owned(),
                false => format!("item numbers {}", items.join(" and ")),
            };
            Ok(Seen::judge(good, text))
        },
        quirk: Quirk::new("item-zero", "says item 0 for everything", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x13, sub @ (0x00 | 0x02), rest @ ..] => {
                    let mut out = vec![0x13, *sub];
                    out.extend(rest.iter().take(rest.len().saturating_sub(2)));
                    out.extend([0, 0]);
                    Said::Changed(out)
                }
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "cash-and-card-add-up",
        title: "Takes the price once from cash and card together",
        expected: "{tube} in coins and a card: both together have paid what was sold",
        section: "Appendix 3, section 4",
        advice: "Customers pay twice: say which money is used first, and give back the rest.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.coin(CoinFor::Tube);
            b.secs(2);
            b.rich_card();
            b.secs(2);
            let (from, before) = (b.now(), b.customer());
            b.select(Pick::Cheap);
            let most = b.habits().delivery + Micros::ms(8_500);
            b.within(most, |b| b.customer() > before || b.card_vend_over(from));
            b.secs(2);
            b.press_return();
            b.payout_over();
            let cash = -b.customer();
            let paid = cash.saturating_add(b.card_paid());
            // What a card takes part in may have its card price.
            let sold = match b.card_paid().is_zero() {
                true => b.sold(),
                false => b.sold_at_card_prices(),
            };
            let text = format!(
                "goods of {}; {} paid in cash, {} by card",
                b.show(sold),
                b.show(cash),
                b.show(b.card_paid())
            );
            // What is paid too much is less that was got for it.
            Ok(Seen::judge(paid == sold, text).beside(sold, paid))
        },
        quirk: Quirk::new(
            "keeps-cash-beside-card",
            "pays no coins once a card was asked",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x13, 0x00, ..] => {
                        m.count = 1;
                        Said::AsIs
                    }
                    [0x0D, ..] if m.count == 1 => Said::Instead(vec![0x0B]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "card-price-as-cash-price",
        title: "Charges a card its price",
        expected: "an item of {price} in cash costs the card {card}",
        section: COMMON_PRACTICE,
        advice: "If the price for cards is meant, say it in the rig (card-price); else see the price list for cards.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            buy(b, Pick::Cheap);
            let paid = b.card_paid();
            let (cash, card) = (b.kit().price(), b.kit().card_price());
            let as_cash = paid == cash && cash != card;
            let which = match as_cash {
                true => ", which is the cash price",
                false => "",
            };
            let text = format!(
                "the card paid {} for an item of {}{which}",
                b.show(paid),
                b.show(card)
            );
            Ok(Seen::judge(paid == card, text)
                .beside(paid, card)
                .matter_of("card-pays-card-price", as_cash))
        },
        quirk: Quirk::new("cheaper-by-card", "asks a card for two counts less", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x13, 0x00, h, l, rest @ ..] => {
                    let mut out = vec![0x13, 0x00, *h, l.saturating_sub(2)];
                    out.extend(rest);
                    Said::Changed(out)
                }
                _ => Said::AsIs,
            })
        }),
    },
];

/// Ends a check of refunds where the reader gives none (section 7.4.2, Z8, b0).
fn refunds_cards(b: &BoardBench) -> Result<(), Seen> {
    b.fit(&[READER])?;
    match b.refunds_cards() {
        true => Ok(()),
        false => Err(Seen::skipped(
            "needs a reader that gives refunds: the one of the rig says that it does not",
        )),
    }
}

/// Buys these; the last is the cheap selection, whose motor is blocked.
fn failed(b: &mut BoardBench, items: &[Pick]) -> Run {
    b.ready();
    b.block_motor(Pick::Cheap);
    b.rich_card();
    b.secs(2);
    for item in items {
        let from = b.now();
        b.select(*item);
        b.vend_over(from);
    }
    b.press_return();
    b.secs(5);
    let text = format!(
        "{}, {} paid by the card",
        words::count(b.delivered().len(), "item"),
        b.show(b.card_paid())
    );
    let fell = items.iter().filter(|pick| **pick != Pick::Cheap);
    let price = |pick: &Pick| b.kit().item(*pick).map_or(Money::ZERO, Item::card_price);
    let wanted: Money = fell.map(price).sum();
    // What is paid too much is less that was got for it.
    Ok(Seen::judge(b.card_paid() == wanted, text).beside(wanted, b.card_paid()))
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
