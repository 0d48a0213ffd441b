//! The file of tickets: adding, listing, reading.

use super::StoreError;
use super::remark::{Remark, RemarkKind};
use super::row::{Row, Ticket, columns, read};
use super::schema::{Purpose, prepare};
use super::site::{Moment, Site};
use super::version::FIRST;
use etcetera::BaseStrategy;
use payrig_exam::{Examination, Outcome};
use payrig_report::{read_json, write_json};
use rusqlite::{Connection, OpenFlags, OptionalExtension, TransactionBehavior, params};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

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
    /// Of its tables: an older one only where it was opened to read.
    version: i64,
    is_new: bool,
    site: Site,
}

/// What became of an examination that was to be added.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Added {
    /// The number of its ticket.
    pub id: i64,
    /// True when the ticket was there already, and nothing was added.
    pub was_there: bool,
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
    /// Opens a file of tickets, and makes it and its folder where there is none. Tables of an older
    /// version are brought up to the present one; no ticket is changed by that.
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
        Self::with(path, flags, Purpose::Make)
    }

    /// Opens a file of tickets to read it; one of an older version stays as it is.
    ///
    /// # Errors
    /// When there is none, it cannot be opened, or is something else: see [`StoreError`].
    pub fn open_to_read(path: &Path) -> Result<Self, StoreError> {
        Self::there(path, Purpose::Read)
    }

    /// Opens a file of tickets to say something of one of them. Looking for a ticket makes no file.
    ///
    /// # Errors
    /// As [`open_to_read`](Self::open_to_read).
    pub fn open_to_remark(path: &Path) -> Result<Self, StoreError> {
        Self::there(path, Purpose::Write)
    }

    fn there(path: &Path, purpose: Purpose) -> Result<Self, StoreError> {
        if !path.exists() {
            return Err(StoreError::Missing(path.to_owned()));
        }
        // Where it may be written, a transaction that a killed writer left is taken back; where not,
        // SQLite opens it to read (sqlite3_open_v2).
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        Self::with(path, flags, purpose)
    }

    fn with(path: &Path, flags: OpenFlags, purpose: Purpose) -> Result<Self, StoreError> {
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
        let (version, is_new) = prepare(&mut connection, path, purpose)?;
        Ok(Self {
            connection,
            path: path.to_owned(),
            version,
            is_new,
            site: Site::of_this_computer(),
        })
    }

    /// The same, with the clock of another site than this computer's.
    #[must_use]
    pub fn at(mut self, site: Site) -> Self {
        self.site = site;
        self
    }

    fn sql(&self, error: rusqlite::Error) -> StoreError {
        StoreError::sql(&self.path, error)
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// True when the file was made by this opening of it: nobody has heard yet where it is.
    #[must_use]
    pub const fn is_new(&self) -> bool {
        self.is_new
    }

    /// Adds an examination and returns the number of its ticket. When this returns it is on the disk, and a
    /// power cut does not take it back.
    ///
    /// # Errors
    /// When the file cannot be written; it is then as it was before.
    pub fn add(&mut self, examination: &Examination) -> Result<i64, StoreError> {
        let at = self.site.now();
        insert(&self.connection, examination, &at, &self.path)
    }

    /// The same for one that was saved: an examination that has a ticket, and not a void one, gets no
    /// second.
    ///
    /// # Errors
    /// As [`add`](Self::add).
    pub fn add_once(&mut self, examination: &Examination) -> Result<Added, StoreError> {
        let path = self.path.clone();
        let sql = |error| StoreError::sql(&path, error);
        let at = self.site.now();
        // Two that add the same file at once: the second waits, and finds it.
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(sql)?;
        let like: Vec<(i64, String)> = transaction
            .prepare(
                "SELECT id, examination FROM ticket WHERE examined = ?1 AND serial = ?2 AND kind = ?3 \
                 AND NOT EXISTS (SELECT 1 FROM remark WHERE remark.ticket = ticket.id \
                 AND remark.kind = 'void') ORDER BY id",
            )
            .and_then(|mut statement| {
                let subject = &examination.subject;
                let by = params![examination.date, subject.serial.trim(), subject.kind];
                let rows = statement.query_map(by, |r| Ok((r.get(0)?, r.get(1)?)))?;
                rows.collect()
            })
            .map_err(sql)?;
        // By what they say, not by how they are written: another version may write it otherwise.
        let same = |json: &str| read_json(json.as_bytes()).is_ok_and(|e| e == *examination);
        let known = like.iter().find(|(_, json)| same(json));
        let added = match known {
            Some((id, _)) => Added {
                id: *id,
                was_there: true,
            },
            None => Added {
                id: insert(&transaction, examination, &at, &path)?,
                was_there: false,
            },
        };
        transaction.commit().map_err(sql)?;
        Ok(added)
    }

    /// Says something of a ticket. It is on the disk when this returns.
    ///
    /// # Errors
    /// When there is no such ticket, it is void already and is to be made void, the text is empty, or the
    /// file cannot be written.
    pub fn remark(&mut self, id: i64, kind: RemarkKind, text: &str) -> Result<(), StoreError> {
        let text = text.trim();
        if text.is_empty() {
            return Err(StoreError::Empty(kind));
        }
        let path = self.path.clone();
        let sql = |error| StoreError::sql(&path, error);
        let at = self.site.now();
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(sql)?;
        let known: Option<i64> = transaction
            .query_row("SELECT id FROM ticket WHERE id = ?1", [id], |r| r.get(0))
            .optional()
            .map_err(sql)?;
        known.ok_or(StoreError::NoTicket(id))?;
        if kind == RemarkKind::Void {
            let why: Option<String> = transaction
                .query_row(
                    "SELECT text FROM remark WHERE ticket = ?1 AND kind = 'void'",
                    [id],
                    |r| r.get(0),
                )
                .optional()
                .map_err(sql)?;
            if let Some(why) = why {
                return Err(StoreError::Void { id, why });
            }
        }
        transaction
            .execute(
                "INSERT INTO remark (ticket, added, added_local, kind, text) \
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                params![id, at.utc, at.local, kind.name(), text],
            )
            .map_err(sql)?;
        transaction.commit().map_err(sql)
    }

    /// The remarks on all tickets, or on one.
    fn remarks(&self, id: Option<i64>) -> Result<BTreeMap<i64, Vec<Remark>>, StoreError> {
        let mut all: BTreeMap<i64, Vec<Remark>> = BTreeMap::new();
        if self.version == FIRST {
            return Ok(all);
        }
        let query = "SELECT ticket, added, added_local, kind, text FROM remark \
                     WHERE ?1 IS NULL OR ticket = ?1 ORDER BY id";
        let mut statement = self.connection.prepare(query).map_err(|e| self.sql(e))?;
        let mut rows = statement.query([id]).map_err(|e| self.sql(e))?;
        while let Some(row) = rows.next().map_err(|e| self.sql(e))? {
            let read = || -> rusqlite::Result<_> {
                let kind: String = row.get(3)?;
                let (added, added_local) = (row.get(1)?, row.get(2)?);
                Ok((row.get(0)?, kind, added, added_local, row.get(4)?))
            };
            let (ticket, kind, added, added_local, text) = read().map_err(|e| self.sql(e))?;
            // The table takes no other.
            if let Some(kind) = RemarkKind::named(&kind) {
                all.entry(ticket).or_default().push(Remark {
                    added,
                    added_local,
                    kind,
                    text,
                });
            }
        }
        Ok(all)
    }

    /// All tickets, or those of one serial number, oldest first. A serial number may be given without
    /// the zeros before it, where only one is meant by that.
    ///
    /// # Errors
    /// When the file cannot be read, or several serial numbers are alike but for their zeros.
    pub fn list(&self, serial: Option<&str>) -> Result<Vec<Row>, StoreError> {
        let query = format!("SELECT {} FROM ticket ORDER BY id", columns(self.version));
        let mut statement = self.connection.prepare(&query).map_err(|e| self.sql(e))?;
        let rows = statement.query_map([], read).map_err(|e| self.sql(e))?;
        let mut rows: Vec<Row> = rows.collect::<Result<_, _>>().map_err(|e| self.sql(e))?;
        if let Some(serial) = serial {
            rows = of_serial(rows, serial.trim())?;
        }
        let mut remarks = self.remarks(None)?;
        for row in &mut rows {
            row.remarks = remarks.remove(&row.id).unwrap_or_default();
        }
        Ok(rows)
    }

    /// The ticket of that number, with its examination.
    ///
    /// # Errors
    /// When there is none, or it cannot be read.
    pub fn get(&self, id: i64) -> Result<Ticket, StoreError> {
        let query = format!(
            "SELECT {}, examination FROM ticket WHERE id = ?1",
            columns(self.version)
        );
        let found = self
            .connection
            .query_row(&query, [id], |r| Ok((read(r)?, r.get::<_, String>(17)?)))
            .optional()
            .map_err(|e| self.sql(e))?;
        let (mut row, json) = found.ok_or(StoreError::NoTicket(id))?;
        row.remarks = self.remarks(Some(id))?.remove(&id).unwrap_or_default();
        let examination = read_json(json.as_bytes()).map_err(|error| StoreError::Damaged {
            id,
            why: error.to_string(),
        })?;
        Ok(Ticket { row, examination })
    }

    /// The visit of the same unit before that ticket: same serial number, kind and maker, and not void.
    /// `None` for a first visit, and for a unit without a serial number. A kind that was once called
    /// otherwise is the same kind; an emulated unit is no real one.
    ///
    /// # Errors
    /// When there is no such ticket, or the file cannot be read.
    pub fn visit_before(&self, id: i64) -> Result<Option<i64>, StoreError> {
        let rows = self.list(None)?;
        let this = rows.iter().find(|row| row.id == id);
        let this = this.ok_or(StoreError::NoTicket(id))?;
        let before = rows.iter().rev().filter(|row| row.id < id);
        let mut visits = before.filter(|row| row.void().is_none() && row.is_of_the_same_unit(this));
        Ok(visits.next().map(|row| row.id))
    }
}

/// Those of that serial number: as it was given; where there is none, those that are alike but for the
/// zeros before them.
fn of_serial(mut rows: Vec<Row>, given: &str) -> Result<Vec<Row>, StoreError> {
    let is_exact = |row: &Row| row.serial.eq_ignore_ascii_case(given);
    if rows.iter().any(is_exact) {
        rows.retain(is_exact);
        return Ok(rows);
    }
    let bare = given.trim_start_matches('0');
    rows.retain(|row| {
        let its = row.serial.trim_start_matches('0');
        !bare.is_empty() && its.eq_ignore_ascii_case(bare)
    });
    let mut found: Vec<String> = Vec::new();
    for row in &rows {
        if !found.iter().any(|f| f.eq_ignore_ascii_case(&row.serial)) {
            found.push(row.serial.clone());
        }
    }
    match found.len() {
        0 | 1 => Ok(rows),
        _ => Err(StoreError::Ambiguous {
            given: given.to_owned(),
            found,
        }),
    }
}

/// Puts an examination into the table.
fn insert(
    connection: &Connection,
    examination: &Examination,
    at: &Moment,
    path: &Path,
) -> Result<i64, StoreError> {
    let mut json = Vec::new();
    write_json(examination, &mut json).map_err(|error| StoreError::Damaged {
        id: 0,
        why: error.to_string(),
    })?;
    let json = String::from_utf8_lossy(&json);
    let count = |outcome| i64::try_from(examination.count(outcome)).unwrap_or(i64::MAX);
    let subject = &examination.subject;
    connection
        .execute(
            "INSERT INTO ticket (added, added_local, examined, kind, name, maker, serial, model, version, \
             grade, passed, failed, cannot_tell, skipped, recording_sha256, examination) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)",
            params![
                at.utc,
                at.local,
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
        .map_err(|e| StoreError::sql(path, e))?;
    Ok(connection.last_insert_rowid())
}
