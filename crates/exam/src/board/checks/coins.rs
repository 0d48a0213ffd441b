//! Coins: credited, once, by their reports only.

use super::common::{refund, refunds};
use crate::board::bench::BoardBench;
use crate::board::heard::CHANGER;
use crate::board::kit::{CoinFor, Pick, Sum};
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Weight};
use payrig_bench::action::ChangerAction;
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_units::{Micros, Money};
use payrig_wire::Source;

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "coin-to-tube-credited",
        title: "Credits a coin that went to its tube",
        expected: "{tube} comes back on return",
        section: "5.3, POLL",
        advice: "Customers lose coins: credit both routings.",
        weight: Weight::Money,
        arrange: None,
        run: |b| coin(b, CoinFor::Tube),
        quirk: Quirk::new("misses-tube-coins", "does not credit coins to tubes", |s| {
            s.bad.hears = Some(|_, c, d| {
                if c == [0x0B] && matches!(d.as_slice(), [0x50..=0x5F, _]) {
                    d.clear();
                }
            })
        }),
    },
    BoardCheck {
        id: "coin-to-cash-box-credited",
        title: "Credits a coin that went to the cash box",
        expected: "{box} comes back on return",
        section: "5.3, POLL",
        advice: "Customers lose coins: credit both routings.",
        weight: Weight::Money,
        arrange: None,
        run: |b| coin(b, CoinFor::CashBox),
        quirk: Quirk::new(
            "misses-cash-box-coins",
            "does not credit coins to the cash box",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x0B] && matches!(d.as_slice(), [0x40..=0x4F, _]) {
                        d.clear();
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "several-coins-credited",
        title: "Credits several coins of one answer",
        expected: "{tube} and {other} in one answer: {tubes} comes back",
        section: "5.3, Appendix 3, section 4",
        advice: "Coins put in quickly are lost: read the whole answer.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            let (_, other) = b.need(b.kit().coin(CoinFor::OtherTube))?;
            // Long enough for both coins, however often the board polls, and short of the two seconds after
            // which a silent changer is reset (2.5, 5.4).
            b.fault(fault(
                FaultKind::Deaf,
                Source::Master,
                FrameKind::Block,
                500,
            ));
            b.coin(CoinFor::Tube);
            b.coin(CoinFor::OtherTube);
            b.wait(Micros::ms(900));
            b.end_faults(CHANGER);
            b.secs(3);
            refunds(b, tube.saturating_add(other))
        },
        quirk: Quirk::new(
            "reads-first-coin-only",
            "reads only the first report of a changer's answer",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x0B] && d.len() >= 4 {
                        d.truncate(2);
                    }
                })
            },
        ),
    },
    // vmc.py of ../shared/peers has this as `wrong-coin-scaling`. Coins that come back as they went in
    // hide it: credit and tubes are wrong by the same factor.
    BoardCheck {
        id: "coins-buy-at-face-value",
        title: "Sells for coins of exactly the price",
        expected: "{price} in coins buys an item of {price}, and nothing comes back",
        section: "5.3, SETUP, POLL",
        advice: "Coins are worth more or less than they are: a credit byte is a count of the scaling factor.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let price = b.put_in(Sum::Exact);
            b.secs(2);
            b.select(Pick::Cheap);
            b.delivery_and(Micros::ms(3_500));
            let back = refund(b);
            let sold = b.delivered().len();
            let text = format!("{sold} sold, {} came back", b.show(back));
            // It wants more than the cash price.
            let dearer = b.kit().card_price() > b.kit().price() && sold == 0 && back == price;
            Ok(Seen::judge(sold == 1 && b.customer() == -price, text)
                .beside(back, Money::ZERO)
                .matter_of("cash-pays-cash-price", dearer))
        },
        quirk: Quirk::new(
            "takes-counts-for-cents",
            "takes a credit byte for cents, whatever the scaling factor",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if let ([0x09], [_, _, _, factor, ..]) = (c, d.as_mut_slice()) {
                        *factor = 1;
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "coin-credited-once",
        title: "Credits a coin once when its ACK was lost",
        expected: "{tube} reported twice: {tube} comes back",
        section: "Appendix 3, section 3, condition 2",
        advice: "Where more came back, a noisy bus makes money: tell repetitions from new coins. Where less did, coins are lost.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack, 1));
            b.coin(CoinFor::Tube);
            b.secs(4);
            refunds(b, tube)
        },
        quirk: Quirk::new(
            "credits-repetitions",
            "takes a repeated report for a new coin",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x0B] && matches!(d.as_slice(), [0x50..=0x5F, _]) {
                        m.count += 1;
                        if m.count > 1
                            && let Some(last) = d.last_mut()
                        {
                            *last = last.wrapping_add(1);
                        }
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "bad-checksum-not-credited",
        title: "Credits nothing by a wrong checksum",
        expected: "a damaged report of {tube}: {tube} comes back, no other coin",
        section: "2.2, 2.5 D",
        advice: "Where more came back, noise makes money: check the sum of every answer. Where less did, coins are lost.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            let flip = FaultKind::Flip { word: 0, bit: 0 };
            b.fault(fault(flip, Source::Peripheral, FrameKind::Block, 1));
            b.coin(CoinFor::Tube);
            b.secs(4);
            refunds(b, tube)
        },
        quirk: Quirk::new("ignores-checksums", "takes answers with a wrong CHK", |s| {
            s.bad.ignores_checksum = true
        }),
    },
    BoardCheck {
        id: "slug-not-credited",
        title: "Credits no slug",
        expected: "nothing comes back on return",
        section: "5.3, POLL",
        advice: "Slugs make money: read the report's code.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.slug();
            b.secs(2);
            refunds(b, Money::ZERO)
        },
        quirk: Quirk::new("credits-slugs", "takes a slug for a coin", |s| {
            s.bad.hears = Some(|_, c, d| {
                if c == [0x0B] && matches!(d.as_slice(), [0x20..=0x3F]) {
                    *d = vec![0x52, 0x1A];
                }
            })
        }),
    },
    BoardCheck {
        id: "double-arrival-not-credited",
        title: "Credits nothing for DOUBLE ARRIVAL",
        expected: "nothing comes back on return",
        section: "5.3, POLL 05H",
        advice: "Status codes make money: read the report's code.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.at_changer(ChangerAction::InsertTwoCoins);
            b.secs(2);
            refunds(b, Money::ZERO)
        },
        quirk: Quirk::new(
            "credits-double-arrival",
            "takes DOUBLE ARRIVAL for a coin",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x0B] && *d == [0x05] {
                        *d = vec![0x52, 0x1A];
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "lever-pays-back",
        title: "Pays back at the return lever",
        expected: "{tube} comes back on ESCROW REQUEST",
        section: "5.3, POLL 01H",
        advice: "Customers cannot get their money back: act on ESCROW REQUEST.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.coin(CoinFor::Tube);
            b.secs(2);
            b.at_changer(ChangerAction::HoldLever(true));
            b.secs(10);
            let back = b.customer().saturating_add(tube);
            let text = format!("{} of {} came back", b.show(back), b.show(tube));
            Ok(Seen::judge(back == tube, text).beside(back, tube))
        },
        quirk: Quirk::new("ignores-lever", "takes no notice of the lever", |s| {
            s.bad.hears = Some(|_, c, d| {
                if c == [0x0B] && *d == [0x01] {
                    d.clear();
                }
            })
        }),
    },
];

fn fault(kind: FaultKind, from: Source, frame: FrameKind, count: u32) -> Fault {
    Fault {
        kind,
        from,
        frame,
        address: Some(Address::CHANGER),
        skip: 0,
        count,
    }
}

fn coin(b: &mut BoardBench, which: CoinFor) -> Run {
    b.ready();
    b.fit(&[CHANGER])?;
    let (_, value) = b.need(b.kit().coin(which))?;
    b.coin(which);
    b.secs(2);
    refunds(b, value)
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
