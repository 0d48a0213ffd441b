//! Credit pulses on the modem lines of a port.

mod edge_wait;
mod handle;
mod kernel;
mod lines;
mod port;
mod probe;
mod waiter;

pub use edge_wait::EdgeWait;
pub use handle::ModemThread;
pub use lines::{ModemLines, SerialLines, lines_again};
pub use payrig_wire::port::{InLine, OutLine};
pub use port::{LOOK_EVERY, ModemEvent, ModemOptions, ModemPort};
pub use probe::LinesReport;
pub(crate) use probe::try_lines;
pub use waiter::Watching;
