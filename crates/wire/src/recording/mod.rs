//! What happened on a bench, as JSON lines: append-only, flushed per line, so that a recording
//! survives a kill. The first line is the [`Header`]; then one object per line, told apart by its
//! `type`. Times are microseconds since the start of the bench.

mod entry;
mod error;
mod read;
mod write;

pub use entry::{
    BlockRecord, Entry, Header, LineRecord, LineRole, MovementRecord, SCHEMA, TrainRecord, VERSION,
};
pub use error::{RecordingError, RecordingProblem};
pub use read::{Recording, Torn, read_recording, read_recording_path};
pub use write::RecordingWriter;
