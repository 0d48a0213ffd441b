//! What can go wrong with the file of tickets, and what to do about it.

use super::{RemarkKind, SCHEMA_VERSION};
use std::path::{Path, PathBuf};

/// Why tickets could not be kept or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// There is no such file.
    #[error("{}: there is no such file; the first examination that is kept there makes it", .0.display())]
    Missing(PathBuf),
    /// A name by which SQLite means no file.
    #[error("{}: names no file, so the tickets would be gone when the program ends; give the path of a file (./{} for one that is called so)", .0.display(), .0.display())]
    NoFile(PathBuf),
    /// Another program holds it.
    #[error("{}: another program is writing to it; close that program or try again", .0.display())]
    Locked(PathBuf),
    /// Not SQLite, or damaged.
    #[error("{}: not an SQLite database, or damaged; give the file payrig keeps its tickets in, or restore a copy", .0.display())]
    NotADatabase(PathBuf),
    /// Some other program's database.
    #[error("{}: an SQLite database, but not one of payrig's tickets; it was left as it is", .0.display())]
    Foreign(PathBuf),
    /// Made by a newer payrig.
    #[error("{}: its tickets are of version {found}; this payrig knows version {SCHEMA_VERSION}: use a newer payrig", .path.display())]
    Version {
        /// The file.
        path: PathBuf,
        /// The version it has.
        found: i64,
    },
    /// The file or its folder may not be written or read.
    #[error("{}: {why}; check that the folder exists and may be written", .path.display())]
    Access {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// No ticket of that number.
    #[error("there is no ticket {0}; the list of tickets has those there are")]
    NoTicket(i64),
    /// A serial number that may be that of several units.
    #[error("serial number {given} may be {}: give it in full", .found.join(" or "))]
    Ambiguous {
        /// As it was given.
        given: String,
        /// Those it may be.
        found: Vec<String>,
    },
    /// A remark that says nothing.
    #[error("a {0} needs a text")]
    Empty(RemarkKind),
    /// A ticket that is void is not made void again.
    #[error("ticket {id} is void already: {why}")]
    Void {
        /// The ticket.
        id: i64,
        /// Why it is void.
        why: String,
    },
    /// No time zone of that name.
    #[error("there is no time zone {0}: give its name in the IANA database, as in Europe/Lisbon")]
    NoZone(String),
    /// No such day.
    #[error("{0} is no day: give year, month and day, as in 2026-03-14")]
    NoDay(String),
    /// A ticket whose examination cannot be read.
    #[error("ticket {id}: its examination cannot be read: {why}")]
    Damaged {
        /// The ticket.
        id: i64,
        /// Why.
        why: String,
    },
    /// Anything else SQLite says.
    #[error("{}: {source}", .path.display())]
    Sql {
        /// The file.
        path: PathBuf,
        /// What it says.
        source: rusqlite::Error,
    },
}

impl StoreError {
    /// Sorts an error of SQLite's by what the user can do about it.
    pub(super) fn sql(path: &Path, source: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode;
        let path = path.to_owned();
        match source.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked(path),
            Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => Self::NotADatabase(path),
            Some(ErrorCode::CannotOpen | ErrorCode::PermissionDenied | ErrorCode::ReadOnly) => {
                Self::Access {
                    path,
                    why: source.to_string(),
                }
            }
            _ => Self::Sql { path, source },
        }
    }
}
