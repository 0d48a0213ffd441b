//! Start, reset, silence, power.

use super::*;

/// The changer's half of the house capture `clean-1` (encoded from the standard by a program that
/// shares no code with this one): the same commands bring the same answers.
#[test]
fn plays_its_part_of_the_capture() {
    let mut config = ChangerConfig::demo();
    config.serial = "000000000041".into();
    config.model = "TESTUNIT-001".into();
    config.version = [0x01, 0x23];
    config.features = payrig_mdb::changer::Features(3);
    let mut rig = Rig::of(config, Quirks::default());
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
    let mut setup = vec![0x03, 0x18, 0x40, 0x05, 0x02, 0x00, 0x07, 1, 2, 5, 0x14];
    setup.resize(23, 0);
    assert_eq!(rig.say(&[0x09]), setup);
    let mut id = b"ZZZ000000000041TESTUNIT-001".to_vec();
    id.extend([0x01, 0x23, 0, 0, 0, 3]);
    assert_eq!(rig.say(&[0x0F, 0x00]), id);
    assert_eq!(rig.send(&[0x0F, 0x01, 0, 0, 0, 3]), Reply::Ack);
    let mut tubes = vec![0x00, 0x00, 0x0C, 0x1E, 0x19];
    tubes.resize(18, 0);
    assert_eq!(rig.say(&[0x0A]), tubes);
    assert_eq!(rig.send(&[0x0C, 0x00, 0x0F, 0x00, 0x07]), Reply::Ack);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.coins(&[2]);
    assert_eq!(rig.say(&[0x0B]), [0x52, 0x1A]);
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Ack);
    assert_eq!(rig.say(&[0x0B]), [0x02]);
    rig.wait(100);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.check_money();
    assert_eq!(rig.balance(&Place::Customer), 0);
}

/// Section 2.2: what is not acknowledged is sent again; 5.3: JUST RESET once.
#[test]
fn just_reset_until_acknowledged() {
    let mut rig = Rig::with("");
    let block = Reply::Data(Block::new(&[0x0B]).unwrap());
    assert_eq!(rig.poll(), block);
    rig.changer.unacknowledged(rig.now);
    assert_eq!(rig.poll(), block);
    // Neither ACK nor NAK: another command follows at once.
    assert_eq!(rig.poll(), block);
    rig.changer.acknowledged(rig.now);
    assert_eq!(rig.poll(), Reply::Ack);
}

/// Sections 2.2 and 5.3, RESET: every kind of reset turns acceptance and features off.
#[test]
fn every_reset_brings_the_power_on_state() {
    let resets: [fn(&mut Rig); 4] = [
        |r| assert_eq!(r.send(&[0x08]), Reply::Ack),
        |r| r.changer.bus_reset(r.now),
        |r| {
            r.changer.power(r.now, false);
            r.wait(500);
            r.changer.power(r.now, true);
        },
        |r| r.changer.reset_itself(r.now),
    ];
    for reset in resets {
        let mut rig = Rig::ready("");
        reset(&mut rig);
        // Silent while it starts (section 5.4), then JUST RESET.
        assert_eq!(rig.poll(), Reply::Silence);
        rig.wait(50);
        assert_eq!(rig.say(&[0x0B]), [0x0B]);
        assert_eq!(rig.poll(), Reply::Ack);
        assert!(rig.changer.accepts().is_empty());
        assert_eq!(rig.changer.enabled_features().0, 0);
        assert_eq!(rig.send(&[0x0F, 0x02, 5]), Reply::Silence);
        rig.coins(&[2]);
        assert_eq!(rig.poll(), Reply::Ack);
        assert_eq!(rig.balance(&Place::Customer), 0);
        rig.check_money();
    }
}

/// Coins accepted but not acknowledged are reported after a reset, behind JUST RESET.
#[test]
fn a_reset_forgets_no_coin() {
    let mut rig = Rig::ready("");
    rig.coins(&[1, 3]);
    rig.changer.press_escrow_lever(rig.now);
    assert_eq!(rig.send(&[0x08]), Reply::Ack);
    rig.wait(50);
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
    assert_eq!(rig.say(&[0x0B]), [0x51, 31, 0x43, 0]);
}

#[test]
fn without_power_nothing_happens() {
    let mut rig = Rig::ready("");
    rig.changer.insert_coin(rig.now, t(2));
    rig.changer.power(rig.now, false);
    rig.coins(&[2]);
    assert_eq!(rig.poll(), Reply::Silence);
    assert_eq!(rig.changer.next_deadline(), Micros::NEVER);
    assert_eq!(rig.notes(), "returned: no power; returned: no power");
    rig.changer.power(rig.now, true);
    rig.wait(100);
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.check_money();
    assert_eq!(rig.balance(&Place::Customer), 0);
}

/// Section 5.4 and section 5.3, POLL, 0AH.
#[test]
fn silence_and_business() {
    let mut rig = Rig::ready("");
    rig.changer.stay_silent(rig.now, Micros::secs(2));
    assert_eq!(rig.poll(), Reply::Silence);
    rig.wait(2_000);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.changer.be_busy(rig.now, Micros::secs(1));
    assert_eq!(rig.say(&[0x0B]), [0x0A]);
    assert_eq!(rig.say(&[0x0B]), [0x0A]);
    assert_eq!(rig.send(&[0x0A]), Reply::Silence);
    rig.wait(1_000);
    assert_eq!(rig.poll(), Reply::Ack);
}

/// Appendix 3, section 2: a peripheral that hears nothing for long resets itself, once.
#[test]
fn lost_contact_resets() {
    let mut rig = Rig::ready("");
    rig.wait(19_000);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.wait(20_100);
    assert!(rig.changer.accepts().is_empty());
    assert_eq!(rig.changer.next_deadline(), Micros::NEVER);
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
}

/// Appendix 3, section 3: what is not understood is not answered.
#[test]
fn unknown_commands_are_not_answered() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.send(&[0x0E]), Reply::Silence);
    assert_eq!(rig.send(&[0x0F, 0x55]), Reply::Silence);
    assert_eq!(rig.send(&[0x0D]), Reply::Silence);
    assert_eq!(rig.send(&[0x0F, 0xFF, 1, 2]), Reply::Ack);
}
