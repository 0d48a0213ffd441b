//! The ways a pulse device can be wrong on purpose.

use payrig_pulse::{Coding, Profile};
use serde::Deserialize;

/// What a stuck line stays at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stuck {
    /// As in a pulse: a welded contact, a short to ground.
    Active,
    /// At rest: a broken wire, a dead output.
    Resting,
}

/// Named wrong behaviours of a device's credit lines. All are off by default. What is random comes
/// from `seed`, so a bench repeats itself exactly.
///
/// ```toml
/// [faults]
/// reversed = true              # normally open and normally closed mixed up
/// width-percent = -30          # every pulse shorter by 30 %
/// gap-percent = 20             # every pause longer by 20 %
/// drift-percent = 1            # widths grow by 1 % with every 100 pulses
/// jitter-us = 4000             # every time off by up to this, either way
/// bounce-us = 900              # the contact settles this late at the leading edge
/// glitch-us = 50               # a spike this long in every pause
/// missing-pulses = 1           # left out of a train
/// extra-pulses = 1             # added to a train
/// every = 3                    # the two above only in every third train
/// trains-together = true       # no train gap between trains
/// ignores-inhibit = true       # takes money while held off
/// stays-inhibited = true       # held off once, takes nothing until its power is cut
/// charges-taken-cards = true   # a card taken away before the answer pays all the same
/// stray-after-inhibit-ms = 900 # a pulse without money, so long after the inhibit
/// stuck = "active"             # or "resting": the line never moves
/// wrong-profile = "long"       # the times of another ready-made profile
/// wrong-pulses = 4             # another number of pulses per unit
/// forgets-on-power-cut = true  # pulses not sent yet are lost with the power
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PulseFaults {
    /// Seed of all that is random here.
    pub seed: u64,
    /// Normally open and normally closed mixed up: both levels are the other way round.
    pub reversed: bool,
    /// Change of every width in percent; range -99 to 1000.
    pub width_percent: i32,
    /// Change of every pause in percent; range -99 to 1000.
    pub gap_percent: i32,
    /// How much every width grows with 100 pulses, in percent; less than zero shrinks. Range -50 to
    /// 100.
    pub drift_percent: i32,
    /// Greatest random change of every width and pause, in microseconds.
    pub jitter_us: u32,
    /// How long the contact bounces at every leading edge, in microseconds.
    pub bounce_us: u32,
    /// A spike of this many microseconds in the middle of every pause; 0 for none.
    pub glitch_us: u32,
    /// Pulses left out of a train, at its end.
    pub missing_pulses: u32,
    /// Pulses added to a train, at its end.
    pub extra_pulses: u32,
    /// Only every so manieth train has pulses missing or added; 0 and 1 mean every train.
    pub every: u32,
    /// Trains follow each other after a single pause.
    pub trains_together: bool,
    /// Money is taken although the inhibit line says no.
    pub ignores_inhibit: bool,
    /// Held off once, it takes no money until its power is cut.
    pub stays_inhibited: bool,
    /// A card taken away before the answer pays all the same.
    pub charges_taken_cards: bool,
    /// A pulse nobody paid for, this many milliseconds after the inhibit.
    pub stray_after_inhibit_ms: Option<u32>,
    /// The lines never move.
    pub stuck: Option<Stuck>,
    /// Times of another ready-made profile (`short`, `medium`, `long`).
    pub wrong_profile: Option<String>,
    /// Another number of pulses per unit of money.
    pub wrong_pulses: Option<u32>,
    /// What is not sent yet is lost with the power.
    pub forgets_on_power_cut: bool,
}

impl PulseFaults {
    /// True when the device behaves.
    #[must_use]
    pub fn is_none(&self) -> bool {
        let quiet = Self {
            seed: self.seed,
            every: self.every,
            ..Self::default()
        };
        *self == quiet
    }

    /// The profile the device really sends by.
    ///
    /// # Errors
    /// When the wrong profile has no such name, or does not fit the device's coding.
    pub fn sent_profile(&self, profile: &Profile) -> Result<Profile, String> {
        for (key, percent) in [
            ("width-percent", self.width_percent),
            ("gap-percent", self.gap_percent),
        ] {
            if !(-99..=1_000).contains(&percent) {
                return Err(format!("{key} is {percent}, expected -99 to 1000"));
            }
        }
        if !(-50..=100).contains(&self.drift_percent) {
            let drift = self.drift_percent;
            return Err(format!("drift-percent is {drift}, expected -50 to 100"));
        }
        let mut sent = profile.clone();
        if let Some(name) = &self.wrong_profile {
            let wrong = Profile::named(name).ok_or_else(|| {
                format!("wrong-profile \"{name}\": expected short, medium or long")
            })?;
            if matches!(sent.coding, Coding::Widths(_)) {
                return Err(
                    "wrong-profile cannot be combined with value coded in widths: use \
                     width-percent"
                        .to_owned(),
                );
            }
            (sent.on, sent.off) = (wrong.on, wrong.off);
            sent.train_gap = sent.train_gap.max(wrong.train_gap);
        }
        match (self.wrong_pulses, &mut sent.coding) {
            (None, _) => {}
            (Some(0), _) => return Err("wrong-pulses is 0: use stuck = \"resting\"".to_owned()),
            (Some(wrong), Coding::Count { pulses, .. }) => *pulses = wrong,
            (Some(_), _) => {
                return Err("wrong-pulses needs value coded in the number of pulses".to_owned());
            }
        }
        Ok(sent)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_read_and_mistakes_named() {
        let faults: PulseFaults =
            toml::from_str("stuck = \"active\"\nwidth-percent = -30").unwrap();
        assert_eq!(faults.stuck, Some(Stuck::Active));
        assert!(!faults.is_none());
        assert!(
            toml::from_str::<PulseFaults>("seed = 4\nevery = 2")
                .unwrap()
                .is_none()
        );
        let error = toml::from_str::<PulseFaults>("jiter-us = 4")
            .unwrap_err()
            .to_string();
        assert!(
            error.contains("unknown field `jiter-us`, expected one of"),
            "{error}"
        );
        let wrong = PulseFaults {
            wrong_profile: Some("slow".into()),
            ..PulseFaults::default()
        };
        assert!(
            wrong
                .sent_profile(&Profile::short())
                .unwrap_err()
                .contains("short, medium or long")
        );
        let wrong = PulseFaults {
            width_percent: -100,
            ..PulseFaults::default()
        };
        assert!(wrong.sent_profile(&Profile::short()).is_err());
    }
}
