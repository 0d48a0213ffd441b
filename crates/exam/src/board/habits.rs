//! What boards that are good by the standard do in more than one way, and which checks work from it.
//!
//! The standard says how a board speaks; how it sells is its maker's choice. A check that needs to know
//! such a choice takes it from the board's [`Habits`]: seen on the wire where it shows there, said in the
//! rig or on the command line where it does not, and found out at the first sale where nobody said. It
//! is never judged.

use payrig_bench::plan::BoardPlan;
use payrig_controller::BoardConfig;
use payrig_mdb::cashless::Level;
use payrig_units::Micros;

/// The longest a delivery takes that nobody said anything about (common practice, no source).
pub const LONGEST_DELIVERY: Micros = Micros::secs(15);

/// Habits of a board, as far as they are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Habits {
    /// After a sale credit stays, for another, until the coin return is pressed; or change is paid at
    /// once. `None`: not known, the first sale with change tells.
    pub keeps_credit: Option<bool>,
    /// Bills wait in escrow for the board's decision (BILL TYPE, Y3-Y4, section 6.3). `None` until BILL
    /// TYPE was heard.
    pub escrow: Option<bool>,
    /// The level it speaks to card readers (SETUP, config data, Y2, section 7.4.2). `None` until that was
    /// heard.
    pub cashless_level: Option<Level>,
    /// The longest a delivery takes, from the selection or the approval to the item's fall.
    pub delivery: Micros,
    /// It sells several times in one card session, where the reader allows it, without being set up for
    /// that (section 7.4.2, b1 of the miscellaneous options).
    pub several_vends: bool,
}

/// Of a board of which nothing is known.
impl Default for Habits {
    fn default() -> Self {
        Self {
            keeps_credit: None,
            escrow: None,
            cashless_level: None,
            delivery: LONGEST_DELIVERY,
            several_vends: false,
        }
    }
}

impl Habits {
    /// Of our own board. What shows on the wire is left to be seen there.
    #[must_use]
    pub fn of(board: &BoardConfig) -> Self {
        Self {
            keeps_credit: Some(board.keep_credit),
            delivery: board.motor_time,
            several_vends: board.multi_vend,
            ..Self::default()
        }
    }

    /// Of a board outside, as its rig says.
    #[must_use]
    pub fn said(board: &BoardPlan) -> Self {
        Self {
            keeps_credit: board.keep_credit,
            delivery: board.motor.unwrap_or(LONGEST_DELIVERY),
            several_vends: board.multi_vend,
            ..Self::default()
        }
    }

    /// It can be offered what belongs to this level.
    #[must_use]
    pub fn speaks(&self, level: Level) -> bool {
        self.cashless_level.is_none_or(|own| own >= level)
    }
}

/// A habit by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Habit {
    /// [`Habits::keeps_credit`].
    AfterSale,
    /// [`Habits::escrow`], and whether a bill stays there until something is bought.
    Escrow,
    /// [`Habits::cashless_level`].
    Level,
    /// [`Habits::delivery`].
    Delivery,
}

impl Habit {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::AfterSale, Self::Escrow, Self::Level, Self::Delivery];

    /// Its name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::AfterSale => "after a sale",
            Self::Escrow => "escrow",
            Self::Level => "level",
            Self::Delivery => "delivery",
        }
    }
}

/// Which habits checks work from, by check. A check that is not here gives the same verdict whatever
/// they are.
pub const PRESUMPTIONS: &[(&str, &[Habit])] = {
    use Habit::{AfterSale, Delivery, Escrow, Level};
    &[
        ("waits-for-slow-decision", &[Delivery]),
        ("reset-in-delivery", &[AfterSale, Delivery]),
        ("reset-in-escrow", &[Escrow]),
        ("reset-in-vend", &[Delivery]),
        ("reset-after-approval", &[Delivery]),
        ("coins-buy-at-face-value", &[Delivery]),
        ("change-right", &[AfterSale, Delivery]),
        ("dispense-not-repeated", &[AfterSale, Delivery]),
        ("empty-tube-made-up-for", &[AfterSale, Delivery]),
        ("bills-again-with-change", &[Delivery]),
        ("exact-change-cleared", &[Delivery]),
        ("failed-vend-keeps-credit", &[Delivery]),
        ("bill-stacked-and-credited", &[AfterSale, Escrow, Delivery]),
        ("escrow-decided", &[Escrow]),
        ("escrow-not-credited", &[Escrow]),
        ("bill-credited-once", &[AfterSale, Escrow, Delivery]),
        ("stacker-full-borne", &[AfterSale, Escrow, Delivery]),
        ("mixed-scaling", &[AfterSale, Escrow, Delivery]),
        ("decimals-for-display-only", &[AfterSale, Escrow, Delivery]),
        ("level-2-reader", &[Delivery]),
        ("money-of-32-bits", &[Level, Delivery]),
        ("expanded-currency", &[Level, Delivery]),
        ("always-idle-sale", &[Level, Delivery]),
        ("price-asked", &[Delivery]),
        ("price-not-divisible", &[Delivery]),
        ("vend-success-said", &[Delivery]),
        ("session-completed", &[Delivery]),
        ("denied-not-sold", &[Delivery]),
        ("approved-for-less", &[Delivery]),
        ("vend-failure-said", &[Delivery]),
        ("card-money-not-paid-in-cash", &[Delivery]),
        ("failed-card-vend-refunded", &[Delivery]),
        ("failure-in-multi-vend", &[Delivery]),
        ("item-number-told", &[Delivery]),
        ("cash-and-card-add-up", &[AfterSale, Delivery]),
        ("card-price-as-cash-price", &[Delivery]),
        ("cash-pays-cash-price", &[AfterSale, Delivery]),
        ("card-pays-card-price", &[Delivery]),
        ("price-change-in-session", &[Delivery]),
        ("unknown-balance-asked", &[Delivery]),
        ("low-balance-asked", &[Delivery]),
        ("multi-vend-only-where-allowed", &[Delivery]),
        ("multi-vend", &[Delivery]),
        ("out-of-sequence-resets", &[Delivery]),
        ("not-disabled-in-session", &[Delivery]),
        ("session-repeated-once", &[Delivery]),
        ("return-and-card-at-once", &[Delivery]),
        ("card-taken-in-session", &[Delivery]),
        ("reader-lost-in-session", &[AfterSale, Delivery]),
        ("revalue-limit-first", &[Level]),
        ("revalue-in-full", &[Level]),
        ("revalue-denied-keeps-cash", &[Level]),
        ("pulse-while-paying", &[AfterSale, Delivery]),
        ("cut-with-bill-in-escrow", &[Escrow]),
        ("cut-after-sale", &[AfterSale, Delivery]),
        ("cut-in-card-delivery", &[Delivery]),
        ("cut-after-vend-success", &[Delivery]),
        ("cut-after-session", &[Delivery]),
        ("cut-in-session", &[Delivery]),
        ("cut-while-card-is-asked", &[Delivery]),
    ]
};

/// The habits that a check works from.
#[must_use]
pub fn presumed_by(check: &str) -> &'static [Habit] {
    let own = PRESUMPTIONS.iter().find(|(id, _)| *id == check);
    own.map_or(&[], |(_, habits)| *habits)
}
