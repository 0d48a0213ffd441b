//! DISPENSE: coins out, one after another.

use super::*;

/// Section 5.3, DISPENSE: upper four bits coins, lower four bits type; busy until the last is out.
#[test]
fn dispense_three_quarters() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.send(&[0x0D, 0x32]), Reply::Ack);
    assert!(rig.changer.is_paying());
    for out in 1..=3 {
        assert_eq!(rig.say(&[0x0B]), [0x02]);
        rig.wait(90);
        assert_eq!(rig.balance(&Place::Customer), 25 * out);
    }
    assert_eq!(rig.poll(), Reply::Ack);
    assert_eq!(rig.tube_counts(), [12, 30, 22, 0]);
    rig.check_money();
}

/// Coins and a payout in one answer (section 5.3, POLL: all may be combined).
#[test]
fn coins_are_reported_during_a_payout() {
    let mut rig = Rig::ready("");
    rig.send(&[0x0D, 0xF1]);
    rig.coins(&[2]);
    assert_eq!(rig.say(&[0x0B]), [0x52, 26, 0x02]);
    rig.check_money();
}

/// DISPENSE while one goes on is not heard, so a VMC that repeats it pays once.
#[test]
fn a_second_dispense_waits() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Ack);
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Silence);
    rig.wait(200);
    assert_eq!(rig.balance(&Place::Customer), 25);
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Ack);
    rig.wait(200);
    assert_eq!(rig.balance(&Place::Customer), 50);
}

/// No tube, no coins, no type: nothing comes out, and nothing is made up.
#[test]
fn what_is_not_there_cannot_be_paid() {
    let mut rig = Rig::ready("");
    for wanted in [0x13, 0x19, 0x00] {
        assert_eq!(rig.send(&[0x0D, wanted]), Reply::Ack);
        rig.wait(200);
        assert_eq!(rig.poll(), Reply::Ack);
    }
    rig.send(&[0x0D, 0xF0]);
    rig.wait(1_600);
    assert_eq!(rig.balance(&Place::Customer), 60);
    assert_eq!(rig.tube_counts(), [0, 30, 25, 0]);
    rig.check_money();
}

/// Section 5.3, POLL, 07H: a jam ends the payout and makes the tube bad until it is cleared.
#[test]
fn a_jammed_tube() {
    let mut rig = Rig::ready("");
    rig.changer.block_tube(rig.now, t(2), true);
    rig.send(&[0x0D, 0x22]);
    rig.wait(100);
    assert_eq!(rig.say(&[0x0B]), [0x07]);
    assert_eq!(rig.poll(), Reply::Ack);
    assert_eq!(rig.say(&[0x0A])[..5], [0x00, 0x04, 12, 30, 0]);
    rig.changer.block_tube(rig.now, t(2), false);
    assert_eq!(rig.tube_counts(), [12, 30, 25, 0]);
    assert_eq!(rig.balance(&Place::Customer), 0);
    rig.check_money();
}

/// Section 2.2: a bus reset, like a power cut, ends a payout half way; the tubes still add up.
#[test]
fn a_payout_broken_off() {
    let stops: [fn(&mut Rig); 3] = [
        |r| r.changer.bus_reset(r.now),
        |r| r.changer.power(r.now, false),
        |r| assert_eq!(r.send(&[0x08]), Reply::Ack),
    ];
    for stop in stops {
        let mut rig = Rig::ready("");
        rig.send(&[0x0D, 0x52]);
        rig.wait(220);
        stop(&mut rig);
        rig.wait(2_000);
        assert_eq!(rig.balance(&Place::Customer), 50);
        assert!(rig.notes().contains("payout broken off"));
        rig.changer.power(rig.now, true);
        rig.wait(60);
        rig.say(&[0x0B]);
        assert_eq!(rig.tube_counts(), [12, 30, 23, 0]);
        rig.check_money();
    }
}

/// Section 5.3, DISPENSE, note 2: a changer may stay silent while it pays, within its
/// non-response time.
#[test]
fn silent_while_paying() {
    let mut config = ChangerConfig::demo();
    config.while_paying = WhilePaying::StaySilent;
    let mut rig = Rig::of(config.clone(), Quirks::default());
    rig.say(&[0x0B]);
    rig.send(&[0x0D, 0x52]);
    assert_eq!(rig.poll(), Reply::Silence);
    rig.wait(500);
    assert_eq!(rig.poll(), Reply::Ack);
    // Longer than that: it speaks again in time.
    config.payout_time = Micros::ms(500);
    let mut rig = Rig::of(config, Quirks::default());
    rig.say(&[0x0B]);
    rig.send(&[0x0D, 0x52]);
    rig.wait(1_780);
    assert_eq!(rig.poll(), Reply::Silence);
    rig.wait(20);
    assert_eq!(rig.say(&[0x0B]), [0x02]);
}
