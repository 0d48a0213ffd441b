//! The steps of a script.

use super::{Action, Expectation};
use crate::machine::Keys;
use payrig_units::{Decimals, Micros};

/// One step of a script: a pause, then something that is done, waited for or expected.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The line of the file it comes from, for messages; 0 when it comes from none.
    pub line: usize,
    /// Pause before the step.
    pub after: Micros,
    /// What happens.
    pub what: StepKind,
}

/// What a step is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StepKind {
    /// Something is done.
    Do(Action),
    /// Time passes.
    Wait {
        /// How long.
        time: Micros,
    },
    /// Waits until the board has set up every device.
    WaitReady {
        /// How long at the most.
        within: Micros,
    },
    /// Something must be true, now or soon.
    Expect {
        /// What.
        what: Expectation,
        /// How soon.
        within: Micros,
    },
}

impl StepKind {
    /// The names of the steps that do nothing and expect nothing.
    pub const NAMES: [&'static str; 2] = ["wait-ready", "wait"];

    /// In plain words; items by the keys that stand on the machine.
    #[must_use]
    pub fn text(&self, decimals: Decimals, keys: &Keys) -> String {
        match self {
            Self::Do(action) => action.text_at(decimals, keys),
            Self::Wait { time } => format!("wait {time}"),
            Self::WaitReady { .. } => "wait until the board is ready".to_owned(),
            Self::Expect { what, .. } => what.text(decimals),
        }
    }
}
