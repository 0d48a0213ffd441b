//! Switches, manual modes and hands.

use super::*;

/// Section 5.6, manual dispense sequence; 5.3, COIN TYPE, Y3-Y4.
#[test]
fn inventory_switches() {
    let mut rig = Rig::started("");
    // Enabled after a reset.
    assert_eq!(rig.changer.manual_dispense(rig.now, t(1), 10), 10);
    // 1 111 0001 (seven), 1 011 0001 (three), with what is left in the tube.
    assert_eq!(rig.say(&[0x0B]), [0xF1, 20, 0xB1, 20]);
    rig.send(&[0x0C, 0x00, 0x00, 0x00, 0x01]);
    assert_eq!(rig.changer.manual_dispense(rig.now, t(1), 1), 0);
    assert_eq!(rig.changer.manual_dispense(rig.now, t(0), 99), 12);
    assert_eq!(rig.say(&[0x0B]), [0xF0, 0, 0xD0, 0]);
    assert_eq!(rig.balance(&Place::Customer), 0);
    rig.check_money();
}

/// Section 5.3, 0FH 06H: filled coins are in the report and not by POLL.
#[test]
fn manual_fill() {
    let mut rig = Rig::ready("");
    rig.changer.begin_manual_fill(rig.now);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x05, 0x10]);
    rig.coins(&[0, 0, 2, 3]);
    assert!(rig.notes().contains("coin type 3 returned: no room"));
    assert_eq!(rig.poll(), Reply::Ack);
    rig.changer.end_manual(rig.now);
    // New inventory information, until it is fetched.
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x05, 0x20, 0x03, 0x00]);
    let mut counts = vec![2, 0, 1];
    counts.resize(16, 0);
    assert_eq!(
        rig.send(&[0x0F, 0x06]),
        Reply::Data(Block::new(&counts).unwrap())
    );
    rig.changer.unacknowledged(rig.now);
    assert_eq!(rig.say(&[0x0F, 0x06]), counts);
    assert_eq!(rig.say(&[0x0F, 0x06]), [0; 16]);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x03, 0x00]);
    assert_eq!(rig.tube_counts(), [14, 30, 26, 0]);
    assert_eq!(rig.balance(&Place::Customer), 0);
    rig.check_money();
}

/// Section 5.3, 0FH 05H: code 05/10 is sent at least once, however short the mode was.
#[test]
fn a_short_manual_mode_is_still_reported() {
    let mut rig = Rig::ready("");
    rig.changer.begin_manual_fill(rig.now);
    rig.changer.end_manual(rig.now);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x05, 0x10, 0x03, 0x00]);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x03, 0x00]);
}

/// Section 5.3, 0FH 07H: in the report where enabled, by POLL where not.
#[test]
fn manual_payout() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.changer.manual_payout(rig.now, t(2), 5), 0);
    rig.changer.begin_manual_payout(rig.now);
    assert_eq!(rig.changer.manual_payout(rig.now, t(2), 5), 5);
    assert_eq!(rig.poll(), Reply::Ack);
    assert_eq!(rig.say(&[0x0F, 0x07])[..3], [0, 0, 5]);
    assert_eq!(rig.say(&[0x0F, 0x07]), [0; 16]);
    rig.changer.end_manual(rig.now);

    let mut rig = Rig::started("");
    rig.changer.begin_manual_payout(rig.now);
    assert_eq!(rig.changer.manual_payout(rig.now, t(2), 5), 5);
    assert_eq!(rig.say(&[0x0B]), [0xD2, 20]);
    assert_eq!(rig.balance(&Place::Customer), 0);
    rig.check_money();
}

/// Section 5.3, 0FH 06H, notes: the report can be asked for after a reset.
#[test]
fn a_reset_does_not_forget_the_fill() {
    let mut rig = Rig::ready("");
    rig.changer.begin_manual_fill(rig.now);
    rig.coins(&[1]);
    rig.changer.bus_reset(rig.now);
    rig.wait(100);
    rig.say(&[0x0B]);
    rig.send(&[0x0F, 0x01, 0, 0, 0, 4]);
    assert_eq!(rig.say(&[0x0F, 0x06])[..3], [0, 1, 0]);
}

/// Section 5.3, CA1703: coins put in or taken out by hand are not counted.
#[test]
fn hands_are_not_counted() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.changer.load_by_hand(rig.now, t(0), 20), 20);
    assert_eq!(rig.tube_counts(), [12, 30, 25, 0]);
    assert_eq!(rig.changer.tube(t(0)).unwrap().coins, 32);
    assert_eq!(rig.changer.load_by_hand(rig.now, t(0), 99), 48);
    assert_eq!(rig.changer.load_by_hand(rig.now, t(3), 5), 0);
    // Full is full, whatever was counted.
    assert_eq!(rig.say(&[0x0A])[..3], [0x00, 0x01, 12]);
    assert_eq!(rig.changer.take_by_hand(rig.now, t(2), 99), 25);
    // The changer believes in 25 quarters until it tries to pay one.
    assert_eq!(rig.tube_counts(), [12, 30, 25, 0]);
    rig.send(&[0x0D, 0x12]);
    rig.wait(100);
    assert_eq!(rig.tube_counts(), [12, 30, 0, 0]);
    assert_eq!(rig.balance(&Place::Customer), 0);
    rig.check_money();
}
