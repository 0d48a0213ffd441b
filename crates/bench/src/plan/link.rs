//! Links: what the board's bus, or a device of its own, runs over.

use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::port::{InLine, OutLine, WordCoding};
use std::fmt;

/// What a bus runs over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortName {
    /// A pseudo-terminal that payrig makes.
    Pty,
    /// The path of a serial port.
    Serial(String),
    /// A peer in lock-step: its command, or `unix:` and the path of its socket. No rig names one.
    Peer(String),
}

impl fmt::Display for PortName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Pty => f.write_str("pty"),
            Self::Serial(path) => f.write_str(path),
            Self::Peer(peer) => write!(f, "in lock-step with {peer}"),
        }
    }
}

/// A bus on a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BusLink {
    /// What it runs over.
    pub port: PortName,
    /// The side at its other end: the board ([`Source::Master`]) or the devices.
    pub outside: Source,
    /// How words travel over a pseudo-terminal.
    pub coding: WordCoding,
    /// How long an adapter that vanished is waited for.
    pub reconnect: Option<Micros>,
}

/// A modem line and its direction, seen from us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pin {
    /// We drive it.
    Out(OutLine),
    /// We watch it.
    In(InLine),
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Out(line) => line.fmt(f),
            Self::In(line) => line.fmt(f),
        }
    }
}

impl Pin {
    /// All of them, by the names that rigs give them.
    pub const ALL: [(&'static str, Self); 7] = [
        ("rts", Self::Out(OutLine::Rts)),
        ("dtr", Self::Out(OutLine::Dtr)),
        ("tx-break", Self::Out(OutLine::TxBreak)),
        ("cts", Self::In(InLine::Cts)),
        ("dsr", Self::In(InLine::Dsr)),
        ("dcd", Self::In(InLine::Dcd)),
        ("ri", Self::In(InLine::Ri)),
    ];

    /// The line, if we drive it.
    #[must_use]
    pub const fn output(self) -> Option<OutLine> {
        match self {
            Self::Out(line) => Some(line),
            Self::In(_) => None,
        }
    }

    /// The line, if we watch it.
    #[must_use]
    pub const fn input(self) -> Option<InLine> {
        match self {
            Self::In(line) => Some(line),
            Self::Out(_) => None,
        }
    }
}

/// The pulse lines of a device on the modem lines of a serial port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineLink {
    /// The serial port.
    pub port: String,
    /// The device is real and at the other end; without this it is ours, and a board is there.
    pub device_outside: bool,
    /// A line is high while its modem line is asserted (RS-232 levels); without this it is low then
    /// (logic levels, an optocoupler).
    pub asserted_is_high: bool,
    /// The device's lines, by their own names.
    pub wires: Vec<(String, Pin)>,
    /// How long an adapter that vanished is waited for.
    pub reconnect: Option<Micros>,
}

impl LineLink {
    /// The first line we drive.
    #[must_use]
    pub fn output(&self) -> Option<OutLine> {
        self.wires.iter().find_map(|(_, pin)| pin.output())
    }

    /// The first line we watch.
    #[must_use]
    pub fn input(&self) -> Option<InLine> {
        self.wires.iter().find_map(|(_, pin)| pin.input())
    }
}

/// The link of a device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DeviceLink {
    /// Its pulse lines.
    Lines(LineLink),
    /// A bus of its own.
    Bus(BusLink),
}

impl DeviceLink {
    /// True when the device itself is at the other end.
    #[must_use]
    pub fn device_outside(&self) -> bool {
        match self {
            Self::Lines(lines) => lines.device_outside,
            Self::Bus(bus) => bus.outside == Source::Peripheral,
        }
    }
}
