//! Devices that are good by the standard and of other habits: none is accused, and a check that cannot be
//! offered to one says so.

use super::*;
use crate::result::Outcome;
use payrig_mdb::cashless::{Level, Options};
use payrig_mdb::changer::Features;
use payrig_peripherals::bill::WhileMoving;
use payrig_peripherals::cashless::{Answers, Policy, WhileBusy};
use payrig_peripherals::changer::WhilePaying;
use payrig_pulse::Profile;
use payrig_units::{Micros, Money};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// Makes our own device one of another habit.
type Other = (&'static str, Kind, &'static [Leeway], fn(&mut Setup));

const OTHERS: &[Other] = &[
    ("slow bills", Kind::PulseBill, &[Leeway::Way], |s| {
        let bill = &mut s.pulse.bill;
        (bill.travel_ms, bill.stack_ms, bill.return_ms) = (2_500, 2_000, 2_500);
    }),
    ("long pulses", Kind::PulseBill, &[], |s| {
        s.pulse.bill.pulse = Profile::long()
    }),
    ("slow coins", Kind::PulseCoin, &[Leeway::Way], |s| {
        s.pulse.coin.fall_ms = 2_500
    }),
    (
        "slow coins above a hopper",
        Kind::PulseCoinHopper,
        &[Leeway::Way],
        |s| {
            s.pulse.coin.fall_ms = 2_500;
        },
    ),
    ("slow cards", Kind::PulseCard, &[Leeway::Way], |s| {
        s.pulse.card.authorise_ms = 5_000
    }),
    ("one price", Kind::PulseCard, &[], |s| {
        s.pulse.card.price = Some(Money(100))
    }),
    ("slow hopper", Kind::PulseHopper, &[], |s| {
        s.pulse.hopper.coin_interval_ms = 800
    }),
    (
        "level 2",
        Kind::Changer,
        &[Leeway::Level, Leeway::Features],
        |s| {
            s.changer.level = 2;
            s.changer.features = Features::NONE;
        },
    ),
    ("no features", Kind::Changer, &[Leeway::Features], |s| {
        s.changer.features = Features::NONE;
    }),
    ("silent payouts", Kind::Changer, &[Leeway::WhileBusy], |s| {
        s.changer.while_paying = WhilePaying::StaySilent;
    }),
    ("slow payouts", Kind::Changer, &[Leeway::WhileBusy], |s| {
        s.changer.payout_time = Micros::ms(1_500);
    }),
    ("slow coins", Kind::Changer, &[Leeway::Way], |s| {
        s.changer.accept_time = Micros::ms(2_500);
    }),
    ("slow start", Kind::Changer, &[Leeway::Start], |s| {
        s.changer.reset_time = Micros::ms(1_900);
    }),
    ("reports refused coins", Kind::Changer, &[], |s| {
        s.changer.report_rejects = true;
    }),
    ("no escrow", Kind::BillValidator, &[Leeway::Escrow], |s| {
        s.bill.escrow = false;
    }),
    (
        "silent in motion",
        Kind::BillValidator,
        &[Leeway::WhileBusy],
        |s| {
            s.bill.while_moving = WhileMoving::Silent;
        },
    ),
    (
        "busy in motion",
        Kind::BillValidator,
        &[Leeway::WhileBusy],
        |s| {
            s.bill.while_moving = WhileMoving::ReportsBusy;
        },
    ),
    ("slow bills", Kind::BillValidator, &[Leeway::Way], |s| {
        s.bill.travel.to_escrow = Micros::ms(2_500);
        s.bill.travel.to_stacker = Micros::ms(2_000);
        s.bill.travel.give_back = Micros::ms(2_500);
    }),
    ("slow start", Kind::BillValidator, &[Leeway::Start], |s| {
        s.bill.start_up = Micros::ms(4_800);
    }),
    (
        "a small stacker",
        Kind::BillValidator,
        &[Leeway::Room],
        |s| {
            s.bill.stacker_capacity = 40;
        },
    ),
    (
        "a recycler that is silent in motion",
        Kind::BillRecycler,
        &[Leeway::WhileBusy],
        |s| {
            s.bill.while_moving = WhileMoving::Silent;
        },
    ),
    (
        "a recycler that is busy in motion",
        Kind::BillRecycler,
        &[Leeway::WhileBusy],
        |s| {
            s.bill.while_moving = WhileMoving::ReportsBusy;
        },
    ),
    (
        "a recycler without escrow",
        Kind::BillRecycler,
        &[Leeway::Escrow],
        |s| {
            s.bill.escrow = false;
        },
    ),
    ("a slow recycler", Kind::BillRecycler, &[Leeway::Way], |s| {
        s.bill.travel.to_escrow = Micros::ms(2_500);
        s.bill.travel.to_stacker = Micros::ms(2_000);
        s.bill.travel.give_back = Micros::ms(2_500);
        s.bill.travel.dispense = Micros::ms(4_000);
    }),
    ("level 1", Kind::Cashless, &[Leeway::Level], |s| {
        s.cashless.level = Level::ONE;
    }),
    ("level 3", Kind::Cashless, &[Leeway::Level], |s| {
        s.cashless.level = Level::THREE;
    }),
    (
        "always idle, 32 bits",
        Kind::Cashless,
        &[Leeway::Level, Leeway::Features],
        |s| {
            s.cashless.level = Level::THREE;
            s.cashless.options = Options::MONEY_32 | Options::ALWAYS_IDLE;
        },
    ),
    ("answers straight", Kind::Cashless, &[], |s| {
        s.cashless.answers = Answers::Straight;
    }),
    ("decides slowly", Kind::Cashless, &[Leeway::Decision], |s| {
        s.cashless.approve_delay = Micros::ms(6_500);
    }),
    (
        "decides slowly and silently",
        Kind::Cashless,
        &[Leeway::Decision],
        |s| {
            s.cashless.approve_delay = Micros::ms(6_500);
            s.cashless.while_busy = WhileBusy::Silence;
        },
    ),
    ("no refunds", Kind::Cashless, &[Leeway::Refund], |s| {
        s.cashless.restores_funds = false;
    }),
    ("slow refunds", Kind::Cashless, &[Leeway::Refund], |s| {
        s.cashless.refund_delay = Micros::ms(4_000);
    }),
    ("one vend in a session", Kind::Cashless, &[], |s| {
        s.cashless.multivend = false;
    }),
    ("discounts", Kind::Cashless, &[Leeway::Price], |s| {
        s.cashless.policy = Policy::ApproveLess(Money(25));
    }),
    ("revalues", Kind::Cashless, &[Leeway::Revalue], |s| {
        s.cashless.max_balance = Some(Money(10_000));
    }),
];

/// All but one: `answer-time-margin` does with 200 POLLs what `answer-time` does with 4,000.
fn quick_checks(kind: Kind) -> impl Iterator<Item = &'static DeviceCheck> {
    checks(kind).filter(|check| check.id != "answer-time")
}

#[test]
fn devices_of_other_habits_are_not_accused_by_any_check() {
    let mut wrong = Vec::new();
    for (name, kind, leeways, make) in OTHERS {
        let mut setup = Setup::good(*kind);
        make(&mut setup);
        for check in quick_checks(*kind) {
            let (seen, _) = run_check(check, &setup);
            let own = PRESUMPTIONS.iter().find(|(id, _)| *id == check.id);
            let presumed = own.is_some_and(|(_, own)| own.iter().any(|one| leeways.contains(one)));
            let right = match seen.outcome {
                Outcome::Pass => true,
                Outcome::Skipped => presumed,
                _ => false,
            };
            if !right {
                let (outcome, text) = (seen.outcome, seen.text);
                wrong.push(format!("{kind}, {name}: {}: {outcome:?} {text}", check.id));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A device may leave commands unanswered for its non-response time (5.4, 6.4, 7.5), and what is not
/// answered is repeated (2.2; Appendix 3, section 3): none is accused, whenever it is busy for a moment.
#[test]
fn devices_that_are_away_for_a_moment_are_not_accused() {
    let mut wrong = Vec::new();
    for kind in [
        Kind::Changer,
        Kind::BillValidator,
        Kind::BillRecycler,
        Kind::Cashless,
    ] {
        for check in quick_checks(kind) {
            let many = ["answer-time-margin", "never-away"].contains(&check.id);
            for missed in 1..if many { 4 } else { 30 } {
                let mut setup = Setup::good(kind);
                setup.habits.misses = Some(missed);
                let (seen, _) = run_check(check, &setup);
                if seen.outcome != Outcome::Pass {
                    let (outcome, text) = (seen.outcome, seen.text);
                    wrong.push(format!(
                        "{kind}, {missed}: {}: {outcome:?} {text}",
                        check.id
                    ));
                    break;
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// One RET may be missed as well.
#[test]
fn devices_that_miss_one_ret_are_not_accused() {
    for kind in [Kind::Changer, Kind::BillValidator, Kind::Cashless] {
        for id in ["ret-answered", "ret-same-data"] {
            let check = checks(kind).find(|check| check.id == id).unwrap();
            let mut setup = Setup::good(kind);
            setup.habits.misses_ret = true;
            let (seen, _) = run_check(check, &setup);
            assert_eq!(seen.outcome, Outcome::Pass, "{kind} {id}: {}", seen.text);
        }
    }
}

/// What each check really goes by, whatever the device is like.
fn gone_by() -> BTreeMap<&'static str, BTreeSet<Leeway>> {
    let as_it_is: fn(&mut Setup) = |_| {};
    let good = Kind::ALL.map(|kind| (kind, as_it_is));
    let others = OTHERS.iter().map(|(_, kind, _, make)| (*kind, *make));
    let mut gone_by: BTreeMap<&'static str, BTreeSet<Leeway>> = BTreeMap::new();
    for (kind, make) in good.into_iter().chain(others) {
        let mut setup = Setup::good(kind);
        make(&mut setup);
        for check in quick_checks(kind) {
            let mut bench = Bench::new(&check.arranged(&setup)).unwrap();
            let _ = (check.run)(&mut bench);
            gone_by
                .entry(check.id)
                .or_default()
                .extend(bench.presumed());
        }
    }
    gone_by.retain(|_, leeways| !leeways.is_empty());
    gone_by
}

#[test]
fn presumptions_are_what_checks_go_by() {
    let wanted: BTreeMap<&str, BTreeSet<Leeway>> = PRESUMPTIONS
        .iter()
        .map(|(id, leeways)| (*id, leeways.iter().copied().collect()))
        .collect();
    let gone_by = gone_by();
    let table: String = gone_by
        .iter()
        .map(|(id, leeways)| format!("(\"{id}\", &{leeways:?}),\n"))
        .collect();
    assert!(gone_by == wanted, "checks go by\n{table}");
    assert_eq!(wanted.len(), PRESUMPTIONS.len(), "a check is listed twice");
}

/// Each is held against a device of another habit.
#[test]
fn there_is_a_device_of_another_habit_for_each_leeway() {
    let presumed: BTreeSet<Leeway> = PRESUMPTIONS
        .iter()
        .flat_map(|(_, own)| own.iter())
        .copied()
        .collect();
    for (id, leeways) in PRESUMPTIONS {
        for leeway in *leeways {
            let held = OTHERS.iter().any(|(_, kind, others, _)| {
                others.contains(leeway) && checks(*kind).any(|check| check.id == *id)
            });
            assert!(held, "{id}: {}", leeway.name());
        }
    }
    assert!(presumed.len() > 8, "{presumed:?}");
}

#[test]
fn presumptions_stand_in_the_guide() {
    let mut table = String::from("| Check of a device | Works from |\n|---|---|\n");
    for (id, leeways) in PRESUMPTIONS {
        let names: Vec<&str> = leeways.iter().map(|leeway| leeway.name()).collect();
        writeln!(table, "| `{id}` | {} |", names.join(", ")).unwrap();
    }
    let guide = include_str!("../../../../docs/src/habits.md");
    assert!(guide.contains(&table), "docs/src/habits.md lacks\n{table}");
}
