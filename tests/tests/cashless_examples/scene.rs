//! A board with one cashless device, and what they say to each other.

pub(crate) use payrig_controller::{BoardConfig, Controller, ExpectedKind};
pub(crate) use payrig_mdb::Address;
pub(crate) use payrig_mdb::cashless::{Level, Options, Unit};
pub(crate) use payrig_peripherals::cashless::{
    Answers, Card, CashlessConfig, CashlessDevice, CashlessState,
};
pub(crate) use payrig_tests::{Bench, Plugged, board, item};
pub(crate) use payrig_units::{Micros, Money};

pub(crate) type Reader = Plugged<CashlessDevice>;

/// A board with one reader called "card", set up; the wire is silent so far.
pub(crate) struct Scene {
    pub(crate) bench: Bench<Controller>,
    pub(crate) card: Reader,
}

/// A level 03 reader with these options that decides at once, on a board that wants all of them.
pub(crate) fn scene(options: Options) -> Scene {
    with(options, |_| {}, |_| {})
}

pub(crate) fn with(
    options: Options,
    reader: impl FnOnce(&mut CashlessConfig),
    change: impl FnOnce(&mut BoardConfig),
) -> Scene {
    let mut config = CashlessConfig {
        name: "card".to_owned(),
        level: Level::THREE,
        options,
        approve_delay: Micros::ZERO,
        ..CashlessConfig::default()
    };
    reader(&mut config);
    let mut expected = board(&[("card", ExpectedKind::Cashless(config.unit))]);
    expected.cashless.options = Options::DEFINED;
    expected.items = vec![
        item(4, "Water", 100),
        item(11, "Crisps", 100),
        item(12, "Sandwich", 100),
        item(13, "Biscuit", 100),
        item(14, "Coffee", 390),
        item(15, "Nuts", 100),
        item(16, "Nuts", 100),
    ];
    change(&mut expected);
    let now = Micros::ZERO;
    let mut bench = Bench::new(Controller::new(expected, now));
    let card = bench.plug("card", CashlessDevice::new(config));
    bench.run_until_ready();
    // The cards may have heard what the readers are for.
    bench.run_for(Micros::secs(1));
    bench.forget();
    Scene { bench, card }
}

/// The reader answers straight where it can, as the examples from 14 on draw it.
pub(crate) fn straight(config: &mut CashlessConfig) {
    config.answers = Answers::Straight;
}

/// Several vends in a session.
pub(crate) fn multi_vend(config: &mut BoardConfig) {
    config.multi_vend = true;
}

impl Scene {
    /// A card with so much on it is presented, and heard of.
    pub(crate) fn card(&mut self, balance: i64) {
        let card = Card::with(Money(balance));
        self.present(card);
    }

    pub(crate) fn present(&mut self, card: Card) {
        let taken = self
            .bench
            .at(&self.card, |d, now| d.present_card(now, card));
        assert!(taken);
        assert!(self.bench.run_until(|b| b.master().vending().in_session()));
        // The ACK of the controller.
        self.bench.run_for(Micros::ms(3));
    }

    /// Until everything that was begun is over.
    pub(crate) fn rest(&mut self) {
        self.bench.run_until_quiet(Micros::secs(1));
    }

    pub(crate) fn state(&self) -> CashlessState {
        self.card.borrow().device().state()
    }

    /// What was said, without idle POLLs, by names; `> ` is the controller.
    pub(crate) fn said(&self) -> Vec<String> {
        self.bench.conversation_names(Address::CASHLESS_1)
    }

    /// The same with values.
    pub(crate) fn texts(&self) -> Vec<String> {
        let spoken = self.bench.conversation(Address::CASHLESS_1);
        spoken.iter().map(payrig_tests::Spoken::text).collect()
    }

    pub(crate) fn balance(&self, place: &str) -> i64 {
        self.bench.balance(place).as_minor()
    }

    pub(crate) fn sold(&self) -> usize {
        self.bench.master().vending().sold().len()
    }
}

/// Lines as the standard draws them: the controller's side begins with `>`.
#[track_caller]
pub(crate) fn assert_said(scene: &Scene, lines: &[&[&str]]) {
    let expected: Vec<&str> = lines.concat();
    assert_eq!(scene.said(), expected);
}

pub(crate) const BEGIN_SESSION: &[&str] = &["> POLL", "< BEGIN SESSION", "> ACK"];
pub(crate) const REQUEST: &[&str] = &["> VEND REQUEST", "< ACK"];
pub(crate) const APPROVED: &[&str] = &["> POLL", "< VEND APPROVED", "> ACK"];
pub(crate) const DENIED: &[&str] = &["> POLL", "< VEND DENIED", "> ACK"];
pub(crate) const SUCCESS: &[&str] = &["> VEND SUCCESS", "< ACK"];
pub(crate) const FAILURE: &[&str] = &["> VEND FAILURE", "< ACK"];
pub(crate) const END: &[&str] = &[
    "> SESSION COMPLETE",
    "< ACK",
    "> POLL",
    "< END SESSION",
    "> ACK",
];
/// The same with the answer straight away, as the examples from 18 on draw it.
pub(crate) const END_STRAIGHT: &[&str] = &["> SESSION COMPLETE", "< END SESSION", "> ACK"];
pub(crate) const REQUEST_APPROVED: &[&str] = &["> VEND REQUEST", "< VEND APPROVED", "> ACK"];

pub(crate) const UNITS: [Unit; 2] = [Unit::One, Unit::Two];
