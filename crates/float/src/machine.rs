//! What the questions are about: tubes, what is taken, and what things cost.

use payrig_controller::Stock;
use payrig_units::Money;

/// A tube change is paid from, or a store of a bill recycler.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tube {
    /// The coin type (0-15); a bill store has its bill type plus 16. No two are the same.
    pub coin_type: u8,
    /// Value of one coin, above zero.
    pub value: Money,
    /// Coins in it.
    pub count: u32,
    /// Coins it holds when full.
    pub capacity: u32,
}

impl Tube {
    /// True for the store of a bill recycler.
    #[must_use]
    pub const fn is_bill_store(&self) -> bool {
        self.coin_type >= 16
    }
}

/// What stands between a coin or bill and the machine: what a board can do before it is in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Guard {
    /// Nothing but the credit limit: a coin is taken on sight.
    OnSight,
    /// It is refused by itself: a bill on the bus, by its type.
    Alone,
    /// It comes in while this one of [`Machine::lines`] is open, and with it all that the line holds off.
    Line(usize),
}

/// A coin or bill the machine takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Piece {
    /// Its value, above zero.
    pub value: Money,
    /// What the board can do before it takes it.
    pub guard: Guard,
    /// True when it lands in a tube or a store, where it may serve as change later; false for a coin
    /// without a tube and a bill without a store.
    pub to_tube: bool,
}

/// The one line that holds an acceptor off, for all that it takes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Line {
    /// The device whose line it is.
    pub name: String,
    /// What the board looks at before it opens the line.
    pub opens: Vec<Money>,
    /// True when all of these must be changeable (what the board's own lines ask for), false when one
    /// is enough (a bridge that opens as soon as any type is enabled).
    pub all: bool,
}

/// A machine as far as its float is concerned.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Machine {
    /// Tubes that can pay; a defective one is left out.
    pub tubes: Vec<Tube>,
    /// Coins and bills that can come in.
    pub pieces: Vec<Piece>,
    /// Lines that hold acceptors off.
    pub lines: Vec<Line>,
    /// The bills of the validator on the bus that the board takes: the exact-change light goes by the
    /// smallest. A board knows no bills of an acceptor on pulse lines.
    pub bills: Vec<Money>,
    /// Coins of the changer are refused from this credit on.
    pub credit_limit: Option<Money>,
    /// Prices. A price of zero stands for the return lever: everything is given back.
    pub prices: Vec<Money>,
    /// True when there is something to pay change with at all, even when empty: a changer, a recycler.
    /// A board without takes every bill and never lights the exact-change light.
    pub gives_change: bool,
}

/// Why a machine cannot be looked at.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum MachineError {
    /// A coin, bill or tube of no value.
    #[error("a coin or bill is worth {0:?}: values must be above zero")]
    Worthless(Money),
    /// A price below zero.
    #[error("a price is {0:?}: prices must not be below zero")]
    NegativePrice(Money),
    /// Nothing is sold.
    #[error("nothing is for sale: there must be at least one price")]
    NoPrices,
    /// Nothing is taken.
    #[error("neither coins nor bills are taken")]
    NoPieces,
    /// Amounts too large for their smallest step.
    #[error(
        "amounts up to {0:?} in steps of {1:?} are too many to look at; at most {MAX_STEPS} steps"
    )]
    TooLarge(Money, Money),
}

/// The most steps of a machine's smallest unit that are looked at.
pub(crate) const MAX_STEPS: i64 = 1 << 16;

pub(crate) const fn gcd(a: i64, b: i64) -> i64 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

impl Machine {
    /// What is in the tubes, as the board counts it.
    #[must_use]
    pub fn stock(&self) -> Vec<Stock> {
        self.stock_of(&self.counts())
    }

    /// Coins per tube.
    #[must_use]
    pub fn counts(&self) -> Vec<u32> {
        self.tubes.iter().map(|t| t.count).collect()
    }

    /// The same tubes with other counts.
    #[must_use]
    pub fn stock_of(&self, counts: &[u32]) -> Vec<Stock> {
        let each = |(tube, count): (&Tube, &u32)| Stock {
            coin_type: tube.coin_type,
            value: tube.value,
            count: *count,
        };
        self.tubes.iter().zip(counts).map(each).collect()
    }

    /// What so many coins per tube are worth.
    #[must_use]
    pub fn worth(&self, counts: &[u32]) -> Money {
        let each = |(tube, count): (&Tube, &u32)| {
            let worth = tube.value.as_minor().saturating_mul(i64::from(*count));
            Money(worth)
        };
        self.tubes.iter().zip(counts).map(each).sum()
    }

    /// The pieces of that value that the board can refuse or hold off.
    pub(crate) fn of_value(&self, value: Money) -> impl Iterator<Item = &Piece> {
        let guarded = self.pieces.iter().filter(|p| p.guard != Guard::OnSight);
        guarded.filter(move |p| p.value == value)
    }

    /// The largest coin or bill.
    #[must_use]
    pub fn largest_piece(&self) -> Money {
        let values = self.pieces.iter().map(|p| p.value);
        values.max().unwrap_or_default()
    }

    /// The largest step of which all values and prices are multiples.
    pub(crate) fn unit(&self) -> Money {
        let tubes = self.tubes.iter().map(|t| t.value);
        let pieces = self.pieces.iter().map(|p| p.value);
        let looked_at = self.lines.iter().flat_map(|l| &l.opens).chain(&self.bills);
        let all = tubes.chain(pieces).chain(looked_at.copied());
        let all = all.chain(self.prices.iter().copied());
        Money(all.fold(0, |g, m| gcd(m.as_minor(), g)).max(1))
    }

    /// Looks whether amounts up to `largest` can be looked at.
    ///
    /// # Errors
    /// See [`MachineError`].
    pub fn check(&self, largest: Money) -> Result<(), MachineError> {
        let tubes = self.tubes.iter().map(|t| t.value);
        let mut values = tubes.chain(self.pieces.iter().map(|p| p.value));
        if let Some(value) = values.find(|v| *v <= Money::ZERO) {
            return Err(MachineError::Worthless(value));
        }
        if let Some(price) = self.prices.iter().find(|p| **p < Money::ZERO) {
            return Err(MachineError::NegativePrice(*price));
        }
        if self.prices.is_empty() {
            return Err(MachineError::NoPrices);
        }
        if self.pieces.is_empty() {
            return Err(MachineError::NoPieces);
        }
        let (unit, dearest) = (self.unit(), self.prices.iter().max());
        let dearest = dearest.copied().unwrap_or_default();
        let largest = largest.max(dearest.saturating_add(self.largest_piece()));
        if largest.as_minor() / unit.as_minor() > MAX_STEPS {
            return Err(MachineError::TooLarge(largest, unit));
        }
        Ok(())
    }
}
