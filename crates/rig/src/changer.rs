//! The changer of a rig: its table, how the board treats it, and what a script does at it.

use super::error::RigError;
use super::fields::Fields;
use super::setting::{Setting, quirks};
use payrig_bench::action::{ChangerAction, Coin};
use payrig_bench::plan::Kind;
use payrig_controller::ChangerPolicy;
use payrig_mdb::changer::{DispenseCount, Features};
use payrig_peripherals::changer::{
    self, ChangerConfig, CoinConfig, CoinWorth, TubeConfig, WhilePaying,
};
use payrig_units::Decimals;

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
    config.diagnostics = super::machine::read_diagnostics(fields)?;
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

/// Reads an act; `None` for a name that is none of these.
pub(super) fn read_action(
    fields: &Fields<'_>,
    name: &str,
    decimals: Decimals,
) -> Result<Option<ChangerAction>, RigError> {
    let coin = || {
        let value = fields.money("value", decimals)?;
        let value = fields.need("value", "the value of the coin, as in \"0.25\"", value)?;
        Ok::<_, RigError>(Coin::Worth(value))
    };
    let coins = || {
        let count = fields.number("count", 1..65_536)?.unwrap_or(1);
        Ok::<_, RigError>(u16::try_from(count).unwrap_or(u16::MAX))
    };
    Ok(Some(match name {
        "insert-token" => ChangerAction::InsertToken,
        "insert-two-coins" => ChangerAction::InsertTwoCoins,
        "press-lever" => ChangerAction::PressLever,
        "hold-lever" | "release-lever" => ChangerAction::HoldLever(name == "hold-lever"),
        "manual-dispense" => ChangerAction::ManualDispense(coin()?, coins()?),
        "begin-manual-fill" => ChangerAction::BeginManualFill,
        "begin-manual-payout" => ChangerAction::BeginManualPayout,
        "manual-payout" => ChangerAction::ManualPayout(coin()?, coins()?),
        "end-manual" => ChangerAction::EndManual,
        "load-tube" => ChangerAction::LoadTube(coin()?, coins()?),
        "take-from-tube" => ChangerAction::TakeFromTube(coin()?, coins()?),
        "block-tube" | "clear-tube" => ChangerAction::BlockTube(coin()?, name == "block-tube"),
        "break-tube-sensor" | "mend-tube-sensor" => {
            ChangerAction::BreakTubeSensor(coin()?, name == "break-tube-sensor")
        }
        "unplug-acceptor" | "plug-acceptor" => {
            ChangerAction::UnplugAcceptor(name == "unplug-acceptor")
        }
        "reset-changer" => ChangerAction::ResetItself,
        _ => return Ok(None),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parse;
    use payrig_bench::Plan;
    use payrig_bench::action::{Action, StepKind};
    use payrig_units::{Micros, Money};
    use std::path::Path;

    fn rig(board: &str, device: &str, script: &str) -> Result<Plan, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{board}\n[[device]]\nkind = \"changer\"\n\
             name = \"changer\"\n{device}\n{script}\n"
        );
        parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    }

    #[test]
    fn every_act_is_read_and_described() {
        for name in ChangerAction::NAMES {
            let script = format!("[[script]]\ndo = \"{name}\"\n");
            let read = rig("", "", &format!("{script}value = \"0.25\"\ncount = 2\n"))
                .or_else(|_| rig("", "", &format!("{script}value = \"0.25\"\n")))
                .or_else(|_| rig("", "", &format!("{script}for = \"2 s\"\n")))
                .or_else(|_| rig("", "", &script));
            let rig = read.unwrap_or_else(|error| panic!("{name}: {error}"));
            let StepKind::Do(Action::AtChanger { what, .. }) = &rig.script[0].what else {
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
