//! What happened on a bench, as JSON lines: append-only, flushed per line, so that a recording
//! survives a kill. The first line is the [`Header`]; then one object per line, distinguished by its
//! `type`. Times are microseconds since the start of the bench.
//!
//! ```
//! use payrig_units::Micros;
//! use payrig_wire::recording::{Entry, Header, RecordingWriter, read_recording};
//!
//! let mut writer = RecordingWriter::start(Vec::new(), &Header::new("my tool 1.0", "pier 4", Some(1)))?;
//! writer.note(Micros::ms(20), Some("changer"), "coin returned")?;
//! let mut bytes = writer.into_inner();
//! // Killed in the middle of the next line.
//! bytes.extend(br#"{"type":"note","at_"#);
//!
//! let recording = read_recording("run.jsonl", &bytes)?;
//! assert_eq!(recording.header.bench, "pier 4");
//! assert!(matches!(recording.entries.as_slice(), [(2, Entry::Note { .. })]));
//! assert_eq!(recording.torn.unwrap().line, 3);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

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
pub use header::{Header, HeaderType, Ours, SCHEMA, VERSION};
pub use meaning::{Meaning, Written};
pub use order::{at, put_in_order};
pub(crate) use read::too_large;
pub use read::{Recording, Torn, read_recording, read_recording_path};
pub use records::{BlockRecord, LineRecord, LineRole, MovementRecord, TrainRecord};
pub use write::RecordingWriter;
