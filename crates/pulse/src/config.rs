//! A profile as a rig file spells it: the `[pulse]` table.

use crate::profile::{Coding, CoinLine, Profile, ProfileError, Unpowered, WidthValue};
use crate::{Level, Tolerance};
use payrig_units::{Micros, Money};
use serde::Deserialize;

/// The `[pulse]` table of a rig. Every key is optional: what is left out is taken from the
/// ready-made profile named by `profile` (`short` when that is left out too).
///
/// ```toml
/// [pulse]
/// profile = "short"        # short 50/50, medium 100/100, long 150/150 ms
/// active = "low"           # level during a pulse
/// on-ms = 50
/// off-ms = 50
/// tolerance-percent = 20
/// pulses = 4               # pulses per unit ...
/// unit = 100               # ... of money, in minor units
/// train-gap-ms = 300       # the pause that ends a train
/// bounce-us = 1000
/// inhibit-line = "inhibit"
/// inhibits = "high"        # the level that holds the acceptor off
/// inhibit-silence-ms = 800
/// unpowered = "inhibited"  # or "enabled": what the line signals while its driver has no power
/// ```
/// Instead of `pulses` and `unit`: `lines = [{ name = "coin-1", value = 25 }, ...]` for a line per
/// coin, or `widths = [{ on-ms = 50, value = 25 }, ...]` for value coded in the pulse width.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ProfileConfig {
    profile: Option<String>,
    name: Option<String>,
    active: Option<Level>,
    on_ms: Option<u32>,
    off_ms: Option<u32>,
    tolerance_percent: Option<u32>,
    tolerance_at_least_us: Option<u32>,
    pulses: Option<u32>,
    unit: Option<Money>,
    lines: Option<Vec<CoinLine>>,
    widths: Option<Vec<WidthConfig>>,
    train_gap_ms: Option<u32>,
    bounce_us: Option<u32>,
    inhibit_line: Option<String>,
    inhibits: Option<Level>,
    inhibit_silence_ms: Option<u32>,
    unpowered: Option<Unpowered>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct WidthConfig {
    on_ms: u32,
    value: Money,
}

fn ms(n: u32) -> Micros {
    Micros::ms(n.into())
}

impl ProfileConfig {
    fn coding(&self, default: Coding) -> Result<Coding, ProfileError> {
        let counted = self.pulses.is_some() || self.unit.is_some();
        match (counted, &self.lines, &self.widths) {
            (false, None, None) => Ok(default),
            (true, None, None) => Ok(Coding::Count {
                pulses: self.pulses.unwrap_or(1),
                unit: self.unit.unwrap_or(Money(100)),
            }),
            (false, Some(lines), None) => Ok(Coding::Lines(lines.clone())),
            (false, None, Some(widths)) => Ok(Coding::Widths(
                widths
                    .iter()
                    .map(|w| WidthValue {
                        on: ms(w.on_ms),
                        value: w.value,
                    })
                    .collect(),
            )),
            _ => Err(ProfileError(
                "value is coded in one way only: give pulses and unit, or lines, or widths".into(),
            )),
        }
    }
}

impl TryFrom<ProfileConfig> for Profile {
    type Error = ProfileError;

    fn try_from(config: ProfileConfig) -> Result<Self, ProfileError> {
        let base = config.profile.as_deref().unwrap_or("short");
        let mut profile = Profile::named(base).ok_or_else(|| {
            ProfileError(format!(
                "there is no ready-made pulse profile \"{base}\": expected short, medium or long"
            ))
        })?;
        profile.coding = config.coding(profile.coding)?;
        if let Coding::Widths(widths) = &profile.coding {
            if config.on_ms.is_some() {
                return Err(ProfileError(
                    "on-ms and widths contradict each other: leave on-ms out".into(),
                ));
            }
            if let Some(first) = widths.first() {
                profile.on = first.on;
            }
        }
        profile.on = config.on_ms.map_or(profile.on, ms);
        profile.off = config.off_ms.map_or(profile.off, ms);
        profile.active = config.active.unwrap_or(profile.active);
        profile.tolerance = Tolerance {
            percent: config
                .tolerance_percent
                .unwrap_or(profile.tolerance.percent),
            at_least: config
                .tolerance_at_least_us
                .map_or(profile.tolerance.at_least, |n| Micros::us(n.into())),
        };
        let longest_pause = profile.gap_window().max;
        profile.train_gap = match config.train_gap_ms {
            Some(n) => ms(n),
            // A slow profile gets a train gap that fits it unless it names one.
            None if profile.train_gap <= longest_pause => profile.off * 2,
            None => profile.train_gap,
        };
        profile.bounce = config
            .bounce_us
            .map_or(profile.bounce, |n| Micros::us(n.into()));
        profile.inhibit.line = config.inhibit_line.unwrap_or(profile.inhibit.line);
        profile.inhibit.inhibits = config.inhibits.unwrap_or(profile.inhibit.inhibits);
        profile.inhibit.silence = config
            .inhibit_silence_ms
            .map_or(profile.inhibit.silence, ms);
        profile.inhibit.unpowered = config.unpowered.unwrap_or(profile.inhibit.unpowered);
        profile.name = match config.name {
            Some(name) => name,
            None if config.on_ms.is_some() || config.off_ms.is_some() => profile.times(),
            None => profile.name,
        };
        profile.check()?;
        Ok(profile)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_table_is_the_short_profile() {
        assert_eq!(toml::from_str::<Profile>("").unwrap(), Profile::short());
    }

    #[test]
    fn keys_override_the_ready_made_profile() {
        let text = "profile = \"long\"\nactive = \"high\"\npulses = 4\nunit = 100\nbounce-us = 500";
        let profile: Profile = toml::from_str(text).unwrap();
        assert_eq!(profile.on, Micros::ms(150));
        assert_eq!(profile.active, Level::High);
        assert_eq!(profile.bounce, Micros(500));
        assert_eq!(
            profile.coding,
            Coding::Count {
                pulses: 4,
                unit: Money(100)
            }
        );
    }

    #[test]
    fn lines_and_widths_are_read() {
        let lines = "lines = [{ name = \"a\", value = 5 }, { name = \"b\", value = 25 }]";
        assert_eq!(
            toml::from_str::<Profile>(lines).unwrap().lines(),
            ["a", "b"]
        );
        let widths = "widths = [{ on-ms = 30, value = 25 }, { on-ms = 90, value = 100 }]";
        let profile: Profile = toml::from_str(widths).unwrap();
        assert_eq!(profile.on, Micros::ms(30));
        assert_eq!(profile.width_windows().len(), 2);
    }

    #[test]
    fn mistakes_say_what_was_expected() {
        let say = |text: &str| toml::from_str::<Profile>(text).unwrap_err().to_string();
        assert!(say("on = 50").contains("unknown field `on`, expected one of `profile`"));
        assert!(say("profile = \"shrot\"").contains("expected short, medium or long"));
        assert!(say("pulses = 2\nlines = []").contains("one way only"));
        assert!(say("active = \"ground\"").contains("expected `low` or `high`"));
        assert!(say("train-gap-ms = 20").contains("train-gap-ms"));
        assert!(say("on-ms = 9\nwidths = [{ on-ms = 30, value = 25 }]").contains("on-ms"));
    }
}
