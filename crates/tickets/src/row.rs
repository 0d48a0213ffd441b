//! A ticket: its columns, and what was said of it since.

use super::remark::{Remark, RemarkKind};
use super::schema::same_kind;
use super::site::{Day, by_the_same_clock, clock, day};
use super::version::FIRST;
use payrig_exam::{EMULATED, Examination};

/// The columns of a ticket.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Its number, from 1.
    pub id: i64,
    /// When it was added: RFC 3339, UTC.
    pub added: String,
    /// The same by the site's clock: RFC 9557; empty for a ticket of version 1.
    pub added_local: String,
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
    /// True when no real unit was examined.
    pub is_emulated: bool,
    /// What was said of it since, oldest first.
    pub remarks: Vec<Remark>,
}

/// A ticket with its whole examination.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ticket {
    /// The columns.
    pub row: Row,
    /// The examination, as it was added.
    pub examination: Examination,
}

/// The columns that [`read`] takes, in a file of that version.
pub(super) fn columns(version: i64) -> String {
    let local = match version {
        FIRST => "''",
        _ => "added_local",
    };
    // Of one that is damaged nobody knows.
    let emulated = format!(
        "CASE WHEN json_valid(examination) THEN json_extract(examination, '$.link') IS '{EMULATED}' \
         ELSE 0 END"
    );
    format!(
        "id, added, {local}, examined, kind, name, maker, serial, model, version, grade, passed, \
         failed, cannot_tell, skipped, recording_sha256, {emulated}"
    )
}

/// A row of [`columns`], without its remarks.
pub(super) fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    Ok(Row {
        id: row.get(0)?,
        added: row.get(1)?,
        added_local: row.get(2)?,
        examined: row.get(3)?,
        kind: row.get(4)?,
        name: row.get(5)?,
        maker: row.get(6)?,
        serial: row.get(7)?,
        model: row.get(8)?,
        version: row.get(9)?,
        grade: row.get(10)?,
        passed: row.get(11)?,
        failed: row.get(12)?,
        cannot_tell: row.get(13)?,
        skipped: row.get(14)?,
        recording_sha256: row.get(15)?,
        is_emulated: row.get(16)?,
        remarks: Vec::new(),
    })
}

impl Row {
    fn said(&self, kind: RemarkKind) -> impl DoubleEndedIterator<Item = &str> {
        let of = self.remarks.iter().filter(move |r| r.kind == kind);
        of.map(|r| r.text.as_str())
    }

    /// The customer's reference; empty where there is none.
    #[must_use]
    pub fn customer(&self) -> &str {
        self.said(RemarkKind::Customer)
            .next_back()
            .unwrap_or_default()
    }

    /// The notes, oldest first.
    pub fn notes(&self) -> impl Iterator<Item = &str> {
        self.said(RemarkKind::Note)
    }

    /// Why it does not count, where it does not.
    #[must_use]
    pub fn void(&self) -> Option<&str> {
        self.said(RemarkKind::Void).next()
    }

    /// When it was added, as people read it: by the site's clock where that is known, else UTC.
    #[must_use]
    pub fn added_clock(&self) -> String {
        clock(&self.added_local, &self.added)
    }

    /// When the examination was begun, by the site's clock: RFC 9557; empty where no date or no zone is
    /// known.
    #[must_use]
    pub fn examined_local(&self) -> String {
        by_the_same_clock(&self.examined, &self.added_local)
    }

    /// When the unit was examined, as people read it; where the examination has no date, when the ticket
    /// was added.
    #[must_use]
    pub fn examined_clock(&self) -> String {
        match self.examined.as_str() {
            "" => self.added_clock(),
            examined => clock(&self.examined_local(), examined),
        }
    }

    /// The day of [`examined_clock`](Self::examined_clock) on the site's calendar.
    #[must_use]
    pub fn examined_on(&self) -> Option<Day> {
        let examined = day(&self.examined_local(), &self.examined);
        examined.or_else(|| day(&self.added_local, &self.added))
    }

    /// True for two tickets of one unit: same serial number, kind and maker. One without a serial number
    /// is nobody's, and an emulated one is no real one.
    #[must_use]
    pub fn is_of_the_same_unit(&self, other: &Self) -> bool {
        !self.serial.is_empty()
            && self.serial.eq_ignore_ascii_case(&other.serial)
            && self.maker == other.maker
            && self.is_emulated == other.is_emulated
            && same_kind(&self.kind, &other.kind)
    }
}
