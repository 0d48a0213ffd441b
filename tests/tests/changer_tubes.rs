//! Paying from tubes as they are: many coins, too many for a report, dry, jammed, defective. Our
//! controller and our changer on the virtual bus, the ledger reconciled at the end. Sections are
//! those of MDB/ICP 4.3.

use payrig_controller::ChangerPolicy;
use payrig_mdb::changer::{CoinType, DispenseCount};
use payrig_peripherals::changer::{ChangerConfig, CoinConfig, CoinWorth, Quirks, TubeConfig};
use payrig_tests::changer::{
    DIME, DOLLAR, Machine, NICKEL, QUARTER, alternative, both_ways, machine, with_tube,
};
use payrig_units::{Micros, Money};

/// Section 5.3, DISPENSE: one command pays 15 coins at most.
#[test]
fn more_than_fifteen_coins() {
    for policy in both_ways() {
        let value = policy.alternative_payout;
        let mut config = ChangerConfig::demo();
        with_tube(&mut config, NICKEL, 60, 80);
        with_tube(&mut config, DIME, 0, 110);
        with_tube(&mut config, QUARTER, 0, 75);
        let mut m = machine(config, policy, Quirks::default());
        m.dollar();
        m.bench.forget();
        m.bench.press_return();
        m.assert_paid_back_once();
        let words = m.bench.words();
        let orders: Vec<&str> = words
            .iter()
            .map(String::as_str)
            .filter(|w| w.starts_with("> 0D*") || w.starts_with("> 0F* 02"))
            .collect();
        if value {
            assert_eq!(orders, ["> 0F* 02 14 25"]);
        } else {
            assert_eq!(orders, ["> 0D* F0 FD", "> 0D* 50 5D"]);
        }
    }
}

/// Section 5.3, PAYOUT: one command pays 255 counts at most.
#[test]
fn more_than_255_counts() {
    let mut m = machine(ChangerConfig::demo(), alternative(), Quirks::default());
    m.act(|c, now| c.load_by_hand(now, QUARTER, 50));
    for _ in 0..15 {
        m.act(|c, now| c.insert_coin(now, DOLLAR));
        m.bench.run_for(Micros::secs(1));
    }
    // 25 quarters, 30 dimes, 12 nickels: 9.85 and no more.
    assert_eq!(m.bench.credit(), Money(1_500));
    m.bench.press_return();
    m.bench.run_until_quiet(Micros::secs(2));
    assert_eq!(m.paid(), -1_500, "what cannot be paid exactly is not begun");
    let mut config = ChangerConfig::demo();
    with_tube(&mut config, QUARTER, 75, 75);
    let mut m = machine(config, alternative(), Quirks::default());
    for _ in 0..15 {
        m.act(|c, now| c.insert_coin(now, DOLLAR));
        m.bench.run_for(Micros::secs(1));
    }
    m.bench.forget();
    m.bench.press_return();
    m.assert_paid_back_once();
    let words = m.bench.words();
    let orders: Vec<&String> = words.iter().filter(|w| w.starts_with("> 0F* 02")).collect();
    // 51 quarters are 255 counts, nine more are 45.
    assert_eq!(orders, ["> 0F* 02 FF 10", "> 0F* 02 2D 3E"]);
}

/// Section 5.3, TUBE STATUS: counts greater than 255 remain at 255, and then do not show what came
/// out.
#[test]
fn a_tube_with_more_coins_than_can_be_reported() {
    let mut config = ChangerConfig::demo();
    with_tube(&mut config, QUARTER, 300, 400);
    let mut m = machine(config, ChangerPolicy::default(), Quirks::default());
    m.dollar();
    m.bench.press_return();
    m.assert_paid_back_once();
    assert_eq!(m.orders(), 1);
}

/// Section 5.3, DISPENSE, note 1: of two coin types of one value the higher is paid first.
#[test]
fn the_higher_of_two_coin_types_of_one_value_is_paid_first() {
    let mut config = ChangerConfig::demo();
    let quarters = |coins| {
        Some(CoinConfig {
            worth: CoinWorth::Money(Money(25)),
            tube: Some(TubeConfig {
                capacity: 75,
                coins,
                defective: false,
            }),
        })
    };
    config.coins[2] = quarters(20);
    config.coins[3] = quarters(3);
    config.coins.push(Some(CoinConfig {
        worth: CoinWorth::Money(Money(100)),
        tube: None,
    }));
    let mut m = machine(config, ChangerPolicy::default(), Quirks::default());
    m.act(|c, now| c.insert_coin(now, CoinType::of(4)));
    m.bench.run_for(Micros::secs(1));
    m.bench.forget();
    m.bench.press_return();
    m.assert_paid_back_once();
    let words = m.bench.words();
    let orders: Vec<&String> = words.iter().filter(|w| w.starts_with("> 0D*")).collect();
    assert_eq!(orders, ["> 0D* 33 40", "> 0D* 12 1F"]);
}

/// The changer says 25 quarters, and there are two. Coin by coin it is known what came out.
#[test]
fn a_tube_that_runs_dry_coin_by_coin() {
    for policy in [
        ChangerPolicy {
            coins_per_dispense: DispenseCount::saturating(1),
            ..ChangerPolicy::default()
        },
        alternative(),
    ] {
        let mut m = Machine::new(policy);
        m.act(|c, now| c.take_by_hand(now, QUARTER, 23));
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert_eq!(m.bench.balance("changer tube 2"), Money::ZERO);
    }
}

/// The same with four coins in one DISPENSE: two came out, which nothing on the bus shows. The
/// board says so, and the ledger says how much.
#[test]
fn a_tube_that_runs_dry_in_mid_dispense() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.act(|c, now| c.take_by_hand(now, QUARTER, 23));
    m.dollar();
    m.bench.press_return();
    m.bench.run_until_quiet(Micros::secs(2));
    assert!(
        m.bench
            .noted("tube 2 ran dry: up to 3 of its 4 coins may have come out")
    );
    assert_eq!(m.paid(), 50, "two quarters too many");
    let found = m.bench.discrepancies();
    assert_eq!(found.len(), 1);
    assert!(
        found[0].contains("0.50 of difference, the owner lost it"),
        "{found:?}"
    );
}

/// Section 5.3, POLL, 07H and TUBE STATUS, note: a jam is reported, the tube is left alone from then
/// on, and the rest comes from others.
#[test]
fn a_tube_that_jams_in_mid_payout() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.act(|c, now| c.block_tube(now, QUARTER, true));
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert!(m.bench.noted("TUBE JAM"));
        assert!(m.bench.noted("tube 2 is reported defective"));
        assert!(m.bench.noted("14/00 dispenser"), "{:?}", m.bench.notes());
        assert_eq!(m.bench.balance("changer tube 2"), Money(25 * 25));
    }
}

#[test]
fn a_defective_tube_is_not_paid_from() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.act(|c, now| c.break_tube_sensor(now, QUARTER, true));
        m.bench.run_for(Micros::secs(1));
        assert!(m.bench.noted("DEFECTIVE TUBE SENSOR"));
        assert!(m.bench.noted("tube 2 is reported defective"));
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert_eq!(m.bench.balance("changer tube 2"), Money(25 * 25));
        assert_eq!(m.bench.balance("changer tube 1"), Money(20 * 10));
    }
}

/// No report says that a tube was mended: the board that could not pay looks at the tubes again, and
/// whoever presses once more is paid.
#[test]
fn what_could_not_be_paid_is_paid_once_the_tube_is_mended() {
    for policy in both_ways() {
        let mut config = ChangerConfig::demo();
        with_tube(&mut config, NICKEL, 0, 80);
        with_tube(&mut config, DIME, 0, 110);
        let mut m = machine(config, policy, Quirks::default());
        m.act(|c, now| c.break_tube_sensor(now, QUARTER, true));
        m.bench.run_for(Micros::secs(1));
        m.dollar();
        m.bench.press_return();
        m.bench.run_until_quiet(Micros::secs(2));
        assert_eq!(m.bench.credit(), Money(100), "nothing to pay it with");
        m.act(|c, now| c.break_tube_sensor(now, QUARTER, false));
        m.bench.press_return();
        m.bench.run_until_quiet(Micros::secs(2));
        m.bench.press_return();
        m.assert_paid_back_once();
    }
}

/// Section 5.3, COIN TYPE, Y3-Y4: the switches of the tubes work when the board says so, and never
/// during a payout, whose count they would spoil.
#[test]
fn the_switches_of_the_tubes() {
    let mut m = Machine::new(ChangerPolicy::default());
    assert_eq!(m.act(|c, now| c.manual_dispense(now, DIME, 1)), 1);
    m.bench.run_for(Micros::secs(1));
    m.dollar();
    m.bench.press_return();
    m.until_ordered();
    assert_eq!(m.act(|c, now| c.manual_dispense(now, DIME, 1)), 0);
    m.assert_paid_back_once();
    assert_eq!(m.act(|c, now| c.manual_dispense(now, DIME, 1)), 1);
    m.bench.run_for(Micros::secs(1));
    assert_eq!(m.bench.balance("board: service"), Money(20));
    m.bench.assert_books_agree();
    let never = ChangerPolicy {
        manual_dispense: false,
        ..ChangerPolicy::default()
    };
    let mut m = Machine::new(never);
    assert_eq!(m.act(|c, now| c.manual_dispense(now, DIME, 1)), 0);
    assert_ne!(m.changer.borrow().device().accepts().0, 0);
}
