//! Optional features of level 03, each only once enabled (sections 7.4.4, 7.4.24, 7.7).

use super::*;

const ALL: Options = Options::DEFINED;

#[test]
fn options_are_off_until_enabled_and_after_a_reset() {
    let mut rig = Rig::with_options(Options::MONEY_32 | Options::ALWAYS_IDLE, |_| {});
    assert!(rig.device.mode().expanded());
    assert_eq!(rig.device.state(), CashlessState::AlwaysIdle);
    rig.acks(&[0x10]);
    rig.start_up(3);
    assert!(!rig.device.mode().expanded());
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    assert!(!rig.device.ask_for_keys(rig.now, 4));
    assert!(!rig.device.select_item(rig.now, 1, 0, Card::unknown()));
}

/// 7.4.24: an option that was not offered: COMMAND OUT OF SEQUENCE, and none is enabled.
#[test]
fn options_not_offered_are_refused() {
    let mut rig = Rig::with_options(Options::ALWAYS_IDLE, |_| {});
    rig.acks(&[0x17, 0x04, 0, 0, 0, 0x22]);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x03]));
    assert_eq!(rig.device.mode().options, Options::ALWAYS_IDLE);
    assert_eq!(rig.send(&[0x13, 0x06, 0, 1, 0, 1]), Reply::Ack);
    assert_eq!(
        rig.poll(),
        Some(vec![0x0B, 0x03]),
        "negative vend not enabled"
    );
}

#[test]
fn thirty_two_bit_money() {
    let mut rig = Rig::with_options(Options::MONEY_32, |_| {});
    rig.acks(&[0x11, 0x01, 0, 1, 0, 0, 0, 0, 0, 5, 0x18, 0x40]);
    rig.device.present_card(rig.now, Card::with(Money(500_000)));
    let begin = rig.poll().unwrap();
    assert_eq!(
        (begin.len(), &begin[..5]),
        (17, &[0x03, 0x00, 0x01, 0x86, 0xA0][..])
    );
    rig.acks(&[0x13, 0x00, 0x00, 0x01, 0x00, 0x00, 0x00, 0x04]);
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 0x01, 0x00, 0x00]));
    assert_eq!(rig.receipts(), 327_680);
    // The 16 bit form is no command of this mode.
    assert_eq!(rig.send(&VEND_REQUEST), Reply::Silence);
}

/// Examples 11 to 13: always idle.
#[test]
fn always_idle() {
    let mut rig = Rig::with_options(Options::ALWAYS_IDLE, |_| {});
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.device.state(), CashlessState::Vend);
    assert_eq!(rig.poll(), None);
    assert!(rig.device.present_card(rig.now, Card::with(Money(1000))));
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
    rig.acks(&VEND_SUCCESS);
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    assert_eq!(rig.device.state(), CashlessState::AlwaysIdle);
    // Example 12: cancelled by the VMC.
    rig.acks(&VEND_REQUEST);
    rig.acks(&VEND_CANCEL);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    // Example 13: nobody presents a card.
    rig.acks(&VEND_REQUEST);
    rig.now = rig.device.next_deadline();
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    assert_eq!(rig.receipts(), 125);
}

/// 7.2.3: an always idle device may also begin a session.
#[test]
fn always_idle_device_begins_a_session() {
    let mut rig = Rig::with_options(Options::ALWAYS_IDLE, |_| {});
    rig.session(1000);
    rig.acks(&VEND_REQUEST);
    assert_eq!(rig.poll(), Some(APPROVED.to_vec()));
}

/// Examples 20a to 20c: BEGIN SESSION answers the first VEND REQUEST.
#[test]
fn ask_begin_session() {
    let options = Options::ALWAYS_IDLE | Options::ASK_BEGIN_SESSION;
    for repeated in [false, true] {
        let mut rig = Rig::with_options(options, |_| {});
        rig.acks(&VEND_REQUEST);
        rig.device.present_card(rig.now, Card::with(Money(1000)));
        assert_eq!(rig.poll().unwrap()[0], 0x03);
        assert_eq!(rig.device.state(), CashlessState::Vend);
        let second = if repeated {
            VEND_REQUEST
        } else {
            [0x13, 0x00, 0x00, 20, 0x00, 0x04]
        };
        rig.acks(&second);
        assert_eq!(rig.poll(), Some(vec![0x05, 0x00, second[3]]));
        rig.acks(&VEND_SUCCESS);
        assert_eq!(rig.receipts(), i64::from(second[3]) * 5);
    }
    let mut rig = Rig::with_options(options, |_| {});
    rig.acks(&VEND_REQUEST);
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    rig.poll();
    rig.acks(&VEND_CANCEL);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
    let mut rig = Rig::with_options(options, |_| {});
    rig.acks(&VEND_REQUEST);
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    rig.poll();
    rig.device.press_cancel(rig.now);
    assert_eq!(rig.poll(), Some(DENIED.to_vec()));
    assert_eq!(rig.receipts(), 0);
}

/// Example 10 and 7.4.11: credit at VEND SUCCESS, not before and not at a reset.
#[test]
fn negative_vend() {
    let mut rig = Rig::with_options(Options::NEGATIVE_VEND, |_| {});
    rig.session(1000);
    rig.acks(&[0x13, 0x06, 0x00, 5, 0x00, 0x09]);
    assert_eq!(rig.device.state(), CashlessState::NegativeVend);
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 5]));
    assert_eq!(rig.on_card(), 1000);
    rig.acks(&VEND_SUCCESS);
    assert_eq!((rig.on_card(), rig.receipts()), (1025, -25));
    rig.acks(&[0x13, 0x06, 0x00, 5, 0x00, 0x09]);
    rig.poll();
    rig.acks(&VEND_FAILURE);
    rig.acks(&[0x13, 0x06, 0x00, 5, 0x00, 0x09]);
    rig.poll();
    rig.acks(&[0x10]);
    assert_eq!((rig.on_card(), rig.receipts()), (1025, -25));
}

fn basket(price: u8, count: u8) -> [u8; 13] {
    [0x13, 0x00, 0x00, price, 0xFF, 0xFF, 0, 0, 0, 0, count, 0, 0]
}

fn success(item: u8, amount: u8, left: u8) -> [u8; 9] {
    [0x13, 0x02, 0x00, item, 0x00, amount, left, 0, 0]
}

fn failure(item: u8, amount: u8, left: u8) -> [u8; 10] {
    [0x13, 0x03, 0x00, item, 0x00, amount, left, 0, 0, 0x02]
}

/// Example 15: part of a product: 0.25 of 1.00 goes back.
#[test]
fn example_15() {
    let mut rig = Rig::with_options(Options::BASKET, |_| {});
    rig.session(1000);
    rig.acks(&basket(20, 1));
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 20, 0x00, 0x00]));
    rig.acks(&success(4, 15, 0));
    assert_eq!((rig.on_card(), rig.receipts()), (925, 75));
    assert_eq!(rig.device.state(), CashlessState::SessionIdle);
}

/// Examples 16 to 17d: 1.80 approved for three products; what is refunded.
#[test]
fn examples_16_and_17() {
    type Step = Vec<u8>;
    let ok = |item, amount, left| -> Step { success(item, amount, left).to_vec() };
    let no = |item, amount, left| -> Step { failure(item, amount, left).to_vec() };
    let rows: [(Vec<Step>, i64); 5] = [
        (vec![ok(11, 20, 2), no(12, 0, 1), ok(13, 16, 0)], 0),
        (vec![ok(11, 12, 2), no(12, 12, 1), no(13, 12, 0)], 120),
        (vec![ok(11, 12, 2), no(0xFF, 24, 0)], 120),
        (vec![ok(11, 12, 0)], 120),
        (vec![no(0xFF, 36, 0)], 180),
    ];
    for (steps, refund) in rows {
        let mut rig = Rig::with_options(Options::BASKET, |config| {
            config.policy = Policy::ApproveLess(Money(120));
        });
        rig.session(1000);
        rig.acks(&basket(60, 3));
        assert_eq!(rig.poll().unwrap()[..3], [0x05, 0x00, 36]);
        let last = steps.len() - 1;
        for (n, step) in steps.iter().enumerate() {
            rig.acks(step);
            let state = rig.device.state();
            assert_eq!(state == CashlessState::SessionIdle, n == last, "{steps:?}");
        }
        assert_eq!(rig.receipts(), 180 - refund, "{steps:?}");
    }
}

/// 7.4.8, Y4: a reset in the middle of a basket refunds what was reported as failed, no more.
#[test]
fn reset_in_a_basket() {
    let mut rig = Rig::with_options(Options::BASKET, |_| {});
    rig.session(1000);
    rig.acks(&basket(60, 3));
    rig.poll();
    rig.acks(&success(11, 20, 2));
    rig.acks(&failure(12, 20, 1));
    rig.acks(&[0x10]);
    assert_eq!((rig.on_card(), rig.receipts()), (800, 200));
}

/// Example 18: remote vend from Enabled; the second one is denied.
#[test]
fn example_18() {
    let mut rig = Rig::with_options(Options::REMOTE_VEND, |_| {});
    assert!(
        rig.device
            .select_item(rig.now, 11, 1, Card::with(Money(150)))
    );
    let request = rig.poll().unwrap();
    assert_eq!((request.len(), &request[..3]), (16, &[0x14, 0x00, 30][..]));
    assert_eq!(request[10..], [0x00, 11, 0, 0, 0, 1]);
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    rig.acks(&[0x13, 0x00, 0x00, 20, 0x00, 11]);
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 20]));
    rig.acks(&VEND_SUCCESS);
    rig.acks(&SESSION_COMPLETE);
    assert_eq!(rig.poll(), Some(END_SESSION.to_vec()));
    assert!(
        rig.device
            .select_item(rig.now, 12, 0, Card::with(Money(50)))
    );
    rig.poll();
    rig.acks(&[0x13, 0x07, 0x00, 12, 0x0A]);
    assert_eq!(rig.device.state(), CashlessState::Enabled);
    assert!(rig.noted("selection 12 denied: not enough credit"));
    rig.acks(&[0x13, 0x00, 0x00, 20, 0x00, 12]);
    assert_eq!(rig.poll(), Some(vec![0x0B, 0x03]));
    assert_eq!(rig.receipts(), 100);
}

/// Example 19: remote vend from Session Idle.
#[test]
fn example_19() {
    let mut rig = Rig::with_options(Options::REMOTE_VEND, |_| {});
    rig.session(1000);
    assert!(rig.device.select_item(rig.now, 11, 1, Card::unknown()));
    assert_eq!(
        rig.poll().unwrap()[..3],
        [0x14, 0x00, 200],
        "the session's card"
    );
    rig.acks(&[0x13, 0x00, 0x00, 20, 0x00, 11]);
    assert_eq!(rig.poll(), Some(vec![0x05, 0x00, 20]));
}

/// Examples 21 to 23: coupons; one at a time.
#[test]
fn coupons() {
    let coupon = Coupon {
        item: Some(14),
        options: 0,
        value: Some(Money(1000)),
        id: 7,
    };
    let mut rig = Rig::with_options(Options::COUPON, |_| {});
    assert!(rig.device.scan_coupon(rig.now, coupon));
    assert!(!rig.device.scan_coupon(rig.now, coupon));
    assert_eq!(
        rig.poll(),
        Some(vec![0x15, 0x00, 14, 0x00, 0x00, 200, 0, 0, 0, 7])
    );
    rig.acks(&[0x13, 0x08, 0x01, 0x00, 14, 0x00, 190]);
    assert_eq!(rig.receipts(), 950);
    rig.acks(&[0x13, 0x08, 0x01, 0x00, 14, 0x00, 190]);
    assert_eq!(rig.receipts(), 950);
    // Rejected, twice in a row by the same bytes.
    for _ in 0..2 {
        assert!(rig.device.scan_coupon(rig.now, coupon));
        rig.poll();
        rig.acks(&[0x13, 0x08, 0x00, 0x00, 14, 0x00, 200]);
    }
    assert_eq!(rig.receipts(), 950);
    assert!(rig.noted("coupon rejected"));
    // More is reported used than it is worth: its issuer pays its worth.
    assert!(rig.device.scan_coupon(rig.now, coupon));
    rig.poll();
    rig.acks(&[0x13, 0x08, 0x01, 0x00, 14, 0x00, 201]);
    assert_eq!(rig.receipts(), 1950);
    assert!(rig.noted("more of the coupon was used than it is worth"));
}

/// 7.4.5: the products of a basket together are worth no more than was approved; a machine that
/// says more gets what was approved.
#[test]
fn a_basket_worth_more_than_approved() {
    let mut rig = Rig::with_options(Options::BASKET, |_| {});
    rig.session(1000);
    rig.acks(&basket(20, 2));
    rig.poll();
    rig.acks(&failure(11, 60, 1));
    rig.acks(&success(12, 60, 0));
    assert_eq!((rig.on_card(), rig.receipts()), (900, 100));
    // Reported as failed beyond what was approved, then reset: no more than that goes back.
    rig.acks(&basket(20, 3));
    rig.poll();
    rig.acks(&success(11, 15, 2));
    rig.acks(&failure(12, 60, 1));
    rig.acks(&[0x10]);
    assert_eq!((rig.on_card(), rig.receipts()), (825, 175));
}

/// Data entry examples 1 to 3.
#[test]
fn data_entry() {
    let mut rig = Rig::with_options(Options::DATA_ENTRY, |_| {});
    let key = |k: u8| [0x14, 0x03, k, 0, 0, 0, 0, 0, 0, 0];
    assert!(rig.device.ask_for_keys(rig.now, 3));
    assert_eq!(rig.poll(), Some(vec![0x12, 3]));
    for k in *b"122" {
        rig.acks(&key(k));
    }
    assert!(rig.noted("keys entered: 122"));
    assert!(rig.device.ask_for_keys(rig.now, 3));
    rig.poll();
    rig.acks(&key(b'1'));
    rig.device.press_cancel(rig.now);
    assert_eq!(rig.poll(), Some(vec![0x13]));
    assert!(rig.device.ask_for_keys(rig.now, 3));
    rig.poll();
    rig.acks(&[0x14, 0x03, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]);
    assert!(rig.noted("cancelled by the machine"));
    assert_eq!(rig.device.state(), CashlessState::Enabled);
}

/// 2.6.4: a request to send is denied for good, whatever the state (Appendix 3, section 4).
#[test]
fn file_transfers_are_denied() {
    let mut rig = Rig::with_options(ALL, |_| {});
    rig.acks(&[0x17, 0xFE, 0x10, 0x00, 0x00, 0x01, 0x02]);
    assert_eq!(rig.poll(), Some(vec![0x1C, 0x00, 0x10, 0xFF]));
}

/// All options at once: the longest forms.
#[test]
fn every_option_enabled() {
    let mut rig = Rig::with_options(ALL, |_| {});
    assert_eq!(
        rig.device.command_length(&[0x13, 0x02]),
        payrig_mdb::Length::Known(28)
    );
    rig.acks(&[0x13, 0x00, 0, 0, 0, 20, 0, 4, 0, 0, 0, 0, 1, 0, 0, 0, 0]);
    rig.device.present_card(rig.now, Card::with(Money(1000)));
    assert_eq!(rig.poll().unwrap().len(), 17);
    rig.acks(&[0x13, 0x00, 0, 0, 0, 20, 0, 4, 0, 0, 0, 0, 1, 0, 0, 0, 0]);
    assert_eq!(rig.poll(), Some(vec![0x05, 0, 0, 0, 20, 0, 0, 0, 0]));
    let mut done = vec![0x13, 0x02, 0, 4, 0, 4];
    done.extend(*b"A4    A4    ");
    done.extend([0, 0, 0, 20, 0, 0, 0, 0, 0]);
    rig.acks(&done);
    assert_eq!((rig.on_card(), rig.receipts()), (900, 100));
}

/// On the bus a block ends where the mode in force says: 32 bit VEND REQUEST, word by word.
#[test]
fn the_port_gathers_blocks_of_the_mode_in_force() {
    use crate::{Port, PortTiming};
    use payrig_wire::{Source, TimedWord, Transmission, WORD_TIME};
    let mut rig = Rig::with_options(Options::MONEY_32, |_| {});
    rig.session(1000);
    let now = rig.now;
    let mut port = Port::new(rig.device, PortTiming::default());
    let block = Block::new(&[0x13, 0x00, 0x00, 0x00, 0x00, 0x14, 0x00, 0x04]).unwrap();
    for (n, word) in block.master_words().enumerate() {
        assert_eq!(port.take_transmission(), None, "before word {n}");
        let start = now + Micros::ms(10) + WORD_TIME * n as u64;
        port.heard(&TimedWord {
            start,
            end: start + WORD_TIME,
            source: Source::Master,
            word,
            uncertainty: Micros::ZERO,
        });
    }
    assert!(matches!(
        port.take_transmission(),
        Some(Transmission::Words { .. })
    ));
    assert_eq!(port.device().state(), CashlessState::Vend);
}
