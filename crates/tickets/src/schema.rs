//! The tables, their version, and whose file it is.

use super::version::FIRST;
use super::{SCHEMA_VERSION, StoreError};
use rusqlite::{Connection, Transaction, TransactionBehavior};
use std::path::Path;

/// SQLite's mark of whose file it is: "PYRG".
const APPLICATION_ID: i64 = 0x5059_5247;

/// Kinds that were once called otherwise: the name in older tickets, which are never changed, and
/// the name now.
const ONCE_CALLED: [(&str, &str); 1] = [("pulse acceptor", "pulse bill validator")];

/// A kind by its present name.
fn present(kind: &str) -> &str {
    let renamed = ONCE_CALLED.iter().find(|(was, _)| *was == kind);
    renamed.map_or(kind, |(_, is)| is)
}

/// True for two names of one kind: one that an older version called otherwise is the same.
#[must_use]
pub fn same_kind(one: &str, other: &str) -> bool {
    present(one) == present(other)
}

/// The tables as version 1 had them; [`REMARKS`] is what came after.
const TABLES: &str = "
CREATE TABLE ticket (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  added TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%SZ', 'now')),
  examined TEXT NOT NULL,
  kind TEXT NOT NULL,
  name TEXT NOT NULL,
  maker TEXT NOT NULL,
  serial TEXT NOT NULL,
  model TEXT NOT NULL,
  version TEXT NOT NULL,
  grade TEXT NOT NULL,
  passed INTEGER NOT NULL,
  failed INTEGER NOT NULL,
  cannot_tell INTEGER NOT NULL,
  skipped INTEGER NOT NULL,
  recording_sha256 TEXT NOT NULL,
  examination TEXT NOT NULL
) STRICT;
CREATE INDEX ticket_by_serial ON ticket (serial, id);
CREATE TRIGGER ticket_stays BEFORE DELETE ON ticket
  BEGIN SELECT RAISE(ABORT, 'a ticket is never removed'); END;
CREATE TRIGGER ticket_unchanged BEFORE UPDATE ON ticket
  BEGIN SELECT RAISE(ABORT, 'a ticket is never changed'); END;
";

/// What version 2 adds: when a ticket was added by the site's clock, and what is said of it later. That
/// is kept beside it, for a ticket is never changed.
const REMARKS: &str = "
ALTER TABLE ticket ADD COLUMN added_local TEXT NOT NULL DEFAULT '';
CREATE TABLE remark (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  ticket INTEGER NOT NULL REFERENCES ticket (id),
  added TEXT NOT NULL,
  added_local TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('note', 'customer', 'void')),
  text TEXT NOT NULL CHECK (text <> '')
) STRICT;
CREATE INDEX remark_by_ticket ON remark (ticket, id);
CREATE UNIQUE INDEX remark_void_once ON remark (ticket) WHERE kind = 'void';
CREATE TRIGGER remark_stays BEFORE DELETE ON remark
  BEGIN SELECT RAISE(ABORT, 'a remark is never removed'); END;
CREATE TRIGGER remark_unchanged BEFORE UPDATE ON remark
  BEGIN SELECT RAISE(ABORT, 'a remark is never changed'); END;
";

fn pragma(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, name, |row| row.get(0))
}

/// What may be done to the file of tickets by whoever opens it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Nothing: an older version is read as it is.
    Read,
    /// It is written to: an older version is brought up to this one.
    Write,
    /// The same, and made where there is none.
    Make,
}

/// Looks whose file it is and makes what `purpose` allows. Returns the version its tables have then,
/// and whether they were made just now.
pub(super) fn prepare(
    connection: &mut Connection,
    path: &Path,
    purpose: Purpose,
) -> Result<(i64, bool), StoreError> {
    let sql = |error| StoreError::sql(path, error);
    // Read and write under one lock: two payrigs that start at once make the tables once.
    let behavior = match purpose {
        Purpose::Read => TransactionBehavior::Deferred,
        Purpose::Write | Purpose::Make => TransactionBehavior::Immediate,
    };
    let transaction = connection
        .transaction_with_behavior(behavior)
        .map_err(sql)?;
    let tables: i64 = transaction
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(sql)?;
    let owner = pragma(&transaction, "application_id").map_err(sql)?;
    let version = pragma(&transaction, "user_version").map_err(sql)?;
    let is_new = (owner, version, tables) == (0, 0, 0) && purpose == Purpose::Make;
    let version = match (owner, version) {
        _ if is_new => {
            transaction.execute_batch(TABLES).map_err(sql)?;
            transaction
                .pragma_update(None, "application_id", APPLICATION_ID)
                .map_err(sql)?;
            bring_up(&transaction).map_err(sql)?
        }
        (APPLICATION_ID, SCHEMA_VERSION) => SCHEMA_VERSION,
        (APPLICATION_ID, FIRST) if purpose == Purpose::Read => FIRST,
        (APPLICATION_ID, FIRST) => bring_up(&transaction).map_err(sql)?,
        (APPLICATION_ID, found) => {
            return Err(StoreError::Version {
                path: path.to_owned(),
                found,
            });
        }
        _ => return Err(StoreError::Foreign(path.to_owned())),
    };
    transaction.commit().map_err(sql)?;
    Ok((version, is_new))
}

/// Makes the tables of version 1 those of the present one, and returns its number.
fn bring_up(transaction: &Transaction<'_>) -> rusqlite::Result<i64> {
    transaction.execute_batch(REMARKS)?;
    transaction.pragma_update(None, "user_version", SCHEMA_VERSION)?;
    Ok(SCHEMA_VERSION)
}
