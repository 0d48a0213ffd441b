//! What happens to a coin changer, or is done at it.

use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, CoinWorth};
use payrig_units::{Decimals, Micros, Money, words};

/// A coin that a changer knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coin {
    /// By its value: the first coin type that has it.
    Worth(Money),
    /// By its coin type.
    Type(CoinType),
}

impl From<Money> for Coin {
    fn from(value: Money) -> Self {
        Self::Worth(value)
    }
}

impl From<CoinType> for Coin {
    fn from(coin_type: CoinType) -> Self {
        Self::Type(coin_type)
    }
}

impl Coin {
    /// Its coin type at a changer; `None` where the changer has none of this value.
    pub(crate) fn at(self, changer: &Changer) -> Option<CoinType> {
        match self {
            Self::Type(coin_type) => Some(coin_type),
            Self::Worth(value) => with(changer, CoinWorth::Money(value)),
        }
    }

    fn text(self, decimals: Decimals) -> String {
        match self {
            Self::Worth(value) => value.show(decimals).to_string(),
            Self::Type(coin_type) => format!("coin type {}", coin_type.get()),
        }
    }
}

/// The first coin type of a changer that is worth this.
fn with(changer: &Changer, worth: CoinWorth) -> Option<CoinType> {
    let of = |t: &CoinType| changer.config().coin(*t).is_some_and(|c| c.worth == worth);
    CoinType::all().find(of)
}

/// What happens to a changer, or is done at it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChangerAction {
    /// A vend token is put in.
    InsertToken,
    /// Two coins are pushed in together.
    InsertTwoCoins,
    /// The return lever is pressed and released.
    PressLever,
    /// The return lever is pressed and held, or released.
    HoldLever(bool),
    /// A tube's own switch is pressed.
    ManualDispense(Coin, u16),
    /// Coins put in fill the tubes, until [`ChangerAction::EndManual`].
    BeginManualFill,
    /// Coins are taken out under the changer's control, until [`ChangerAction::EndManual`].
    BeginManualPayout,
    /// So many of these.
    ManualPayout(Coin, u16),
    /// Manual fill or payout ends.
    EndManual,
    /// Coins are dropped into a tube from above, uncounted.
    LoadTube(Coin, u16),
    /// Coins are taken out of a tube by hand, uncounted.
    TakeFromTube(Coin, u16),
    /// A tube's outlet is blocked, or cleared.
    BlockTube(Coin, bool),
    /// A tube's sensor fails, or is repaired.
    BreakTubeSensor(Coin, bool),
    /// The acceptor is taken off, or put back.
    UnplugAcceptor(bool),
    /// The changer resets itself.
    ResetItself,
}

impl ChangerAction {
    /// Their names in a script.
    pub const NAMES: [&'static str; 19] = [
        "insert-token",
        "insert-two-coins",
        "press-lever",
        "hold-lever",
        "release-lever",
        "manual-dispense",
        "begin-manual-fill",
        "begin-manual-payout",
        "manual-payout",
        "end-manual",
        "load-tube",
        "take-from-tube",
        "block-tube",
        "clear-tube",
        "break-tube-sensor",
        "mend-tube-sensor",
        "unplug-acceptor",
        "plug-acceptor",
        "reset-changer",
    ];

    /// Does it.
    ///
    /// # Errors
    /// When the changer has no such coin, or no such coins come out.
    pub fn perform(self, changer: &mut Changer, now: Micros) -> Result<(), String> {
        let known = |coin: Option<CoinType>| coin.ok_or("it has no such coin".to_owned());
        let all = |done: u16, asked: u16| match done == asked {
            true => Ok(()),
            false => Err(format!("{done} of {asked} coins")),
        };
        match self {
            Self::InsertToken => {
                let token = known(with(changer, CoinWorth::Token))?;
                changer.insert_coin(now, token);
            }
            Self::InsertTwoCoins => changer.insert_two_at_once(now),
            Self::PressLever => {
                changer.press_escrow_lever(now);
                changer.release_escrow_lever(now);
            }
            Self::HoldLever(true) => changer.press_escrow_lever(now),
            Self::HoldLever(false) => changer.release_escrow_lever(now),
            Self::ManualDispense(coin, n) => {
                let coin = known(coin.at(changer))?;
                return all(changer.manual_dispense(now, coin, n), n);
            }
            Self::BeginManualFill => changer.begin_manual_fill(now),
            Self::BeginManualPayout => changer.begin_manual_payout(now),
            Self::ManualPayout(coin, n) => {
                let coin = known(coin.at(changer))?;
                return all(changer.manual_payout(now, coin, n), n);
            }
            Self::EndManual => changer.end_manual(now),
            Self::LoadTube(coin, n) => {
                let coin = known(coin.at(changer))?;
                return all(changer.load_by_hand(now, coin, n), n);
            }
            Self::TakeFromTube(coin, n) => {
                let coin = known(coin.at(changer))?;
                return all(changer.take_by_hand(now, coin, n), n);
            }
            Self::BlockTube(coin, blocked) => {
                let coin = known(coin.at(changer))?;
                changer.block_tube(now, coin, blocked);
            }
            Self::BreakTubeSensor(coin, broken) => {
                let coin = known(coin.at(changer))?;
                changer.break_tube_sensor(now, coin, broken);
            }
            Self::UnplugAcceptor(unplugged) => changer.unplug_acceptor(now, unplugged),
            Self::ResetItself => changer.reset_itself(now),
        }
        Ok(())
    }

    /// In plain words.
    #[must_use]
    pub fn text(self, decimals: Decimals) -> String {
        let coins =
            |coin: Coin, n: u16| format!("{} of {}", words::count(n, "coin"), coin.text(decimals));
        let tube = |coin: Coin| format!("tube for {}", coin.text(decimals));
        match self {
            Self::InsertToken => "a token goes in".to_owned(),
            Self::InsertTwoCoins => "two coins go in together".to_owned(),
            Self::PressLever => "the return lever is pressed".to_owned(),
            Self::HoldLever(true) => "the return lever is held".to_owned(),
            Self::HoldLever(false) => "the return lever is released".to_owned(),
            Self::ManualDispense(coin, n) => format!("{} by its switch", coins(coin, n)),
            Self::BeginManualFill => "manual fill begins".to_owned(),
            Self::BeginManualPayout => "manual payout begins".to_owned(),
            Self::ManualPayout(coin, n) => format!("{} in manual payout", coins(coin, n)),
            Self::EndManual => "manual fill or payout ends".to_owned(),
            Self::LoadTube(coin, n) => format!("{} dropped into the tube", coins(coin, n)),
            Self::TakeFromTube(coin, n) => format!("{} taken from the tube", coins(coin, n)),
            Self::BlockTube(coin, true) => format!("the {} is blocked", tube(coin)),
            Self::BlockTube(coin, false) => format!("the {} is cleared", tube(coin)),
            Self::BreakTubeSensor(coin, true) => {
                format!("the sensor of the {} fails", tube(coin))
            }
            Self::BreakTubeSensor(coin, false) => {
                format!("the sensor of the {} is repaired", tube(coin))
            }
            Self::UnplugAcceptor(true) => "the acceptor is taken off".to_owned(),
            Self::UnplugAcceptor(false) => "the acceptor is put back".to_owned(),
            Self::ResetItself => "resets itself".to_owned(),
        }
    }
}
