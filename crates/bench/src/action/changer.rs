//! What happens to a coin changer, or is done at it.

use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, CoinWorth};
use payrig_units::{Decimals, Micros, Money, words};

/// What happens to a changer, or is done at it. Coins are named by their value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChangerAction {
    /// A vend token is put in.
    InsertToken,
    /// Two coins are pushed in together.
    InsertTwoCoins,
    /// The return lever is pressed and released.
    PressLever,
    /// A tube's own switch is pressed.
    ManualDispense(Money, u16),
    /// Coins put in fill the tubes, until [`ChangerAction::EndManual`].
    BeginManualFill,
    /// Coins are taken out under the changer's control, until [`ChangerAction::EndManual`].
    BeginManualPayout,
    /// So many of these.
    ManualPayout(Money, u16),
    /// Manual fill or payout ends.
    EndManual,
    /// Coins are dropped into a tube from above, uncounted.
    LoadTube(Money, u16),
    /// Coins are taken out of a tube by hand, uncounted.
    TakeFromTube(Money, u16),
    /// A tube's outlet is blocked, or cleared.
    BlockTube(Money, bool),
    /// A tube's sensor fails, or is mended.
    BreakTubeSensor(Money, bool),
    /// The acceptor is taken off, or put back.
    UnplugAcceptor(bool),
    /// The changer resets itself.
    ResetItself,
}

impl ChangerAction {
    /// Their names in a script.
    pub const NAMES: [&'static str; 17] = [
        "insert-token",
        "insert-two-coins",
        "press-lever",
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
        let find = |worth: CoinWorth| {
            let of = |t: &CoinType| changer.config().coin(*t).is_some_and(|c| c.worth == worth);
            CoinType::all().find(of)
        };
        let known = |coin: Option<CoinType>| coin.ok_or("it has no such coin".to_owned());
        let coin = |value| known(find(CoinWorth::Money(value)));
        let all = |done: u16, asked: u16| match done == asked {
            true => Ok(()),
            false => Err(format!("{done} of {asked} coins")),
        };
        match self {
            Self::InsertToken => {
                let token = known(find(CoinWorth::Token))?;
                changer.insert_coin(now, token);
            }
            Self::InsertTwoCoins => changer.insert_two_at_once(now),
            Self::PressLever => {
                changer.press_escrow_lever(now);
                changer.release_escrow_lever(now);
            }
            Self::ManualDispense(value, n) => {
                let coin = coin(value)?;
                return all(changer.manual_dispense(now, coin, n), n);
            }
            Self::BeginManualFill => changer.begin_manual_fill(now),
            Self::BeginManualPayout => changer.begin_manual_payout(now),
            Self::ManualPayout(value, n) => {
                let coin = coin(value)?;
                return all(changer.manual_payout(now, coin, n), n);
            }
            Self::EndManual => changer.end_manual(now),
            Self::LoadTube(value, n) => {
                let coin = coin(value)?;
                return all(changer.load_by_hand(now, coin, n), n);
            }
            Self::TakeFromTube(value, n) => {
                let coin = coin(value)?;
                return all(changer.take_by_hand(now, coin, n), n);
            }
            Self::BlockTube(value, blocked) => {
                let coin = coin(value)?;
                changer.block_tube(now, coin, blocked);
            }
            Self::BreakTubeSensor(value, broken) => {
                let coin = coin(value)?;
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
        let coins = |value: Money, n: u16| {
            format!("{} of {}", words::count(n, "coin"), value.show(decimals))
        };
        let tube = |value: Money| format!("tube for {}", value.show(decimals));
        match self {
            Self::InsertToken => "a token goes in".to_owned(),
            Self::InsertTwoCoins => "two coins go in together".to_owned(),
            Self::PressLever => "the return lever is pressed".to_owned(),
            Self::ManualDispense(value, n) => format!("{} by its switch", coins(value, n)),
            Self::BeginManualFill => "manual fill begins".to_owned(),
            Self::BeginManualPayout => "manual payout begins".to_owned(),
            Self::ManualPayout(value, n) => format!("{} in manual payout", coins(value, n)),
            Self::EndManual => "manual fill or payout ends".to_owned(),
            Self::LoadTube(value, n) => format!("{} dropped into the tube", coins(value, n)),
            Self::TakeFromTube(value, n) => format!("{} taken from the tube", coins(value, n)),
            Self::BlockTube(value, true) => format!("the {} is blocked", tube(value)),
            Self::BlockTube(value, false) => format!("the {} is cleared", tube(value)),
            Self::BreakTubeSensor(value, true) => {
                format!("the sensor of the {} fails", tube(value))
            }
            Self::BreakTubeSensor(value, false) => {
                format!("the sensor of the {} is mended", tube(value))
            }
            Self::UnplugAcceptor(true) => "the acceptor is taken off".to_owned(),
            Self::UnplugAcceptor(false) => "the acceptor is put back".to_owned(),
            Self::ResetItself => "resets itself".to_owned(),
        }
    }
}
