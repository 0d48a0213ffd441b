//! What an emulated bill validator is, independent of what happens to it.

use payrig_mdb::bill::{BillTypes, Identification, Options};
use payrig_mdb::{CurrencyCode, Scaling};
use payrig_units::{Micros, Money};

/// The longest a bill validator may leave the VMC without an answer (section 6.4).
const NON_RESPONSE_MAX: Micros = Micros::secs(5);

/// What a bill type stands for (section 6.3, SETUP, Z12-Z27).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BillKind {
    /// Credit 00H: no bill.
    Unused,
    /// Credit FFH: a vend token, worth no money by itself.
    Token,
    /// A bill of this value, in minor units.
    Value(Money),
}

/// A recycler's store for one bill type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RecyclerStore {
    /// 0-15.
    pub bill_type: u8,
    /// Bills in it at the start; they come out of [`payrig_units::Place::Supply`].
    pub count: u16,
    /// Bills it holds when full.
    pub capacity: u16,
}

/// How long a bill is on its way. The defaults are common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Travel {
    /// From the inlet to the escrow position, recognition included: 1.5 s.
    pub to_escrow: Micros,
    /// From the escrow position to the stacker or a recycler store: 1 s.
    pub to_stacker: Micros,
    /// From the path back to the inlet: 1 s.
    pub give_back: Micros,
    /// From a recycler store to the inlet: 2 s.
    pub dispense: Micros,
}

impl Default for Travel {
    fn default() -> Self {
        Self {
            to_escrow: Micros::ms(1_500),
            to_stacker: Micros::secs(1),
            give_back: Micros::secs(1),
            dispense: Micros::secs(2),
        }
    }
}

/// How the validator answers while a bill is on its way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WhileMoving {
    /// As always.
    #[default]
    Answers,
    /// POLL is answered with VALIDATOR BUSY, or DISPENSER BUSY while a bill is paid; commands that
    /// want data are not answered.
    ReportsBusy,
    /// Nothing is answered (section 6.4: for up to five seconds).
    Silent,
}

/// All that describes a bill validator.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BillConfig {
    /// The device's name in the rig, as the ledger's places show it.
    pub name: String,
    /// Feature level, 1 or 2.
    pub level: u8,
    /// Country / currency code.
    pub currency: CurrencyCode,
    /// Bill scaling factor and decimal places.
    pub scaling: Scaling,
    /// Bill types from 0 on, at most 16.
    pub bills: Vec<BillKind>,
    /// Types reported at the high security level. All, where there is only one level (6.3).
    pub security: BillTypes,
    /// Can it hold a bill in escrow?
    pub escrow: bool,
    /// Bills the stacker holds when full, 0 to 32767.
    pub stacker_capacity: u16,
    /// Bills in the stacker at the start, as bill type and count; they come out of
    /// [`payrig_units::Place::Supply`].
    pub stacked: Vec<(u8, u16)>,
    /// Recycler stores; only at level 2, and at most one per bill type.
    pub recycler: Vec<RecyclerStore>,
    /// Offer the file transport layer option (section 2.6)?
    pub ftl: bool,
    /// Maker code, serial number, model and version.
    pub identification: Identification,
    /// Report POSSIBLE CREDITED BILL REMOVAL? The standard demands a switch (6.3).
    pub reports_credited_removal: bool,
    /// What DIAGNOSTICS is answered with (FFH), which each maker defines; `None` for no answer.
    pub diagnostics: Option<Vec<u8>>,
    /// Travel times.
    pub travel: Travel,
    /// Behaviour while a bill is on its way.
    pub while_moving: WhileMoving,
    /// How long nothing is answered after power-up, bus reset or RESET: 0.5 s (common practice,
    /// no source); at most 5 s (6.4).
    pub start_up: Micros,
    /// How long a given back bill waits in the inlet until the customer takes it: 1 s (common
    /// practice, no source); `None` leaves it there until
    /// [`customer_takes_bill`](super::BillValidator::customer_takes_bill).
    pub customer_takes_after: Option<Micros>,
}

/// A level 1 validator with escrow for bills of 1.00, 5.00, 10.00 and 20.00.
impl Default for BillConfig {
    fn default() -> Self {
        let bills = [100, 500, 1_000, 2_000];
        Self {
            name: "bill validator".to_owned(),
            level: 1,
            currency: CurrencyCode::USD,
            scaling: Scaling {
                factor: 100,
                decimals: 2,
            },
            bills: bills.map(|n| BillKind::Value(Money(n))).to_vec(),
            security: BillTypes::ALL,
            escrow: true,
            stacker_capacity: 400,
            stacked: Vec::new(),
            recycler: Vec::new(),
            ftl: false,
            identification: Identification {
                manufacturer: *b"ZZZ",
                serial: *b"000000000042",
                model: *b"HARBOUR-BV01",
                version: [0x01, 0x00],
            },
            reports_credited_removal: true,
            diagnostics: None,
            travel: Travel::default(),
            while_moving: WhileMoving::Answers,
            start_up: Micros::ms(500),
            customer_takes_after: Some(Micros::secs(1)),
        }
    }
}

/// What is wrong with a [`BillConfig`], and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BillConfigError {
    /// Levels 1 and 2 are defined.
    #[error("level {0}: a bill validator has level 1 or 2 (section 6.1)")]
    Level(u8),
    /// There are sixteen bill types.
    #[error("{0} bill types; the standard has 16, numbered 0 to 15 (section 6.3)")]
    TooManyTypes(usize),
    /// The credit byte cannot express this value.
    #[error(
        "bill type {bill_type} is worth {minor} minor units; with scaling factor {factor} it must \
         be {factor} to {max}, in steps of {factor} (section 6.3)"
    )]
    Value {
        /// Which type.
        bill_type: u8,
        /// Its value.
        minor: i64,
        /// The scaling factor.
        factor: u16,
        /// The highest value.
        max: i64,
    },
    /// A store or a fill names a type no bill has.
    #[error("bill type {0} is used for a store or a fill, but is no bill of this validator")]
    NoSuchType(u8),
    /// Two stores of one type.
    #[error("bill type {0} has two recycler stores; join them into one")]
    TwoStores(u8),
    /// More bills than fit.
    #[error("{count} bills in a store for {capacity}: raise the capacity or fill in less")]
    Overfull {
        /// Bills.
        count: u32,
        /// Room.
        capacity: u16,
    },
    /// Fifteen bits are there for the stacker's count.
    #[error("a stacker for {0} bills; the count has 15 bits, so at most 32767 (section 6.3)")]
    StackerCapacity(u16),
    /// Recycling is a level 2 option.
    #[error("a recycler or FTL needs level 2 (section 6.3, 37H-02H)")]
    NeedsLevel2,
    /// Longer than the non-response time.
    #[error("{what} of {time}; a bill validator may be silent for 5 s at most (section 6.4)")]
    TooSilent {
        /// Which time.
        what: &'static str,
        /// Its length.
        time: Micros,
    },
}

impl BillConfig {
    /// Checks that the standard can express what is configured.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn check(&self) -> Result<(), BillConfigError> {
        use BillConfigError as E;
        if !(1..=2).contains(&self.level) {
            return Err(E::Level(self.level));
        }
        if self.bills.len() > 16 {
            return Err(E::TooManyTypes(self.bills.len()));
        }
        for (bill_type, kind) in (0u8..).zip(&self.bills) {
            let BillKind::Value(value) = kind else {
                continue;
            };
            // 00H and FFH mean "unused" and "token".
            if !matches!(self.scaling.to_count(value.as_minor(), 254), Ok(1..)) {
                return Err(E::Value {
                    bill_type,
                    minor: value.as_minor(),
                    factor: self.scaling.factor,
                    max: self.scaling.to_minor(254),
                });
            }
        }
        if self.level < 2 && (!self.recycler.is_empty() || self.ftl) {
            return Err(E::NeedsLevel2);
        }
        if self.stacker_capacity > 0x7FFF {
            return Err(E::StackerCapacity(self.stacker_capacity));
        }
        self.check_fills()?;
        let mut silent = vec![("a start-up time", self.start_up)];
        if self.while_moving == WhileMoving::Silent {
            let Travel {
                to_escrow,
                to_stacker,
                give_back,
                dispense,
            } = self.travel;
            silent.push(("silence on the way to the escrow", to_escrow));
            silent.push(("silence on the way to the stacker", to_stacker));
            silent.push(("silence on the way back", give_back));
            silent.push(("silence while dispensing", dispense));
        }
        match silent.into_iter().find(|(_, t)| *t > NON_RESPONSE_MAX) {
            Some((what, time)) => Err(E::TooSilent { what, time }),
            None => Ok(()),
        }
    }

    fn check_fills(&self) -> Result<(), BillConfigError> {
        use BillConfigError as E;
        let mut seen = BillTypes::NONE;
        for store in &self.recycler {
            let RecyclerStore {
                bill_type,
                count,
                capacity,
            } = *store;
            if self.kind(bill_type) == BillKind::Unused {
                return Err(E::NoSuchType(bill_type));
            }
            if seen.contains(bill_type) {
                return Err(E::TwoStores(bill_type));
            }
            seen = seen.with(bill_type);
            if count > capacity {
                let count = u32::from(count);
                return Err(E::Overfull { count, capacity });
            }
        }
        for (bill_type, _) in &self.stacked {
            if self.kind(*bill_type) == BillKind::Unused {
                return Err(E::NoSuchType(*bill_type));
            }
        }
        let count = self.stacked.iter().map(|(_, n)| u32::from(*n)).sum();
        let capacity = self.stacker_capacity;
        match count > u32::from(capacity) {
            true => Err(E::Overfull { count, capacity }),
            false => Ok(()),
        }
    }

    /// What a bill type is; unused for types not listed.
    #[must_use]
    pub fn kind(&self, bill_type: u8) -> BillKind {
        self.bills
            .get(usize::from(bill_type))
            .filter(|_| bill_type < 16)
            .copied()
            .unwrap_or(BillKind::Unused)
    }

    /// What a bill of a type is worth; nothing for tokens and unused types.
    #[must_use]
    pub fn worth(&self, bill_type: u8) -> Money {
        match self.kind(bill_type) {
            BillKind::Value(money) => money,
            BillKind::Unused | BillKind::Token => Money::ZERO,
        }
    }

    /// The credit byte of a type (section 6.3, SETUP, Z12-Z27).
    #[must_use]
    pub fn credit(&self, bill_type: u8) -> u8 {
        match self.kind(bill_type) {
            BillKind::Unused => 0x00,
            BillKind::Token => 0xFF,
            BillKind::Value(money) => {
                let count = self.scaling.to_count(money.as_minor(), 254).unwrap_or(0);
                u8::try_from(count).unwrap_or(0)
            }
        }
    }

    /// The option bits of the identification (section 6.3, 37H-02H).
    #[must_use]
    pub fn options(&self) -> Options {
        let of = |on: bool, option| if on { option } else { Options::NONE };
        of(self.ftl, Options::FTL).or(of(!self.recycler.is_empty(), Options::RECYCLING))
    }
}

#[cfg(test)]
#[path = "config_tests.rs"]
mod tests;
