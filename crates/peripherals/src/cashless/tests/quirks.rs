//! Each named quirk does what it says; without it the same steps go right (see the other tests).

use super::*;

fn with_quirk(name: &str) -> Rig {
    Rig::enabled(|config| assert!(config.quirks.set(name, true)))
}

#[test]
fn begin_session_repeated() {
    let mut rig = with_quirk("begin-session-repeated");
    rig.session(1000);
    assert_eq!(rig.poll().unwrap()[0], 0x03);
    assert_eq!(rig.poll().unwrap()[0], 0x03);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.poll(), None);
}

#[test]
fn end_session_straight_after_session_complete() {
    let mut rig = with_quirk("end-session-straight-after-session-complete");
    rig.session(1000);
    let reply = rig.send(&SESSION_COMPLETE);
    assert_eq!(reply, Reply::Data(Block::new(&END_SESSION).unwrap()));
    assert_eq!(rig.device.state(), CashlessState::Enabled);
}

#[test]
fn approves_more_than_asked() {
    let mut rig = with_quirk("approves-more-than-asked");
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 26]));
    assert_eq!(rig.receipts(), 130);
}

#[test]
fn charges_twice_on_repeat() {
    let mut rig = with_quirk("charges-twice-on-repeat");
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
    rig.acks(&VEND_SUCCESS);
    assert_eq!((rig.on_card(), rig.receipts()), (750, 250));
}

#[test]
fn no_refund_on_vend_failure() {
    let mut rig = with_quirk("no-refund-on-vend-failure");
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.acks(&VEND_FAILURE);
    assert_eq!(rig.poll(), None);
    assert_eq!(rig.receipts(), 125);
}

#[test]
fn responds_above_vmc_level() {
    let mut rig = Rig::new(with(|config| config.quirks.responds_above_vmc_level = true));
    rig.start_up(1);
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    assert_eq!(rig.poll().unwrap().len(), 10);
}

#[test]
fn no_just_reset() {
    let mut rig = Rig::new(with(|config| config.quirks.no_just_reset = true));
    assert_eq!(rig.poll(), None);
    rig.acks(&[0x10]);
    assert_eq!(rig.poll(), None);
}

#[test]
fn session_while_disabled() {
    let mut rig = with_quirk("session-while-disabled");
    rig.acks(&[0x14, 0x00]);
    rig.session(1000);
    rig.acks(&SESSION_COMPLETE);
    rig.poll();
    assert_eq!(rig.device.state(), CashlessState::Disabled);
}

#[test]
fn never_answers_vend_request() {
    let mut rig = with_quirk("never-answers-vend-request");
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    for _ in 0..600 {
        assert_eq!(rig.poll(), None);
    }
    assert_eq!(rig.device.state(), CashlessState::Vend);
    rig.acks(&VEND_CANCEL);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
}

#[test]
fn out_of_sequence_on_repeat() {
    let mut rig = with_quirk("out-of-sequence-on-repeat");
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.acks(&VEND_SUCCESS);
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x04]));
}

#[test]
fn never_polled_gives_up() {
    let mut rig = with_quirk("never-polled-gives-up");
    rig.session(1000);
    assert_eq!(rig.device.next_deadline(), rig.now + Micros::secs(1));
    rig.now += Micros::secs(2);
    assert_eq!(rig.poll(), Some(vec![0x00]));
}

#[test]
fn forgets_unacknowledged() {
    let mut rig = with_quirk("forgets-unacknowledged");
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    assert_eq!(rig.poll_lost()[0], 0x03);
    assert_eq!(rig.poll(), None);
}

#[test]
fn ignores_vend_cancel() {
    let mut rig = with_quirk("ignores-vend-cancel");
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.acks(&VEND_CANCEL);
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
}

#[test]
fn never_ends_session() {
    let mut rig = with_quirk("never-ends-session");
    rig.session(1000);
    rig.acks(&SESSION_COMPLETE);
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), None);
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
}
