//! A board with a changer, for tests of what goes wrong between the two.

use crate::{Bench, Plugged, board};
use payrig_controller::{BoardConfig, ChangerPolicy, Controller, ExpectedKind};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
use payrig_units::{Micros, Money};

/// Coin type of the demonstration changer.
pub const NICKEL: CoinType = CoinType::of(0);
/// The same.
pub const DIME: CoinType = CoinType::of(1);
/// The same.
pub const QUARTER: CoinType = CoinType::of(2);
/// The same; it has no tube.
pub const DOLLAR: CoinType = CoinType::of(3);

/// A board and a changer, set up.
pub struct Machine {
    /// The bench.
    pub bench: Bench<Controller>,
    /// The changer on it.
    pub changer: Plugged<Changer>,
}

/// A board that treats its changer so, and such a changer; what was said on the way is forgotten.
///
/// # Panics
/// When the changer cannot be, or is not set up within a minute.
#[must_use]
pub fn machine(config: ChangerConfig, policy: ChangerPolicy, quirks: Quirks) -> Machine {
    let board = BoardConfig {
        changer: policy,
        ..board(&[("changer", ExpectedKind::Changer)])
    };
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let changer = Changer::new(config, quirks).unwrap();
    let changer = bench.plug("changer", changer);
    let mut machine = Machine { bench, changer };
    machine.bench.run_until_ready();
    machine.bench.run_for(Micros::ms(500));
    machine.bench.forget();
    machine
}

/// 400 ms a coin, so that there is time for things to go wrong.
#[must_use]
pub fn slow() -> ChangerConfig {
    ChangerConfig {
        payout_time: Micros::ms(400),
        ..ChangerConfig::demo()
    }
}

/// The changer chooses the coins.
#[must_use]
pub fn alternative() -> ChangerPolicy {
    ChangerPolicy {
        alternative_payout: true,
        ..ChangerPolicy::default()
    }
}

/// DISPENSE, and PAYOUT.
#[must_use]
pub fn both_ways() -> [ChangerPolicy; 2] {
    [ChangerPolicy::default(), alternative()]
}

impl Machine {
    /// A slow changer without quirks.
    #[must_use]
    pub fn new(policy: ChangerPolicy) -> Self {
        machine(slow(), policy, Quirks::default())
    }

    /// Does something at the changer.
    pub fn act<T>(&mut self, act: impl FnOnce(&mut Changer, Micros) -> T) -> T {
        let changer = self.changer.clone();
        self.bench.at(&changer, act)
    }

    /// A dollar goes in, to the cash box, and is credited.
    ///
    /// # Panics
    /// When not.
    pub fn dollar(&mut self) {
        self.act(|c, now| c.insert_coin(now, DOLLAR));
        self.bench.run_for(Micros::secs(1));
        assert_eq!(self.bench.credit(), Money(100));
    }

    /// Runs until DISPENSE or PAYOUT is the next command.
    ///
    /// # Panics
    /// When not.
    pub fn until_order(&mut self) {
        let read = |b: &mut Bench<Controller>| {
            let words = b.words();
            let last = words.last_chunk::<3>();
            last.is_some_and(|[a, _, c]| a == "> 0A* 0A" && c == "> 00")
        };
        self.bench.forget();
        assert!(self.bench.run_until(read));
    }

    /// Runs until DISPENSE or PAYOUT has been said.
    ///
    /// # Panics
    /// When not.
    pub fn until_ordered(&mut self) {
        let said = |b: &mut Bench<Controller>| {
            let last = b.frames().last().map(ToString::to_string);
            last.is_some_and(|w| w.starts_with("> 0D*") || w.starts_with("> 0F* 02"))
        };
        assert!(self.bench.run_until(said));
    }

    /// What the customer has more than at the start, minor units.
    #[must_use]
    pub fn paid(&self) -> i64 {
        self.bench.balance("customer").as_minor()
    }

    /// The dollar came back, exactly once, and everybody knows.
    ///
    /// # Panics
    /// When not.
    #[track_caller]
    pub fn assert_paid_back_once(&mut self) {
        self.bench.run_until_quiet(Micros::secs(2));
        assert_eq!(self.paid(), 0, "{:?}", self.bench.notes());
        assert_eq!(self.bench.credit(), Money::ZERO);
        self.bench.assert_books_agree();
        assert_ne!(
            self.changer.borrow().device().accepts().0,
            0,
            "coins are welcome again"
        );
    }

    /// How many DISPENSE and PAYOUT were said.
    #[must_use]
    pub fn orders(&self) -> usize {
        let spoken = self.bench.spoken();
        let order = |n: &String| n == "> DISPENSE" || n == "> PAYOUT";
        spoken.iter().map(|s| s.name()).filter(order).count()
    }
}

/// Changes how full a tube is, and how large.
pub fn with_tube(config: &mut ChangerConfig, coin: CoinType, coins: u16, capacity: u16) {
    if let Some(tube) = config.coins[coin.index()]
        .as_mut()
        .and_then(|c| c.tube.as_mut())
    {
        (tube.coins, tube.capacity) = (coins, capacity);
    }
}
