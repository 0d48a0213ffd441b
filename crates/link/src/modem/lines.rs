//! The modem lines of a port, by name.

use super::edge_wait::EdgeWait;
use crate::LinkError;
use payrig_wire::port::{InLine, OutLine};
use serialport::SerialPort;
use std::fmt;
use std::io;
use std::time::Duration;

/// The modem lines of a port. `true` is asserted.
pub trait ModemLines: Send {
    /// What messages call the port.
    fn name(&self) -> &str;

    /// Drives a line.
    ///
    /// # Errors
    /// What the system says.
    fn set(&mut self, line: OutLine, asserted: bool) -> io::Result<()>;

    /// Reads a line.
    ///
    /// # Errors
    /// What the system says.
    fn get(&mut self, line: InLine) -> io::Result<bool>;

    /// Something that blocks until a line changes, where the port has it.
    ///
    /// # Errors
    /// Why there is none.
    fn waiter(&mut self) -> io::Result<Box<dyn EdgeWait>> {
        Err(io::Error::new(
            io::ErrorKind::Unsupported,
            "this port has no way to wait for an edge",
        ))
    }
}

/// The modem lines of a real port, on every system.
pub struct SerialLines {
    name: String,
    port: Box<dyn SerialPort>,
    waits: io::Result<crate::system::LineWait>,
}

impl fmt::Debug for SerialLines {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SerialLines({})", self.name)
    }
}

impl SerialLines {
    /// The library's errors do not say that an adapter is gone; that its file is does.
    fn error(&self, error: serialport::Error) -> io::Error {
        match std::path::Path::new(&self.name).exists() {
            true => error.into(),
            false => crate::system::vanished(),
        }
    }

    /// Opens a port for its lines, with everything it drives released. On some systems the lines
    /// move for a moment while a port is opened: connect after opening.
    ///
    /// # Errors
    /// No such port, port busy, no permission.
    pub fn open(port: &str) -> Result<Self, LinkError> {
        let from = |error: serialport::Error| match error.kind {
            serialport::ErrorKind::NoDevice => LinkError::Busy {
                port: port.to_owned(),
            },
            serialport::ErrorKind::Io(kind) => {
                LinkError::from_io(port, "opening", io::Error::new(kind, error.description))
            }
            _ => LinkError::from_io(port, "opening", io::Error::other(error.description)),
        };
        // Before the library has the port for itself.
        let waits = crate::system::LineWait::open(port);
        let opened = serialport::new(port, payrig_wire::BAUD)
            .timeout(Duration::from_millis(1))
            .dtr_on_open(false)
            .open()
            .map_err(from)?;
        let mut lines = Self {
            name: port.to_owned(),
            port: opened,
            waits,
        };
        // A port without a line (a pseudo-terminal has none) fails when that line is used.
        for line in [OutLine::Rts, OutLine::Dtr, OutLine::TxBreak] {
            let _ = lines.set(line, false);
        }
        Ok(lines)
    }
}

/// Opens the lines of a port that was lost: of the same adapter, wherever it is plugged in now.
///
/// # Errors
/// When the ports of this machine cannot be listed.
pub fn lines_again(
    port: &str,
) -> Result<impl FnMut() -> Result<Option<SerialLines>, LinkError> + Send + 'static, LinkError> {
    let identity = crate::ports::identity(port)?;
    let was = port.to_owned();
    Ok(move || match crate::ports::back_as(&identity, &was)? {
        Some(path) => SerialLines::open(&path).map(Some),
        None => Ok(None),
    })
}

impl ModemLines for SerialLines {
    fn name(&self) -> &str {
        &self.name
    }

    fn set(&mut self, line: OutLine, asserted: bool) -> io::Result<()> {
        let set = match (line, asserted) {
            (OutLine::Rts, level) => self.port.write_request_to_send(level),
            (OutLine::Dtr, level) => self.port.write_data_terminal_ready(level),
            (OutLine::TxBreak, true) => self.port.set_break(),
            (OutLine::TxBreak, false) => self.port.clear_break(),
        };
        set.map_err(|e| self.error(e))
    }

    fn get(&mut self, line: InLine) -> io::Result<bool> {
        let level = match line {
            InLine::Cts => self.port.read_clear_to_send(),
            InLine::Dsr => self.port.read_data_set_ready(),
            InLine::Dcd => self.port.read_carrier_detect(),
            InLine::Ri => self.port.read_ring_indicator(),
        };
        level.map_err(|e| self.error(e))
    }

    fn waiter(&mut self) -> io::Result<Box<dyn EdgeWait>> {
        match &self.waits {
            Ok(waits) => Ok(waits.waiter()),
            Err(error) => Err(io::Error::new(error.kind(), error.to_string())),
        }
    }
}
