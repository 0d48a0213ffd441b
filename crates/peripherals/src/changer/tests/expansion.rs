//! Level 3: features, alternative payout, diagnostics, files.

use super::*;
use payrig_mdb::Address;
use payrig_mdb::changer::{DiagnosticCode, Features};

/// Section 2.4.4: a level 2 changer does not know EXPANSION.
#[test]
fn level_2_does_not_answer_epansion() {
    let mut config = ChangerConfig::demo();
    config.level = 2;
    config.features = Features::NONE;
    let mut rig = Rig::of(config, Quirks::default());
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
    assert_eq!(rig.say(&[0x09])[0], 2);
    for sub in 0..=7 {
        let mut command = vec![0x0F, sub];
        command.resize([2, 6, 3, 2, 2, 2, 2, 2][usize::from(sub)], 0);
        assert_eq!(rig.send(&command), Reply::Silence);
    }
    assert_eq!(rig.send(&[0x0F, 0xFF]), Reply::Silence);
    assert_eq!(rig.poll(), Reply::Ack);
}

/// Section 5.3, FEATURE ENABLE: all off after reset, and only what is offered comes on.
#[test]
fn features_have_to_be_enabled() {
    let mut rig = Rig::started("");
    let gated: [&[u8]; 7] = [
        &[0x0F, 0x02, 5],
        &[0x0F, 0x03],
        &[0x0F, 0x04],
        &[0x0F, 0x05],
        &[0x0F, 0x06],
        &[0x0F, 0x07],
        &[0x0F, 0xFD, 0x08, 0x00],
    ];
    for command in gated {
        assert_eq!(rig.send(command), Reply::Silence, "{command:02X?}");
    }
    assert_eq!(rig.send(&[0x0F, 0x01, 0xFF, 0xFF, 0xFF, 0xFF]), Reply::Ack);
    assert_eq!(rig.changer.enabled_features(), Features(0x0F));
    for command in gated {
        assert_ne!(rig.send(command), Reply::Silence, "{command:02X?}");
    }
}

/// Section 5.6, coin dispense sequence, alternative payout method.
#[test]
fn alternative_payout() {
    let mut rig = Rig::ready("");
    // 5.3, PAYOUT: 75 cents are 15 counts.
    assert_eq!(rig.send(&[0x0F, 0x02, 15]), Reply::Ack);
    assert_eq!(rig.say(&[0x0F, 0x04]), [0x00]);
    assert_eq!(rig.send(&[0x0F, 0x03]), Reply::Ack);
    rig.wait(90);
    assert_eq!(rig.say(&[0x0F, 0x04]), [0x05]);
    assert_eq!(rig.say(&[0x0F, 0x04]), [0x00]);
    rig.wait(200);
    // What was not acknowledged is reported again.
    assert_eq!(
        rig.send(&[0x0F, 0x04]),
        Reply::Data(Block::new(&[10]).unwrap())
    );
    assert_eq!(rig.say(&[0x0F, 0x04]), [10]);
    assert_eq!(rig.send(&[0x0F, 0x04]), Reply::Ack);
    let mut coins = vec![0, 0, 3];
    coins.resize(16, 0);
    assert_eq!(
        rig.send(&[0x0F, 0x03]),
        Reply::Data(Block::new(&coins).unwrap())
    );
    // 5.3, PAYOUT STATUS: cleared after an ACK, not before.
    assert_eq!(rig.say(&[0x0F, 0x03]), coins);
    assert_eq!(rig.say(&[0x0F, 0x03]), [0; 16]);
    assert_eq!(rig.balance(&Place::Customer), 75);
    rig.check_money();
}

/// A tube that fails in the middle: other coins make up for it.
#[test]
fn alternative_payout_goes_on_with_other_coins() {
    let mut rig = Rig::ready("");
    rig.changer.block_tube(rig.now, t(2), true);
    rig.send(&[0x0F, 0x02, 15]);
    rig.wait(2_000);
    let mut coins = vec![1, 7];
    coins.resize(16, 0);
    assert_eq!(rig.say(&[0x0F, 0x03]), coins);
    assert_eq!(rig.balance(&Place::Customer), 75);
    assert_eq!(rig.say(&[0x0B]), [0x07]);
    // Coins the changer believes in and that were taken out by hand.
    let mut rig = Rig::ready("");
    rig.changer.take_by_hand(rig.now, t(2), 24);
    rig.send(&[0x0F, 0x02, 15]);
    rig.wait(2_000);
    assert_eq!(rig.balance(&Place::Customer), 75);
    assert_eq!(rig.tube_counts(), [12, 25, 0, 0]);
    rig.check_money();
}

/// More than there is: as much as there is, and the status shows how much that was.
#[test]
fn alternative_payout_of_more_than_there_is() {
    let mut config = ChangerConfig::demo();
    for coin in config.coins.iter_mut().flatten() {
        if let Some(tube) = &mut coin.tube {
            tube.coins = 1;
        }
    }
    let mut rig = Rig::of(config, Quirks::default());
    rig.say(&[0x0B]);
    rig.send(&[0x0F, 0x01, 0, 0, 0, 1]);
    rig.send(&[0x0F, 0x02, 255]);
    // A second PAYOUT while one goes on is not heard.
    assert_eq!(rig.send(&[0x0F, 0x02, 1]), Reply::Silence);
    rig.wait(1_000);
    assert_eq!(rig.say(&[0x0F, 0x03])[..4], [1, 1, 1, 0]);
    assert_eq!(rig.balance(&Place::Customer), 40);
    // Nothing to pay: over at once.
    assert_eq!(rig.send(&[0x0F, 0x02, 5]), Reply::Ack);
    assert_eq!(rig.send(&[0x0F, 0x04]), Reply::Ack);
    assert_eq!(rig.say(&[0x0F, 0x03]), [0; 16]);
    rig.check_money();
}

/// A reset in the middle of a PAYOUT: what was paid can still be asked for.
#[test]
fn a_reset_does_not_forget_what_was_paid() {
    let mut rig = Rig::ready("");
    rig.send(&[0x0F, 0x02, 15]);
    rig.wait(110);
    rig.changer.bus_reset(rig.now);
    rig.wait(1_000);
    rig.say(&[0x0B]);
    rig.send(&[0x0F, 0x01, 0, 0, 0, 1]);
    assert_eq!(rig.say(&[0x0F, 0x03])[..3], [0, 0, 1]);
    assert_eq!(rig.balance(&Place::Customer), 25);
}

/// Section 5.3, 0FH 05H: codes last as long as their condition, several at once, eight at most.
#[test]
fn diagnostics() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x03, 0x00]);
    rig.send(&[0x0C, 0, 0, 0, 0]);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x06, 0x00]);
    rig.send(&[0x0C, 0, 1, 0, 0]);
    rig.changer
        .set_fault(rig.now, DiagnosticCode::CASSETTE_REMOVED, true);
    rig.changer.jam_coin_path(rig.now, true);
    rig.changer.break_tube_sensor(rig.now, t(0), true);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x11, 0x30, 0x15, 0x00, 0x15, 0x02]);
    rig.changer
        .set_fault(rig.now, DiagnosticCode::CASSETTE_REMOVED, false);
    rig.changer.jam_coin_path(rig.now, false);
    rig.changer.break_tube_sensor(rig.now, t(0), false);
    assert_eq!(rig.say(&[0x0F, 0x05]), [0x03, 0x00]);
    for sub in 0..20 {
        let code = DiagnosticCode::new(0x10, sub);
        rig.changer.set_fault(rig.now, code, true);
    }
    assert_eq!(rig.say(&[0x0F, 0x05]).len(), 16);
}

/// Section 2.6.4: the manufacturer file begins with the maker's code and ends with an empty block.
#[test]
fn gives_its_manufacturer_file() {
    let mut rig = Rig::ready("");
    let mut block = vec![0x1D, 0x00, 0x00];
    block.extend(b"ZZZHARBOUR-LOOP");
    assert_eq!(rig.say(&[0x0F, 0xFA, 0x08, 0x00, 0x00, 0xFF, 0x00]), block);
    // An FTL response travels alone: the coin first, then the next block.
    rig.coins(&[0]);
    assert_eq!(rig.say(&[0x0B]), [0x50, 13]);
    assert_eq!(rig.say(&[0x0B]), [0x1D, 0x00, 0x01]);
    assert_eq!(rig.poll(), Reply::Ack);
    // A file it does not have: FFH, not supported.
    assert_eq!(
        rig.say(&[0x0F, 0xFA, 0x08, 0x00, 0x01, 0xFF, 0x00]),
        [0x1C, 0x00, 0x08, 0xFF]
    );
}

/// Section 2.6.4, control b0: reset after the transfer.
#[test]
fn takes_a_file_and_resets() {
    let mut rig = Rig::ready("");
    let offer = [0x0F, 0xFE, 0x08, 0x00, 0xF1, 0x01, 0x03];
    assert_eq!(rig.say(&offer), [0x1E, 0x00, 0x08]);
    assert_eq!(rig.send(&[0x0F, 0xFC, 0x08, 0x00, 7, 8, 9]), Reply::Ack);
    assert_eq!(rig.changer.files().received(), None);
    assert_eq!(rig.send(&[0x0F, 0xFC, 0x08, 0x01]), Reply::Ack);
    let file = rig.changer.files().received().unwrap();
    assert_eq!(
        (file.from, file.data.as_slice()),
        (Address::VMC, &[7, 8, 9][..])
    );
    rig.wait(50);
    assert_eq!(rig.say(&[0x0B]), [0x0B]);
}

/// OK TO SEND when nothing was offered: denied.
#[test]
fn denies_what_it_did_not_offer() {
    let mut rig = Rig::ready("");
    assert_eq!(rig.say(&[0x0F, 0xFD, 0x08, 0x00]), [0x1C, 0x00, 0x08, 0x00]);
    assert_eq!(rig.poll(), Reply::Ack);
}
