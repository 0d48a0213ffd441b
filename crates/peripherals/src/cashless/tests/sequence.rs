//! Repeated, lost and misplaced commands (section 7.3; Appendix 3, sections 3 and 4).

use super::*;

#[test]
fn a_repeated_vend_request_is_charged_once() {
    for (answers, delay) in [
        (Answers::AtPoll, Micros::ZERO),
        (Answers::AtPoll, Micros::secs(1)),
        (Answers::Straight, Micros::ZERO),
    ] {
        let mut rig = Rig::enabled(|config| {
            config.answers = answers;
            config.approve_delay = delay;
        });
        rig.session(1000);
        for _ in 0..3 {
            if let Reply::Data(block) = rig.send_unanswered(&VEND_REQUEST) {
                assert_eq!(block.bytes(), APPROVED);
                rig.device.unacknowledged(rig.now);
            }
        }
        rig.now += Micros::secs(2);
        assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
        rig.acks(&VEND_SUCCESS);
        rig.acks(&VEND_SUCCESS);
        assert_eq!(rig.receipts(), 125);
        assert_eq!(rig.poll(), None);
    }
}

#[test]
fn a_repeated_vend_failure_is_refunded_once() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.acks(&VEND_FAILURE);
    rig.poll();
    rig.acks(&VEND_FAILURE);
    assert_eq!((rig.on_card(), rig.receipts()), (1000, 0));
}

#[test]
fn a_repeated_revalue_is_credited_once_and_a_second_one_again() {
    let mut rig = Rig::enabled(|config| {
        config.answers = Answers::Straight;
        config.max_balance = Some(Money(5000));
    });
    rig.session(1000);
    for _ in 0..2 {
        let reply = rig.send_unanswered(&[0x15, 0x00, 0x00, 100]);
        assert_eq!(reply, Reply::Data(Block::new(&[0x0D]).unwrap()));
        rig.device.unacknowledged(rig.now);
    }
    assert_eq!(rig.on_card(), 1500);
    assert_eq!(rig.poll(), Some(vec![0x0D]));
    rig.send(&[0x15, 0x00, 0x00, 100]);
    assert_eq!(rig.on_card(), 2000);
}

/// A lost ACK makes a report come again; the VMC's next step shows it was heard.
#[test]
fn reports_are_repeated_until_heard() {
    let mut rig = Rig::enabled(|_| {});
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    assert_eq!(rig.poll_lost()[0], 0x03);
    assert_eq!(rig.poll_lost()[0], 0x03);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll_lost(), APPROVED);
    assert_eq!(rig.poll_lost(), APPROVED);
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.poll(), None);
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll_lost(), END_SESSION);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    assert_eq!(rig.receipts(), 125);
}

/// Appendix 3, section 4: repeated SESSION COMPLETEs are ignored.
#[test]
fn repeated_session_complete_is_ignored() {
    let mut rig = Rig::enabled(|_| {});
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), None);
    rig.session(1000);
    rig.acks(&SESSION_COMPLETE);
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), None);
    // Two sessions with nothing but SESSION COMPLETE in each.
    rig.device.present_again(rig.now);
    rig.poll();
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
}

/// Example 7: EXPANSION REQUEST ID during a vend. The vend is given up, nothing is charged.
#[test]
fn example_7() {
    let mut rig = Rig::enabled(|config| config.approve_delay = Micros::secs(1));
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    let request: Vec<u8> = [0x17, 0x00].into_iter().chain([b'0'; 29]).collect();
    rig.acks(&request);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x05]));
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
    rig.acks(&[0x10]);
    assert_eq!((rig.on_card(), rig.receipts()), (1000, 0));
}

/// POLL is executable in every state (7.4.4): however many come, and however many of them are not heard to
/// the end, a reader answers none with COMMAND OUT OF SEQUENCE, and begins one session for a card. That it
/// says `0B 01` is for another command that came before SETUP.
#[test]
fn a_storm_of_polls_is_never_out_of_sequence() {
    let mut rig = Rig::new(with(|_| {}));
    let storm = |rig: &mut Rig| {
        let mut said = Vec::new();
        for number in 0..200 {
            match number % 3 {
                // Its answer is lost, and comes again.
                0 => {
                    rig.send_unanswered(&[0x12]);
                    rig.device.unacknowledged(rig.now);
                }
                _ => said.extend(rig.poll()),
            }
        }
        let wrong = said.iter().find(|data| data.first() == Some(&0x0B));
        assert_eq!(wrong, None);
        said
    };
    // Inactive, disabled, enabled, in a session.
    storm(&mut rig);
    rig.acks(&[0x11, 0x00, 0x02, 16, 2, 0]);
    storm(&mut rig);
    rig.acks(&[0x11, 0x01, 0x01, 0x00, 0x00, 0x05]);
    assert_eq!(storm(&mut rig), Vec::<Vec<u8>>::new());
    rig.acks(&[0x14, 0x01]);
    assert_eq!(storm(&mut rig), Vec::<Vec<u8>>::new());
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    let begun = storm(&mut rig);
    assert_eq!((begun.len(), begun[0][0]), (1, 0x03), "{begun:?}");
}

/// 7.3, exception 1, and 7.4.4: the state in the second byte.
#[test]
fn out_of_sequence_names_the_state() {
    let mut rig = Rig::new(with(|_| {}));
    rig.poll();
    rig.acks(&[0x11, 0x00, 0x02, 16, 2, 0]);
    rig.poll();
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x01]));
    rig.acks(&[0x11, 0x01, 0x01, 0x00, 0x00, 0x05]);
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x02]));
    rig.acks(&[0x14, 0x01]);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x03]));
    rig.session(1000);
    rig.acks(&VEND_FAILURE);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x04]));
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x05]));
    assert_eq!(rig.device.state(), CashlessState::Vend);
    assert_eq!(rig.receipts(), 125);
}

/// The last resort (Appendix 3, section 4): what harms nothing is taken during a vend.
#[test]
fn harmless_commands_during_a_vend() {
    let mut rig = Rig::enabled(|_| {});
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    rig.poll();
    rig.acks(&[0x14, 0x01]);
    rig.acks(&[0x11, 0x01, 0x01, 0x00, 0x00, 0x05]);
    rig.acks(&[0x13, 0x05, 0x00, 0x19, 0x00, 0x07]);
    assert_eq!(rig.poll(), None);
    assert_eq!(rig.device.state(), CashlessState::Vend);
}

/// Example 9: READER CANCEL before BEGIN SESSION; and when it crosses BEGIN SESSION.
#[test]
fn reader_cancel() {
    let mut rig = Rig::enabled(|_| {});
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    rig.acks(&[0x14, 0x02]);
    assert_eq!(rig.poll(), Some(vec![0x08]));
    assert_eq!(rig.poll(), None);
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    rig.device.present_again(rig.now);
    rig.poll_lost();
    rig.acks(&[0x14, 0x02]);
    assert_eq!(rig.poll(), Some(vec![0x08]));
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    // In a session it is answered and changes nothing.
    rig.device.present_again(rig.now);
    rig.poll();
    rig.acks(&[0x14, 0x02]);
    assert_eq!(rig.poll(), Some(vec![0x08]));
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
}

/// The ACK of a straight answer does not acknowledge what an earlier POLL reported without success.
#[test]
fn an_acknowledgement_is_for_the_last_answer_only() {
    let mut rig = Rig::enabled(|config| config.answers = Answers::Straight);
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    assert_eq!(rig.poll_lost()[0], 0x03);
    let request: Vec<u8> = [0x17, 0x00].into_iter().chain([b'0'; 29]).collect();
    assert!(matches!(rig.send(&request), Reply::Data(_)));
    assert_eq!(rig.poll().unwrap()[0], 0x03);
    assert_eq!(rig.poll(), None);
}
