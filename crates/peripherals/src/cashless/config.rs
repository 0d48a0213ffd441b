//! What an emulated cashless device is, and how it decides.

use super::Quirks;
use payrig_mdb::CurrencyCode;
use payrig_mdb::cashless::{Identification, Level, Options, ReaderConfig, Unit};
use payrig_units::{Micros, Money};

/// When informational answers come (section 7.3): both are allowed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Answers {
    /// The command is acknowledged; the answer comes at a POLL.
    #[default]
    AtPoll,
    /// Straight to the command, where it takes no time to find.
    Straight,
}

/// What POLLs hear while a vend is being decided (7.7, examples 8a and 8b).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WhileBusy {
    /// ACK.
    #[default]
    Ack,
    /// Nothing, broken by one ACK before the non-response time is over.
    Silence,
}

/// How VEND REQUESTs are decided.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Policy {
    /// Approved when the funds suffice or are not known, denied otherwise.
    #[default]
    Approve,
    /// Denied.
    Deny,
    /// As `Approve`, with a discount of so much.
    ApproveLess(Money),
    /// Denied when the application maximum response time is over (7.7, example 13).
    TimeOut,
}

/// An emulated cashless device.
#[derive(Clone, Debug, PartialEq)]
pub struct CashlessConfig {
    /// Its name in the ledger.
    pub name: String,
    /// Cashless device 1 (10H) or 2 (60H).
    pub unit: Unit,
    /// Feature level 1 to 3.
    pub level: Level,
    /// Country / currency code.
    pub currency: CurrencyCode,
    /// Scale factor: minor units per count, 1-255.
    pub scale: u8,
    /// Decimal places.
    pub decimals: u8,
    /// Application maximum response time, seconds; below 5 the default of 5 holds (7.5).
    pub response_time: u8,
    /// Can put money back on the media (Z8 b0).
    pub restores_funds: bool,
    /// Several vends in a session (Z8 b1). Without it the second VEND REQUEST is denied.
    pub multivend: bool,
    /// Has a display of its own (Z8 b2).
    pub has_display: bool,
    /// Takes CASH SALE (Z8 b3).
    pub cash_sale: bool,
    /// Optional features offered at level 03.
    pub options: Options,
    /// Maker, serial number, model, version.
    pub id: Identification,
    /// When answers come.
    pub answers: Answers,
    /// How long a vend or revalue takes to decide.
    pub approve_delay: Micros,
    /// How long a refund takes; POLLs hear nothing meanwhile (7.4.8).
    pub refund_delay: Micros,
    /// What POLLs hear meanwhile.
    pub while_busy: WhileBusy,
    /// How vends are decided.
    pub policy: Policy,
    /// The most a card can hold; `None` when the device does not revalue.
    pub max_balance: Option<Money>,
    /// A refund needs the card to be there still.
    pub refund_needs_card: bool,
    /// What DIAGNOSTICS is answered with (7.4.30), which each maker defines; `None` for ACK alone.
    pub diagnostics: Option<Vec<u8>>,
    /// Wrong behaviours.
    pub quirks: Quirks,
}

impl Default for CashlessConfig {
    /// Level 02 at 10H: US dollars in steps of 0.05, multivend, refunds, CASH SALE.
    fn default() -> Self {
        Self {
            name: "cashless".to_owned(),
            unit: Unit::One,
            level: Level::TWO,
            currency: CurrencyCode::USD,
            scale: 5,
            decimals: 2,
            response_time: 7,
            restores_funds: true,
            multivend: true,
            has_display: false,
            cash_sale: true,
            options: Options::NONE,
            id: Identification::new("ZZZ", "000000000001", "HARBOUR LOOP", [0x01, 0x00]),
            answers: Answers::AtPoll,
            approve_delay: Micros::ms(300),
            refund_delay: Micros::ZERO,
            while_busy: WhileBusy::Ack,
            policy: Policy::Approve,
            max_balance: None,
            refund_needs_card: false,
            diagnostics: None,
            quirks: Quirks::default(),
        }
    }
}

impl CashlessConfig {
    /// READER CONFIGURATION DATA as this device sends it.
    #[must_use]
    pub fn reader_config(&self) -> ReaderConfig {
        let bit = |on: bool, bit: u8| if on { bit } else { 0 };
        ReaderConfig {
            level: self.level,
            currency: self.currency,
            scale: self.scale.max(1),
            decimals: self.decimals,
            response_time: self.response_time,
            misc: bit(self.restores_funds, ReaderConfig::RESTORES_FUNDS)
                | bit(self.multivend, ReaderConfig::MULTIVEND)
                | bit(self.has_display, ReaderConfig::DISPLAY)
                | bit(self.cash_sale, ReaderConfig::CASH_SALE),
        }
    }

    /// The non-response time that holds (7.5).
    #[must_use]
    pub fn non_response(&self) -> Micros {
        Micros::secs(u64::from(self.reader_config().non_response_seconds()))
    }

    /// An amount in counts, rounded down; negative amounts are 0.
    pub(super) fn counts(&self, money: Money) -> u32 {
        let counts = money.as_minor() / i64::from(self.scale.max(1));
        u32::try_from(counts.max(0)).unwrap_or(u32::MAX)
    }

    /// The amount of so many counts.
    pub(super) fn money(&self, counts: u32) -> Money {
        Money(i64::from(counts) * i64::from(self.scale.max(1)))
    }
}
