//! What a driver keeps back.

use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// Whether the driver can be told to hand over what it receives at once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(rename_all = "kebab-case")]
pub enum LowLatency {
    /// The driver has no such setting, or it is not known.
    Unknown,
    /// Received bytes are kept back.
    Keeps {
        /// For at most so long; 1 ms is the least.
        up_to_us: Micros,
        /// The file to write 1 to, for the least.
        file: String,
    },
}
