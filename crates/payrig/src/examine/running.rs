//! Running examinations: results as they come, reports, the verdict.

use super::{Common, EXAMINATION, date};
use crate::json::common::{Line as Told, TOOL};
use crate::json::examine::{Line, ListedCheck};
use crate::lines;
use crate::recording::{Recorded, Recording, Wanted};
use crate::report::{print_table, report_all};
use crate::terminal::{self, caution, say, say_to_people};
use crate::{Exit, Failure, Format};
use payrig_exam::{Check, CheckResult, Examination, Outcome, Recorder, Stop};
use payrig_link::LinkError;
use payrig_units::{Micros, words};
use payrig_wire::recording::{Entry, Header, Ours};
use std::cell::RefCell;
use std::io::{self, Write};
use std::rc::Rc;
use std::time::SystemTime;

/// A check as `--list` prints it.
pub(super) struct Listed {
    pub(super) subject: String,
    pub(super) id: &'static str,
    pub(super) title: String,
    pub(super) section: &'static str,
    pub(super) expected: String,
    pub(super) quirk: &'static str,
    /// Habits of the subject that it works from.
    pub(super) works_from: Vec<&'static str>,
}

impl Listed {
    /// A check of a subject.
    pub(super) fn of<B, S>(subject: &str, check: &Check<B, S>) -> Self {
        Self {
            subject: subject.to_owned(),
            id: check.id,
            title: check.title.to_owned(),
            section: check.section,
            expected: check.expected.to_owned(),
            quirk: check.quirk.name,
            works_from: Vec::new(),
        }
    }
}

pub(super) fn list(checks: &[Listed], format: Format) -> io::Result<()> {
    let mut out = terminal::screen();
    let width = checks.iter().map(|c| c.id.len()).max().unwrap_or(0);
    let mut subject = "";
    for check in checks {
        if format == Format::Json {
            lines::put(&Line::ListedCheck(ListedCheck {
                subject: &check.subject,
                id: check.id,
                title: &check.title,
                section: check.section,
                expected: &check.expected,
                quirk: check.quirk,
                works_from: &check.works_from,
            }))?;
            continue;
        }
        if subject != check.subject {
            writeln!(out, "{}:", check.subject)?;
            subject = &check.subject;
        }
        let (id, title, section) = (check.id, &check.title, check.section);
        writeln!(out, "  {id:width$}  {title} [{section}]")?;
    }
    out.flush()
}

/// The last line of a recording: without it, the examination did not end.
fn end_of(examination: &Examination, at_us: Micros) -> Entry {
    let limits = examination.count(Outcome::Fail) as u64;
    Entry::Verdict {
        at_us,
        passed: examination.passed(),
        limits,
        advice: 0,
        blocks: 0,
        trains: 0,
        text: format!(
            "{}: {} of {} failed",
            examination.grade_words(),
            limits,
            words::count(examination.checks.len(), "check")
        ),
    }
}

/// The recording of an examination, which what happens over a link is written to as it happens.
/// Clones are the same one.
#[derive(Clone, Debug, Default)]
pub(super) struct Tape {
    recording: Rc<RefCell<Option<Recording>>>,
    /// Of a subject over a link: what of the bench is ours.
    ours: Option<Ours>,
    /// The wall clock at bench time zero; none of a subject in lock-step, whose time is of no day.
    started: Option<SystemTime>,
}

impl Tape {
    /// For a subject over a link whose bench time zero is `started`.
    pub(super) fn live(started: SystemTime, ours: Ours) -> Self {
        Self {
            recording: Rc::default(),
            ours: Some(ours),
            started: Some(started),
        }
    }

    /// For a subject in lock-step.
    pub(super) fn in_lock_step(ours: Ours) -> Self {
        Self {
            recording: Rc::default(),
            ours: Some(ours),
            started: None,
        }
    }

    /// What writes to it as things happen.
    pub(super) fn recorder(&self) -> Recorder {
        let tape = self.clone();
        Recorder::new(move |entry| tape.write(entry))
    }

    fn write(&self, entry: &Entry) {
        if let Some(recording) = &mut *self.recording.borrow_mut() {
            recording.entry(entry);
        }
    }

    fn begin(&self, common: &Common, subject: &str) -> Result<(), Failure> {
        let Some(path) = &common.record else {
            return Ok(());
        };
        let mut header = Header::new(TOOL, &format!("{EXAMINATION}{subject}"), None).with_end();
        if let Some(ours) = &self.ours {
            header = header.ours(ours.clone());
        }
        if let Some(started) = self.started {
            header = header.live(date(started));
        }
        let recording = Recording::begin(Wanted::Named(path), common.overwrite, header)?;
        *self.recording.borrow_mut() = Some(recording);
        Ok(())
    }

    /// Ends it with what came of the examination.
    fn end(&self, examination: &Examination) -> Option<Recorded> {
        let mut recording = self.recording.borrow_mut().take()?;
        recording.entry(&end_of(examination, recording.last()));
        Some(recording.end())
    }
}

/// An examination still to be run; it reports every result as it comes.
pub(super) type Job = Box<dyn FnOnce(&mut dyn FnMut(&CheckResult, &[Entry])) -> Examined>;

/// What came out, and whether the link failed on the way.
pub(super) type Examined = (Examination, Option<LinkError>);

/// Runs examinations one after another, writing each as it comes. Once its end is asked for, the one
/// under way ends and is written, the others are not begun.
pub(super) fn run_all(
    common: &Common,
    stop: &Stop,
    tape: &Tape,
    subjects: usize,
    examinations: impl Iterator<Item = (String, Job)>,
) -> Result<Exit, Failure> {
    if common.serial.is_some() && subjects > 1 {
        let text = "several devices are examined, a serial number is of one: name it with --kind";
        return Err(Failure::wrong(text.to_owned()));
    }
    let mut passed = true;
    for (subject, examine) in examinations {
        let common = &common.of_subject(&subject, subjects > 1);
        if stop.is_asked() {
            caution!("{subject}: not examined, the examination was ended before it");
            passed = false;
            continue;
        }
        let mut failed: io::Result<()> = Ok(());
        tape.begin(common, &subject)?;
        let mut each = |check: &CheckResult, entries: &[Entry]| {
            entries.iter().for_each(|entry| tape.write(entry));
            if failed.is_ok() && common.format == Format::Json {
                failed = lines::put(&Line::check(&subject, check)).and_then(|()| lines::flush());
            }
            if failed.is_ok() && common.link.is_given() && common.format == Format::Text {
                // It takes a while: results are printed as they come.
                say!("{}  {}: {}", check.words(), check.id, check.seen);
            }
        };
        let began = SystemTime::now();
        let (mut examination, failure) = examine(&mut each);
        // Its own times are those of a bench; the paper is of a day.
        examination.date = date(began);
        // What goes wrong with one output keeps none of the others from being written.
        let mut wrong: Vec<Failure> = failed.err().map(Failure::from).into_iter().collect();
        if let Some(recorded) = tape.end(&examination) {
            examination.recording_sha256 = recorded.sha256;
            wrong.extend(recorded.wrong);
        }
        if let Some(serial) = &common.serial {
            let own = std::mem::replace(&mut examination.subject.serial, serial.clone());
            if !own.is_empty() && own != *serial {
                caution!("It says that its serial number is {own}; --serial says {serial}.");
            }
        }
        passed &= examination.passed();
        wrong.extend(keep(common, &subject, &examination));
        if let Some(error) = failure {
            // What was found before is written: the reports say where it ended.
            wrong.push(error.into());
        }
        report_all(wrong)?;
    }
    Ok(if passed {
        Exit::Passed
    } else {
        Exit::FellShort
    })
}

/// Writes an examination wherever it is to go, and gives back what went wrong.
fn keep(common: &Common, subject: &str, examination: &Examination) -> Vec<Failure> {
    let shown = match common.format {
        Format::Json => {
            let mut all = Line::ends(subject, examination);
            all.try_for_each(|line| lines::put(&line))
                .and_then(|()| lines::flush())
        }
        Format::Text => print_table(examination),
    };
    if common.short && common.format == Format::Text {
        say!(
            "The short examination left out: {}.",
            examination.left_out.join(", ")
        );
    }
    let (written, mut wrong) = common.outputs.write(examination);
    let ticket = common.ticket.keep(examination);
    for path in written {
        lines::tell(|| Told::wrote(common.outputs.what(path), path));
        say_to_people(format_args!("wrote {}", path.display()));
    }
    wrong.extend(ticket.err());
    wrong.extend(shown.err().map(Failure::from));
    wrong
}
