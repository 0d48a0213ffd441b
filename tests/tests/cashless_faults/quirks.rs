//! Every quirk of the reader, and what the board does about it.

use super::*;
use payrig_controller::Mishap;
use payrig_peripherals::cashless::Quirks;

fn with_quirk(name: &str, change: impl FnOnce(&mut CashlessConfig)) -> Scene {
    let mut quirks = Quirks::default();
    assert!(quirks.set(name, true), "{name}");
    let reader = |c: &mut CashlessConfig| {
        c.quirks = quirks;
        change(c);
    };
    with(Options::MONEY_32, reader, |_| {})
}

fn sell(s: &mut Scene) {
    s.card(500);
    s.bench.select(4);
    s.bench.run_for(Micros::secs(2));
    s.rest();
}

/// A vend goes as in example 1 of 7.7, though the reader does as it should not.
#[test]
fn quirks_the_board_takes_no_notice_of() {
    for quirk in [
        "begin-session-repeated",
        "end-session-straight-after-session-complete",
        "no-just-reset",
        "session-while-disabled",
        "out-of-sequence-on-repeat",
        "never-polled-gives-up",
        "forgets-unacknowledged",
        "ignores-vend-cancel",
        "responds-above-vmc-level",
    ] {
        let mut s = with_quirk(quirk, |_| {});
        sell(&mut s);
        assert_eq!((s.balance("card receipts"), s.sold()), (100, 1), "{quirk}");
        assert_eq!(s.bench.discrepancies(), Vec::<String>::new(), "{quirk}");
        assert_eq!(s.state(), CashlessState::Enabled, "{quirk}");
    }
}

/// What is approved counts, not what was asked (7.4.5).
#[test]
fn approved_more_than_asked() {
    let mut s = with_quirk("approves-more-than-asked", |_| {});
    sell(&mut s);
    assert_eq!((s.balance("card receipts"), s.sold()), (105, 1));
    assert_eq!(s.balance("board: sales"), 105);
    s.bench.assert_books_agree();
}

#[test]
fn no_refund_is_found_in_the_books() {
    let mut s = with_quirk("no-refund-on-vend-failure", |_| {});
    s.bench.master_mut().mishap(4, Mishap::Jam);
    sell(&mut s);
    assert_eq!(s.balance("card receipts"), 100);
    let found = s.bench.discrepancies();
    assert!(
        found[0].contains("1.00 was taken and never credited"),
        "{found:?}"
    );
}

/// 7.3, 7.5: POLLed for the application maximum response time, then cancelled (7.4.6).
#[test]
fn never_answered_vend_request_is_cancelled_in_time() {
    let mut s = with_quirk("never-answers-vend-request", |_| {});
    s.card(500);
    s.bench.select(4);
    let asked = s.bench.now();
    assert!(
        s.bench
            .run_until(|b| b.names().contains(&"> VEND CANCEL".to_owned()))
    );
    let waited = s.bench.now().since(asked);
    assert!(
        waited >= Micros::secs(7) && waited <= Micros::ms(7_800),
        "{waited}"
    );
    s.rest();
    let cancel: &[&str] = &["> VEND CANCEL", "< ACK"];
    assert_said(&s, &[BEGIN_SESSION, REQUEST, cancel, DENIED, END]);
    assert_eq!(s.balance("card receipts"), 0);
}

/// 7.4.9: END SESSION missing for the non-response time: RESET.
#[test]
fn end_session_missing_is_answered_with_reset() {
    let mut s = with_quirk("never-ends-session", |_| {});
    s.card(500);
    s.bench.press_return();
    let ended = s.bench.now();
    assert!(
        s.bench
            .run_until(|b| b.names().contains(&"> RESET".to_owned()))
    );
    let waited = s.bench.now().since(ended);
    assert!(
        waited >= Micros::secs(7) && waited <= Micros::ms(7_800),
        "{waited}"
    );
    assert!(s.bench.noted("END SESSION did not come in time: reset"));
    s.bench.run_until_ready();
    assert_eq!(s.state(), CashlessState::Enabled);
    assert!(!s.bench.master().vending().in_session());
}

/// 7.4.6: approved though it was cancelled: VEND FAILURE brings it back.
#[test]
fn approved_after_cancel() {
    let slow = |c: &mut CashlessConfig| c.approve_delay = Micros::secs(1);
    let mut s = with_quirk("ignores-vend-cancel", slow);
    s.card(500);
    s.bench.select(4);
    s.bench.run_for(Micros::ms(500));
    s.bench.press_return();
    s.bench.run_for(Micros::secs(2));
    s.rest();
    let cancel: &[&str] = &["> VEND CANCEL", "< ACK"];
    assert_said(
        &s,
        &[BEGIN_SESSION, REQUEST, cancel, APPROVED, FAILURE, END],
    );
    assert!(s.bench.noted("approved 1.00 that is not wanted any more"));
    assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
    s.bench.assert_books_agree();
}

/// The reader's own fault, which no board can mend: it is charged twice, and found.
#[test]
fn charged_twice_on_a_repeated_request() {
    use payrig_bench::{Fault, FaultKind, FrameKind};
    use payrig_wire::Source;
    let slow = |c: &mut CashlessConfig| c.approve_delay = Micros::ms(500);
    let mut s = with_quirk("charges-twice-on-repeat", slow);
    s.card(500);
    s.bench.add_fault(Fault {
        kind: FaultKind::Deaf,
        from: Source::Peripheral,
        frame: FrameKind::Ack,
        address: Some(Address::CASHLESS_1),
        skip: 0,
        count: 1,
    });
    s.bench.select(4);
    s.bench.run_for(Micros::secs(2));
    s.rest();
    assert_eq!((s.balance("card receipts"), s.sold()), (200, 1));
    let found = s.bench.discrepancies();
    assert!(found[0].contains("the customer lost it"), "{found:?}");
}
