//! The lines of the commands of `pulse`.

use payrig_pulse::{
    BoardPulse, BoardTrain, BoardWindow, Diagnosis, Fit, Level, Outcome, Profile, Stats, Train,
    Verdict as Judged, Window,
};
use payrig_units::{Micros, Money};
use payrig_wire::Finding;
use payrig_wire::recording::TrainRecord;
use schemars::JsonSchema;
use serde::Serialize;

/// A line of `payrig pulse`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line<'a> {
    /// What is wrong with a line.
    Finding(Finding),
    /// A pulse train, as measured.
    Train(TrainRecord),
    /// The answer to which setting a train is of; it follows its train.
    Setting(Setting<'a>),
    /// What a board makes of a train.
    Count(Count<'a>),
    /// What a board counts, for every pulse and pause.
    Map(Map<'a>),
    /// A ready-made profile.
    Profile(ProfileLine),
    /// What came of it all.
    Verdict(Verdict),
}

/// Which setting a train is of.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Setting<'a> {
    /// Number of the train, from 1.
    pub(crate) number: u64,
    /// Name of the line.
    pub(crate) line: &'a str,
    /// Start of the train.
    pub(crate) start_us: Micros,
    /// Its widths.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) widths: Option<Stats>,
    /// Its pauses.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) gaps: Option<Stats>,
    /// What was fed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) fed: Option<Money>,
    /// The profiles that fit, in the order asked.
    fits: Vec<Fits<'a>>,
    /// The nearest profile, whether it fits or not.
    #[serde(skip_serializing_if = "Option::is_none")]
    nearest: Option<&'a str>,
    /// The profile that each pulse was held against.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) judged_by: Option<&'a str>,
    /// A verdict per pulse.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) width_verdicts: Option<&'a [Judged]>,
    /// A verdict per pause.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) gap_verdicts: Option<&'a [Judged]>,
    /// The board credits what was fed, or its profile fits.
    #[serde(skip_serializing_if = "Option::is_none")]
    board_agrees: Option<bool>,
    /// The answer in plain words.
    says: &'a [String],
}

/// A profile that fits.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Fits<'a> {
    /// Its name.
    profile: &'a str,
    /// Whether it does for certain.
    verdict: Judged,
    /// What the train is worth by it, where it is a whole number of units.
    #[serde(skip_serializing_if = "Option::is_none")]
    credit: Option<Money>,
}

impl<'a> Setting<'a> {
    pub(crate) fn of(number: u64, train: &'a Train, answer: &'a Diagnosis) -> Self {
        let fits = |fit: &'a Fit| Fits {
            profile: &fit.profile,
            verdict: fit.verdict,
            credit: fit.credit,
        };
        Self {
            number,
            line: &train.line,
            start_us: train.start(),
            widths: train.width_stats(),
            gaps: train.gap_stats(),
            fed: None,
            fits: answer.fits.iter().map(fits).collect(),
            nearest: answer.nearest.as_deref(),
            judged_by: None,
            width_verdicts: None,
            gap_verdicts: None,
            board_agrees: answer.board_agrees,
            says: &answer.says,
        }
    }
}

/// What a board makes of a train.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Count<'a> {
    /// Number of the train, from 1.
    number: u64,
    /// Name of the line.
    line: &'a str,
    /// Start of its first pulse.
    start_us: Micros,
    /// Pulses counted.
    counted: u64,
    /// Money credited for it.
    credit: Money,
    /// Pulses left over that make no whole unit.
    left_over: u64,
    /// Pulse by pulse, as the board sees them.
    pulses: &'a [BoardPulse],
}

impl<'a> Count<'a> {
    pub(crate) fn of(number: u64, line: &'a str, train: &'a BoardTrain) -> Self {
        Self {
            number,
            line,
            start_us: train.pulses.first().map(|p| p.start).unwrap_or_default(),
            counted: train.counted,
            credit: train.credit,
            left_over: train.left_over,
            pulses: &train.pulses,
        }
    }
}

/// What a board counts, for every pulse and pause.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Map<'a> {
    /// How the board counts.
    pub(crate) board: &'a BoardWindow,
    /// Pulses in a train.
    pub(crate) pulses: u32,
    /// How far times stray, either way.
    pub(crate) jitter_us: Micros,
    /// The widths that were tried.
    pub(crate) on_us: &'a [Micros],
    /// The pauses that were tried.
    pub(crate) off_us: &'a [Micros],
    /// What becomes of a train: a row for each pause, a cell for each width.
    pub(crate) rows: Vec<Vec<Outcome>>,
    /// The ready-made profiles on it.
    pub(crate) profiles: Vec<OnMap<'a>>,
}

/// A profile on the map.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct OnMap<'a> {
    /// Its name.
    pub(crate) name: &'a str,
    /// What becomes of its trains; nothing where it is not on the map.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) outcome: Option<Outcome>,
}

/// A ready-made profile.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct ProfileLine {
    /// Its name.
    name: String,
    /// The level of a credit line during a pulse.
    active: Level,
    /// Nominal width of a pulse.
    on_us: Micros,
    /// Nominal pause.
    off_us: Micros,
    /// Widths allowed.
    #[serde(skip_serializing_if = "Option::is_none")]
    width: Option<Window>,
    /// Pauses allowed.
    gap: Window,
    /// The pause that ends a train.
    train_gap_us: Micros,
    /// Shorter level changes are bounce or noise.
    bounce_us: Micros,
    /// The level of the inhibit line that holds the acceptor off.
    inhibits: Level,
    /// Longest time from there to silence.
    silence_us: Micros,
}

impl From<Profile> for ProfileLine {
    fn from(profile: Profile) -> Self {
        Self {
            width: profile.width_windows().first().copied(),
            gap: profile.gap_window(),
            name: profile.name,
            active: profile.active,
            on_us: profile.on,
            off_us: profile.off,
            train_gap_us: profile.train_gap,
            bounce_us: profile.bounce,
            inhibits: profile.inhibit.inhibits,
            silence_us: profile.inhibit.silence,
        }
    }
}

/// What came of it all.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Verdict {
    /// Nothing fell short.
    pub(crate) passed: bool,
    /// In words.
    pub(crate) text: String,
    /// Of `which` and `listen`.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub(crate) settings: Option<Settings>,
    /// Of `count`.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub(crate) total: Option<Total>,
}

/// Trains, counted.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Settings {
    /// How many trains there were.
    pub(crate) trains: u64,
    /// How many are what the board expects.
    pub(crate) agree: u64,
    /// How many are not.
    pub(crate) disagree: u64,
    /// How many fit no profile.
    pub(crate) fit_none: u64,
}

/// Pulses, counted.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Total {
    /// Pulses on the wire.
    pub(crate) on_the_wire: u64,
    /// Pulses that the board counts.
    pub(crate) counted: u64,
    /// Pulses that made no whole unit and went lost.
    pub(crate) dropped: u64,
    /// Pulses and pauses so near a limit that it may come out otherwise next time.
    pub(crate) near_a_limit: u64,
    /// What the board credits.
    pub(crate) credit: Money,
    /// What was fed, where that was said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) fed: Option<Money>,
}
