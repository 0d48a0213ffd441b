//! What is on the shelf: the newest ticket of every unit, what it falls short in and what to do about it.

use super::{Day, Row, Store, StoreError, same_kind};
use payrig_exam::{Grade, Outcome, because_of_this};
use payrig_units::words;

/// Which units are meant; the default means all.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ShelfFilter {
    /// Of one of these grades; none for any.
    pub grades: Vec<Grade>,
    /// Of this kind, as reports call it or with hyphens.
    pub kind: Option<String>,
    /// Examined on that day or later, on the site's calendar.
    pub since: Option<Day>,
    /// Examined on that day or before.
    pub until: Option<Day>,
    /// Emulated units too: they are on no shelf.
    pub emulated: bool,
}

/// A check that failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failed {
    /// Its name.
    pub id: String,
    /// What it does, in one line.
    pub title: String,
    /// What was seen.
    pub seen: String,
    /// What to do about it.
    pub advice: String,
    /// The check that it fails because of; `None` for a cause.
    pub because_of: Option<String>,
    /// What a cause has for consequences, in words: "2 more checks fail because of this".
    pub more: Option<String>,
}

/// A unit on the shelf.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shelved {
    /// Its newest ticket that is not void.
    pub row: Row,
    /// How many tickets it has that are not void.
    pub visits: usize,
    /// Its grade; `None` where its examination cannot be read.
    pub grade: Option<Grade>,
    /// What failed, what to mend first in front, each cause with its consequences behind it.
    pub failed: Vec<Failed>,
    /// What else is to be known: that checks were undecided, that it cannot be read.
    pub remark: Option<String>,
}

impl ShelfFilter {
    fn takes(&self, row: &Row) -> bool {
        let kind = |k: &String| same_kind(&k.replace('-', " "), &row.kind.replace('-', " "));
        let day = row.examined_on();
        let grade = |g: &Grade| g.words() == row.grade;
        (self.grades.is_empty() || self.grades.iter().any(grade))
            && self.kind.as_ref().is_none_or(kind)
            && self
                .since
                .is_none_or(|since| day.is_some_and(|d| d >= since))
            && self
                .until
                .is_none_or(|until| day.is_some_and(|d| d <= until))
    }
}

/// What is most pressing: not fit, then what is not known, then what has remarks, then fit.
fn order(grade: &str) -> u8 {
    let is = |g: Grade| g.words() == grade;
    match () {
        () if is(Grade::NotFit) => 0,
        () if is(Grade::FitWithRemarks) => 2,
        () if is(Grade::Fit) => 3,
        () => 1,
    }
}

/// The newest ticket of every unit that the filter takes, void ones left out: not fit first, then by the
/// number of the ticket. A unit without a serial number is on the shelf once for each ticket.
///
/// # Errors
/// When the file cannot be read. A ticket whose examination cannot be read is listed, and says so.
pub fn shelf(store: &Store, filter: &ShelfFilter) -> Result<Vec<Shelved>, StoreError> {
    let mut newest: Vec<(Row, usize)> = Vec::new();
    let counts = |r: &Row| r.void().is_none() && (filter.emulated || !r.is_emulated);
    for row in store.list(None)?.into_iter().filter(counts) {
        match newest.iter_mut().find(|(r, _)| r.is_of_the_same_unit(&row)) {
            Some((before, visits)) => {
                *before = row;
                *visits += 1;
            }
            None => newest.push((row, 1)),
        }
    }
    newest.retain(|(row, _)| filter.takes(row));
    newest.sort_by_key(|(row, _)| (order(&row.grade), row.id));
    let shelved = |(row, visits): (Row, usize)| {
        let mut unit = Shelved {
            row,
            visits,
            grade: None,
            failed: Vec::new(),
            remark: None,
        };
        match store.get(unit.row.id) {
            Ok(ticket) => {
                let examination = ticket.examination;
                unit.grade = Some(examination.grade);
                let open = examination.count(Outcome::CannotTell);
                if open > 0 {
                    unit.remark = Some(format!("{} undecided", words::count(open, "check")));
                }
                for cause in examination.to_mend() {
                    let more = because_of_this(&cause);
                    let own = [(&cause.id, None, more)];
                    let because = |id| (id, Some(cause.id.clone()), None);
                    let consequences = cause.consequences.iter().map(because);
                    for (id, because_of, more) in own.into_iter().chain(consequences) {
                        let Some(check) =
                            examination.check(id).filter(|c| c.outcome == Outcome::Fail)
                        else {
                            continue;
                        };
                        unit.failed.push(Failed {
                            id: check.id.clone(),
                            title: check.title.clone(),
                            seen: check.seen.clone(),
                            advice: check.advice.clone(),
                            because_of,
                            more,
                        });
                    }
                }
            }
            Err(StoreError::Damaged { why, .. }) => {
                unit.remark = Some(format!("its examination cannot be read: {why}"));
            }
            Err(error) => return Err(error),
        }
        Ok(unit)
    };
    newest.into_iter().map(shelved).collect()
}
