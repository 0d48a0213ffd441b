//! Coins fed: reported once, by their routing, or refused.

use super::{
    accept, coins, inside, poll_answered, setup, start, used, waiting_coin, watch, watch_coin,
};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::checks::common::{answered, found, order, until_just_reset};
use crate::device::habit::Context;
use crate::device::{Close, DeviceCheck, altered};
use payrig_bench::Observation;
use payrig_mdb::changer::{CoinType, CoinTypes, Command, Report, Response, Routing};
use payrig_units::{Micros, Money, Place, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "coin-values",
        title: "Says what its coins are worth",
        expected: "level 2 or 3, a scaling factor, coin values in ascending order",
        section: "5.3, SETUP",
        advice: "Boards credit wrong amounts. Check its coin set and configuration.",
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
            if !matches!(setup.level, 2 | 3) {
                wrong.push(format!("level {} is none of this standard", setup.level));
            }
            if setup.scaling_factor == 0 {
                wrong.push("the scaling factor is 0: coins are worth nothing".to_owned());
            }
            if values.is_empty() {
                wrong.push("no coin has a value".to_owned());
            }
            if values.iter().zip(values.iter().skip(1)).any(|(a, b)| a > b) {
                wrong.push("values do not ascend".to_owned());
            }
            let text = format!(
                "level {}, scaling factor {}, coins {}{}{}",
                setup.level,
                setup.scaling_factor,
                shown.join(" "),
                if wrong.is_empty() { "" } else { ": " },
                wrong.join(", ")
            );
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "each-coin-reported-once",
        title: "Reports each coin once",
        expected: "every coin type fed is reported exactly once, by its own type",
        section: "5.3, POLL",
        advice: "Boards credit too much or too little. Clean the coin path. If that does not \
                 help, replace it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "duplicate-report-after-ack",
            "reports each coin twice",
            |s| s.changer_quirks.duplicate_report_after_ack = true,
        ),
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let mut wrong = Vec::new();
            let used = used(&setup);
            for (coin_type, value) in &used {
                b.act(b.coin(*coin_type))?;
                let seen = coins(&watch_coin(b));
                let own = seen.iter().filter(|(t, _)| t == coin_type).count();
                if own != 1 || seen.len() != 1 {
                    let value = b.show(*value);
                    wrong.push(format!(
                        "{value} reported {own}, others {}",
                        seen.len() - own,
                        own = words::times(own)
                    ));
                }
            }
            let text = match wrong.is_empty() {
                true => format!(
                    "{} fed, each reported once",
                    words::count(used.len(), "coin")
                ),
                false => wrong.join("; "),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "coin-repeated-after-lost-ack",
        title: "Repeats a coin whose report was not acknowledged",
        expected: "the same report at the next POLL, and not again after its ACK",
        section: "2.2, Appendix 3, section 3",
        advice: "Customers lose money on a noisy bus. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "forgets-unacknowledged",
            "forgets a coin whose report was not acknowledged",
            |s| s.habits.silence_is_ack_of = Some(|data| matches!(data, [0x40..=0x7F, ..])),
        ),
        arrange: None,
        run: |b| {
            waiting_coin(b)?;
            let first_coins = match answered(b, &Command::Poll, Close::Silence) {
                Ok(Response::Poll(reports)) => coins(&reports).len(),
                _ => 0,
            };
            if first_coins == 0 {
                return Ok(Seen::cannot_tell("no coin was reported"));
            }
            let again = coins(&poll_answered(b)).len();
            let text = format!(
                "reported {first_coins}, after the lost ACK {again}",
                first_coins = words::times(first_coins),
                again = words::times(again)
            );
            Ok(Seen::judge(again == first_coins, text))
        },
    },
    Check {
        id: "disabled-coins-refused",
        title: "Refuses each coin that is disabled",
        expected: "one type off at a time: that one falls through, the next is taken",
        section: "5.3, COIN TYPE",
        advice: "It takes coins the board will not credit. Replace the acceptor.",
        weight: Weight::Money,
        quirk: Quirk {
            name: "accepts-disabled-coins",
            about: "takes coins that are off",
            caught_by: &["all-coins-off-after-reset"],
            apply: |s| s.changer_quirks.accepts_disabled_coins = true,
        },
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let mut wrong = Vec::new();
            let used = used(&setup);
            for (coin_type, value) in &used {
                accept(b, CoinTypes::ALL.without(*coin_type))?;
                let before = inside(b);
                b.act(b.coin(*coin_type))?;
                let seen = coins(&watch_coin(b));
                if !seen.is_empty() || inside(b) != before {
                    wrong.push(format!("{} taken while disabled", b.show(*value)));
                }
                if let Some((other, value)) = used.iter().find(|(t, _)| t != coin_type) {
                    b.act(b.coin(*other))?;
                    if !coins(&watch_coin(b)).iter().any(|(t, _)| t == other) {
                        wrong.push(format!("{} refused while enabled", b.show(*value)));
                    }
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
        id: "all-coins-off-after-reset",
        title: "Takes no coin after RESET",
        expected: "every coin falls through until COIN TYPE enables it",
        section: "5.3, RESET",
        advice: "Coins are taken while the board cannot credit them. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("stays-enabled", "stays enabled after RESET", |s| {
            s.habits.stays_enabled = true
        }),
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            order(b, &Command::Reset)?;
            until_just_reset(b);
            watch(b, Micros::secs(1));
            let before = inside(b);
            let used = used(&setup);
            for (coin_type, _) in &used {
                b.act(b.coin(*coin_type))?;
                watch_coin(b);
            }
            let taken = inside(b).saturating_sub(before);
            let text = format!(
                "{} fed, {} taken",
                words::count(used.len(), "coin"),
                b.show(taken)
            );
            Ok(Seen::judge(taken.is_zero(), text))
        },
    },
    Check {
        id: "slug-not-credited",
        title: "Credits no slug",
        expected: "no coin reported for an object that is none",
        section: "5.3, POLL",
        advice: "Clean the acceptor and teach it its coins again. If that does not help, replace \
                 it.",
        weight: Weight::Money,
        quirk: Quirk::new("credits-slugs", "reports a slug as a coin", |s| {
            s.habits.rewrite = Some(credits_slugs)
        }),
        arrange: None,
        run: |b| {
            start(b)?;
            b.act(b.slug())?;
            let reports = watch_coin(b);
            let credited = coins(&reports).len();
            let said: Vec<String> = reports.iter().map(ToString::to_string).collect();
            let text = match said.is_empty() {
                true => "nothing reported".to_owned(),
                false => said.join("; "),
            };
            Ok(Seen::judge(credited == 0, text))
        },
    },
    Check {
        id: "coin-routing-true",
        title: "Sends coins where it says",
        expected: "a coin reported to its tube raises that tube by one, another goes to the cash box",
        section: "5.3, POLL, TUBE STATUS",
        advice: "Change runs out while the board believes there is some. Check the coin gates.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "reports-wrong-routing",
            "says tube where it was the cash box",
            |s| s.changer_quirks.reports_wrong_routing = true,
        ),
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let mut wrong = Vec::new();
            for (coin_type, value) in used(&setup) {
                b.act(b.coin(coin_type))?;
                let seen = coins(&watch_coin(b));
                let reported = seen.iter().any(|(_, routing)| *routing == Routing::Tubes);
                let question = format!(
                    "Did the coin of {} go to its tube (and not to the cash box)?",
                    b.show(value)
                );
                let tube = Place::Tube(b.place(), coin_type.get());
                let to_tube = b.look(&question, Observation::WentTo(tube), reported);
                for (_, routing) in seen {
                    if (routing == Routing::Tubes) != to_tube {
                        let where_to = if to_tube { "tube" } else { "cash box" };
                        let value = b.show(value);
                        wrong.push(format!(
                            "{value} went to the {where_to}, reported otherwise"
                        ));
                    }
                }
            }
            let text = match wrong.is_empty() {
                true => "every coin is where it was reported".to_owned(),
                false => wrong.join("; "),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
];

fn scaling_zero(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::changer(context, bytes, |response| {
        if let Response::Setup(setup) = response {
            setup.scaling_factor = 0;
        }
    });
}

/// Says that a coin of type 0 went to the cash box.
fn credits_slugs(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::changer_reports(context, bytes, |reports| {
        for report in reports {
            if let Report::Slug(_) = report {
                *report = Report::CoinsDeposited {
                    coin_type: CoinType::of(0),
                    routing: Routing::CashBox,
                    in_tube: 1,
                };
            }
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
