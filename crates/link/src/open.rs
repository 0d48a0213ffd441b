//! Opening ports: the one place where a link becomes a port, whoever asks for it, and where it is
//! settled how far the times of a kind of link may be off.

use crate::pty_link::AtPath;
use crate::{
    BlockingPort, Clock, LOOK_EVERY, LinkError, ModemOptions, ModemPort, PtyOptions, PtyPort,
    SerialLines, SerialOptions, UNMEASURED, lines_again, open_serial,
};
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::port::{InLine, WordCoding};
use std::path::PathBuf;

/// A bus to be opened.
#[derive(Clone, Debug)]
pub struct BusToOpen {
    /// The path of a serial port; None for a pseudo-terminal.
    pub port: Option<String>,
    /// Where a pseudo-terminal is to be found besides: a symbolic link to it is put there, as long as it is
    /// open.
    pub at: Option<PathBuf>,
    /// Which side of the bus we play.
    pub ours: Source,
    /// How words travel over a pseudo-terminal.
    pub coding: WordCoding,
    /// Bench time.
    pub clock: Clock,
    /// How far the times of a serial port may be off, where it was measured
    /// ([`crate::AdapterReport::uncertainty`]).
    pub measured: Option<Micros>,
    /// When the adapter vanishes, how long the same one is waited for.
    pub reconnect: Option<Micros>,
}

impl BusToOpen {
    /// How far every time of this link may be off at least. A pseudo-terminal reports with each word how
    /// far that word's is.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        match self.port {
            Some(_) => self.measured.unwrap_or(UNMEASURED),
            None => Micros::ZERO,
        }
    }

    /// Opens it. [`crate::CAUTIONS`] should be printed first, where it is a serial port.
    ///
    /// # Errors
    /// No such port, port busy, no permission, no serial port, no mark and space parity; no
    /// pseudo-terminal left.
    pub fn open(self) -> Result<Box<dyn BlockingPort>, LinkError> {
        let uncertainty = self.uncertainty();
        let (ours, clock) = (self.ours, self.clock);
        let port: Box<dyn BlockingPort> = match self.port {
            None => {
                let port = Box::new(PtyPort::open(PtyOptions {
                    ours,
                    coding: self.coding,
                    clock,
                })?);
                match &self.at {
                    Some(path) => Box::new(AtPath::new(port, path)?),
                    None => port,
                }
            }
            Some(port) => open_serial(SerialOptions {
                port,
                ours,
                clock,
                uncertainty,
                reconnect: self.reconnect,
            })?,
        };
        tracing::info!(target: "payrig::port", port = port.name(), ?ours, %uncertainty, "bus opened");
        Ok(port)
    }
}

/// The modem lines of a port, to be opened.
#[derive(Clone, Debug)]
pub struct LinesToOpen<'a> {
    /// The path of a serial port.
    pub port: &'a str,
    /// Bench time.
    pub clock: Clock,
    /// The lines are high while a modem line is asserted.
    pub asserted_is_high: bool,
    /// The lines to watch.
    pub watch: Vec<InLine>,
    /// When the adapter vanishes, how long the same one is waited for.
    pub reconnect: Option<Micros>,
}

impl LinesToOpen<'_> {
    /// How a port is watched, whatever is behind it.
    #[must_use]
    pub fn options(&self) -> ModemOptions {
        ModemOptions {
            clock: self.clock,
            asserted_is_high: self.asserted_is_high,
            watch: self.watch.clone(),
            look_every: LOOK_EVERY,
        }
    }

    /// Opens them. [`crate::CAUTIONS`] should be printed first.
    ///
    /// # Errors
    /// No such port, port busy, no permission, no serial port.
    pub fn open(self) -> Result<ModemPort<SerialLines>, LinkError> {
        let mut port = ModemPort::new(SerialLines::open(self.port)?, self.options());
        if let Some(patience) = self.reconnect {
            port = port.reopened(patience, lines_again(self.port)?);
        }
        tracing::info!(target: "payrig::port", port = self.port, watch = ?self.watch, "modem lines opened");
        Ok(port)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_kind_of_link_has_one_uncertainty() {
        let bus = |port: Option<&str>, measured| BusToOpen {
            at: None,
            port: port.map(str::to_owned),
            ours: Source::Master,
            coding: WordCoding::Plain,
            clock: Clock::starting_now(),
            measured,
            reconnect: None,
        };
        assert_eq!(bus(None, None).uncertainty(), Micros::ZERO);
        assert_eq!(bus(Some("x"), None).uncertainty(), UNMEASURED);
        let measured = Some(Micros(900));
        assert_eq!(bus(Some("x"), measured).uncertainty(), Micros(900));
    }
}
