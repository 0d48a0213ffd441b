//! Credit for a train, and what becomes of pulses in doubt.

use payrig_units::{Micros, Money};
use serde::{Deserialize, Serialize};

/// Money credited for one train.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Credit {
    /// When it was known: the end of the train, plus the train gap.
    pub at: Micros,
    /// Start of the train.
    pub train_start: Micros,
    /// Name of the line.
    pub line: String,
    /// Pulses that counted.
    pub pulses: u64,
    /// How much; zero when no pulse counted or no unit is whole yet.
    pub amount: Money,
}

/// What to do with a pulse of the wrong width.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Doubt {
    /// Do not count it.
    #[default]
    Withhold,
    /// Count it all the same (with [`Coding::Widths`](crate::Coding::Widths), as the nearest value).
    Credit,
}
