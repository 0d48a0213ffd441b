use super::*;
use crate::result::{Grade, Outcome};
use payrig_mdb::cashless::{Level, Unit};
use payrig_mdb::changer::Features;
use payrig_units::{Micros, Money};

/// Every check passes on the good device; all of them, and in order.
#[test]
fn good_devices_pass_every_check() {
    let mut failed = Vec::new();
    for kind in Kind::ALL {
        let examination = examine(&Setup::good(kind), None, |_, _| {});
        for check in &examination.checks {
            if check.outcome != Outcome::Pass {
                failed.push(format!(
                    "{kind} {}: {:?} {}",
                    check.id, check.outcome, check.seen
                ));
            }
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

/// What a maker may leave out is no fault: devices of every level, with every feature alone and with
/// none, at both addresses of card readers.
#[test]
fn good_devices_of_every_make_are_fit() {
    let mut makes: Vec<(String, Setup)> = Vec::new();
    for level in [2, 3] {
        for features in (0..16).map(Features) {
            let mut setup = Setup::good(Kind::Changer);
            (setup.changer.level, setup.changer.features) = (level, features);
            if level == 3 || features == Features::NONE {
                makes.push((format!("changer of level {level}, {features:?}"), setup));
            }
        }
    }
    for level in [1, 2] {
        for escrow in [true, false] {
            let mut setup = Setup::good(Kind::BillValidator);
            (setup.bill.level, setup.bill.escrow) = (level, escrow);
            makes.push((
                format!("validator of level {level}, escrow {escrow}"),
                setup,
            ));
        }
    }
    for unit in [Unit::One, Unit::Two] {
        for level in [Level::ONE, Level::TWO, Level::THREE] {
            let mut setup = Setup::good(Kind::Cashless);
            (setup.cashless.unit, setup.cashless.level) = (unit, level);
            makes.push((format!("reader {unit:?} of {level:?}"), setup));
        }
    }
    let mut wrong = Vec::new();
    for (name, setup) in makes {
        let examination = examine(&setup, None, |_, _| {});
        if examination.grade != Grade::Fit {
            wrong.push(format!("{name}: {:?}", examination.reasons));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A card that runs empty is no fault of its reader: nothing fails for it, and nothing passes that was
/// not seen.
#[test]
fn an_empty_card_is_not_held_against_its_reader() {
    let seen = |setup: &Setup, id: &str| {
        let check = checks(Kind::PulseCard).find(|c| c.id == id).unwrap();
        run_check(check, setup).0
    };
    let mut wrong = Vec::new();
    for price in [None, Some(Money(150))] {
        for balance in [0, 100, 500, 2_500, 10_000] {
            let mut setup = Setup::good(Kind::PulseCard);
            (setup.pulse.card.balance, setup.pulse.card.price) = (Money(balance), price);
            for check in checks(Kind::PulseCard) {
                let seen = run_check(check, &setup).0;
                let idle = ["line-rests-right", "silent-while-inhibited"].contains(&check.id);
                let unseen = balance == 0 && !idle && seen.outcome == Outcome::Pass;
                if unseen || matches!(seen.outcome, Outcome::Fail | Outcome::Skipped) {
                    let (id, o, t) = (check.id, seen.outcome, seen.text);
                    wrong.push(format!("{balance} {price:?} {id}: {o:?} {t}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));

    let mut setup = Setup::good(Kind::PulseCard);
    setup.pulse.card.balance = Money(500);
    let steady = seen(&setup, "count-steady");
    assert_eq!(steady.outcome, Outcome::CannotTell);
    let lacking = "pulses: 1 1 1 1 1; the card has balance for 5 sales, 12 are needed";
    assert_eq!(steady.text, lacking);
    // What is wrong before the card is empty is wrong all the same.
    setup.pulse.card.faults.extra_pulses = 1;
    setup.pulse.card.faults.every = 3;
    assert_eq!(seen(&setup, "count-steady").outcome, Outcome::Fail);
}

/// What was not seen is no pass: without JUST RESET nobody knows whether it is said twice, nor
/// whether a damaged RESET was obeyed.
#[test]
fn without_just_reset_nothing_passes_that_is_seen_by_it() {
    for kind in Kind::ALL.into_iter().filter(|k| k.address().is_some()) {
        let mut setup = Setup::good(kind);
        (quirk(kind, "no-just-reset").unwrap().apply)(&mut setup);
        let again = run_check(
            checks(kind)
                .find(|c| c.id == "bad-checksum-not-acted-on")
                .unwrap(),
            &with(kind, "reports-again"),
        );
        assert_eq!(
            again.0.outcome,
            Outcome::CannotTell,
            "{kind}: {}",
            again.0.text
        );
        for id in ["just-reset-once", "bad-checksum-not-acted-on"] {
            let check = checks(kind).find(|c| c.id == id).unwrap();
            let seen = run_check(check, &setup).0;
            assert_eq!(
                seen.outcome,
                Outcome::CannotTell,
                "{kind} {id}: {}",
                seen.text
            );
        }
    }
}

/// The second card reader is examined as the first is: every quirk is caught at 60H too.
#[test]
fn every_check_catches_its_quirk_at_the_second_reader() {
    let mut second = Setup::good(Kind::Cashless);
    second.cashless.unit = Unit::Two;
    let mut wrong = Vec::new();
    for check in checks(Kind::Cashless) {
        wrong.extend(proof::uncaught(check, &second));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn names_are_unique_and_there_are_enough() {
    let mut all = std::collections::BTreeSet::new();
    for kind in Kind::ALL {
        let mut names = std::collections::BTreeSet::new();
        for quirk in quirks(kind) {
            assert!(names.insert(quirk.name), "{kind}: {} twice", quirk.name);
        }
        let mut ids = std::collections::BTreeSet::new();
        for check in checks(kind) {
            assert!(ids.insert(check.id), "{} twice", check.id);
            all.insert(check.id);
            assert!(!check.section.is_empty() && !check.advice.is_empty());
        }
    }
    assert!(all.len() >= 40, "{}", all.len());
}

/// What a check advises with this setup, which it must fail for, and what it saw.
fn advice(setup: &Setup, id: &str) -> (String, String) {
    let check = checks(setup.kind).find(|c| c.id == id).unwrap();
    let (seen, _) = run_check(check, setup);
    assert_eq!(
        seen.outcome,
        Outcome::Fail,
        "{} {id}: {}",
        setup.kind,
        seen.text
    );
    let result = check.result(seen, Micros::ZERO, Micros::ZERO);
    (result.advice, result.seen)
}

fn with(kind: Kind, name: &str) -> Setup {
    let mut setup = Setup::good(kind);
    (quirk(kind, name).unwrap().apply)(&mut setup);
    setup
}

/// One that misses the limit itself does not "keep the limit, without the margin".
#[test]
fn a_missed_limit_is_not_called_kept() {
    let keeps = |setup: &Setup, id: &str| advice(setup, id).0.starts_with("It keeps the limit");
    for kind in Kind::ALL.into_iter().filter(|k| k.address().is_some()) {
        let mut late = Setup::good(kind);
        late.timing.answer = Micros::ms(8);
        assert!(!keeps(&late, "answer-time-margin"), "{kind}");
        assert!(keeps(&with(kind, "hardly-in-time"), "answer-time-margin"));
        assert!(!keeps(&with(kind, "slow-bytes"), "inter-byte-margin"));
        assert!(keeps(&with(kind, "rather-slow-bytes"), "inter-byte-margin"));
    }
}

/// A device that runs and does not say JUST RESET is not called dead, nor is its wire blamed; one that
/// is dead is.
#[test]
fn one_that_answers_is_not_called_dead() {
    const DEAD: [&str; 4] = ["dead", "silences", "does not answer", "gone"];
    let dead = |advice: &str| DEAD.iter().any(|word| advice.contains(word));
    for kind in Kind::ALL.into_iter().filter(|k| k.address().is_some()) {
        let mute = with(kind, "no-just-reset");
        for id in [
            "just-reset-said",
            "reset-obeyed",
            "bus-reset-obeyed",
            "power-cut-survived",
        ] {
            let (advice, seen) = advice(&mute, id);
            assert!(!dead(&advice), "{kind} {id}: {seen}: {advice}");
            assert!(seen.contains("POLL is answered"), "{kind} {id}: {seen}");
        }
        for (name, id) in [
            ("dead-after-power-cut", "power-cut-survived"),
            ("slow-start", "just-reset-said"),
        ] {
            let (advice, seen) = advice(&with(kind, name), id);
            assert!(dead(&advice), "{kind} {id}: {seen}: {advice}");
        }
        let (advice, seen) = advice(&with(kind, "ignores-bus-reset"), "bus-reset-obeyed");
        assert!(
            !dead(&advice) && !advice.contains("Check"),
            "{kind}: {seen}: {advice}"
        );
    }
}

/// Pulses that are right in number and wrong in kind want another speed, not another value.
#[test]
fn the_right_number_of_wrong_pulses_wants_another_speed() {
    for kind in [Kind::PulseBill, Kind::PulseCoin, Kind::PulseCard] {
        for (name, says) in [
            ("wrong-setting", "right number of pulses"),
            ("missing-pulse", "pulses per unit"),
            ("stuck-line", "No pulse comes"),
        ] {
            let (advice, seen) = advice(&with(kind, name), "count-per-bill");
            assert!(advice.contains(says), "{kind} {name}: {seen}: {advice}");
        }
    }
}

/// What is to be tried first, and what only when that did not help, are told apart.
#[test]
fn nothing_is_replaced_that_was_only_to_be_set() {
    for check in Kind::ALL.into_iter().flat_map(checks) {
        assert!(
            !check.advice.contains("then replace"),
            "{}: {}",
            check.id,
            check.advice
        );
    }
}

/// What is slow and within the limits is advice at most, and spoils no other check.
#[test]
fn slow_answers_within_the_limits_spoil_nothing_else() {
    let mut wrong = Vec::new();
    for kind in Kind::ALL.into_iter().filter(|k| k.address().is_some()) {
        let mut setup = Setup::good(kind);
        (setup.timing.answer, setup.timing.gap) = (Micros(4_900), Micros(930));
        for check in examine(&setup, None, |_, _| {}).checks {
            let margin = check.id.ends_with("-margin");
            if (check.outcome == Outcome::Pass) == margin {
                wrong.push(format!(
                    "{kind} {}: {:?} {}",
                    check.id, check.outcome, check.seen
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A check that broke off before it came to what it is about does not judge that.
#[test]
fn a_check_that_broke_off_does_not_advise_on_its_matter() {
    for kind in Kind::ALL.into_iter().filter(|k| k.address().is_some()) {
        let (advice, seen) = advice(&with(kind, "wrong-chk"), "setup-stays");
        assert!(
            advice.contains("did not get to"),
            "{kind}: {seen}: {advice}"
        );
    }
    let (advice, seen) = advice(
        &with(Kind::Cashless, "wrong-chk"),
        "approves-what-was-asked",
    );
    assert!(advice.contains("did not get to"), "{seen}: {advice}");
}

/// Where a check can fail in more than one way, what is advised is about what was seen.
#[test]
fn advice_is_about_what_was_seen() {
    for (kind, name, id, says) in [
        (
            Kind::Cashless,
            "never-answers-vend-request",
            "vend-above-balance-denied",
            "not decide",
        ),
        (
            Kind::Cashless,
            "approves-everything",
            "vend-above-balance-denied",
            "on credit",
        ),
        (
            Kind::Cashless,
            "approves-more-than-asked",
            "repeated-request-charged-once",
            "once, but",
        ),
        (
            Kind::Cashless,
            "charges-twice-on-repeat",
            "repeated-request-charged-once",
            "twice",
        ),
        (
            Kind::Cashless,
            "never-answers-vend-request",
            "vend-success-kept",
            "did not get to",
        ),
        (Kind::PulseBill, "reversed", "pulse-width", "rests"),
        (Kind::PulseBill, "reversed", "count-per-bill", "rests"),
        (
            Kind::PulseBill,
            "stray-pulse",
            "inhibit-obeyed",
            "takes nothing",
        ),
        (
            Kind::PulseBill,
            "ignores-inhibit",
            "inhibit-obeyed",
            "takes money",
        ),
        (
            Kind::PulseCard,
            "stuck-line",
            "card-charged-as-sent",
            "no pulse comes",
        ),
        (
            Kind::PulseCard,
            "missing-pulse",
            "card-charged-as-sent",
            "pulses per unit",
        ),
        (
            Kind::PulseHopper,
            "coin-after-stop",
            "hopper-counts-right",
            "counts rightly",
        ),
        (
            Kind::PulseHopper,
            "misses-every-fifth-coin",
            "hopper-counts-right",
            "exit sensor",
        ),
        (
            Kind::PulseHopper,
            "coin-after-stop",
            "hopper-stops",
            "One coin",
        ),
        (
            Kind::PulseHopper,
            "motor-runs-by-itself",
            "hopper-stops",
            "goes on",
        ),
        (
            Kind::PulseHopper,
            "hopper-jammed",
            "hopper-keeps-paying",
            "pays nothing",
        ),
    ] {
        let (advice, seen) = advice(&with(kind, name), id);
        assert!(
            advice.contains(says),
            "{kind} {name} {id}: {seen}: {advice}"
        );
    }
}
