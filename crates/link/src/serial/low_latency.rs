//! What a driver keeps back.

use serde::{Deserialize, Serialize};

/// Whether the driver can be told to hand over what it receives at once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LowLatency {
    /// The driver has no such setting, or it is not known.
    Unknown,
    /// Received bytes are kept back for so many milliseconds.
    Keeps {
        /// 1 is the least.
        milliseconds: u32,
        /// The file to write 1 to.
        file: String,
    },
}
