//! The lines of `new` and `sheet`.

use payrig_report::Sheet;
use schemars::JsonSchema;
use serde::Serialize;

/// A line of `payrig new` or `payrig sheet`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line<'a> {
    /// A rig.
    Rig {
        /// How many lines it has.
        lines: usize,
        /// How many of them are to be checked.
        to_check: usize,
        /// The rig itself, where it was to go to standard output.
        #[serde(skip_serializing_if = "Option::is_none")]
        text: Option<&'a str>,
    },
    /// The hand-over sheet of a machine.
    Sheet(&'a Sheet),
}
