//! How words and edges travel over real links: a pseudo-terminal, a serial port, modem lines; and
//! [`drive`], which moves a bench along over them, or with the wall clock alone. In [`lockstep`] a bench and a
//! program take turns, without a clock.
//!
//! Ports know no device. They speak one of the codings of [`coding`] and offer one trait: [`WordPort`] for tokio,
//! [`BlockingPort`] for a thread of its own, [`ThreadPort`] between the two. Everything that needs
//! Linux is in one module; other systems get errors that say what is missing.

mod cautions;
mod clock;
pub mod coding;
pub mod drive;
mod error;
mod figures;
mod line;
pub mod lockstep;
mod looking;
mod modem;
pub mod of_plan;
pub mod open;
mod open_break;
mod order;
pub mod pace;
mod port;
pub mod ports;
mod pty_link;
mod serial;
mod thread;
mod watch;

#[cfg(not(all(target_os = "linux", feature = "linux")))]
mod elsewhere;
#[cfg(all(target_os = "linux", feature = "linux"))]
mod linux;
#[cfg(not(all(target_os = "linux", feature = "linux")))]
use elsewhere as system;
#[cfg(all(target_os = "linux", feature = "linux"))]
use linux as system;

pub use cautions::CAUTIONS;
pub use clock::Clock;
pub use coding::{Decoder, Encoder, Said, Symbol, UnknownCoding, WordCoding};
pub use error::LinkError;
pub use figures::{Figures, Lengths};
pub use line::{HORIZON, Line, MIDWAY};
#[cfg(all(target_os = "linux", feature = "linux"))]
pub use linux::AsyncPtyPort;
pub use looking::{Looking, Unread};
pub use modem::{
    EdgeWait, InLine, LOOK_EVERY, LinesReport, ModemEvent, ModemLines, ModemOptions, ModemPort,
    ModemThread, OutLine, SerialLines, Watching, lines_again,
};
pub use open_break::ASSUMED_BREAK;
pub use port::{BlockingPort, Lateness, PortEvent, WordPort};
pub use ports::{PortFound, UsbIdentity};
pub use serial::{
    AdapterReport, LowLatency, NinthBit, ParitySwitching, SerialOptions, UNMEASURED, Verdict,
    VerdictKind, open_serial, probe,
};
pub use system::{ExactTimer, PtyOptions, PtyPort, Waker};
pub use thread::{Awake, ThreadPort};
pub use watch::Watch;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
