//! Coins in: routing, refusal, and everything else POLL reports.

use super::*;

/// Section 5.3, POLL, Coins Deposited: tube while it has room, then cash box.
#[test]
fn a_full_tube_sends_coins_to_the_cash_box() {
    let mut config = ChangerConfig::demo();
    let coin = config.coins[2].as_mut().unwrap();
    coin.tube.as_mut().unwrap().capacity = 26;
    let mut rig = Rig::of(config, Quirks::default());
    rig.say(&[0x0B]);
    rig.send(&[0x0C, 0x00, 0x0F, 0x00, 0x00]);
    rig.coins(&[2, 2, 3]);
    // 01 01 0010, 01 00 0010, 01 00 0011.
    assert_eq!(rig.say(&[0x0B]), [0x52, 26, 0x42, 26, 0x43, 0]);
    assert_eq!(rig.say(&[0x0A])[..5], [0x00, 0x04, 12, 30, 26]);
    assert_eq!(rig.balance(&tube(2)), 26 * 25);
    assert_eq!(rig.balance(&Place::CashBox(NAME.into())), 125);
    assert_eq!(rig.balance(&Place::Customer), -150);
    assert_eq!(rig.changer.empty_cash_box(rig.now), Money(125));
    rig.check_money();
}

/// Section 2.2: a report is repeated until acknowledged, with what came since appended.
#[test]
fn coins_are_reported_until_acknowledged() {
    let mut rig = Rig::ready("");
    rig.coins(&[0]);
    assert_eq!(rig.poll(), Reply::Data(Block::new(&[0x50, 13]).unwrap()));
    rig.coins(&[1]);
    rig.changer.unacknowledged(rig.now);
    assert!(!rig.changer.all_reported());
    assert_eq!(rig.say(&[0x0B]), [0x50, 13, 0x51, 31]);
    assert_eq!(rig.poll(), Reply::Ack);
    assert!(rig.changer.all_reported());
}

/// A coin that lands between an answer and its ACK is not lost with the ACK.
#[test]
fn an_ack_covers_only_what_was_sent() {
    let mut rig = Rig::ready("");
    rig.coins(&[0]);
    rig.poll();
    rig.coins(&[1]);
    rig.changer.acknowledged(rig.now);
    assert_eq!(rig.say(&[0x0B]), [0x51, 31]);
}

/// Section 5.3, POLL, notes: at most 16 bytes, the rest next time.
#[test]
fn more_coins_than_an_answer_holds() {
    let mut rig = Rig::ready("");
    rig.coins(&[0; 10]);
    let first: Vec<u8> = (13..21).flat_map(|n| [0x50, n]).collect();
    assert_eq!(rig.say(&[0x0B]), first);
    assert_eq!(rig.say(&[0x0B]), [0x50, 21, 0x50, 22]);
    assert_eq!(rig.poll(), Reply::Ack);
}

/// Section 5.3, COIN TYPE: only what is enabled; routing 11 for what is refused.
#[test]
fn disabled_coins_come_back() {
    let mut rig = Rig::ready("");
    rig.send(&[0x0C, 0x00, 0x01, 0x00, 0x00]);
    rig.coins(&[2]);
    assert_eq!(rig.say(&[0x0B]), [0x72, 25]);
    assert!(rig.notes().contains("coin type 2 returned: not enabled"));
    // Nothing enabled: the acceptor does not look at coins.
    rig.send(&[0x0C, 0x00, 0x00, 0x00, 0x00]);
    rig.coins(&[2]);
    assert_eq!(rig.poll(), Reply::Ack);
    assert_eq!(rig.balance(&Place::Customer), 0);
    // A coin type this changer does not have is a slug to it.
    rig.send(&[0x0C, 0xFF, 0xFF, 0x00, 0x00]);
    rig.coins(&[9]);
    assert_eq!(rig.say(&[0x0B]), [0x21]);
    rig.check_money();
}

/// A coin on its way when acceptance is switched off comes back.
#[test]
fn what_falls_when_acceptance_ends_comes_back() {
    let mut rig = Rig::ready("");
    rig.changer.insert_coin(rig.now, t(2));
    rig.send(&[0x0C, 0x00, 0x00, 0x00, 0x00]);
    rig.wait(300);
    assert_eq!(rig.poll(), Reply::Ack);
    assert_eq!(rig.balance(&Place::Customer), 0);
}

/// Section 5.3, POLL, Slug: 001xxxxx, counted since the last activity, 31 at most.
#[test]
fn slugs_are_counted() {
    let mut rig = Rig::ready("");
    for _ in 0..3 {
        rig.changer.insert_slug(rig.now);
    }
    rig.wait(900);
    assert_eq!(rig.say(&[0x0B]), [0x23]);
    for _ in 0..40 {
        rig.changer.insert_slug(rig.now);
    }
    rig.wait(12_000);
    assert_eq!(rig.say(&[0x0B]), [0x3F]);
    assert_eq!(rig.poll(), Reply::Ack);
}

/// A slug between an answer and its ACK starts a count of its own.
#[test]
fn slugs_already_sent_are_not_counted_on() {
    let mut rig = Rig::ready("");
    rig.changer.insert_slug(rig.now);
    rig.wait(300);
    rig.poll();
    rig.changer.insert_slug(rig.now);
    rig.wait(300);
    rig.changer.acknowledged(rig.now);
    assert_eq!(rig.say(&[0x0B]), [0x21]);
}

/// Section 5.3, POLL, status codes: events once, conditions with every POLL.
#[test]
fn status_codes() {
    let mut rig = Rig::ready("");
    let once = |rig: &mut Rig, code: u8| {
        rig.wait(300);
        assert_eq!(rig.say(&[0x0B]), [code]);
        assert_eq!(rig.poll(), Reply::Ack);
    };
    rig.changer.press_escrow_lever(rig.now);
    rig.changer.press_escrow_lever(rig.now);
    once(&mut rig, 0x01);
    rig.changer.release_escrow_lever(rig.now);
    rig.changer.press_escrow_lever(rig.now);
    once(&mut rig, 0x01);
    rig.changer.insert_coin_on_string(rig.now, t(3));
    once(&mut rig, 0x03);
    rig.changer.break_tube_sensor(rig.now, t(1), true);
    once(&mut rig, 0x04);
    rig.changer.insert_two_at_once(rig.now);
    once(&mut rig, 0x05);
    rig.changer.corrupt_program(rig.now);
    once(&mut rig, 0x08);
    rig.changer.jam_coin_path(rig.now, true);
    once(&mut rig, 0x0C);
    rig.coins(&[2]);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.changer.jam_coin_path(rig.now, false);
    rig.changer.unplug_acceptor(rig.now, true);
    assert_eq!(rig.say(&[0x0B]), [0x06]);
    assert_eq!(rig.say(&[0x0B]), [0x06]);
    rig.coins(&[2]);
    rig.changer.unplug_acceptor(rig.now, false);
    assert_eq!(rig.poll(), Reply::Ack);
    rig.check_money();
    assert_eq!(rig.balance(&Place::Customer), 0);
}

/// Section 5.3, POLL, 09H and 0DH.
#[test]
fn strayed_and_hunted_coins() {
    let mut config = ChangerConfig::demo();
    config.report_coin_removal = true;
    let mut rig = Rig::of(config, Quirks::default());
    rig.say(&[0x0B]);
    rig.send(&[0x0C, 0x00, 0x0F, 0x00, 0x00]);
    rig.changer.insert_coin_misrouted(rig.now, t(2));
    rig.wait(300);
    assert_eq!(rig.say(&[0x0B]), [0x42, 25, 0x09]);
    assert_eq!(rig.balance(&Place::CashBox(NAME.into())), 25);
    rig.changer.try_coin_removal(rig.now);
    assert_eq!(rig.say(&[0x0B]), [0x0D]);
    rig.check_money();
    // Off unless asked for.
    let mut rig = Rig::ready("");
    rig.changer.try_coin_removal(rig.now);
    assert_eq!(rig.poll(), Reply::Ack);
}

/// Section 5.3, TUBE STATUS, note: a bad tube is full and empty at once, and takes no coins.
#[test]
fn a_defective_tube() {
    let mut rig = Rig::ready("");
    rig.changer.break_tube_sensor(rig.now, t(2), true);
    assert_eq!(rig.say(&[0x0B]), [0x04]);
    assert_eq!(rig.say(&[0x0A])[..5], [0x00, 0x04, 12, 30, 0]);
    rig.coins(&[2]);
    assert_eq!(rig.say(&[0x0B]), [0x42, 0]);
    rig.changer.break_tube_sensor(rig.now, t(2), false);
    assert_eq!(rig.say(&[0x0A])[..5], [0x00, 0x00, 12, 30, 25]);
    rig.check_money();
}

/// Section 5.3, SETUP, FFH: a token is worth a vend and no money.
#[test]
fn tokens_move_no_money() {
    let mut config = ChangerConfig::demo();
    config.coins.push(Some(CoinConfig {
        worth: CoinWorth::Token,
        tube: None,
    }));
    let mut rig = Rig::of(config, Quirks::default());
    rig.say(&[0x0B]);
    assert_eq!(rig.say(&[0x09])[7..12], [1, 2, 5, 20, 0xFF]);
    rig.send(&[0x0C, 0x00, 0x1F, 0x00, 0x00]);
    rig.coins(&[4]);
    assert_eq!(rig.say(&[0x0B]), [0x44, 0]);
    assert_eq!(rig.balance(&Place::Customer), 0);
    rig.check_money();
}
