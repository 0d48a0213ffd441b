//! The tables, their version, and whose file it is.

use super::{SCHEMA_VERSION, StoreError};
use rusqlite::{Connection, TransactionBehavior};
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

/// The kind in a column, by its present name, as SQL.
pub(super) fn present_kind(column: &str) -> String {
    ONCE_CALLED
        .iter()
        .fold(column.to_owned(), |kind, (was, is)| {
            format!("CASE {kind} WHEN '{was}' THEN '{is}' ELSE {kind} END")
        })
}

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

fn pragma(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, name, |row| row.get(0))
}

/// Looks whose file it is and, where it is empty and `create` is set, makes the tables.
pub(super) fn prepare(
    connection: &mut Connection,
    path: &Path,
    create: bool,
) -> Result<(), StoreError> {
    let sql = |error| StoreError::sql(path, error);
    // Read and write under one lock: two payrigs that start at once make the tables once.
    let behavior = if create {
        TransactionBehavior::Immediate
    } else {
        TransactionBehavior::Deferred
    };
    let transaction = connection
        .transaction_with_behavior(behavior)
        .map_err(sql)?;
    let tables: i64 = transaction
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(sql)?;
    let owner = pragma(&transaction, "application_id").map_err(sql)?;
    let version = pragma(&transaction, "user_version").map_err(sql)?;
    match (owner, version) {
        (0, 0) if tables == 0 && create => {
            transaction.execute_batch(TABLES).map_err(sql)?;
            transaction
                .pragma_update(None, "application_id", APPLICATION_ID)
                .map_err(sql)?;
            transaction
                .pragma_update(None, "user_version", SCHEMA_VERSION)
                .map_err(sql)?;
        }
        (APPLICATION_ID, SCHEMA_VERSION) => {}
        (APPLICATION_ID, found) => {
            return Err(StoreError::Version {
                path: path.to_owned(),
                found,
            });
        }
        _ => return Err(StoreError::Foreign(path.to_owned())),
    }
    transaction.commit().map_err(sql)
}
