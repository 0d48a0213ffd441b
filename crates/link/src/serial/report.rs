//! What an adapter can do, in plain words.

use super::low_latency::LowLatency;
use super::ninth::NinthBit;
use crate::{Figures, LinesReport, UsbIdentity};
use payrig_units::{Micros, words};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Whether the ninth bit can be set and cleared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ParitySwitching {
    /// The driver does not take mark and space parity.
    Refused,
    /// The driver takes it, but ten bits are sent where eleven should be.
    Ignored,
    /// The driver takes it; whether the adapter does it was not seen, for its output was not
    /// connected to its input.
    Unseen,
    /// Eleven bits per word are sent; [`AdapterReport::ninth`] says whether the ninth has the right
    /// level.
    Sent,
}

/// Yes, no, or between.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum VerdictKind {
    /// With room to spare.
    Yes,
    /// Mostly: not always, or not near the limit.
    Mostly,
    /// No.
    No,
    /// It was not measured.
    Unknown,
}

/// A judgement and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Verdict {
    /// Short.
    pub kind: VerdictKind,
    /// Why, in plain words.
    pub why: String,
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = match self.kind {
            VerdictKind::Yes => "yes",
            VerdictKind::Mostly => "mostly",
            VerdictKind::No => "no",
            VerdictKind::Unknown => "not known",
        };
        write!(f, "{kind}: {}", self.why)
    }
}

/// What the self-test found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct AdapterReport {
    /// Its path.
    pub port: String,
    /// Which adapter, if it is on USB.
    pub usb: Option<UsbIdentity>,
    /// The ninth bit.
    pub parity: ParitySwitching,
    /// The level of the ninth bit.
    pub ninth: NinthBit,
    /// True when the adapter heard what it sent.
    pub loopback: bool,
    /// Bytes sent and not heard again, or heard wrong, where `loopback`.
    pub spoiled: usize,
    /// True when the driver waits for the last stop bit when it is told to drain. If not, the
    /// words' own time is waited for.
    pub drain_waits: bool,
    /// From writing a byte to reading it, less its time on the wire.
    pub round_trip: Option<Figures>,
    /// The pause between two words that a parity switch between them costs.
    pub switch_gap: Option<Figures>,
    /// What the driver keeps back.
    pub low_latency: LowLatency,
    /// How far the time of anything heard may be off. Every finding carries it.
    #[serde(rename = "uncertainty_us", alias = "uncertainty")]
    pub uncertainty: Micros,
    /// Can pauses inside a block be kept within 1.0 ms (MDB/ICP 4.3, section 3.2)?
    pub keeps_inter_byte: Verdict,
    /// Can answers be kept within 5.0 ms (section 3.2)?
    pub keeps_response: Verdict,
    /// Can another's pauses be judged against 1.0 ms?
    pub judges_inter_byte: Verdict,
    /// Can another's answers be judged against 5.0 ms?
    pub judges_response: Verdict,
    /// The modem lines, for credit pulses; none where the port has none.
    #[serde(default)]
    pub lines: Option<LinesReport>,
}

impl AdapterReport {
    /// False when the adapter is known not to do for a nine-bit bus: its driver does not switch
    /// parity, what it sends is wrong, or it cannot keep the bus's times (MDB/ICP 4.3, section 3.2).
    /// What was not seen is not held against it.
    #[must_use]
    pub fn can_speak(&self) -> bool {
        let parity = !matches!(
            self.parity,
            ParitySwitching::Refused | ParitySwitching::Ignored
        );
        let times = [&self.keeps_inter_byte, &self.keeps_response];
        parity && self.ninth != NinthBit::Wrong && times.iter().all(|v| v.kind != VerdictKind::No)
    }
}

impl fmt::Display for AdapterReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.port)?;
        match &self.usb {
            Some(usb) => writeln!(f, ": {usb}")?,
            None => writeln!(f, ": not on USB")?,
        }
        let parity = match self.parity {
            ParitySwitching::Refused => {
                "no. The driver does not take mark and space parity: this adapter cannot speak on \
                 the bus"
            }
            ParitySwitching::Ignored => {
                "no. The driver takes the setting, but only ten bits per word are sent: this \
                 adapter cannot speak on the bus"
            }
            ParitySwitching::Unseen => {
                "the driver takes it. Connect TX to RX (nothing else) and try again to see \
                 whether the adapter does it"
            }
            ParitySwitching::Sent => "yes, eleven bits per word are sent",
        };
        writeln!(f, "  mode bit by switching parity: {parity}")?;
        let ninth = match self.ninth {
            NinthBit::Right => "right: it is set and clear as ordered, as seen on CTS",
            NinthBit::Wrong => {
                "WRONG, as seen on CTS: this adapter does not send mark and space parity, whatever \
                 its driver says. It cannot speak on the bus"
            }
            NinthBit::Unseen => {
                "not seen. Connect TX to CTS as well and try again; without that, the first answer \
                 of a real device proves it"
            }
        };
        writeln!(f, "  level of the mode bit: {ninth}")?;
        if self.loopback {
            writeln!(
                f,
                "  heard what it sent; {} lost or wrong",
                words::count(self.spoiled, "byte")
            )?;
        } else {
            writeln!(f, "  heard nothing of what it sent (no wire from TX to RX)")?;
        }
        match &self.round_trip {
            Some(figures) => writeln!(f, "  there and back, less the wire: {figures}")?,
            None => writeln!(f, "  there and back: not measured")?,
        }
        if let Some(figures) = &self.switch_gap {
            writeln!(f, "  pause that a switch costs: {figures}")?;
        }
        if !self.drain_waits {
            writeln!(
                f,
                "  the driver says 'sent' too soon; payrig waits the words' own time"
            )?;
        }
        match &self.low_latency {
            LowLatency::Unknown => writeln!(f, "  low latency: the driver offers no setting")?,
            LowLatency::Keeps { up_to_us, .. } if *up_to_us == Micros::ms(1) => {
                writeln!(f, "  low latency: on (1 ms)")?
            }
            LowLatency::Keeps { up_to_us, file } => writeln!(
                f,
                "  low latency: off, bytes are kept back up to {} ms. To turn it on: \
                 echo 1 | sudo tee {file}",
                up_to_us.as_us() / 1_000
            )?,
        }
        writeln!(
            f,
            "  times of what is heard may be off by {}",
            self.uncertainty
        )?;
        writeln!(
            f,
            "  keeps the 1.0 ms between words: {}",
            self.keeps_inter_byte
        )?;
        writeln!(
            f,
            "  keeps the 5.0 ms to an answer: {}",
            self.keeps_response
        )?;
        writeln!(
            f,
            "  judges the 1.0 ms of others: {}",
            self.judges_inter_byte
        )?;
        write!(f, "  judges the 5.0 ms of others: {}", self.judges_response)?;
        match &self.lines {
            Some(lines) => write!(f, "\n{lines}"),
            None => Ok(()),
        }
    }
}
