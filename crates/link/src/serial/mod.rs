//! A real adapter on a nine-bit bus: the mode bit by switching between mark and space parity.

mod engine;
mod low_latency;
mod ninth;
mod probe;
mod reconnect;
mod report;
#[cfg(test)]
mod simulated;
mod wire;
mod woken;

pub use low_latency::LowLatency;
pub use ninth::NinthBit;
pub use report::{AdapterReport, ParitySwitching, Verdict, VerdictKind};
#[cfg_attr(not(target_os = "linux"), allow(unused_imports))]
pub(crate) use wire::Wire;
#[cfg_attr(not(target_os = "linux"), allow(unused_imports))]
pub(crate) use woken::Woken;

use crate::modem::{SerialLines, try_lines};
use crate::{BlockingPort, Clock, LinkError, Looking, ports};
use engine::SerialPort;
use payrig_units::Micros;
use payrig_wire::Source;
use reconnect::Reconnecting;

/// Uncertainty of an adapter that was not measured: the longest a common USB adapter keeps
/// received bytes to itself (16 ms; from memory).
pub const UNMEASURED: Micros = Micros::ms(16);

/// What an adapter is opened with.
#[derive(Clone, Debug)]
pub struct SerialOptions {
    /// Its path, as `payrig ports` lists it.
    pub port: String,
    /// Which side of the bus we play.
    pub ours: Source,
    /// Bench time.
    pub clock: Clock,
    /// How far times may be off: [`AdapterReport::uncertainty`], [`UNMEASURED`] when it was not
    /// measured.
    pub uncertainty: Micros,
    /// When the adapter vanishes, how long the same one is waited for; `None` to fail at once.
    pub reconnect: Option<Micros>,
}

/// Opens an adapter. [`crate::CAUTIONS`] should be printed first.
///
/// # Errors
/// No such port, port busy, no permission, no serial port, no mark and space parity.
pub fn open_serial(options: SerialOptions) -> Result<Box<dyn BlockingPort>, LinkError> {
    let SerialOptions {
        port,
        ours,
        clock,
        uncertainty,
        reconnect,
    } = options;
    // One for the adapter, however often it is opened.
    let looking = Looking::default();
    let open = move |path: &str| {
        let wire = crate::system::open_wire(path, clock)?;
        SerialPort::new(wire, clock, ours, uncertainty, looking.clone())
    };
    let first = open(&port)?;
    let Some(patience) = reconnect else {
        return Ok(Box::new(first));
    };
    let identity = ports::identity(&port)?;
    let again = move || match ports::back_as(&identity, &port)? {
        Some(path) => open(&path).map(Some),
        None => Ok(None),
    };
    Ok(Box::new(Reconnecting::new(first, patience, again)))
}

/// Tries out what an adapter can do. Nothing may be connected to its output but its own input (a
/// wire from TX to RX): the test sends.
///
/// # Errors
/// As [`open_serial`], except that an adapter without mark and space parity is a finding.
pub fn probe(port: &str) -> Result<AdapterReport, LinkError> {
    let clock = Clock::starting_now();
    let mut wire = crate::system::open_wire(port, clock)?;
    let identity = ports::identity(port)?;
    let low_latency = crate::system::low_latency(port);
    let report = probe::run(&mut wire, identity, low_latency);
    drop(wire);
    let mut report = report.map_err(|e| LinkError::from_io(port, "trying it out", e))?;
    // A port without modem lines has nothing to report of them.
    report.lines = SerialLines::open(port).and_then(try_lines).ok();
    Ok(report)
}
