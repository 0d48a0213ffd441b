//! Vends and where the money is (sections 7.4.5 to 7.4.9, examples of 7.7).

use super::*;

fn sold(rig: &mut Rig) {
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.device.state(), CashlessState::Vend);
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
}

fn end(rig: &mut Rig) {
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    assert_eq!(rig.poll(), None);
}

/// Example 1: valid single vend.
#[test]
fn example_1() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    sold(&mut rig);
    end(&mut rig);
    assert_eq!((rig.on_card(), rig.receipts()), (875, 125));
    assert!(rig.noted("card given back"));
}

/// Example 2: valid multiple vend.
#[test]
fn example_2() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    sold(&mut rig);
    sold(&mut rig);
    end(&mut rig);
    assert_eq!((rig.on_card(), rig.receipts()), (750, 250));
}

/// 7.4.2, Z8 b1: a device that is not multivend capable sells once in a session.
#[test]
fn single_vend_devices_deny_the_second() {
    let mut rig = Rig::enabled(|config| config.multivend = false);
    rig.session(1000);
    sold(&mut rig);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    end(&mut rig);
    rig.device.present_again(rig.now);
    assert_eq!(rig.poll().unwrap()[..3], [0x03, 0x00, 175]);
    sold(&mut rig);
    assert_eq!(rig.receipts(), 250);
}

/// Example 3: cancelled with the reader's return button; the same when the card is taken away.
#[test]
fn example_3() {
    for button in [true, false] {
        let mut rig = Rig::enabled(|_| {});
        rig.session(1000);
        if button {
            rig.device.press_cancel(rig.now);
            rig.device.press_cancel(rig.now);
        } else {
            assert!(rig.device.remove_card(rig.now));
        }
        assert_eq!(rig.poll(), Some(vec![0x04]));
        assert_eq!(rig.poll(), None);
        end(&mut rig);
        assert_eq!((rig.on_card(), rig.receipts()), (1000, 0));
    }
}

/// Example 4b: VEND CANCEL before the answer.
#[test]
fn example_4b() {
    let mut rig = Rig::enabled(|config| config.approve_delay = Micros::secs(2));
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), None);
    rig.acks(&VEND_CANCEL);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
    end(&mut rig);
    assert_eq!(rig.receipts(), 0);
}

/// 7.4.6: VEND CANCEL crosses a VEND APPROVED that was lost: the money goes back.
#[test]
fn cancel_crosses_approval() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll_lost(), APPROVED);
    assert_eq!(rig.receipts(), 125);
    rig.acks(&VEND_CANCEL);
    assert_eq!(rig.receipts(), 0);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    end(&mut rig);
}

/// Example 5: refund after VEND FAILURE, silence meanwhile, then ACK.
#[test]
fn example_5() {
    let mut rig = Rig::enabled(|config| config.refund_delay = Micros::ms(120));
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
    assert_eq!(rig.receipts(), 125);
    rig.acks(&VEND_FAILURE);
    assert_eq!(rig.send(&[0x12]), Reply::Silence);
    assert_eq!(rig.receipts(), 125);
    assert_eq!(rig.device.next_deadline(), rig.now + Micros::ms(70));
    assert_eq!(rig.send(&[0x12]), Reply::Silence);
    assert_eq!(rig.poll(), None);
    assert_eq!((rig.on_card(), rig.receipts()), (1000, 0));
    end(&mut rig);
}

/// Example 5A: the refund fails: MALFUNCTION/ERROR 1100yyyy at level 02, ACK at level 01; the
/// money stays in the receipts.
#[test]
fn example_5a() {
    for level in [1, 2] {
        let mut rig = Rig::new(with(|config| config.restores_funds = false));
        rig.start_up(level);
        rig.session(1000);
        rig.acks(&VEND_REQUEST);
        rig.poll();
        rig.acks(&VEND_FAILURE);
        let expected = (level == 2).then(|| vec![0x0A, 0xC0]);
        assert_eq!(rig.poll(), expected);
        end(&mut rig);
        assert_eq!((rig.on_card(), rig.receipts()), (875, 125));
        assert!(rig.noted("credit is lost"));
    }
}

/// Appendix 3, section 4: with the card gone a refund may be impossible.
#[test]
fn refund_needs_the_card_where_so_configured() {
    let mut rig = Rig::enabled(|config| config.refund_needs_card = true);
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.device.remove_card(rig.now);
    rig.acks(&VEND_FAILURE);
    assert_eq!(rig.poll(), Some(vec![0x0A, 0xC0, 0x04]));
    assert_eq!(rig.receipts(), 125);
}

/// Example 6: insufficient funds.
#[test]
fn example_6() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(120);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    end(&mut rig);
    assert_eq!((rig.on_card(), rig.receipts()), (120, 0));
}

#[test]
fn policies() {
    let mut rig = Rig::enabled(|config| config.policy = Policy::ApproveLess(Money(25)));
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 20]));
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.receipts(), 100);
    rig.device.config_mut().policy = Policy::Deny;
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    rig.device.config_mut().policy = Policy::TimeOut;
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), None);
    assert_eq!(rig.device.next_deadline() - rig.now, Micros(6_950_000));
    rig.now = rig.device.next_deadline();
    rig.device.wake(rig.now);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    assert_eq!(rig.receipts(), 100);
}

/// A balance that is not known is billed later: the account goes below zero, nothing is lost.
#[test]
fn unknown_balance() {
    let mut rig = Rig::enabled(|_| {});
    rig.device.present_card(rig.now, Card::unknown());
    assert_eq!(rig.poll().unwrap()[..3], [0x03, 0xFF, 0xFF]);
    sold(&mut rig);
    assert_eq!((rig.on_card(), rig.receipts()), (-125, 125));
    end(&mut rig);
}

/// Examples 8a and 8b: silence while busy, one ACK before the non-response time is over.
#[test]
fn silence_while_busy() {
    let mut rig = Rig::enabled(|config| {
        config.approve_delay = Micros::secs(10);
        config.while_busy = WhileBusy::Silence;
    });
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    let asked = rig.now;
    let mut acks = Vec::new();
    let approved = loop {
        match rig.send(&[0x12]) {
            Reply::Silence => {}
            Reply::Ack => acks.push(rig.now - asked),
            Reply::Data(block) => break (rig.now - asked, block),
        }
    };
    assert_eq!(acks, [Micros(6_500_000)]);
    assert_eq!(approved.0, Micros::secs(10));
    assert_eq!(approved.1.bytes(), APPROVED);
}

/// 7.4.7, note: a reset between VEND APPROVED and VEND SUCCESS counts as VEND SUCCESS; an
/// approval that nobody heard is taken back. The same for power, bus reset and RESET.
#[test]
fn reset_during_a_vend() {
    type Cut = fn(&mut Rig);
    let cuts: [Cut; 3] = [
        |rig| rig.acks(&[0x10]),
        |rig| rig.device.bus_reset(rig.now),
        |rig| rig.device.power(rig.now, false),
    ];
    for cut in cuts {
        for (heard, receipts) in [(true, 125), (false, 0)] {
            let mut rig = Rig::enabled(|_| {});
            rig.session(1000);
            rig.acks(&VEND_REQUEST);
            if heard {
                assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
            } else {
                rig.poll_lost();
            }
            cut(&mut rig);
            rig.collect();
            assert_eq!(rig.device.state(), CashlessState::Inactive);
            assert_eq!((rig.on_card(), rig.receipts()), (1000 - receipts, receipts));
        }
    }
}

/// 7.4.14: a session goes on after READER DISABLE and ends in Disabled.
#[test]
fn disable_during_a_session() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    rig.acks(&[0x14, 0x00]);
    sold(&mut rig);
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    assert_eq!(rig.device.state(), CashlessState::Disabled);
    assert!(!rig.device.present_again(rig.now));
}

/// The card is taken away while the vend is decided: denied, and the session is to end. Once it
/// is approved the vend goes on.
#[test]
fn card_taken_away_during_a_vend() {
    let mut rig = Rig::enabled(|config| config.approve_delay = Micros::secs(1));
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.device.remove_card(rig.now);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    assert_eq!(rig.poll(), Some(vec![0x04]));
    rig.acks(&VEND_REQUEST);
    rig.now += Micros::secs(1);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.device.remove_card(rig.now);
    assert_eq!(rig.poll(), None);
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.poll(), Some(vec![0x04]));
    assert_eq!(rig.receipts(), 125);
}

#[test]
fn a_price_above_the_announced_maximum_is_noted() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(10_000);
    rig.acks(&[0x13, 0x00, 0x01, 0x01, 0x00, 0x04]);
    assert!(rig.noted("257 counts is asked, above the announced maximum of 256"));
    assert_eq!(rig.poll(), Some(vec![0x05, 0x01, 0x01]));
}

/// 7.4.18, 7.4.19 and Appendix 3: limit, approval, denial; no limit of zero.
#[test]
fn revalue() {
    let mut rig = Rig::enabled(|config| config.max_balance = Some(Money(2000)));
    rig.acks(&[0x15, 0x01]);
    assert_eq!(rig.poll(), Some(vec![0x0E]), "no card");
    rig.session(1500);
    rig.acks(&[0x15, 0x01]);
    assert_eq!(rig.poll(), Some(vec![0x0F, 0x00, 100]));
    rig.acks(&[0x15, 0x00, 0x00, 101]);
    assert_eq!(rig.device.state(), CashlessState::Revalue);
    assert_eq!(rig.poll(), Some(vec![0x0E]));
    rig.acks(&[0x15, 0x00, 0x00, 100]);
    assert_eq!(rig.poll(), Some(vec![0x0D]));
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
    assert_eq!((rig.on_card(), rig.receipts()), (2000, -500));
    rig.acks(&[0x15, 0x01]);
    assert_eq!(rig.poll(), Some(vec![0x0E]));
}
