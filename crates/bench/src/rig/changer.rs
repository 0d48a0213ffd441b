//! The changer of a rig: its table, how the board treats it, and what a script does at it.

use super::devices::{Kind, Setting, quirks};
use super::error::RigError;
use super::fields::Fields;
use payrig_controller::ChangerPolicy;
use payrig_mdb::changer::{CoinType, DispenseCount, Features};
use payrig_peripherals::changer::{
    self, Changer, ChangerConfig, CoinConfig, CoinWorth, TubeConfig, WhilePaying,
};
use payrig_units::{Decimals, Micros, Money, words};

pub(super) fn read(fields: &Fields<'_>, setting: &Setting, name: &str) -> Result<Kind, RigError> {
    let mut config = ChangerConfig::demo();
    config.name = name.to_owned();
    config.currency = setting.currency;
    config.decimals = setting.decimals.0;
    config.level = fields.number("level", 2..4)?.unwrap_or(3) as u8;
    config.scaling_factor = fields.number("scaling", 1..256)?.unwrap_or(5) as u8;
    let features = [
        ("alternative-payout", Features::ALTERNATIVE_PAYOUT),
        ("extended-diagnostic", Features::EXTENDED_DIAGNOSTIC),
        ("manual-fill-payout", Features::MANUAL_FILL_PAYOUT),
        ("file-transport", Features::FTL),
    ];
    config.features = Features::NONE;
    for value in fields.array("features")? {
        let name = value.get_ref().as_str().unwrap_or_default();
        let Some((_, bit)) = features.iter().find(|(n, _)| *n == name) else {
            let all: Vec<&str> = features.iter().map(|(n, _)| *n).collect();
            return Err(fields.wrong("features", value, &format!("one of {}", all.join(", "))));
        };
        config.features = config.features.with(*bit);
    }
    if let Some(serial) = fields.string("serial")? {
        config.serial = serial;
    }
    config.payout_time = fields.time("payout-time")?.unwrap_or(config.payout_time);
    config.accept_time = fields.time("accept-time")?.unwrap_or(config.accept_time);
    config.reset_time = fields.time("reset-time")?.unwrap_or(config.reset_time);
    let paying = [
        ("busy", WhilePaying::ReportBusy),
        ("silent", WhilePaying::StaySilent),
    ];
    config.while_paying = fields.word("while-paying", &paying)?.unwrap_or_default();
    let coins = fields.tables("coin", "[[device.coin]]")?;
    if !coins.is_empty() {
        config.coins.clear();
    }
    for coin in &coins {
        let value = coin.money("value", setting.decimals)?;
        let token = coin.boolean("token")?;
        let worth = match (value, token) {
            (Some(value), false) => CoinWorth::Money(value),
            (None, true) => CoinWorth::Token,
            _ => {
                return Err(
                    coin.error("a coin has either `value`, as in \"0.25\", or `token = true`")
                );
            }
        };
        if let CoinWorth::Money(value) = worth {
            let scaling = config.scaling();
            if let Err(error) = scaling.to_count(value.as_minor(), 254) {
                return Err(coin.error(error.to_string()));
            }
        }
        let capacity = coin.number("capacity", 1..65_536)?;
        let count = coin.number("count", 0..65_536)?;
        let tube = match (capacity, count) {
            (None, None) => None,
            (capacity, count) => Some(TubeConfig {
                capacity: capacity.unwrap_or(80) as u16,
                coins: count.unwrap_or(0) as u16,
                defective: coin.boolean("defective")?,
            }),
        };
        coin.finish()?;
        config.coins.push(Some(CoinConfig { worth, tube }));
    }
    config.diagnostics = super::cards::read_diagnostics(fields)?;
    let mut switches = changer::Quirks::default();
    quirks(fields, &changer::Quirks::NAMES, |name| {
        switches.set(name, true)
    })?;
    config
        .check()
        .map_err(|error| fields.error(error.to_string()))?;
    Ok(Kind::Changer(config, switches))
}

/// The keys of `[board]` that are about the changer.
pub(super) fn read_policy(
    fields: &Fields<'_>,
    decimals: Decimals,
) -> Result<ChangerPolicy, RigError> {
    let usual = ChangerPolicy::default();
    let at_once = fields.number("coins-per-dispense", 1..16)?;
    let diagnose = fields.time("diagnose-every")?;
    Ok(ChangerPolicy {
        alternative_payout: fields.boolean("alternative-payout")?,
        manual_dispense: fields
            .boolean_or_none("manual-dispense")?
            .unwrap_or(usual.manual_dispense),
        tokens: fields.boolean("accept-tokens")?,
        coins_per_dispense: at_once.map_or(usual.coins_per_dispense, |n| {
            DispenseCount::saturating(n as usize)
        }),
        diagnose_every: diagnose.unwrap_or(usual.diagnose_every),
        credit_limit: fields.money("credit-limit", decimals)?,
    })
}

/// What happens to a changer, or is done at it. Coins are named by their value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChangerAct {
    /// A vend token is put in.
    InsertToken,
    /// Two coins are pushed in together.
    InsertTwoCoins,
    /// The return lever is pressed and let go.
    PressLever,
    /// A tube's own switch is pressed.
    ManualDispense(Money, u16),
    /// Coins put in fill the tubes, until [`ChangerAct::EndManual`].
    BeginManualFill,
    /// Coins are taken out under the changer's control, until [`ChangerAct::EndManual`].
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
    /// It says nothing for a time.
    GoSilent(Micros),
}

impl ChangerAct {
    /// Their names in a script.
    pub(super) const NAMES: [&'static str; 18] = [
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
        "go-silent",
    ];

    /// Reads an act; `None` for a name that is none of these.
    pub(super) fn read(
        fields: &Fields<'_>,
        name: &str,
        decimals: Decimals,
    ) -> Result<Option<Self>, RigError> {
        let coin = || {
            let value = fields.money("value", decimals)?;
            fields.need("value", "the value of the coin, as in \"0.25\"", value)
        };
        let coins = || {
            let count = fields.number("count", 1..65_536)?.unwrap_or(1);
            Ok::<_, RigError>(u16::try_from(count).unwrap_or(u16::MAX))
        };
        Ok(Some(match name {
            "insert-token" => Self::InsertToken,
            "insert-two-coins" => Self::InsertTwoCoins,
            "press-lever" => Self::PressLever,
            "manual-dispense" => Self::ManualDispense(coin()?, coins()?),
            "begin-manual-fill" => Self::BeginManualFill,
            "begin-manual-payout" => Self::BeginManualPayout,
            "manual-payout" => Self::ManualPayout(coin()?, coins()?),
            "end-manual" => Self::EndManual,
            "load-tube" => Self::LoadTube(coin()?, coins()?),
            "take-from-tube" => Self::TakeFromTube(coin()?, coins()?),
            "block-tube" | "clear-tube" => Self::BlockTube(coin()?, name == "block-tube"),
            "break-tube-sensor" | "mend-tube-sensor" => {
                Self::BreakTubeSensor(coin()?, name == "break-tube-sensor")
            }
            "unplug-acceptor" | "plug-acceptor" => Self::UnplugAcceptor(name == "unplug-acceptor"),
            "reset-changer" => Self::ResetItself,
            "go-silent" => {
                let time = fields.time("for")?;
                Self::GoSilent(fields.need("for", "a time, as in \"2 s\"", time)?)
            }
            _ => return Ok(None),
        }))
    }

    /// Does it.
    ///
    /// # Errors
    /// When the changer has no such coin, or no such coins come out.
    pub(crate) fn perform(self, changer: &mut Changer, now: Micros) -> Result<(), String> {
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
            Self::GoSilent(time) => changer.stay_silent(now, time),
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
            Self::GoSilent(time) => format!("silent for {time}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::{Act, Rig};
    use std::path::Path;

    fn rig(board: &str, device: &str, script: &str) -> Result<Rig, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{board}\n[[device]]\nkind = \"changer\"\n\
             name = \"changer\"\n{device}\n{script}\n"
        );
        Rig::parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    }

    #[test]
    fn every_act_is_read_and_described() {
        for name in ChangerAct::NAMES {
            let script = format!("[[script]]\ndo = \"{name}\"\n");
            let read = rig("", "", &format!("{script}value = \"0.25\"\ncount = 2\n"))
                .or_else(|_| rig("", "", &format!("{script}value = \"0.25\"\n")))
                .or_else(|_| rig("", "", &format!("{script}for = \"2 s\"\n")))
                .or_else(|_| rig("", "", &script));
            let rig = read.unwrap_or_else(|error| panic!("{name}: {error}"));
            let Act::AtChanger { what, .. } = &rig.script[0].act else {
                panic!("{name}")
            };
            assert!(!what.text(Decimals(2)).is_empty());
        }
    }

    #[test]
    fn how_the_board_treats_its_changer() {
        let board = "alternative-payout = true\nmanual-dispense = false\naccept-tokens = true\n\
                     coins-per-dispense = 1\ndiagnose-every = \"2 s\"\ncredit-limit = \"5.00\"";
        let rig = rig(
            board,
            "while-paying = \"silent\"\naccept-time = \"50 ms\"",
            "",
        )
        .unwrap();
        let policy = rig.board.controller(&rig).unwrap().changer;
        let expected = ChangerPolicy {
            alternative_payout: true,
            manual_dispense: false,
            tokens: true,
            coins_per_dispense: DispenseCount::saturating(1),
            diagnose_every: Micros::secs(2),
            credit_limit: Some(Money(500)),
        };
        assert_eq!(policy, expected);
        let Kind::Changer(config, _) = &rig.devices[0].kind else {
            panic!("a changer")
        };
        assert_eq!(config.while_paying, WhilePaying::StaySilent);
        assert_eq!(config.accept_time, Micros::ms(50));
    }

    #[test]
    fn errors_say_the_line_and_what_was_expected() {
        let error = rig("", "", "[[script]]\ndo = \"block-tube\"").unwrap_err();
        assert!(
            error.contains("t.toml:9") && error.contains("`value`"),
            "{error}"
        );
        let error = rig("", "", "[[script]]\ndo = \"press-lover\"").unwrap_err();
        assert!(error.contains("did you mean \"press-lever\""), "{error}");
        let error = rig("coins-per-dispense = 16", "", "").unwrap_err();
        assert!(error.contains("coins-per-dispense"), "{error}");
    }
}
