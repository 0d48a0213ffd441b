//! Credit pulses on the modem lines of a port.

mod handle;
mod lines;
mod port;

pub use handle::ModemThread;
pub use lines::{InLine, ModemLines, OutLine, SerialLines};
pub use port::{LOOK_EVERY, ModemEvent, ModemOptions, ModemPort};
