//! What a pulse link agrees on: times, levels, and what a pulse is worth.

use crate::{Level, Tolerance, Window};
use payrig_units::{Micros, Money};
use serde::{Deserialize, Serialize};

/// Name of the credit line of a profile that has only one.
pub const CREDIT_LINE: &str = "credit";

/// Name of the inhibit line unless the profile says otherwise.
pub const INHIBIT_LINE: &str = "inhibit";

/// A credit line of its own for one coin.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(deny_unknown_fields)]
pub struct CoinLine {
    /// Name of the line.
    pub name: String,
    /// What one pulse on it is worth.
    pub value: Money,
}

/// A pulse width that stands for a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct WidthValue {
    /// Nominal width.
    #[serde(rename = "on_us", alias = "on")]
    pub on: Micros,
    /// What one pulse of this width is worth.
    pub value: Money,
}

/// How money is coded in pulses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(rename_all = "kebab-case")]
pub enum Coding {
    /// A number of pulses per unit of money, on the line [`CREDIT_LINE`]: four pulses per dollar
    /// is `pulses: 4, unit: 100` (cents). A whole unit is the least that can be encoded.
    Count {
        /// Pulses per unit, at least 1.
        pulses: u32,
        /// The unit of money in minor units, above zero.
        unit: Money,
    },
    /// A line per coin; every pulse on it is one such coin.
    Lines(Vec<CoinLine>),
    /// One line, [`CREDIT_LINE`]; the width of a pulse says what it is worth.
    Widths(Vec<WidthValue>),
}

/// What an inhibit wire signals while its driver has no power.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Unpowered {
    /// It is wired to fail safe: a resistor at the acceptor brings the line to its inhibiting
    /// level, so nothing is taken that nobody can count (common practice, no source).
    #[default]
    Inhibited,
    /// It floats to the other level, or there is no resistor: the acceptor goes on taking money.
    Enabled,
}

impl Unpowered {
    fn is_default(&self) -> bool {
        *self == Self::default()
    }
}

/// The wire that holds the acceptor off.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Inhibit {
    /// Name of the line.
    pub line: String,
    /// The level that inhibits. [`Level::High`] is an active-high inhibit, or the same thing seen
    /// the other way round, an active-low enable.
    pub inhibits: Level,
    /// Longest time from the inhibiting edge to silence: a train that *starts* later than this is
    /// a fault. A train already under way may end, since its money is already taken.
    #[serde(rename = "silence_us", alias = "silence")]
    pub silence: Micros,
    /// What the line signals while the board (or bridge) that drives it has no power.
    #[serde(default, skip_serializing_if = "Unpowered::is_default")]
    pub unpowered: Unpowered,
}

impl Inhibit {
    /// True when a level holds the acceptor off.
    #[must_use]
    pub fn holds_off(&self, high: bool) -> bool {
        Level::of(high) == self.inhibits
    }

    /// The level of the line while its driver has no power, true for high.
    #[must_use]
    pub fn unpowered_level(&self) -> bool {
        self.inhibits.is_high() == (self.unpowered == Unpowered::Inhibited)
    }
}

/// A pulse profile. Read one from a rig's `[pulse]` table (see [`ProfileConfig`]) or take a
/// ready-made one.
///
/// ```
/// use payrig_pulse::{CREDIT_LINE, Profile};
/// use payrig_units::{Micros, Money};
///
/// let profile = Profile::named("short").unwrap().with_count(4, Money(100));
/// let plan = profile.plan(Money(500));
/// assert_eq!((plan.pulses(), plan.remainder), (20, Money::ZERO));
/// // Two pulses are half a unit: they wait for the rest.
/// let worth = profile.worth(CREDIT_LINE, &[profile.on; 6], 0);
/// assert_eq!((worth.amount, worth.left_over), (Money(100), 2));
/// ```
///
/// [`ProfileConfig`]: crate::ProfileConfig
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "crate::ProfileConfig")]
pub struct Profile {
    /// What people call it.
    pub name: String,
    /// The level of a credit line during a pulse.
    pub active: Level,
    /// Nominal width of a pulse (with [`Coding::Widths`]: of the first of them).
    #[serde(rename = "on_us", alias = "on")]
    pub on: Micros,
    /// Nominal pause between two pulses of a train.
    #[serde(rename = "off_us", alias = "off")]
    pub off: Micros,
    /// How far a width or a pause may be off.
    pub tolerance: Tolerance,
    /// What pulses are worth.
    pub coding: Coding,
    /// The pause that ends a train.
    #[serde(rename = "train_gap_us", alias = "train_gap")]
    pub train_gap: Micros,
    /// Level changes that do not hold this long are contact bounce or noise.
    #[serde(rename = "bounce_us", alias = "bounce")]
    pub bounce: Micros,
    /// The wire that holds the acceptor off.
    pub inhibit: Inhibit,
}

/// A profile with every part of it as it is, for files that are written by programs and read by
/// programs: recordings. (Rigs spell profiles by [`ProfileConfig`], which leaves parts out.)
///
/// [`ProfileConfig`]: crate::ProfileConfig
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct ProfileRecord {
    name: String,
    active: Level,
    #[serde(rename = "on_us", alias = "on")]
    on: Micros,
    #[serde(rename = "off_us", alias = "off")]
    off: Micros,
    tolerance: Tolerance,
    coding: Coding,
    #[serde(rename = "train_gap_us", alias = "train_gap")]
    train_gap: Micros,
    #[serde(rename = "bounce_us", alias = "bounce")]
    bounce: Micros,
    inhibit: Inhibit,
}

impl From<&Profile> for ProfileRecord {
    fn from(p: &Profile) -> Self {
        Self {
            name: p.name.clone(),
            active: p.active,
            on: p.on,
            off: p.off,
            tolerance: p.tolerance,
            coding: p.coding.clone(),
            train_gap: p.train_gap,
            bounce: p.bounce,
            inhibit: p.inhibit.clone(),
        }
    }
}

impl TryFrom<ProfileRecord> for Profile {
    type Error = ProfileError;

    fn try_from(r: ProfileRecord) -> Result<Self, ProfileError> {
        let profile = Self {
            name: r.name,
            active: r.active,
            on: r.on,
            off: r.off,
            tolerance: r.tolerance,
            coding: r.coding,
            train_gap: r.train_gap,
            bounce: r.bounce,
            inhibit: r.inhibit,
        };
        profile.check()?;
        Ok(profile)
    }
}

impl Profile {
    /// 50 ms on, 50 ms off, one pulse per 1.00 (common practice, no source).
    #[must_use]
    pub fn short() -> Self {
        Self::ready_made("short", 50)
    }

    /// 100 ms on, 100 ms off, one pulse per 1.00 (common practice, no source).
    #[must_use]
    pub fn medium() -> Self {
        Self::ready_made("medium", 100)
    }

    /// 150 ms on, 150 ms off, one pulse per 1.00 (common practice, no source).
    #[must_use]
    pub fn long() -> Self {
        Self::ready_made("long", 150)
    }

    /// All ready-made profiles, shortest pulse first.
    #[must_use]
    pub fn all() -> Vec<Self> {
        vec![Self::short(), Self::medium(), Self::long()]
    }

    /// A ready-made profile by name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::all().into_iter().find(|p| p.name == name)
    }

    /// The silence is 800 ms: a bill that is past the sensors when the inhibit comes is stacked
    /// first, which takes up to 700 ms (common practice, no source), and then reported.
    ///
    /// The train gap is 300 ms in all of them: twice the longest pause, so that a reader set to
    /// the wrong profile still sees whole trains and can say which profile they are of.
    fn ready_made(name: &str, ms: u64) -> Self {
        Self {
            name: name.to_owned(),
            active: Level::Low,
            on: Micros::ms(ms),
            off: Micros::ms(ms),
            tolerance: Tolerance::default(),
            coding: Coding::Count {
                pulses: 1,
                unit: Money(100),
            },
            train_gap: Micros::ms(300),
            bounce: Micros::ms(1),
            inhibit: Inhibit {
                line: INHIBIT_LINE.to_owned(),
                inhibits: Level::High,
                silence: Micros::ms(800),
                unpowered: Unpowered::default(),
            },
        }
    }

    /// The same profile with another number of pulses per unit of money.
    #[must_use]
    pub fn with_count(mut self, pulses: u32, unit: Money) -> Self {
        self.coding = Coding::Count { pulses, unit };
        self
    }

    /// Names of the credit lines, in order.
    #[must_use]
    pub fn lines(&self) -> Vec<&str> {
        match &self.coding {
            Coding::Lines(lines) => lines.iter().map(|l| l.name.as_str()).collect(),
            Coding::Count { .. } | Coding::Widths(_) => vec![CREDIT_LINE],
        }
    }

    /// The windows a width may lie in: one, or one per value with [`Coding::Widths`].
    #[must_use]
    pub fn width_windows(&self) -> Vec<Window> {
        match &self.coding {
            Coding::Widths(widths) => widths.iter().map(|w| self.tolerance.around(w.on)).collect(),
            Coding::Count { .. } | Coding::Lines(_) => vec![self.tolerance.around(self.on)],
        }
    }

    /// The window a pause within a train may lie in.
    #[must_use]
    pub fn gap_window(&self) -> Window {
        self.tolerance.around(self.off)
    }

    /// `50/50 ms`, or `50.5/50 ms`.
    #[must_use]
    pub fn times(&self) -> String {
        let ms = |t: Micros| match t.0 % 1_000 {
            0 => (t.0 / 1_000).to_string(),
            rest => format!("{}.{rest:03}", t.0 / 1_000)
                .trim_end_matches('0')
                .to_owned(),
        };
        format!("{}/{} ms", ms(self.on), ms(self.off))
    }

    /// Checks that the parts of the profile agree with each other.
    ///
    /// # Errors
    /// What contradicts what, and what to change.
    pub fn check(&self) -> Result<(), ProfileError> {
        let bad = |text: String| {
            Err(ProfileError(format!(
                "pulse profile \"{}\": {text}",
                self.name
            )))
        };
        if self.tolerance.percent > 50 {
            return bad(format!(
                "tolerance-percent is {}, expected 0 to 50",
                self.tolerance.percent
            ));
        }
        let gap = self.gap_window();
        let mut shortest = gap.min;
        for window in self.width_windows() {
            shortest = shortest.min(window.min);
        }
        if shortest <= self.bounce * 2 {
            return bad(format!(
                "the shortest allowed pulse or pause is {shortest}, which is not above twice the \
                 bounce time {}: make the bounce time shorter",
                self.bounce
            ));
        }
        if self.train_gap <= gap.max {
            return bad(format!(
                "the train gap {} is not above the longest allowed pause {}: a train would fall \
                 apart; make train-gap-ms larger",
                self.train_gap, gap.max
            ));
        }
        match &self.coding {
            Coding::Count { pulses, unit } => {
                if *pulses == 0 || *unit <= Money::ZERO {
                    return bad("pulses and unit must both be above zero".to_owned());
                }
            }
            Coding::Lines(lines) => {
                if lines.is_empty() {
                    return bad("lines is empty: name at least one credit line".to_owned());
                }
                for (i, line) in lines.iter().enumerate() {
                    if line.value <= Money::ZERO {
                        return bad(format!(
                            "line \"{}\": the value must be above zero",
                            line.name
                        ));
                    }
                    if line.name == self.inhibit.line
                        || lines.iter().take(i).any(|other| other.name == line.name)
                    {
                        return bad(format!("two lines are called \"{}\"", line.name));
                    }
                }
            }
            Coding::Widths(widths) => {
                if widths.is_empty() {
                    return bad("widths is empty: give at least one width and its value".to_owned());
                }
                let windows = self.width_windows();
                for (i, (width, window)) in widths.iter().zip(&windows).enumerate() {
                    if width.value <= Money::ZERO {
                        return bad(format!("width {}: the value must be above zero", width.on));
                    }
                    if windows.iter().take(i).any(|other| other.overlaps(*window)) {
                        return bad(format!(
                            "the window {window} of width {} overlaps another one: a pulse could \
                             mean either value; move the widths apart or lower the tolerance",
                            width.on
                        ));
                    }
                }
            }
        }
        Ok(())
    }
}

/// A profile that contradicts itself. Prints what and how to mend it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct ProfileError(pub String);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ready_made_profiles_hold_together_and_do_not_overlap() {
        for profile in Profile::all() {
            assert_eq!(profile.check(), Ok(()));
            assert_eq!(Profile::named(&profile.name), Some(profile));
        }
        assert_eq!(Profile::named("shortest"), None);
        assert_eq!(Profile::short().times(), "50/50 ms");
    }

    #[test]
    fn a_recorded_profile_is_the_same_profile() {
        let mut odd = Profile::short().with_count(4, Money(50));
        odd.on = Micros(50_500);
        odd.coding = Coding::Widths(vec![WidthValue {
            on: Micros(50_500),
            value: Money(25),
        }]);
        for profile in Profile::all().into_iter().chain([odd]) {
            let json = serde_json::to_string(&ProfileRecord::from(&profile)).unwrap();
            let record: ProfileRecord = serde_json::from_str(&json).unwrap();
            assert_eq!(Profile::try_from(record), Ok(profile));
        }
    }

    #[test]
    fn contradictions_are_named() {
        let mut profile = Profile::short();
        profile.train_gap = Micros::ms(60);
        assert!(
            profile
                .check()
                .unwrap_err()
                .to_string()
                .contains("train gap")
        );
        let mut profile = Profile::short();
        profile.coding = Coding::Widths(vec![
            WidthValue {
                on: Micros::ms(50),
                value: Money(25),
            },
            WidthValue {
                on: Micros::ms(60),
                value: Money(100),
            },
        ]);
        assert!(
            profile
                .check()
                .unwrap_err()
                .to_string()
                .contains("overlaps")
        );
        let mut profile = Profile::short();
        profile.bounce = Micros::ms(20);
        assert!(profile.check().unwrap_err().to_string().contains("bounce"));
        assert!(Profile::short().with_count(0, Money(100)).check().is_err());
    }
}
