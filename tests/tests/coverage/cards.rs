//! Conversations with cashless devices at both addresses (section 7).

use super::heard::Heard;
use crate::cashless_examples::scene::{
    BoardConfig, Card, CashlessConfig, CashlessDevice, Controller, ExpectedKind, Level, Micros,
    Money, Options, Reader, UNITS, Unit,
};
use payrig_controller::{Clock, Mishap};
use payrig_mdb::Block;
use payrig_mdb::cashless::Malfunction;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::cashless::{Coupon, Policy};
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
use payrig_tests::{Bench, Plugged, board, item};

struct Set {
    bench: Bench<Controller>,
    card: Reader,
    changer: Plugged<Changer>,
    unit: Unit,
}

/// A reader with every option but those that change how a session begins, and a changer.
fn set(
    unit: Unit,
    reader: impl FnOnce(&mut CashlessConfig),
    change: impl FnOnce(&mut BoardConfig),
) -> Set {
    let mut config = CashlessConfig {
        name: "card".to_owned(),
        unit,
        level: Level::THREE,
        options: Options::MONEY_32
            | Options::NEGATIVE_VEND
            | Options::DATA_ENTRY
            | Options::REMOTE_VEND
            | Options::COUPON,
        max_balance: Some(Money(5_000)),
        diagnostics: Some(vec![0x01, 0x02]),
        ..CashlessConfig::default()
    };
    reader(&mut config);
    let mut expected = board(&[
        ("card", ExpectedKind::Cashless(unit)),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.items = vec![item(11, "Crisps", 100), item(12, "Sandwich", 100)];
    expected.cashless.options = Options::DEFINED;
    expected.cashless.clock = Clock::new([26, 1, 5], [8, 30, 0]);
    change(&mut expected);
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let card = bench.plug("card", CashlessDevice::new(config));
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    Set {
        bench,
        card,
        changer,
        unit,
    }
}

impl Set {
    /// Something happens at the reader, and time passes.
    fn then<T>(&mut self, act: impl FnOnce(&mut CashlessDevice, Micros) -> T) {
        let card = self.card.clone();
        self.bench.at(&card, act);
        self.rest();
    }

    fn rest(&mut self) {
        self.bench.run_for(Micros::secs(4));
    }

    fn card(&mut self) {
        self.then(|d, now| d.present_card(now, Card::with(Money(500))));
    }

    fn select(&mut self) {
        self.bench.select(11);
        self.rest();
    }

    fn dollar(&mut self) {
        let changer = self.changer.clone();
        self.bench
            .at(&changer, |c, now| c.insert_coin(now, CoinType::of(3)));
        self.rest();
    }

    fn coupon(&mut self) {
        let coupon = Coupon {
            item: None,
            options: 0,
            value: Some(Money(100)),
            id: 7,
        };
        self.then(|d, now| d.scan_coupon(now, coupon));
    }
}

/// What customers do.
fn customers(heard: &mut Heard, unit: Unit) {
    let mut s = set(unit, |_| {}, |_| {});
    s.card();
    s.select();
    s.card();
    s.bench.master_mut().mishap(11, Mishap::Jam);
    s.select();
    s.card();
    s.then(CashlessDevice::press_cancel);
    // In cash, reported to the reader.
    s.dollar();
    s.select();
    // Given up before anything was paid.
    s.bench.press_return();
    s.rest();
    s.card();
    let now = s.bench.now();
    s.bench.master_mut().give_back(now, 7, Money(25));
    s.rest();
    s.then(|d, now| d.select_item(now, 12, 0, Card::with(Money(500))));
    s.then(|d, now| d.select_item(now, 99, 0, Card::with(Money(500))));
    s.coupon();
    s.select();
    s.then(|d, now| d.ask_for_keys(now, 4));
    for key in *b"1234" {
        let now = s.bench.now();
        s.bench.master_mut().press_key(now, key);
    }
    s.rest();
    s.then(|d, now| d.ask_for_keys(now, 4));
    s.then(CashlessDevice::press_cancel);
    heard.listen(&s.bench);
}

/// What else a reader and a board may say.
fn service(heard: &mut Heard, unit: Unit) {
    let mut s = set(unit, |_| {}, |_| {});
    s.then(|d, now| d.show(now, "HARBOUR LOOP", 10));
    s.then(CashlessDevice::ask_time);
    s.then(|d, now| d.fail(now, Malfunction::REFUND_LOST));
    let now = s.bench.now();
    s.bench.master_mut().set_service(now, true);
    s.rest();
    let now = s.bench.now();
    s.bench.master_mut().set_service(now, false);
    s.rest();
    let now = s.bench.now();
    s.bench.master_mut().diagnose(now, "card", &[0x01]);
    s.rest();
    // The reader goes away until it is RESET.
    let card = s.card.clone();
    s.bench.power(&card, false);
    s.bench.run_for(Micros::secs(20));
    s.bench.power(&card, true);
    s.bench.run_for(Micros::secs(20));
    heard.listen(&s.bench);
    // VEND SUCCESS where there was no vend: our board would not say so.
    s.bench.forget();
    let now = s.bench.now();
    let first = s.unit.address().with(3);
    let wrong = Block::new(&[first, 0x02, 0x00, 0x0B]).unwrap();
    s.bench.master_mut().say(now, "card", wrong);
    s.rest();
    heard.listen_to_devices(&s.bench);
}

/// Requests that are denied, and one that is never decided and so cancelled.
fn denied(heard: &mut Heard, unit: Unit) {
    let mut s = set(unit, |c| c.policy = Policy::Deny, |_| {});
    s.card();
    s.select();
    heard.listen(&s.bench);
    let never = |c: &mut CashlessConfig| c.quirks.never_answers_vend_request = true;
    let mut s = set(unit, never, |_| {});
    s.card();
    s.select();
    s.bench.run_for(Micros::secs(20));
    heard.listen(&s.bench);
}

/// Cash onto the card: taken, and refused.
fn revalued(heard: &mut Heard, unit: Unit) {
    let mut s = set(unit, |_| {}, |b| b.cashless.revalue = true);
    s.card();
    s.dollar();
    heard.listen(&s.bench);
    let full = |c: &mut CashlessConfig| c.max_balance = None;
    let mut s = set(unit, full, |b| b.cashless.revalue = true);
    s.card();
    s.dollar();
    heard.listen(&s.bench);
}

/// User files are for level 02.
fn user_files(heard: &mut Heard, unit: Unit) {
    let s = set(
        unit,
        |c| c.level = Level::TWO,
        |b| {
            b.cashless.write_files = vec![(2, b"HARBOUR LOOP".to_vec())];
            b.cashless.read_files = vec![2];
        },
    );
    heard.listen(&s.bench);
}

pub(crate) fn all(heard: &mut Heard) {
    for unit in UNITS {
        customers(heard, unit);
        service(heard, unit);
        denied(heard, unit);
        revalued(heard, unit);
        user_files(heard, unit);
    }
}
