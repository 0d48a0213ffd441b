//! `payrig examine`.

mod acceptor;
mod board;
mod device;
mod lines;
mod link;
mod person;
mod pins;
mod running;

use crate::outputs::Files;
use crate::report::{ReportOutputs, beside};
use crate::tickets::TicketOutput;
use crate::{Exit, Failure, Format};
use board::BoardArguments;
use clap::builder::NonEmptyStringValueParser;
use clap::{Args, Subcommand};
use device::DeviceArguments;
use link::SubjectLink;
use payrig_bench::Plan;
use payrig_exam::Selection;
use payrig_exam::peer::Peer;
use payrig_exam::person::{Person, Unattended};
use payrig_rig::RigError;
use payrig_rig::nearest;
use payrig_units::Decimals;
use person::AtTerminal;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Arguments of `payrig examine`.
#[derive(Debug, Args)]
pub(crate) struct ExamineArguments {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Examine a board: the tool plays all peripherals.
    Board(BoardArguments),
    /// Examine a device: the tool plays the board.
    Device(DeviceArguments),
}

/// How the name of the bench begins in the recording of an examination.
pub(crate) const EXAMINATION: &str = "examination of the ";

/// What both examinations take.
#[derive(Clone, Debug, Args)]
struct Common {
    /// The rig with what is to be examined [default: what is built in].
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Ask nobody: what needs hands at a real subject is left out, what needs eyes is answered by
    /// its default, and the result says so. Emulated subjects need nobody.
    #[arg(long)]
    unattended: bool,
    /// Name the checks and run none.
    #[arg(long)]
    list: bool,
    /// How to write results.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// Run these checks only: names or patterns (cut-*), with commas between.
    #[arg(long, value_name = "CHECK", value_delimiter = ',')]
    only: Vec<String>,
    /// Run the few checks that find most: twenty of a board, a dozen of a device. A board with a person at
    /// it takes less than ten minutes.
    #[arg(long, conflicts_with = "only")]
    short: bool,
    /// Make the emulated subject misbehave in this way, to see what the examination says; --list
    /// --format json names one beside each check.
    #[arg(long, value_name = "QUIRK", conflicts_with_all = ["link", "peer"])]
    quirk: Option<String>,
    /// Write everything that happened as a recording, which `payrig read` reads; its SHA-256 is in
    /// the reports.
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Replace an earlier recording of that name.
    #[arg(long, requires = "record")]
    overwrite: bool,
    /// The serial number on the unit's plate, where it does not say its own.
    #[arg(long, value_name = "NUMBER", value_parser = NonEmptyStringValueParser::new())]
    serial: Option<String>,
    #[command(flatten)]
    link: SubjectLink,
    #[command(flatten)]
    outputs: ReportOutputs,
    #[command(flatten)]
    ticket: TicketOutput,
}

impl ExamineArguments {
    /// How it writes what it finds.
    pub(crate) const fn format(&self) -> Format {
        match &self.what {
            What::Board(arguments) => arguments.common.format,
            What::Device(arguments) => arguments.common.format,
        }
    }
}

pub(crate) fn examine(arguments: &ExamineArguments) -> Result<Exit, Failure> {
    match &arguments.what {
        What::Board(arguments) => board::examine(arguments.clone()),
        What::Device(arguments) => device::examine(arguments.clone()),
    }
}

impl Common {
    /// The checks that are asked for, as examinations take them; `short` are those of the short one.
    fn only(&self, short: &[&str]) -> Option<String> {
        match self.short {
            true => Some(short.join(",")),
            false => (!self.only.is_empty()).then(|| self.only.join(",")),
        }
    }

    /// Refuses a name or pattern that none of these checks has.
    fn refuse_unknown(&self, known: &[&str]) -> Result<(), Failure> {
        let only = self.only.join(",");
        let selection = Selection::of((!self.only.is_empty()).then_some(only.as_str()));
        match selection.unknown(known).first() {
            Some(name) if name.contains('*') => Err(Failure::wrong(format!(
                "no check matches \"{name}\": the same command with --list names them"
            ))),
            Some(name) => Err(unknown("check", name, known)),
            None => Ok(()),
        }
    }
}

fn unknown(what: &str, name: &str, known: &[&str]) -> Failure {
    // They are far too many to be named here.
    let hint = match (nearest(name, known), what) {
        (Some(near), _) => format!("did you mean \"{near}\"?"),
        (None, "quirk") => {
            "the same command with --list --format json names one beside each check".to_owned()
        }
        (None, _) => "the same command with --list names them".to_owned(),
    };
    Failure::wrong(format!("no {what} is called \"{name}\": {hint}"))
}

fn load(common: &Common) -> Result<Option<Plan>, Failure> {
    let wrong = |error: RigError| Failure::wrong(error);
    common
        .rig
        .as_deref()
        .map(payrig_rig::load)
        .transpose()
        .map_err(wrong)
}

impl Common {
    /// The same for one of several subjects, which has reports and a recording of its own.
    fn of_subject(&self, subject: &str, several: bool) -> Self {
        let mut own = self.clone();
        if several {
            own.outputs = self.outputs.of_subject(subject);
            own.record = self.record.as_deref().map(|path| beside(path, subject));
        }
        own
    }
}

/// Tries where examinations of these subjects are to be written: before a link is waited for, and before
/// anybody has worked for an hour.
fn try_outputs(common: &Common, subjects: &[String]) -> Result<(), Failure> {
    let mut files = Files::default();
    files.read("the rig", common.rig.as_deref());
    files.read("the port of the link", common.link.port().map(Path::new));
    common.ticket.files(&mut files)?;
    for subject in subjects {
        let own = common.of_subject(subject, subjects.len() > 1);
        files.write("the recording", own.record.as_deref())?;
        own.outputs.files(&mut files)?;
        own.outputs.can_be_written()?;
    }
    common.ticket.can_be_kept()
}

/// Who answers questions about a subject outside.
fn answerer(common: &Common) -> Result<Box<dyn Person>, Failure> {
    Ok(match common.unattended {
        true => Box::new(Unattended::default()),
        false => Box::new(AtTerminal::at_the_terminal()?),
    })
}

/// The seed that a peer in lock-step is given: an examination has none of its own.
const SEED: u64 = 1;

/// Who answers questions about a subject in lock-step: the subject.
fn at_peer(common: &Common, peer: &Peer, decimals: Decimals) -> Box<dyn Person> {
    match common.unattended {
        true => Box::new(Unattended::default()),
        false => peer.person(decimals),
    }
}

/// What reports call the link to a subject in lock-step.
fn in_lock_step(peer: &Peer) -> String {
    format!("in lock-step with {}", peer.name())
}

/// A time of the machine's clock, in RFC 3339.
pub(crate) fn date(time: SystemTime) -> String {
    let since = time.duration_since(SystemTime::UNIX_EPOCH);
    let seconds = since.map_or(0, |s| i64::try_from(s.as_secs()).unwrap_or(0));
    chrono::DateTime::from_timestamp(seconds, 0).map_or_else(String::new, |d| {
        d.to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    })
}
