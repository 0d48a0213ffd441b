//! The lines of `ports`.

use payrig_link::{AdapterReport, PortFound};
use schemars::JsonSchema;
use serde::Serialize;

/// A line of `payrig ports`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line<'a> {
    /// A port of this machine.
    Port(&'a PortFound),
    /// What the self-test of a port found.
    Adapter(Adapter<'a>),
}

/// What the self-test of a port found.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Adapter<'a> {
    /// It is not known not to do for a nine-bit bus.
    pub(crate) passed: bool,
    /// What was measured.
    #[serde(flatten)]
    pub(crate) report: &'a AdapterReport,
}
