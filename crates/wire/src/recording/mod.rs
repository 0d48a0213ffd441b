//! What happened on a bench, as JSON lines: append-only, flushed per line, so that a recording
//! survives a kill. The first line is the [`Header`]; then one object per line, distinguished by its
//! `type`. Times are microseconds since the start of the bench.

mod entry;
mod error;
mod header;
mod meaning;
mod order;
mod read;
mod records;
mod write;

pub use entry::Entry;
pub use error::{RecordingError, RecordingProblem};
pub use header::{Header, Ours, SCHEMA, VERSION};
pub use meaning::{Meaning, Written};
pub use order::{at, put_in_order};
pub(crate) use read::too_large;
pub use read::{Recording, Torn, read_recording, read_recording_path};
pub use records::{BlockRecord, LineRecord, LineRole, MovementRecord, TrainRecord};
pub use write::RecordingWriter;
