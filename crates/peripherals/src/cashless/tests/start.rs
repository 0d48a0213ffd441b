//! Start-up, levels, states without a session (sections 7.2.1 to 7.2.3, 7.4.1 to 7.4.3).

use super::*;

#[test]
fn just_reset_is_repeated_until_acknowledged() {
    let mut rig = Rig::new(with(|_| {}));
    assert_eq!(rig.poll_lost(), [0x00]);
    assert_eq!(rig.poll(), Some(vec![0x00]));
    assert_eq!(rig.poll(), None);
    assert_eq!(rig.device.state(), CashlessState::Inactive);
}

/// 7.2.1, 7.2.2: both SETUP commands lead to Disabled, READER ENABLE to Enabled, DISABLE back.
#[test]
fn states_before_a_session() {
    let mut rig = Rig::new(with(|_| {}));
    rig.poll();
    rig.acks(&[0x11, 0x00, 0x02, 16, 2, 0]);
    assert_eq!(rig.device.state(), CashlessState::Inactive);
    assert_eq!(
        rig.poll(),
        Some(vec![0x01, 0x02, 0x18, 0x40, 0x05, 0x02, 0x07, 0x0B])
    );
    rig.acks(&[0x11, 0x01, 0x00, 0x3C, 0x00, 0x0A]);
    assert_eq!(rig.device.state(), CashlessState::Disabled);
    assert_eq!(rig.device.prices().unwrap().max, Some(60));
    rig.acks(&[0x14, 0x01]);
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    rig.acks(&[0x14, 0x00]);
    assert_eq!(rig.device.state(), CashlessState::Disabled);
    rig.acks(&[0x10]);
    assert_eq!(rig.device.state(), CashlessState::Inactive);
    assert_eq!(rig.poll(), Some(vec![0x00]));
}

#[test]
fn no_card_is_taken_unless_enabled() {
    let mut rig = Rig::new(with(|_| {}));
    assert!(!rig.device.present_card(rig.now, Card::unknown()));
    rig.start_up(2);
    rig.acks(&[0x14, 0x00]);
    assert!(!rig.device.present_card(rig.now, Card::unknown()));
    assert_eq!(rig.poll(), None);
    rig.acks(&[0x14, 0x01]);
    assert!(rig.device.present_card(rig.now, Card::unknown()));
    assert!(!rig.device.present_card(rig.now, Card::unknown()));
}

/// 2.4.4: the form of the common level; FFFFH for a balance that is not known.
#[test]
fn responses_keep_to_the_vmcs_level() {
    let mut rig = Rig::new(with(|_| {}));
    rig.start_up(1);
    rig.device.present_card(rig.now, Card::unknown());
    assert_eq!(rig.poll(), Some(vec![0x03, 0xFF, 0xFF]));
    let mut rig = Rig::enabled(|_| {});
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    assert_eq!(
        rig.poll(),
        Some(vec![
            0x03, 0x00, 0xC8, 0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0x00, 0x00
        ])
    );
}

/// 7.4.20: feature bits only when both sides are level 03.
#[test]
fn peripheral_id_at_each_level() {
    let request: Vec<u8> = [0x17, 0x00].into_iter().chain([b'0'; 29]).collect();
    for (vmc, length) in [(1, 30), (2, 30), (3, 34)] {
        let mut rig = Rig::new(with(|config| {
            config.level = Level::THREE;
            config.options = Options::ALWAYS_IDLE;
        }));
        rig.start_up(vmc);
        rig.acks(&request);
        let id = rig.poll().unwrap();
        assert_eq!((id[0], id.len()), (0x09, length));
        if vmc == 3 {
            assert_eq!(id[30..], [0, 0, 0, 0x20]);
        }
    }
}

/// Commands of a level the device has not are not known to it; those the VMC should not send at
/// its level are out of sequence.
#[test]
fn commands_above_the_level() {
    let mut rig = Rig::new(with(|config| config.level = Level::ONE));
    rig.start_up(1);
    assert_eq!(rig.send(&[0x15, 0x01]), Reply::Silence);
    let mut rig = Rig::new(with(|_| {}));
    rig.start_up(1);
    rig.acks(&[0x15, 0x01]);
    assert_eq!(rig.poll(), Some(vec![0x0B]));
}

/// The second address; commands for the first are not for it.
#[test]
fn device_two_answers_at_60h() {
    let mut rig = Rig::new(with(|config| config.unit = payrig_mdb::cashless::Unit::Two));
    assert_eq!(rig.device.address().byte(), 0x60);
    assert_eq!(rig.send(&[0x12]), Reply::Silence);
    assert_eq!(rig.poll(), Some(vec![0x00]));
}

#[test]
fn answers_straight_when_so_configured() {
    let mut rig = Rig::enabled(|config| config.answers = Answers::Straight);
    rig.session(1000);
    let Reply::Data(block) = rig.send(&VEND_REQUEST) else {
        panic!()
    };
    assert_eq!(block.bytes(), APPROVED);
    rig.acks(&VEND_SUCCESS);
    let Reply::Data(block) = rig.send(&SESSION_COMPLETE) else {
        panic!()
    };
    assert_eq!(block.bytes(), END_SESSION);
    assert_eq!(rig.device.state(), CashlessState::Enabled);
}

/// Appendix 3, section 2: after ten times its response time without the VMC, it starts again.
#[test]
fn lost_communication() {
    let mut rig = Rig::enabled(|_| {});
    let deadline = rig.device.next_deadline();
    assert_eq!(deadline, rig.now + Micros::secs(70));
    rig.device.wake(deadline);
    assert_eq!(rig.device.state(), CashlessState::Inactive);
    assert_eq!(rig.device.next_deadline(), Micros::NEVER);
    assert_eq!(rig.poll(), Some(vec![0x00]));
}

#[test]
fn without_power_nothing_is_answered() {
    let mut rig = Rig::enabled(|_| {});
    rig.device.power(rig.now, false);
    assert_eq!(rig.send(&[0x12]), Reply::Silence);
    assert!(!rig.device.present_card(rig.now, Card::unknown()));
    rig.device.power(rig.now, true);
    assert_eq!(rig.poll(), Some(vec![0x00]));
    assert_eq!(rig.device.state(), CashlessState::Inactive);
}

#[test]
fn bytes_that_are_no_command_are_not_answered() {
    let mut rig = Rig::enabled(|_| {});
    assert_eq!(rig.send(&[0x16]), Reply::Silence);
    assert_eq!(rig.send(&[0x13, 0x09]), Reply::Silence);
    assert_eq!(rig.send(&[0x13, 0x00, 0x00]), Reply::Silence);
}

/// 7.4.4: the text fills the display, whose size came with SETUP (here 16 by 2).
#[test]
fn display_and_time_requests() {
    let mut rig = Rig::enabled(|_| {});
    assert!(rig.device.show(rig.now, "Harbour Loop", 30));
    let request = rig.poll().unwrap();
    assert_eq!((request.len(), request[0], request[1]), (34, 0x02, 30));
    assert_eq!(&request[2..15], b"Harbour Loop ");
    assert!(rig.device.ask_time(rig.now));
    assert_eq!(rig.poll(), Some(vec![0x11]));
    rig.acks(&[
        0x17, 0x03, 0x26, 0x01, 0x31, 0x12, 0x00, 0x00, 0x06, 0x05, 0x00, 0xFF,
    ]);
    assert_eq!(rig.device.time().unwrap().day, 0x31);
}

/// 7.4.4: transient errors once, others at every POLL until repaired.
#[test]
fn malfunctions() {
    use payrig_mdb::cashless::Malfunction;
    let mut rig = Rig::enabled(|_| {});
    rig.device.fail(rig.now, Malfunction(0x11));
    assert_eq!(rig.poll(), Some(vec![0x0A, 0x11]));
    assert_eq!(rig.poll(), None);
    rig.device.fail(rig.now, Malfunction(0x81));
    assert_eq!(rig.poll(), Some(vec![0x0A, 0x81]));
    assert_eq!(rig.poll(), Some(vec![0x0A, 0x81]));
    rig.device.repair();
    assert_eq!(rig.poll(), None);
}

/// 7.4.21, 7.4.22: what was written is read; length zero for a file that is not there.
#[test]
fn user_files() {
    let mut rig = Rig::enabled(|_| {});
    rig.acks(&[0x17, 0x02, 7, 2, 0xAB, 0xCD]);
    rig.acks(&[0x17, 0x01, 7]);
    assert_eq!(rig.poll(), Some(vec![0x10, 7, 2, 0xAB, 0xCD]));
    rig.acks(&[0x17, 0x01, 8]);
    assert_eq!(rig.poll(), Some(vec![0x10, 8, 0]));
}
