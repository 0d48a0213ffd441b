//! Every quirk does what its name says, and nothing without it.

use super::*;

#[test]
fn duplicate_report_after_ack() {
    let mut rig = Rig::ready("duplicate-report-after-ack");
    rig.coins(&[1]);
    assert_eq!(rig.say(&[0x0B]), [0x51, 31]);
    assert_eq!(rig.say(&[0x0B]), [0x51, 31]);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.check_money();
}

#[test]
fn double_dispense_on_repeat() {
    let mut rig = Rig::ready("double-dispense-on-repeat");
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Ack);
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Ack);
    rig.wait(300);
    assert_eq!(rig.balance(&Place::Customer), 50);
    rig.check_money();
}

#[test]
fn accepts_disabled_coins() {
    let mut rig = Rig::started("accepts-disabled-coins");
    rig.coins(&[2]);
    assert_eq!(rig.say(&[0x0B]), [0x52, 26]);
    rig.check_money();
}

#[test]
fn no_just_reset() {
    let mut rig = Rig::with("no-just-reset");
    assert_eq!(rig.poll(), Reply::Ack);
    rig.send(&[0x08]);
    rig.wait(100);
    assert_eq!(rig.poll(), Reply::Ack);
}

#[test]
fn wrong_tube_count() {
    let mut rig = Rig::ready("wrong-tube-count");
    assert_eq!(rig.tube_counts(), [13, 31, 26, 0]);
    rig.check_money();
}

#[test]
fn dispense_without_ack() {
    let mut rig = Rig::ready("dispense-without-ack");
    assert_eq!(rig.send(&[0x0D, 0x12]), Reply::Silence);
    rig.wait(200);
    assert_eq!(rig.balance(&Place::Customer), 25);
    rig.check_money();
}

#[test]
fn reports_one_coin_per_poll_only() {
    let mut rig = Rig::ready("reports-one-coin-per-poll-only");
    rig.coins(&[1, 1]);
    assert_eq!(rig.say(&[0x0B]), [0x51, 31]);
    assert_eq!(rig.say(&[0x0B]), [0x51, 32]);
    assert_eq!(rig.poll(), Reply::Ack);
}

#[test]
fn always_busy() {
    let mut rig = Rig::ready("always-busy");
    assert_eq!(rig.poll(), Reply::Ack);
    rig.send(&[0x0D, 0x12]);
    rig.wait(10_000);
    assert!(!rig.changer.is_paying());
    assert_eq!(rig.say(&[0x0B]), [0x02]);
    rig.send(&[0x08]);
    rig.wait(100);
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
    assert_eq!(rig.poll(), Reply::Ack);
}

#[test]
fn reset_loses_report() {
    let mut rig = Rig::ready("reset-loses-report");
    rig.coins(&[2]);
    rig.send(&[0x08]);
    rig.wait(100);
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
    assert_eq!(rig.poll(), Reply::Ack);
    assert_eq!(rig.balance(&Place::Customer), -25);
    rig.check_money();
}

#[test]
fn tube_status_too_early() {
    let mut rig = Rig::ready("tube-status-too-early");
    rig.send(&[0x08]);
    rig.wait(400);
    assert_eq!(rig.tube_counts(), [0, 0, 0, 0]);
    rig.wait(100);
    assert_eq!(rig.tube_counts(), [12, 30, 25, 0]);
}

#[test]
fn escrow_repeats_while_held() {
    let mut rig = Rig::ready("escrow-repeats-while-held");
    rig.changer.press_escrow_lever(rig.now);
    assert_eq!(rig.say(&[0x0B]), [0x01]);
    assert_eq!(rig.say(&[0x0B]), [0x01]);
    rig.changer.release_escrow_lever(rig.now);
    assert_eq!(rig.poll(), Reply::Ack);
    // A short press between two POLLs is not lost.
    rig.changer.press_escrow_lever(rig.now);
    rig.changer.release_escrow_lever(rig.now);
    assert_eq!(rig.say(&[0x0B]), [0x01]);
    assert_eq!(rig.poll(), Reply::Ack);
}

#[test]
fn dispenses_one_coin_less() {
    let mut rig = Rig::ready("dispenses-one-coin-less");
    rig.send(&[0x0D, 0x32]);
    rig.wait(400);
    assert_eq!(rig.balance(&Place::Customer), 50);
    rig.check_money();
}

#[test]
fn reports_wrong_routing() {
    let mut rig = Rig::ready("reports-wrong-routing");
    rig.coins(&[3]);
    assert_eq!(rig.say(&[0x0B]), [0x53, 0]);
    assert_eq!(rig.balance(&Place::CashBox(NAME.into())), 100);
    rig.check_money();
}

#[test]
fn forgets_unacknowledged() {
    let mut rig = Rig::ready("forgets-unacknowledged");
    rig.coins(&[2]);
    assert_eq!(rig.poll(), Reply::Data(Block::new(&[0x52, 26]).unwrap()));
    rig.changer.unacknowledged(rig.now);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.check_money();
}
