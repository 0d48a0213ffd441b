//! What a changer reports: coins reported twice, several at once, diagnostics, manual payouts. Our
//! controller and our changer on the virtual bus, the ledger reconciled at the end. Sections are
//! those of MDB/ICP 4.3.

use payrig_bench::{FaultKind, FrameKind};
use payrig_controller::{ChangerPolicy, Controller};
use payrig_mdb::Address;
use payrig_mdb::changer::DiagnosticCode;
use payrig_peripherals::changer::{ChangerConfig, Quirks};
use payrig_tests::changer::{DIME, DOLLAR, Machine, NICKEL, QUARTER, machine, slow};
use payrig_tests::{Bench, fault};
use payrig_units::{Micros, Money};
use payrig_wire::Source;

/// Section 2.2: data not acknowledged are repeated. Appendix 3, section 3, condition 2: and are
/// known as repeated.
#[test]
fn a_coin_whose_ack_was_lost_is_credited_once() {
    for coin in [QUARTER, DOLLAR] {
        for count in 1..4 {
            let mut m = Machine::new(ChangerPolicy::default());
            let mut lost = fault(FaultKind::Deaf, Source::Master, FrameKind::Ack);
            lost.count = count;
            m.bench.add_fault(lost);
            m.act(|c, now| c.insert_coin(now, coin));
            m.bench.run_for(Micros::secs(2));
            let worth = if coin == QUARTER { 25 } else { 100 };
            assert_eq!(m.bench.credit(), Money(worth), "{count} lost");
            assert!(m.bench.noted("not credited twice"));
            m.bench.assert_books_agree();
        }
    }
}

#[test]
fn a_coin_whose_ack_and_next_poll_were_lost_is_credited_once() {
    for coin in [QUARTER, DOLLAR] {
        let mut m = Machine::new(ChangerPolicy::default());
        m.bench
            .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
        m.act(|c, now| c.insert_coin(now, coin));
        let acked = |b: &mut Bench<Controller>| b.words().last().is_some_and(|w| w == "> 00 !");
        assert!(m.bench.run_until(acked));
        m.bench
            .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Block));
        m.bench.run_for(Micros::secs(2));
        let worth = if coin == QUARTER { 25 } else { 100 };
        assert_eq!(m.bench.credit(), Money(worth));
        m.bench.assert_books_agree();
    }
}

/// Section 2.2: "repeat the data block, or append it": a coin that came meanwhile travels with the
/// repeated one, and only it is new.
#[test]
fn a_repeated_report_with_a_new_one_appended() {
    let config = ChangerConfig {
        accept_time: Micros::ms(15),
        ..ChangerConfig::demo()
    };
    let mut m = machine(config, ChangerPolicy::default(), Quirks::default());
    m.bench
        .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
    m.act(|c, now| c.insert_coin(now, DOLLAR));
    let acked = |b: &mut Bench<Controller>| b.words().last().is_some_and(|w| w == "> 00 !");
    assert!(m.bench.run_until(acked));
    m.act(|c, now| c.insert_coin(now, QUARTER));
    m.bench.run_for(Micros::secs(1));
    let words = m.bench.words();
    assert!(words.contains(&"< 43 00 43*".to_owned()), "{words:?}");
    assert!(words.contains(&"< 43 00 52 1A AF*".to_owned()), "{words:?}");
    assert_eq!(m.bench.credit(), Money(125));
    m.bench.assert_books_agree();
}

#[test]
fn a_changer_that_reports_acknowledged_coins_again() {
    let quirks = Quirks {
        duplicate_report_after_ack: true,
        ..Quirks::default()
    };
    let mut m = machine(slow(), ChangerPolicy::default(), quirks);
    m.dollar();
    m.act(|c, now| c.insert_coin(now, QUARTER));
    m.bench.run_for(Micros::secs(1));
    assert_eq!(m.bench.credit(), Money(125));
    m.bench.assert_books_agree();
}

#[test]
fn several_coins_in_one_answer() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.act(|c, now| {
        for coin in [QUARTER, DIME, NICKEL, QUARTER] {
            c.insert_coin(now, coin);
        }
        c.stay_silent(now, Micros::ms(1_500));
    });
    m.bench.run_for(Micros::secs(2));
    // Types 2, 1, 0 and 2 to their tubes.
    let words = m.bench.words();
    assert!(
        words.contains(&"< 52 1A 51 1F 50 0D 52 1B A6*".to_owned()),
        "{words:?}"
    );
    assert_eq!(m.bench.credit(), Money(65));
    m.bench.assert_books_agree();
}

/// Section 5.3, 0FH 05H: asked when trouble is reported, and shown in words, once.
#[test]
fn diagnostics_in_words() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.act(|c, now| c.unplug_acceptor(now, true));
    m.bench.run_for(Micros::secs(12));
    m.act(|c, now| {
        c.unplug_acceptor(now, false);
        c.set_fault(now, DiagnosticCode::CASSETTE_REMOVED, true);
    });
    m.bench.run_for(Micros::secs(12));
    let notes = m.bench.notes();
    let count = |words: &str| notes.iter().filter(|n| n.contains(words)).count();
    assert_eq!(count("changer: ACCEPTOR UNPLUGGED"), 1, "{notes:?}");
    assert_eq!(count("changer: 11/00 discriminator"), 1, "{notes:?}");
    assert_eq!(
        count("changer: no longer 11/00 discriminator"),
        1,
        "{notes:?}"
    );
    assert_eq!(count("changer: 15/02 cassette: removed"), 1, "{notes:?}");
    // About every 1 to 10 s.
    let asked: Vec<Micros> = m
        .bench
        .spoken()
        .iter()
        .filter(|s| s.name() == "> SEND DIAGNOSTIC STATUS")
        .map(|s| s.frame.start)
        .collect();
    assert!(asked.len() >= 4);
    assert!(
        asked
            .windows(2)
            .all(|w| w[1].since(w[0]) <= Micros::secs(10))
    );
}

/// Section 5.3, 0FH 07H: coins paid out under the changer's control are in the report, and a
/// report whose ACK was lost is not booked twice.
#[test]
fn manual_payout_is_booked_once() {
    for lose_ack in [false, true] {
        let mut m = Machine::new(ChangerPolicy::default());
        m.act(|c, now| c.begin_manual_payout(now));
        m.bench.run_for(Micros::secs(6));
        m.act(|c, now| assert_eq!(c.manual_payout(now, DIME, 3), 3));
        m.act(|c, now| c.end_manual(now));
        if lose_ack {
            let told = |b: &mut Bench<Controller>| {
                let last = b.spoken().last().map(|s| s.name());
                last.is_some_and(|n| n == "> SEND CONTROLLED MANUAL PAYOUT REPORT")
            };
            assert!(m.bench.run_until(told));
            m.bench
                .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
        }
        m.bench.run_for(Micros::secs(20));
        assert_eq!(m.bench.balance("board: service"), Money(30));
        assert_eq!(m.bench.balance("board: stock of changer"), Money(-30));
        m.bench.assert_books_agree();
        let names = m.bench.conversation_names(Address::CHANGER);
        assert!(!names.contains(&"< COINS DISPENSED MANUALLY".to_owned()));
    }
}
