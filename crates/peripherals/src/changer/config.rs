//! What an emulated changer is: its coins, tubes, identity and habits.

use payrig_mdb::changer::{
    CoinType, CoinTypes, Features, Identification, NON_RESPONSE, PerType, Setup,
};
use payrig_mdb::{CurrencyCode, Scaling};
use payrig_units::{Micros, Money};

/// What a coin type is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoinWorth {
    /// Money.
    Money(Money),
    /// A vend token: one vend, no money (section 5.3, SETUP, FFH).
    Token,
}

impl CoinWorth {
    /// The money in it; none in a token.
    #[must_use]
    pub const fn money(self) -> Money {
        match self {
            Self::Money(money) => money,
            Self::Token => Money::ZERO,
        }
    }
}

/// A coin tube.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TubeConfig {
    /// Coins it holds when full, at least 1.
    pub capacity: u16,
    /// Coins in it at the start, at most `capacity`. They are taken from
    /// [`Place::Supply`](payrig_units::Place::Supply).
    pub coins: u16,
    /// True when its sensor is defective from the start.
    pub defective: bool,
}

/// One coin type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CoinConfig {
    /// What it is worth.
    pub worth: CoinWorth,
    /// Its tube, where it has one.
    pub tube: Option<TubeConfig>,
}

/// How POLL is answered while coins are paid out (section 5.3, DISPENSE, note 2: both are right).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WhilePaying {
    /// CHANGER PAYOUT BUSY.
    #[default]
    ReportBusy,
    /// Silence, for at most the non-response time; CHANGER PAYOUT BUSY after that.
    StaySilent,
}

/// An emulated changer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangerConfig {
    /// Its name in the ledger.
    pub name: String,
    /// Feature level, 2 or 3.
    pub level: u8,
    /// Country or currency.
    pub currency: CurrencyCode,
    /// Minor units per count, 1 to 255.
    pub scaling_factor: u8,
    /// Decimal places of a credit display.
    pub decimals: u8,
    /// Coin types 0 to 15 in order, `None` for one that is not used. Values must not descend.
    pub coins: Vec<Option<CoinConfig>>,
    /// What a level 3 changer offers.
    pub features: Features,
    /// Manufacturer code, three characters.
    pub maker: String,
    /// Serial number, at most twelve characters.
    pub serial: String,
    /// Model and tuning revision, at most twelve characters.
    pub model: String,
    /// Software version, packed BCD.
    pub version: [u8; 2],
    /// From insertion to landing in tube, cash box or return cup. 300 ms: common practice, no
    /// source.
    pub accept_time: Micros,
    /// To pay out one coin. 100 ms: common practice, no source (the standard's typical minimum
    /// for a whole payout, section 5.3, DISPENSE, note 2).
    pub payout_time: Micros,
    /// Silence after power up, bus reset and RESET, at most 2 s (section 5.4). 50 ms: common
    /// practice, no source.
    pub reset_time: Micros,
    /// After how long without a command the changer resets itself; [`Micros::NEVER`] for one that
    /// does not. 20 s, ten times the non-response time (Appendix 3, section 2).
    pub lost_contact: Micros,
    /// How POLL is answered during a payout.
    pub while_paying: WhilePaying,
    /// True when a recognised coin that is not enabled is reported with routing REJECT while
    /// others are enabled. The standard defines the code and not when to send it.
    pub report_rejects: bool,
    /// True when attempts to pull back a credited coin are reported; the standard wants this to
    /// be switchable (section 5.3, POLL, 0DH).
    pub report_coin_removal: bool,
    /// What DIAGNOSTICS is answered with (FFH), which each maker defines; `None` for ACK alone.
    pub diagnostics: Option<Vec<u8>>,
}

impl ChangerConfig {
    /// A level 3 changer for 5, 10, 25 and 100 cents with three tubes, as on the invented route
    /// "Harbour Loop".
    #[must_use]
    pub fn demo() -> Self {
        let coin = |minor, tube: Option<(u16, u16)>| {
            Some(CoinConfig {
                worth: CoinWorth::Money(Money(minor)),
                tube: tube.map(|(capacity, coins)| TubeConfig {
                    capacity,
                    coins,
                    defective: false,
                }),
            })
        };
        Self {
            name: "changer".into(),
            level: 3,
            currency: CurrencyCode::USD,
            scaling_factor: 5,
            decimals: 2,
            coins: vec![
                coin(5, Some((80, 12))),
                coin(10, Some((110, 30))),
                coin(25, Some((75, 25))),
                coin(100, None),
            ],
            features: Features::ALTERNATIVE_PAYOUT
                .with(Features::EXTENDED_DIAGNOSTIC)
                .with(Features::MANUAL_FILL_PAYOUT)
                .with(Features::FTL),
            maker: "ZZZ".into(),
            serial: "000000000001".into(),
            model: "HARBOUR-LOOP".into(),
            version: [0x01, 0x00],
            accept_time: Micros::ms(300),
            payout_time: Micros::ms(100),
            reset_time: Micros::ms(50),
            lost_contact: NON_RESPONSE * 10,
            while_paying: WhilePaying::ReportBusy,
            report_rejects: true,
            report_coin_removal: false,
            diagnostics: None,
        }
    }

    /// Scaling factor and decimals.
    #[must_use]
    pub fn scaling(&self) -> Scaling {
        Scaling {
            factor: u16::from(self.scaling_factor),
            decimals: self.decimals,
        }
    }

    /// The coin of a type, where it is used.
    #[must_use]
    pub fn coin(&self, coin_type: CoinType) -> Option<CoinConfig> {
        self.coins.get(coin_type.index()).copied().flatten()
    }

    /// The credit byte of a coin type (section 5.3, SETUP, Z8-Z23); zero when it is not used.
    #[must_use]
    pub fn credit(&self, coin_type: CoinType) -> u8 {
        match self.coin(coin_type).map(|c| c.worth) {
            None => 0,
            Some(CoinWorth::Token) => payrig_mdb::changer::TOKEN,
            Some(CoinWorth::Money(money)) => self
                .scaling()
                .to_count(money.as_minor(), 254)
                .ok()
                .and_then(|n| u8::try_from(n).ok())
                .unwrap_or(0),
        }
    }

    /// What SETUP answers.
    #[must_use]
    pub fn setup(&self) -> Setup {
        let mut credits = [0; 16];
        for (credit, coin_type) in credits.iter_mut().zip(CoinType::all()) {
            *credit = self.credit(coin_type);
        }
        Setup {
            level: self.level,
            currency: self.currency,
            scaling_factor: self.scaling_factor,
            decimals: self.decimals,
            routing: CoinType::all()
                .filter(|t| self.coin(*t).is_some_and(|c| c.tube.is_some()))
                .collect(),
            credits: PerType::full(credits),
        }
    }

    /// What IDENTIFICATION answers.
    #[must_use]
    pub fn identification(&self) -> Identification {
        Identification::new(
            &self.maker,
            &self.serial,
            &self.model,
            self.version,
            self.features,
        )
    }

    /// Coin types that are used.
    #[must_use]
    pub fn used(&self) -> CoinTypes {
        CoinType::all()
            .filter(|t| self.coin(*t).is_some())
            .collect()
    }

    /// Checks that this is a changer the standard can describe.
    ///
    /// # Errors
    /// The first thing that is not, in words that say what to change.
    pub fn check(&self) -> Result<(), ConfigError> {
        if !matches!(self.level, 2 | 3) {
            return Err(ConfigError::Level(self.level));
        }
        if self.coins.len() > 16 {
            return Err(ConfigError::TooManyCoins(self.coins.len()));
        }
        if self.used().is_empty() {
            return Err(ConfigError::NoCoins);
        }
        if self.reset_time > NON_RESPONSE {
            return Err(ConfigError::ResetTime(self.reset_time));
        }
        if self.level == 2 && self.features != Features::NONE {
            return Err(ConfigError::FeaturesAtLevel2(self.features));
        }
        let mut last = Money::ZERO;
        for coin_type in CoinType::all() {
            let Some(coin) = self.coin(coin_type) else {
                continue;
            };
            if let CoinWorth::Money(money) = coin.worth {
                if self.credit(coin_type) == 0 {
                    return Err(ConfigError::Value {
                        coin_type,
                        minor: money.as_minor(),
                        factor: self.scaling_factor,
                    });
                }
                if money < last {
                    return Err(ConfigError::Order { coin_type });
                }
                last = money;
            }
            if let Some(tube) = coin.tube
                && (tube.capacity == 0 || tube.coins > tube.capacity)
            {
                return Err(ConfigError::Tube {
                    coin_type,
                    capacity: tube.capacity,
                    coins: tube.coins,
                });
            }
        }
        Ok(())
    }
}

/// Why a configuration is no changer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ConfigError {
    /// Not a level of section 5.
    #[error("changer level {0}: section 5.1 knows levels 2 and 3")]
    Level(u8),
    /// More than sixteen.
    #[error("{0} coin types: a changer has at most 16, numbered 0 to 15")]
    TooManyCoins(usize),
    /// None at all.
    #[error("no coin type is used: give the changer at least one coin with a value")]
    NoCoins,
    /// Longer than section 5.4 allows.
    #[error("reset time {0}: a changer may stay silent for at most 2 s (section 5.4)")]
    ResetTime(Micros),
    /// Level 2 has no optional features.
    #[error("features \"{0}\" at level 2: optional features need level 3 (section 5.3)")]
    FeaturesAtLevel2(Features),
    /// The scaling factor cannot express the value.
    #[error(
        "coin type {coin_type} is worth {minor} minor units: with scaling factor {factor} it must \
         be a multiple of it, 1 to 254 times"
    )]
    Value {
        /// The coin type.
        coin_type: CoinType,
        /// Its value.
        minor: i64,
        /// The factor.
        factor: u8,
    },
    /// Values descend.
    #[error(
        "coin type {coin_type} is worth less than the one before: section 5.3 (SETUP) wants \
         values in ascending order"
    )]
    Order {
        /// The coin type that is worth too little.
        coin_type: CoinType,
    },
    /// A tube that cannot be.
    #[error(
        "the tube for coin type {coin_type} holds {coins} of {capacity} coins: it needs a capacity \
         of 1 or more and no more coins than that"
    )]
    Tube {
        /// The coin type.
        coin_type: CoinType,
        /// Its capacity.
        capacity: u16,
        /// Coins in it.
        coins: u16,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_say_what_to_change() {
        let with = |change: fn(&mut ChangerConfig)| {
            let mut config = ChangerConfig::demo();
            change(&mut config);
            config.check().map_err(|e| e.to_string())
        };
        let error = |change| with(change).unwrap_err();
        assert_eq!(with(|_| ()), Ok(()));
        assert!(error(|c| c.level = 1).contains("levels 2 and 3"));
        assert!(error(|c| c.scaling_factor = 2).contains("5 minor units"));
        assert!(error(|c| c.scaling_factor = 0).contains("scaling factor 0"));
        assert!(error(|c| c.coins.swap(0, 1)).contains("ascending"));
        assert!(error(|c| c.coins.clear()).contains("at least one coin"));
        assert!(error(|c| c.level = 2).contains("need level 3"));
        assert!(error(|c| c.reset_time = Micros::secs(3)).contains("5.4"));
        assert!(error(|c| c.coins.resize(17, None)).contains("at most 16"));
        let full = |c: &mut ChangerConfig| {
            if let Some(tube) = c.coins[1].as_mut().and_then(|c| c.tube.as_mut()) {
                tube.coins = 111;
            }
        };
        assert!(error(full).contains("111 of 110"));
    }
}
