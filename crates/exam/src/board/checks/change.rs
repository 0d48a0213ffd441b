//! Change: right, once, from what is there; exact change, failed vends.

use super::common::{empty_tubes, kept, sell_for_coins};
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, HeardBlock, What};
use crate::board::kit::{BillFor, Pick, Sum};
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use payrig_bench::action::ChangerAction;
use payrig_mdb::changer::CoinType;
use payrig_mdb::{bill, changer};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "change-right",
        title: "Pays the right change",
        expected: "{over} for an item of {price}: {change} comes back",
        section: "5.3, DISPENSE",
        advice: "Customers are short-changed: see scaling and coin values.",
        weight: Weight::Money,
        arrange: None,
        run: sale,
        quirk: Quirk::new("pays-no-change", "does not pay change", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x0D, ..] => Said::Instead(vec![0x0B]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "dispense-not-repeated",
        title: "Does not pay twice when the ACK of DISPENSE is lost",
        expected: "{change} at the most comes back",
        section: "Appendix 3, section 3, condition 1",
        advice: "A noisy bus pays twice: never repeat DISPENSE blindly.",
        weight: Weight::Money,
        arrange: Some(|s| {
            s.changer_quirks.dispense_without_ack = true;
            s.changer_quirks.double_dispense_on_repeat = true;
        }),
        run: |b| {
            b.ready();
            let change = change_of_sale(b);
            let text = format!("change {}", b.show(change));
            let right = b.kit().change();
            Ok(Seen::judge(change <= right, text).beside(change, right))
        },
        quirk: Quirk::new(
            "repeats-dispense",
            "sends an unacknowledged DISPENSE again",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0D, ..] => {
                        m.kept = c.to_vec();
                        Said::AsIs
                    }
                    // The changer's next command, whatever was said to others meanwhile.
                    [0x08..=0x0F, ..]
                        if m.silences.get(&CHANGER).is_some_and(|n| *n > 0)
                            && m.count == 0
                            && !m.kept.is_empty() =>
                    {
                        m.count = 1;
                        Said::Instead(m.kept.clone())
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "empty-tube-made-up-for",
        title: "Pays with other coins when a tube fails",
        expected: "{change} comes back though a tube it comes from cannot pay",
        section: "5.3, TUBE STATUS",
        advice: "Customers are short-changed: count what came out and pay the rest.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.fit(&[CHANGER])?;
            let tube = b.need(b.kit().made_up_for())?;
            b.at_changer(ChangerAction::BlockTube(CoinType::of(tube).into(), true));
            let change = change_of_sale(b);
            let text = format!("change {}", b.show(change));
            let right = b.kit().change();
            Ok(Seen::judge(change == right, text).beside(change, right))
        },
        quirk: Quirk::new(
            "pays-once-only",
            "orders nothing more once a tube failed",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    // A tube that is full and holds nothing is jammed.
                    if let ([0x0A], [high, low, coins @ ..]) = (c, d.as_slice()) {
                        let full = u16::from_be_bytes([*high, *low]);
                        let jammed = (0..16)
                            .zip(coins)
                            .any(|(t, n)| full >> t & 1 == 1 && *n == 0);
                        m.count |= u32::from(jammed);
                    }
                });
                s.bad.says = Some(|m, c| match c {
                    [0x0D, ..] if m.count == 1 => Said::Instead(vec![0x0B]),
                    _ => Said::AsIs,
                });
            },
        ),
    },
    BoardCheck {
        id: "tube-runs-out-in-payout",
        title: "Pays the rest from other tubes when one fails in mid payout",
        expected: "{all} come back, though a tube jams once coins came and before it gives any",
        section: "5.3, DISPENSE, POLL, TUBE STATUS",
        advice: "Customers are short-changed: read the tubes after a payout and pay what is missing.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            // No single coin type that is in a tube pays this in one order.
            let all = b.put_in(Sum::OwedFromSeveral);
            b.secs(2);
            b.press_return();
            if !b.until_so(Micros::secs(10), |b| b.customer() > -all) {
                return Ok(Seen::cannot_tell("no coin came"));
            }
            // The tube of the next order fails before it gives a coin: all that came is known.
            let from = b.now();
            let ordered = |b: &BoardBench| b.count(from, What::Dispense) > 0;
            if !b.until_so(Micros::secs(10), ordered) {
                return Ok(Seen::cannot_tell(
                    "nothing was ordered once coins came, so that no tube could fail",
                ));
            }
            let order = b.since(from).find_map(|block| match block.to_changer() {
                Some(changer::Command::Dispense { coin_type, .. }) => Some(*coin_type),
                _ => None,
            });
            let jammed = order.unwrap_or(CoinType::of(0));
            b.at_changer(ChangerAction::BlockTube(jammed.into(), true));
            b.secs(40);
            let back = all.saturating_add(b.customer());
            let text = format!(
                "{} of {} came back, though tube {jammed} jammed",
                b.show(back),
                b.show(all)
            );
            Ok(Seen::judge(back == all, text).beside(back, all))
        },
        quirk: Quirk::new(
            "believes-jammed-tube",
            "takes the coin of type 1 for paid when its tube is jammed",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c != [0x0A] {
                        return;
                    }
                    match d.as_mut_slice() {
                        // The dimes are full and none at once: jammed. It believes one is gone.
                        [_, full, _, dimes, ..] if *full & 0x02 != 0 && *dimes == 0 => {
                            *full &= !0x02;
                            *dimes = m.kept.get(3).map_or(0, |known| known.saturating_sub(1));
                        }
                        _ => m.kept.clone_from(d),
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "no-bill-without-change",
        title: "Takes no bill it cannot change",
        expected: "{bill} comes back while the tubes are empty",
        section: COMMON_PRACTICE,
        advice: "Customers cannot get change: hold bills off when tubes are empty.",
        weight: Weight::Rule,
        arrange: Some(empty_tubes),
        run: |b| {
            b.ready();
            b.fit(&[BILL, CHANGER])?;
            b.need(b.kit().bill_needs_change())?;
            b.bill(BillFor::Change);
            b.secs(12);
            let kept = kept(b);
            Ok(Seen::judge(
                kept.is_zero(),
                format!("{} kept", b.show(kept)),
            ))
        },
        quirk: Quirk::new(
            "takes-every-bill",
            "takes the bill of type 0 whatever the tubes hold",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x34, 0, 0, ..] => {
                        m.count = 1;
                        Said::Changed(vec![0x34, 0x00, 0x01, 0x00, 0x01])
                    }
                    [0x34, ..] => {
                        m.count = 0;
                        Said::AsIs
                    }
                    [0x35, ..] if m.count == 1 => Said::Changed(vec![0x35, 0x01]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "bills-again-with-change",
        title: "Takes bills again once it has change",
        expected: "BILL TYPE enables {bill} after sales filled the tubes",
        section: COMMON_PRACTICE,
        advice: "Bills stay off for ever: look at the tubes after every coin.",
        weight: Weight::Rule,
        arrange: Some(empty_tubes),
        run: |b| {
            b.fit(&[BILL, CHANGER])?;
            let (bill_type, value) = b.need(b.kit().bill(BillFor::Change))?;
            let from = b.ready();
            sell_for_coins(b)?;
            let enables = |block: &HeardBlock| match block.to_bill() {
                Some(bill::Command::BillType { enable, .. }) => Some(*enable),
                _ => None,
            };
            let last = b.since(from).filter_map(enables).next_back();
            let enabled = last.is_some_and(|types| types.contains(bill_type));
            let sold = b.delivered().len();
            let text = format!(
                "after {sold} with coins {} is {}",
                b.show(value),
                if enabled { "enabled" } else { "still off" },
                sold = words::count(sold, "sale")
            );
            Ok(Seen::judge(enabled, text))
        },
        quirk: Quirk::new(
            "bills-off-for-ever",
            "never enables bills again once all tubes were empty",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    let empty = |coins: &[u8]| coins.iter().all(|n| *n == 0);
                    if let ([0x0A], [_, _, coins @ ..]) = (c, d.as_slice()) {
                        m.count |= u32::from(empty(coins));
                    }
                });
                s.bad.says = Some(|m, c| match c {
                    [0x34, ..] if m.count == 1 => Said::Changed(vec![0x34, 0, 0, 0, 0]),
                    _ => Said::AsIs,
                });
            },
        ),
    },
    BoardCheck {
        id: "exact-change-shown",
        title: "Shows that exact change is needed",
        expected: "the light is on while the tubes are empty",
        section: COMMON_PRACTICE,
        advice: "Customers are surprised: switch the light on.",
        weight: Weight::Advice,
        arrange: Some(empty_tubes),
        run: |b| {
            b.ready();
            needs_change(b)?;
            let on = b.exact_change();
            let text = format!("the light is {}", if on { "on" } else { "off" });
            Ok(Seen::judge(on, text))
        },
        quirk: Quirk::new("no-light", "never shows exact change", |s| {
            s.bad.no_exact_change_light = true
        }),
    },
    BoardCheck {
        id: "exact-change-cleared",
        title: "Clears the exact-change light when the tubes are filled",
        expected: "the light is on with empty tubes, and off after coins filled them",
        section: COMMON_PRACTICE,
        advice: "Customers with bills go away: look at the tubes after every coin.",
        weight: Weight::Advice,
        arrange: Some(empty_tubes),
        run: |b| {
            b.ready();
            needs_change(b)?;
            b.need(b.kit().sales())?;
            let before = b.exact_change();
            sell_for_coins(b)?;
            let after = b.exact_change();
            let say = |on: bool| if on { "on" } else { "off" };
            let text = format!("the light was {}, then {}", say(before), say(after));
            Ok(Seen::judge(before && !after, text))
        },
        quirk: Quirk::new("light-stays-on", "the light, once on, stays on", |s| {
            s.bad.light_stays_on = true
        }),
    },
    BoardCheck {
        id: "failed-vend-keeps-credit",
        title: "Keeps the credit when an item does not fall",
        expected: "{over} comes back",
        section: COMMON_PRACTICE,
        advice: "Customers pay for nothing: see the drop sensor.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.block_motor(Pick::Cheap);
            let over = b.put_in(Sum::Over);
            b.secs(2);
            b.select(Pick::Cheap);
            let most = b.habits().delivery + Micros::ms(3_500);
            b.within(most, |b| b.customer() > -over);
            // Some boards pay back at once, others wait for the return.
            b.press_return();
            b.secs(10);
            let back = b.customer().saturating_add(over);
            let text = format!("{} of {} came back", b.show(back), b.show(over));
            Ok(Seen::judge(back == over, text).beside(back, over))
        },
        quirk: Quirk::new(
            "no-drop-sensor",
            "does not notice that an item did not fall",
            |s| s.bad.no_drop_sensor = true,
        ),
    },
];

/// Coins for the cheap selection with change, the selection, and what came back: by itself, or where the board keeps credit at the
/// coin return.
fn change_of_sale(b: &mut BoardBench) -> Money {
    let over = b.put_in(Sum::Over);
    b.secs(2);
    let change = b.kit().change();
    b.sell(Pick::Cheap, change);
    b.customer().saturating_add(over)
}

fn sale(b: &mut BoardBench) -> Run {
    b.ready();
    let change = change_of_sale(b);
    let sold = b.delivered().len();
    let card = b
        .kit()
        .sum_worth(Sum::Over)
        .saturating_sub(b.kit().card_price());
    let which = match change == card && card != b.kit().change() {
        true => ": the card price was charged",
        false => "",
    };
    let text = format!("{sold} sold, change {}{which}", b.show(change));
    let right = b.kit().change();
    Ok(Seen::judge(change == right && sold == 1, text).beside(change, right))
}

/// Ends a check of the exact-change light where the light cannot tell anything.
fn needs_change(b: &BoardBench) -> Result<(), Seen> {
    b.fit(&[BILL, CHANGER])?;
    b.need(b.kit().bill(BillFor::Change))?;
    b.need(b.kit().bill_needs_change())
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
