//! A payout between the board and a changer, and what goes wrong in the middle of it: frames lost,
//! resets, silence, power cuts. Our controller and our changer on the virtual bus, the ledger
//! reconciled at the end. Sections are those of MDB/ICP 4.3.

use payrig_bench::{FaultKind, FrameKind};
use payrig_controller::{ChangerPolicy, Life};
use payrig_peripherals::changer::{ChangerConfig, Quirks, WhilePaying};
use payrig_tests::changer::{Machine, both_ways, machine, slow};
use payrig_tests::fault;
use payrig_units::Micros;
use payrig_wire::Source;

/// Appendix 3, section 3, condition 1: the command was lost. The tubes say that nothing came out,
/// and only then it is ordered again.
#[test]
fn a_lost_order_pays_exactly_once() {
    for policy in both_ways() {
        for kind in [
            FaultKind::Lose,
            FaultKind::Deaf,
            FaultKind::Flip { word: 1, bit: 4 },
        ] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_order();
            m.bench
                .add_fault(fault(kind, Source::Master, FrameKind::Block));
            m.assert_paid_back_once();
            assert!(m.bench.noted("was not acknowledged"), "{kind:?}");
            assert!(m.bench.noted("ordered 1.00, paid 0.00"), "{kind:?}");
        }
    }
}

/// Appendix 3, section 3, condition 1: the ACK was lost. It is not ordered again.
#[test]
fn a_lost_ack_pays_exactly_once() {
    for policy in both_ways() {
        for kind in [
            FaultKind::Lose,
            FaultKind::Deaf,
            FaultKind::Flip { word: 0, bit: 4 },
        ] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_order();
            m.bench
                .add_fault(fault(kind, Source::Peripheral, FrameKind::Ack));
            m.assert_paid_back_once();
            assert!(m.bench.noted("was not acknowledged"), "{kind:?}");
            assert_eq!(m.orders(), 1, "{kind:?}");
        }
    }
}

/// The same with a changer that says nothing while it pays (section 5.3, DISPENSE, note 2) and one
/// that never acknowledges DISPENSE.
#[test]
fn an_order_that_is_carried_out_in_silence_pays_exactly_once() {
    let silent = ChangerConfig {
        while_paying: WhilePaying::StaySilent,
        ..slow()
    };
    let unacknowledged = Quirks {
        dispense_without_ack: true,
        ..Quirks::default()
    };
    for (config, quirks) in [
        (silent.clone(), Quirks::default()),
        (slow(), unacknowledged),
        (silent, unacknowledged),
    ] {
        let mut m = machine(config, ChangerPolicy::default(), quirks);
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert_eq!(m.orders(), 1);
        assert!(!m.bench.noted("does not answer"));
    }
}

/// Each answer of the payout lost or garbled in turn, to the last.
#[test]
fn any_frame_lost_in_mid_payout_costs_nobody_anything() {
    let kinds = [
        FaultKind::Deaf,
        FaultKind::Lose,
        FaultKind::Flip { word: 0, bit: 2 },
        FaultKind::Flip { word: 1, bit: 8 },
    ];
    for policy in both_ways() {
        for kind in kinds {
            for from in [Source::Master, Source::Peripheral] {
                for skip in 0..24 {
                    let mut m = machine(ChangerConfig::demo(), policy.clone(), Quirks::default());
                    m.dollar();
                    m.bench.press_return();
                    let mut one = fault(kind, from, FrameKind::Any);
                    one.skip = skip;
                    m.bench.add_fault(one);
                    let what = format!("{kind:?} {from:?} {skip}");
                    let quiet = m.bench.run_until(|b| b.master().is_quiet());
                    assert!(quiet, "{what}: {:?}", m.bench.words());
                    m.bench.run_for(Micros::secs(2));
                    assert_eq!(m.paid(), 0, "{what}: {:?}", m.bench.notes());
                    assert_eq!(m.bench.discrepancies(), Vec::<String>::new(), "{what}");
                }
            }
        }
    }
}

#[test]
fn a_reset_in_mid_payout() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.dollar();
        m.bench.press_return();
        m.until_ordered();
        // Two of the four quarters are out.
        m.bench.run_for(Micros::ms(900));
        assert_eq!(m.paid(), -50);
        m.act(|c, now| c.reset_itself(now));
        m.assert_paid_back_once();
        assert!(m.bench.noted("ordered 1.00, paid 0.50"));
        assert!(
            !m.bench.names().contains(&"> RESET".to_owned()),
            "no RESET after JUST RESET"
        );
    }
}

#[test]
fn a_power_cut_of_the_changer_in_mid_payout() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.dollar();
        m.bench.press_return();
        m.until_ordered();
        m.bench.run_for(Micros::ms(900));
        let changer = m.changer.clone();
        m.bench.power(&changer, false);
        m.bench.run_for(Micros::secs(25));
        assert!(m.bench.noted("does not answer"));
        assert_eq!(m.paid(), -50);
        m.bench.select(11);
        assert_eq!(
            m.bench.master().vending().display(),
            "Please wait",
            "money in question buys nothing"
        );
        m.bench.power(&changer, true);
        m.assert_paid_back_once();
    }
}

/// Section 5.4: up to two seconds of silence are the changer's right; beyond that it is RESET.
#[test]
fn a_silence_in_mid_payout() {
    for policy in both_ways() {
        for silence in [Micros::ms(1_800), Micros::secs(6)] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_ordered();
            m.bench.run_for(Micros::ms(500));
            m.act(|c, now| c.stay_silent(now, silence));
            m.assert_paid_back_once();
            let reset = m.bench.names().contains(&"> RESET".to_owned());
            assert_eq!(reset, silence > Micros::secs(2));
        }
    }
}

/// Section 5.3, POLL, 0AH: a busy changer answers nothing but POLL; what was asked is asked again.
#[test]
fn a_busy_changer_is_waited_for() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.dollar();
    m.act(|c, now| c.be_busy(now, Micros::secs(4)));
    m.bench.press_return();
    m.bench.run_for(Micros::secs(3));
    assert_eq!(m.orders(), 0);
    m.assert_paid_back_once();
    assert_eq!(m.orders(), 1);
    assert_eq!(m.bench.master().life("changer"), Some(Life::Running));
}

/// The board's power goes during a payout, at any moment of it: what came out meanwhile is shown by the
/// tubes, so that the customer gets the rest and nothing twice.
#[test]
fn a_power_cut_of_the_board_in_mid_payout_pays_exactly_once() {
    for policy in both_ways() {
        for after in [0, 100, 400, 900, 1_500, 3_000] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_ordered();
            m.bench.run_for(Micros::ms(after));
            let now = m.bench.now();
            m.bench.master_mut().power(now, false);
            m.bench.run_for(Micros::secs(3));
            let now = m.bench.now();
            m.bench.master_mut().power(now, true);
            m.bench.run_until_ready();
            m.assert_paid_back_once();
        }
    }
}

/// While the board is off during a payout, somebody fills in coins of the type that is being paid. The
/// tubes cannot tell that from coins that were not paid: the owner loses what was filled in, at most,
/// and the books say so.
#[test]
fn what_is_filled_in_in_the_dark_is_the_most_that_is_paid_twice() {
    let mut bad = Vec::new();
    for policy in both_ways() {
        for after in [0, 100, 400, 900, 1_500, 3_000] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_ordered();
            m.bench.run_for(Micros::ms(after));
            let now = m.bench.now();
            m.bench.master_mut().power(now, false);
            m.bench.run_for(Micros::secs(3));
            m.act(|c, now| c.begin_manual_fill(now));
            for _ in 0..2 {
                m.act(|c, now| c.insert_coin(now, payrig_mdb::changer::CoinType::of(2)));
                m.bench.run_for(Micros::secs(1));
            }
            m.act(|c, now| c.end_manual(now));
            let now = m.bench.now();
            m.bench.master_mut().power(now, true);
            m.bench.run_until_ready();
            m.bench.run_until_quiet(Micros::secs(2));
            m.bench.press_return();
            m.bench.run_until_quiet(Micros::secs(2));
            let told = m.bench.discrepancies();
            if m.paid() > 50
                || (m.paid() > 0) != told.iter().any(|t| t.contains("the owner lost it"))
            {
                bad.push((after, m.paid(), told));
            }
        }
    }
    assert!(bad.is_empty(), "{bad:?}");
}

/// A changer that starts anew during a payout has its tubes' switches on (section 5.3, COIN TYPE, Y3-Y4):
/// what is pressed out by hand then, and reported once it is back, is no change.
#[test]
fn what_is_pressed_out_by_hand_in_mid_payout_is_no_change() {
    let mut bad = Vec::new();
    let mut pressed = 0;
    for policy in both_ways() {
        for coin in [0, 1, 2] {
            for after in (0..1_200).step_by(50) {
                let mut m = Machine::new(policy.clone());
                m.dollar();
                m.bench.press_return();
                m.until_ordered();
                m.bench.run_for(Micros::ms(after));
                m.act(|c, now| c.reset_itself(now));
                let coin = payrig_mdb::changer::CoinType::of(coin);
                let out = m.act(|c, now| c.manual_dispense(now, coin, 2));
                pressed += out;
                m.bench.run_until_ready();
                m.bench.run_until_quiet(Micros::secs(2));
                m.bench.press_return();
                m.bench.run_until_quiet(Micros::secs(2));
                let told = m.bench.discrepancies();
                if m.paid() != 0 || !told.is_empty() {
                    bad.push((coin, after, m.paid(), told));
                }
            }
        }
    }
    assert!(bad.is_empty(), "{} cases: {:?}", bad.len(), bad.first());
    assert!(pressed > 0);
}
