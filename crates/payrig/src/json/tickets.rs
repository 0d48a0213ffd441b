//! The lines of the commands of `tickets`.

use payrig_exam::{Grade, Outcome};
use payrig_report::Figures;
use payrig_tickets::{Comparison, Drift, RemarkKind, Row, Shelved, Turn};
use payrig_units::Micros;
use schemars::JsonSchema;
use serde::Serialize;

/// A line of `payrig tickets`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line<'a> {
    /// A ticket.
    Ticket(Ticket<'a>),
    /// An examination was kept as a ticket.
    Kept(Kept),
    /// Something was said of a ticket.
    Remark {
        /// The ticket.
        ticket: String,
        /// What was said.
        what: Said,
        /// The text.
        text: &'a str,
    },
    /// Of `compare`: a check that came out otherwise.
    Turn(Turned<'a>),
    /// Of `compare`: times then and now.
    Drift(Drifted<'a>),
    /// Of `compare`: what came of it all.
    Comparison(Compared),
    /// Of `repair`: a unit, by its newest ticket.
    Unit(Unit<'a>),
}

/// An examination was kept as a ticket.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Kept {
    /// The ticket.
    pub(crate) ticket: String,
    /// The file of tickets.
    pub(crate) db: String,
    /// It was there already.
    pub(crate) was_there: bool,
}

/// What is said of a ticket after it was made.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Said {
    /// A note.
    Note,
    /// The customer's reference.
    Customer,
    /// It counts no more, and why.
    Void,
}

impl From<RemarkKind> for Said {
    fn from(kind: RemarkKind) -> Self {
        match kind {
            RemarkKind::Note => Self::Note,
            RemarkKind::Customer => Self::Customer,
            RemarkKind::Void => Self::Void,
        }
    }
}

/// A ticket.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Ticket<'a> {
    /// Its number.
    id: String,
    /// When it was added: RFC 3339, UTC.
    added: &'a str,
    /// The same by the site's clock: RFC 9557; empty where that is not known.
    added_local: &'a str,
    /// When the examination was begun: RFC 3339; empty in simulated time.
    examined: &'a str,
    /// The same by the site's clock.
    examined_local: String,
    /// What was examined: "changer".
    kind: &'a str,
    /// As the operator calls it.
    name: &'a str,
    /// Maker code.
    maker: &'a str,
    /// Serial number; empty where the unit said none.
    serial: &'a str,
    /// Model.
    model: &'a str,
    /// Software version of the unit.
    version: &'a str,
    /// Its grade; nothing where this version knows no such.
    #[serde(skip_serializing_if = "Option::is_none")]
    grade: Option<Grade>,
    /// How many checks there were.
    checks: i64,
    /// How many failed.
    failed: i64,
    /// How many could not tell.
    cannot_tell: i64,
    /// How many were skipped.
    skipped: i64,
    /// SHA-256 of the recording in hex; empty where none was written.
    recording_sha256: &'a str,
    /// The customer's reference; empty where there is none.
    customer: &'a str,
    /// The notes, oldest first.
    notes: Vec<&'a str>,
    /// Why it does not count, where it does not.
    #[serde(skip_serializing_if = "Option::is_none")]
    void: Option<&'a str>,
    /// No real unit was examined.
    emulated: bool,
}

impl<'a> From<&'a Row> for Ticket<'a> {
    fn from(row: &'a Row) -> Self {
        Self {
            id: row.id.to_string(),
            added: &row.added,
            added_local: &row.added_local,
            examined: &row.examined,
            examined_local: row.examined_local(),
            kind: &row.kind,
            name: &row.name,
            maker: &row.maker,
            serial: &row.serial,
            model: &row.model,
            version: &row.version,
            grade: Grade::named(&row.grade),
            checks: [row.passed, row.failed, row.cannot_tell, row.skipped]
                .into_iter()
                .fold(0, i64::saturating_add),
            failed: row.failed,
            cannot_tell: row.cannot_tell,
            skipped: row.skipped,
            recording_sha256: &row.recording_sha256,
            customer: row.customer(),
            notes: row.notes().collect(),
            void: row.void(),
            emulated: row.is_emulated,
        }
    }
}

/// A check that came out otherwise than before.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Turned<'a> {
    /// How it turned.
    turn: TurnKind,
    /// The check.
    id: &'a str,
    /// How it came out before; nothing for a check there was not.
    #[serde(skip_serializing_if = "Option::is_none")]
    before: Option<Outcome>,
    /// How it came out now; nothing for a check that is no longer done.
    #[serde(skip_serializing_if = "Option::is_none")]
    now: Option<Outcome>,
    /// What was seen now (before, where it is no longer done).
    seen: &'a str,
}

/// How a check turned.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum TurnKind {
    /// Worse than before.
    Worse,
    /// Better than before.
    Better,
    /// The two cannot be held against each other.
    Other,
}

/// A series of times then and now.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Drifted<'a> {
    /// What was measured.
    what: &'a str,
    /// The limit now, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    limit_us: Option<Micros>,
    /// Then.
    before: Times,
    /// Now.
    now: Times,
    /// The median moved by more than both measurements may be off together.
    certain: bool,
}

/// A series of times in a few figures.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Times {
    /// How many were measured.
    count: usize,
    /// The shortest.
    min_us: Micros,
    /// The lower median.
    median_us: Micros,
    /// 95 of 100 are not longer.
    p95_us: Micros,
    /// The longest.
    max_us: Micros,
}

impl From<&Figures> for Times {
    fn from(f: &Figures) -> Self {
        Self {
            count: f.count,
            min_us: f.min,
            median_us: f.median,
            p95_us: f.p95,
            max_us: f.max,
        }
    }
}

/// Two tickets held against each other.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Compared {
    /// The ticket before.
    before: String,
    /// The ticket now.
    now: String,
    /// Neither a check nor the grade is worse than before.
    passed: bool,
    /// The grade before.
    grade_before: Grade,
    /// The grade now.
    grade_now: Grade,
    /// How many checks came out worse.
    worse: usize,
    /// How many came out better.
    better: usize,
    /// How many cannot be held against each other.
    other: usize,
    /// How many came out alike.
    alike: usize,
    /// Both are known to be of one unit.
    same_unit: bool,
}

/// A unit on the shelf, by its newest ticket.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Unit<'a> {
    /// The ticket.
    ticket: String,
    /// What it is: "changer".
    kind: &'a str,
    /// As the operator calls it.
    name: &'a str,
    /// Maker code.
    maker: &'a str,
    /// Serial number; empty where it said none.
    serial: &'a str,
    /// When it was examined: RFC 3339; empty in simulated time.
    examined: &'a str,
    /// The same by the site's clock.
    examined_local: String,
    /// Its grade; nothing where its examination cannot be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    grade: Option<Grade>,
    /// No real unit was examined.
    emulated: bool,
    /// How many tickets it has that are not void.
    visits: usize,
    /// What failed, what to mend first in front.
    failed: Vec<Failed<'a>>,
    /// The customer's reference; empty where there is none.
    customer: &'a str,
    /// What else is to be known.
    remarks: Vec<String>,
}

/// A check that failed.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Failed<'a> {
    /// Its name.
    id: &'a str,
    /// What it does, in one line.
    title: &'a str,
    /// What was seen.
    seen: &'a str,
    /// What to do about it.
    advice: &'a str,
    /// The check that it fails because of; nothing for a cause.
    #[serde(skip_serializing_if = "Option::is_none")]
    because_of: Option<&'a str>,
}

impl<'a> Unit<'a> {
    pub(crate) fn of(unit: &'a Shelved, remarks: Vec<String>) -> Self {
        let row = &unit.row;
        let failed = |f: &'a payrig_tickets::Failed| Failed {
            id: &f.id,
            title: &f.title,
            seen: &f.seen,
            advice: &f.advice,
            because_of: f.because_of.as_deref(),
        };
        Self {
            ticket: row.id.to_string(),
            kind: &row.kind,
            name: &row.name,
            maker: &row.maker,
            serial: &row.serial,
            examined: &row.examined,
            examined_local: row.examined_local(),
            grade: unit.grade.or_else(|| Grade::named(&row.grade)),
            emulated: row.is_emulated,
            visits: unit.visits,
            failed: unit.failed.iter().map(failed).collect(),
            customer: row.customer(),
            remarks,
        }
    }
}

impl<'a> Line<'a> {
    /// All lines of a comparison.
    pub(crate) fn compared(
        (before, now): (&Row, &Row),
        comparison: &'a Comparison,
        same_unit: bool,
    ) -> impl Iterator<Item = Self> {
        let turns = |turn: TurnKind, all: &'a [Turn]| {
            all.iter().map(move |t| {
                Self::Turn(Turned {
                    turn,
                    id: &t.id,
                    before: t.before,
                    now: t.now,
                    seen: &t.seen,
                })
            })
        };
        let drift = |d: &'a Drift| {
            Self::Drift(Drifted {
                what: &d.what,
                limit_us: d.limit_us,
                before: Times::from(&d.before),
                now: Times::from(&d.now),
                certain: d.certain,
            })
        };
        let end = Self::Comparison(Compared {
            before: before.id.to_string(),
            now: now.id.to_string(),
            passed: !comparison.is_worse(),
            grade_before: comparison.grade.0,
            grade_now: comparison.grade.1,
            worse: comparison.worse.len(),
            better: comparison.better.len(),
            other: comparison.other.len(),
            alike: comparison.alike,
            same_unit,
        });
        turns(TurnKind::Worse, &comparison.worse)
            .chain(turns(TurnKind::Better, &comparison.better))
            .chain(turns(TurnKind::Other, &comparison.other))
            .chain(comparison.drifts.iter().map(drift))
            .chain([end])
    }
}
