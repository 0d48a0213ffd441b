//! The file of tickets: adding, listing, reading.

use super::StoreError;
use super::schema::{prepare, present_kind};
use etcetera::BaseStrategy;
use payrig_exam::{Examination, Outcome};
use payrig_report::{read_json, write_json};
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The columns of a ticket.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Its number, from 1.
    pub id: i64,
    /// When it was added: RFC 3339, UTC.
    pub added: String,
    /// When the examination was begun, as it says; empty in simulated time.
    pub examined: String,
    /// What was examined.
    pub kind: String,
    /// As the operator calls it.
    pub name: String,
    /// Maker code.
    pub maker: String,
    /// Serial number; empty where the unit said none.
    pub serial: String,
    /// Model.
    pub model: String,
    /// Software version.
    pub version: String,
    /// The grade, as reports write it.
    pub grade: String,
    /// How many checks passed.
    pub passed: i64,
    /// How many failed.
    pub failed: i64,
    /// How many could not tell.
    pub cannot_tell: i64,
    /// How many were skipped.
    pub skipped: i64,
    /// SHA-256 of the recording, where one was written.
    pub recording_sha256: String,
}

/// A ticket with its whole examination.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ticket {
    /// The columns.
    pub row: Row,
    /// The examination, as it was added.
    pub examination: Examination,
}

/// Where tickets are kept when nobody says where: `payrig-tickets.sqlite` in the working folder
/// where there is one, else `payrig/tickets.sqlite` in the user's data folder (on Linux
/// `~/.local/share`), else the working folder.
#[must_use]
pub fn default_path() -> PathBuf {
    let here = PathBuf::from("payrig-tickets.sqlite");
    if here.exists() {
        return here;
    }
    match etcetera::choose_base_strategy() {
        Ok(strategy) => strategy.data_dir().join("payrig").join("tickets.sqlite"),
        Err(_) => here,
    }
}

/// An open file of tickets.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
}

const COLUMNS: &str = "id, added, examined, kind, name, maker, serial, model, version, grade, \
                       passed, failed, cannot_tell, skipped, recording_sha256";

fn row(row: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    Ok(Row {
        id: row.get(0)?,
        added: row.get(1)?,
        examined: row.get(2)?,
        kind: row.get(3)?,
        name: row.get(4)?,
        maker: row.get(5)?,
        serial: row.get(6)?,
        model: row.get(7)?,
        version: row.get(8)?,
        grade: row.get(9)?,
        passed: row.get(10)?,
        failed: row.get(11)?,
        cannot_tell: row.get(12)?,
        skipped: row.get(13)?,
        recording_sha256: row.get(14)?,
    })
}

/// Makes a folder and those above it that there are not, and syncs the names of the new ones.
fn make_folder(folder: &Path) -> std::io::Result<()> {
    let new: Vec<&Path> = folder.ancestors().take_while(|f| !f.exists()).collect();
    std::fs::create_dir_all(folder)?;
    for made in new {
        let above = made.parent().filter(|f| !f.as_os_str().is_empty());
        sync_folder(above.unwrap_or(Path::new(".")));
    }
    Ok(())
}

/// Makes what has happened to the names in a folder last. Not every file system can, or has to.
fn sync_folder(folder: &Path) {
    if let Ok(folder) = std::fs::File::open(folder) {
        let _ = folder.sync_all();
    }
}

impl Store {
    /// Opens a file of tickets, and makes it and its folder where there is none.
    ///
    /// # Errors
    /// When it cannot be made or opened, or is something else: see [`StoreError`].
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let folder = path.parent().filter(|f| !f.as_os_str().is_empty());
        if let Some(folder) = folder {
            make_folder(folder).map_err(|error| StoreError::Access {
                path: path.to_owned(),
                why: error.to_string(),
            })?;
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        Self::with(path, flags, true)
    }

    /// Opens a file of tickets to read it.
    ///
    /// # Errors
    /// When there is none, it cannot be opened, or is something else: see [`StoreError`].
    pub fn open_to_read(path: &Path) -> Result<Self, StoreError> {
        if !path.exists() {
            return Err(StoreError::Missing(path.to_owned()));
        }
        // Where it may be written, a transaction that a killed writer left is taken back; where not,
        // SQLite opens it to read (sqlite3_open_v2).
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        Self::with(path, flags, false)
    }

    fn with(path: &Path, flags: OpenFlags, create: bool) -> Result<Self, StoreError> {
        // SQLite takes these for a database in memory, a temporary one, and a URI (its C interface,
        // sqlite3_open_v2).
        let text = path.to_string_lossy();
        if text.is_empty() || text.starts_with(':') || text.starts_with("file:") {
            return Err(StoreError::NoFile(path.to_owned()));
        }
        let sql = |error| StoreError::sql(path, error);
        let mut connection = Connection::open_with_flags(path, flags).map_err(sql)?;
        connection
            .busy_timeout(Duration::from_secs(3))
            .map_err(sql)?;
        // Full would do for a killed program; after a power cut the journal of a transaction could be back,
        // and take the ticket with it (SQLite's documentation, PRAGMA synchronous).
        connection
            .pragma_update(None, "synchronous", "EXTRA")
            .map_err(sql)?;
        prepare(&mut connection, path, create)?;
        Ok(Self {
            connection,
            path: path.to_owned(),
        })
    }

    fn sql(&self, error: rusqlite::Error) -> StoreError {
        StoreError::sql(&self.path, error)
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Adds an examination and returns the number of its ticket. When this returns it is on the disk, and a
    /// power cut does not take it back.
    ///
    /// # Errors
    /// When the file cannot be written; it is then as it was before.
    pub fn add(&mut self, examination: &Examination) -> Result<i64, StoreError> {
        let mut json = Vec::new();
        write_json(examination, &mut json).map_err(|error| StoreError::Damaged {
            id: 0,
            why: error.to_string(),
        })?;
        let json = String::from_utf8_lossy(&json);
        let count = |outcome| i64::try_from(examination.count(outcome)).unwrap_or(i64::MAX);
        let subject = &examination.subject;
        self.connection
            .execute(
                "INSERT INTO ticket (examined, kind, name, maker, serial, model, version, grade, \
                 passed, failed, cannot_tell, skipped, recording_sha256, examination) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
                params![
                    examination.date,
                    subject.kind,
                    subject.name,
                    subject.maker,
                    subject.serial.trim(),
                    subject.model,
                    subject.version,
                    examination.grade.words(),
                    count(Outcome::Pass),
                    count(Outcome::Fail),
                    count(Outcome::CannotTell),
                    count(Outcome::Skipped),
                    examination.recording_sha256,
                    json,
                ],
            )
            .map_err(|e| self.sql(e))?;
        Ok(self.connection.last_insert_rowid())
    }

    /// All tickets, or those of one serial number, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn list(&self, serial: Option<&str>) -> Result<Vec<Row>, StoreError> {
        let query = format!(
            "SELECT {COLUMNS} FROM ticket WHERE ?1 IS NULL OR serial = ?1 COLLATE NOCASE ORDER BY id"
        );
        let mut statement = self.connection.prepare(&query).map_err(|e| self.sql(e))?;
        let rows = statement
            .query_map([serial.map(str::trim)], row)
            .map_err(|e| self.sql(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sql(e))
    }

    /// The ticket of that number, with its examination.
    ///
    /// # Errors
    /// When there is none, or it cannot be read.
    pub fn get(&self, id: i64) -> Result<Ticket, StoreError> {
        let query = format!("SELECT {COLUMNS}, examination FROM ticket WHERE id = ?1");
        let found = self
            .connection
            .query_row(&query, [id], |r| Ok((row(r)?, r.get::<_, String>(15)?)))
            .optional()
            .map_err(|e| self.sql(e))?;
        let (row, json) = found.ok_or(StoreError::NoTicket(id))?;
        let examination = read_json(json.as_bytes()).map_err(|error| StoreError::Damaged {
            id,
            why: error.to_string(),
        })?;
        Ok(Ticket { row, examination })
    }

    /// The visit of the same unit before that ticket: same serial number, kind and maker. `None`
    /// for a first visit, and for a unit without a serial number. A kind that was once called
    /// otherwise is the same kind.
    ///
    /// # Errors
    /// When there is no such ticket, or the file cannot be read.
    pub fn visit_before(&self, id: i64) -> Result<Option<i64>, StoreError> {
        let known: Option<i64> = self
            .connection
            .query_row("SELECT id FROM ticket WHERE id = ?1", [id], |r| r.get(0))
            .optional()
            .map_err(|e| self.sql(e))?;
        known.ok_or(StoreError::NoTicket(id))?;
        let query = format!(
            "SELECT before.id FROM ticket AS before, ticket AS this \
             WHERE this.id = ?1 AND this.serial <> '' AND before.id < this.id \
             AND before.serial = this.serial COLLATE NOCASE \
             AND {} = {} AND before.maker = this.maker \
             ORDER BY before.id DESC LIMIT 1",
            present_kind("before.kind"),
            present_kind("this.kind"),
        );
        self.connection
            .query_row(&query, [id], |r| r.get(0))
            .optional()
            .map_err(|e| self.sql(e))
    }
}
