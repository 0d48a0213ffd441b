//! What a bench and a port say to each other besides words and edges: which modem line, in which
//! coding, how late. No port is opened here; `payrig-link` does that.

use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A line a port can drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum OutLine {
    /// Request to send.
    Rts,
    /// Data terminal ready.
    Dtr,
    /// Transmit data, held active by a break.
    TxBreak,
}

impl fmt::Display for OutLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Rts => "RTS",
            Self::Dtr => "DTR",
            Self::TxBreak => "TX break",
        })
    }
}

/// A line a port can watch.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum InLine {
    /// Clear to send.
    Cts,
    /// Data set ready.
    Dsr,
    /// Data carrier detect.
    Dcd,
    /// Ring indicator. Some hardware reports its end only.
    Ri,
}

impl fmt::Display for InLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Cts => "CTS",
            Self::Dsr => "DSR",
            Self::Dcd => "DCD",
            Self::Ri => "RI",
        })
    }
}

/// The two codings by name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum WordCoding {
    /// What a Linux terminal in PARMRK mode with space parity delivers for a nine-bit bus.
    #[default]
    MarkedParity,
    /// One line of text per event, with time stamps.
    Plain,
}

impl WordCoding {
    /// Both names, for messages.
    pub const NAMES: [&str; 2] = ["marked-parity", "plain"];
}

impl fmt::Display for WordCoding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::MarkedParity => "marked-parity",
            Self::Plain => "plain",
        })
    }
}

/// No coding has this name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no word coding is called '{0}': say 'marked-parity' or 'plain'")]
pub struct UnknownCoding(pub String);

impl FromStr for WordCoding {
    type Err = UnknownCoding;
    fn from_str(name: &str) -> Result<Self, Self::Err> {
        match name {
            "marked-parity" => Ok(Self::MarkedParity),
            "plain" => Ok(Self::Plain),
            _ => Err(UnknownCoding(name.to_owned())),
        }
    }
}

/// How late something of ours went out, and whose fault it was. All zero when it was on time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lateness {
    /// Time spent in our code.
    pub ours: Micros,
    /// Time the machine let us wait: a wake-up later than asked for, or the processor taken away.
    pub machine: Micros,
}

impl Lateness {
    /// All of it.
    #[must_use]
    pub fn total(&self) -> Micros {
        self.ours + self.machine
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_round_trip_and_a_wrong_name_says_what_would_be_right() {
        for name in WordCoding::NAMES {
            assert_eq!(name.parse::<WordCoding>().unwrap().to_string(), name);
        }
        let error = "parmrk".parse::<WordCoding>().unwrap_err().to_string();
        assert!(error.contains("'marked-parity' or 'plain'"), "{error}");
    }
}
