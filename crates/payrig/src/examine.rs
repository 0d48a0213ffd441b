//! `payrig examine`.

mod acceptor;
mod interrupt;
mod lines;
mod link;
mod person;
mod record;

use crate::report::{ReportOutputs, print_table};
use crate::tickets::TicketOutput;
use crate::{Exit, Failure, Format};
use acceptor::AcceptorArguments;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::{Args, Subcommand};
use lines::LineArguments;
use link::SubjectLink;
use payrig_bench::rig::{DeviceLink, DeviceRig, nearest};
use payrig_bench::{Rig, RigError};
use payrig_examine::board::{self, BoardOutside, BoardSetup};
use payrig_examine::device::{self, Kind, Outside, Setup};
use payrig_examine::operator::{Operator, Unattended};
use payrig_examine::{CheckResult, Examination, Outcome, Stop};
use payrig_link::{Clock, LinkError};
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use person::Person;
use record::Recording;
use serde_json::{Value, json};
use std::io::{self, Write};
use std::path::PathBuf;
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
    /// Run this check only.
    #[arg(long, value_name = "CHECK")]
    only: Option<String>,
    /// Make the emulated subject misbehave in this way, to see what the examination says; --list
    /// --format json names one beside each check.
    #[arg(long, value_name = "QUIRK", conflicts_with = "link")]
    quirk: Option<String>,
    /// Write everything that happened as a recording, which `payrig read` reads; its SHA-256 is in
    /// the reports.
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// The serial number on the unit's plate, where it does not say its own.
    #[arg(long, value_name = "NUMBER")]
    serial: Option<String>,
    #[command(flatten)]
    link: SubjectLink,
    #[command(flatten)]
    outputs: ReportOutputs,
    #[command(flatten)]
    ticket: TicketOutput,
}

#[derive(Clone, Debug, Args)]
struct BoardArguments {
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    pulses: AcceptorArguments,
}

#[derive(Clone, Debug, Args)]
struct DeviceArguments {
    #[command(flatten)]
    common: Common,
    /// Examine devices of this kind only.
    #[arg(long, value_parser = kinds())]
    kind: Option<Kind>,
    #[command(flatten)]
    lines: LineArguments,
}

/// The kinds by their names.
fn kinds() -> impl TypedValueParser<Value = Kind> {
    let names = Kind::ALL.map(|k| PossibleValue::new(k.name()));
    // The name of the pulse bill validator while there was no other pulse device.
    let old = PossibleValue::new("pulse").hide(true);
    let parser = PossibleValuesParser::new(names.into_iter().chain([old]));
    parser.try_map(|name| Kind::named(&name).ok_or("no such kind"))
}

pub(crate) fn examine(arguments: &ExamineArguments) -> Result<Exit, Failure> {
    match &arguments.what {
        What::Board(arguments) => examine_board(arguments.clone()),
        What::Device(arguments) => examine_devices(arguments.clone()),
    }
}

/// A check as `--list` tells it.
struct Listed {
    subject: String,
    id: &'static str,
    title: &'static str,
    section: &'static str,
    expected: &'static str,
    quirk: &'static str,
}

fn list(checks: &[Listed], format: Format) -> io::Result<()> {
    let mut out = anstream::AutoStream::auto(io::stdout().lock());
    let width = checks.iter().map(|c| c.id.len()).max().unwrap_or(0);
    let mut subject = "";
    for check in checks {
        if format == Format::Json {
            let line = json!({
                "type": "check", "subject": check.subject, "id": check.id, "title": check.title,
                "section": check.section, "expected": check.expected, "quirk": check.quirk,
            });
            writeln!(out, "{line}")?;
            continue;
        }
        if subject != check.subject {
            writeln!(out, "{}:", check.subject)?;
            subject = &check.subject;
        }
        let (id, title, section) = (check.id, check.title, check.section);
        writeln!(out, "  {id:width$}  {title} [{section}]")?;
    }
    out.flush()
}

fn check_line(subject: &str, check: &CheckResult) -> Value {
    let mut line = json!({ "type": "check", "subject": subject });
    if let (Some(line), Ok(Value::Object(fields))) =
        (line.as_object_mut(), serde_json::to_value(check))
    {
        line.extend(fields);
    }
    line
}

fn verdict_line(subject: &str, e: &Examination) -> Value {
    json!({
        "type": "verdict",
        "subject": subject,
        "name": e.subject.name,
        "passed": e.passed(),
        "grade": e.grade,
        "checks": e.checks.len(),
        "failed": e.count(Outcome::Fail),
        "stopped": e.was_stopped(),
        "cannot_tell": e.count(Outcome::CannotTell),
        "skipped": e.count(Outcome::Skipped),
        "reasons": e.reasons,
    })
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
    Failure::Wrong(format!("no {what} is called \"{name}\": {hint}"))
}

/// An examination still to be run; it tells every result as it comes.
type Job = Box<dyn FnOnce(&mut dyn FnMut(&CheckResult, &[Entry])) -> Examined>;

/// What came out, and whether the link failed on the way.
type Examined = (Examination, Option<LinkError>);

/// Runs examinations one after another, writing each as it comes. Ctrl-C asks for `stop`: the one
/// under way ends and is written, the others are not begun.
fn run_all(
    common: &Common,
    stop: &Stop,
    subjects: usize,
    examinations: impl Iterator<Item = (String, Job)>,
) -> Result<Exit, Failure> {
    let of_one = common.outputs.any() || common.record.is_some() || common.serial.is_some();
    if of_one && subjects > 1 {
        let text = "several devices are examined, a report, recording or serial number is of one: name \
                    it with --kind";
        return Err(Failure::Wrong(text.to_owned()));
    }
    interrupt::listen(stop.clone())?;
    let mut passed = true;
    for (subject, examine) in examinations {
        if stop.is_asked() {
            anstream::eprintln!("{subject}: not examined, the examination was ended before it");
            passed = false;
            continue;
        }
        let mut failed: io::Result<()> = Ok(());
        let begin = |path: &PathBuf| Recording::begin(path, &subject);
        let mut recording = common.record.as_ref().map(begin).transpose()?;
        let mut each = |check: &CheckResult, entries: &[Entry]| {
            if failed.is_ok()
                && let Some(recording) = &mut recording
            {
                failed = recording.check(entries);
            }
            if failed.is_ok() && common.format == Format::Json {
                failed = writeln!(io::stdout().lock(), "{}", check_line(&subject, check));
            }
            if failed.is_ok() && common.link.is_given() && common.format == Format::Text {
                // It takes a while: what comes is told as it comes.
                anstream::eprintln!("{}  {}: {}", check.outcome.words(), check.id, check.seen);
            }
        };
        let (mut examination, failure) = examine(&mut each);
        failed?;
        if let Some(recording) = recording {
            examination.recording_sha256 = recording.end()?;
        }
        if let Some(serial) = &common.serial {
            let own = std::mem::replace(&mut examination.subject.serial, serial.clone());
            if !own.is_empty() && own != *serial {
                anstream::eprintln!(
                    "It says that its serial number is {own}; --serial says {serial}."
                );
            }
        }
        passed &= examination.passed();
        match common.format {
            Format::Json => {
                writeln!(
                    io::stdout().lock(),
                    "{}",
                    verdict_line(&subject, &examination)
                )?;
            }
            Format::Text => print_table(&examination)?,
        }
        for path in common.outputs.write(&examination)? {
            anstream::eprintln!("wrote {}", path.display());
        }
        common.ticket.keep(&examination)?;
        if let Some(error) = failure {
            // What was found before is written: the reports say where it ended.
            return Err(error.into());
        }
    }
    Ok(if passed {
        Exit::Passed
    } else {
        Exit::FellShort
    })
}

fn load(common: &Common) -> Result<Option<Rig>, Failure> {
    let wrong = |error: RigError| Failure::Wrong(error.to_string());
    common
        .rig
        .as_deref()
        .map(Rig::load)
        .transpose()
        .map_err(wrong)
}

// ---- board ---------------------------------------------------------------------------------------

fn examine_board(mut arguments: BoardArguments) -> Result<Exit, Failure> {
    let wrong = |error: RigError| Failure::Wrong(error.to_string());
    let mut setup = match load(&arguments.common)? {
        Some(rig) => {
            let setup = BoardSetup::of_rig(&rig).map_err(wrong)?;
            if setup.is_outside {
                if let Some(link) = rig.link.as_ref().filter(|l| l.outside == Source::Master) {
                    arguments.common.link.or_of(link);
                }
                arguments.pulses.or_of(&rig);
            } else {
                refuse_link(&arguments.common)?;
            }
            setup
        }
        None => BoardSetup::good().map_err(wrong)?,
    };
    let arguments = &arguments;
    let common = &arguments.common;
    if setup.is_outside && !common.link.is_given() {
        let text = "the board of this rig is outside, and the rig does not say where: give --link, or \
                    write [link] in it";
        return Err(Failure::Wrong(text.to_owned()));
    }
    common.link.examine()?;
    arguments.pulses.examine(common.link.port())?;
    if let Some(name) = &common.quirk {
        let Some(quirk) = board::quirk(name) else {
            let known: Vec<&str> = board::quirks().map(|q| q.name).collect();
            return Err(unknown("quirk", name, &known));
        };
        (quirk.apply)(&mut setup);
    }
    let known: Vec<&str> = board::checks().map(|c| c.id).collect();
    if let Some(id) = common
        .only
        .as_ref()
        .filter(|id| !known.contains(&id.as_str()))
    {
        return Err(unknown("check", id, &known));
    }
    if let (Some(file), false) = (&common.rig, setup.unused.is_empty()) {
        anstream::eprintln!(
            "The examination takes {} of {}. Not used:",
            match setup.is_outside {
                true => "the links",
                false => "the board, with its pace, levels and policies,",
            },
            file.display()
        );
        for what in &setup.unused {
            anstream::eprintln!("  {what}");
        }
    }
    let only = common.only.clone();
    if common.list {
        let meant = board::checks().filter(|c| only.as_deref().is_none_or(|id| id == c.id));
        let listed = meant.map(|c| Listed {
            subject: "board".to_owned(),
            id: c.id,
            title: c.title,
            section: c.section,
            expected: c.expected,
            quirk: c.quirk,
        });
        list(&listed.collect::<Vec<_>>(), common.format)?;
        return Ok(Exit::Passed);
    }
    if common.link.is_given() {
        return board_outside(arguments, setup);
    }
    let stop = Stop::default();
    let asked = stop.clone();
    let job: Job = Box::new(move |each| {
        let examination = board::examine_until(&setup, only.as_deref(), &asked, each);
        (examination, None)
    });
    run_all(common, &stop, 1, std::iter::once(("board".to_owned(), job)))
}

/// A rig with our own board leaves nothing for a link to be connected to.
fn refuse_link(common: &Common) -> Result<(), Failure> {
    if !common.link.is_given() {
        return Ok(());
    }
    let text = "the board of this rig is our own, and --link is for a real one: leave one of them out, \
                or give a rig whose [board] has kind = \"outside\"";
    Err(Failure::Wrong(text.to_owned()))
}

/// A board at the other end of a link.
fn board_outside(arguments: &BoardArguments, setup: BoardSetup) -> Result<Exit, Failure> {
    let (common, pulses) = (&arguments.common, &arguments.pulses);
    let bus = common.link.port().unwrap_or_default();
    let lines = pulses.name();
    if common.unattended {
        let what = board::preparation(&setup, lines.is_some());
        anstream::eprintln!("The board is taken to be prepared so: {what}.");
    }
    let clock = Clock::starting_now();
    let acceptor = pulses.open(clock, bus, common.link.reconnect())?;
    let Some(opened) = common.link.open(Source::Peripheral, clock)? else {
        return Ok(Exit::Passed);
    };
    let stop = Stop::default();
    let mut outside = BoardOutside::new(opened.linked.until(&stop), operator(common)?);
    if let Some(acceptor) = acceptor {
        outside = outside.with_lines(acceptor, &setup);
    }
    let name = match lines {
        Some(lines) => format!("{}; {lines}", opened.name),
        None => opened.name,
    };
    let only = common.only.clone();
    let began = SystemTime::now();
    let job: Job = Box::new(move |each| {
        let (mut examination, failure) =
            board::examine_outside(&setup, outside, only.as_deref(), each);
        examination.link = name;
        examination.date = date(began);
        (examination, failure)
    });
    run_all(common, &stop, 1, std::iter::once(("board".to_owned(), job)))
}

// ---- devices -------------------------------------------------------------------------------------

/// A device, and where the real one is, if there is one.
type Meant = (Setup, Option<DeviceLink>);

/// Where a device of a rig is, when it is real.
fn where_is(rig: &Rig, device: &DeviceRig) -> Option<DeviceLink> {
    match &device.link {
        Some(link) => link.device_outside().then(|| link.clone()),
        // What is on the bus of a rig whose board is ours.
        None => rig
            .link
            .as_ref()
            .filter(|bus| bus.outside == Source::Peripheral)
            .filter(|_| device.address().is_some())
            .map(|bus| DeviceLink::Bus(bus.clone())),
    }
}

/// Takes the link of the one device that is meant from its rig.
fn real(arguments: &mut DeviceArguments, setups: Vec<Meant>) -> Result<Vec<Setup>, Failure> {
    let several = setups.len() > 1;
    if !arguments.common.link.is_given() && !arguments.common.list {
        for (_, link) in &setups {
            match link {
                Some(_) if several => {
                    let text = "the rig has a real device, and one real device is examined at a time: \
                                name its kind with --kind";
                    return Err(Failure::Wrong(text.to_owned()));
                }
                Some(DeviceLink::Bus(bus)) => arguments.common.link.or_of(bus),
                Some(DeviceLink::Lines(lines)) => {
                    arguments.common.link.or_on(&lines.port);
                    arguments.lines = LineArguments::of(lines);
                }
                None => {}
            }
        }
    }
    arguments.common.link.examine()?;
    Ok(setups.into_iter().map(|(setup, _)| setup).collect())
}

/// The devices of a rig, or one good device of each kind.
fn setups(arguments: &DeviceArguments) -> Result<Vec<Meant>, Failure> {
    let rig = load(&arguments.common)?;
    let mut setups: Vec<Meant> = match &rig {
        None => Kind::ALL.map(|kind| (Setup::good(kind), None)).into(),
        Some(rig) => {
            let meant = |d| Some((Setup::of_rig(rig, d)?, where_is(rig, d)));
            rig.devices.iter().filter_map(meant).collect()
        }
    };
    // A rig calls a recycler a bill-validator with stores, and an acceptor above a hopper by its
    // own name.
    let is = |s: &Setup, kind: Kind| s.kind == kind || rig.is_some() && s.kind.plainer() == kind;
    setups.retain(|(s, _)| arguments.kind.is_none_or(|kind| is(s, kind)));
    if setups.is_empty() {
        let names = Kind::ALL.map(Kind::name).join(", ");
        let text = format!("the rig has no such device: it needs a [[device]] of one of {names}");
        return Err(Failure::Wrong(text));
    }
    Ok(setups)
}

/// A device at the other end of a link.
fn examine_outside(arguments: &DeviceArguments, mut setups: Vec<Setup>) -> Result<Exit, Failure> {
    let common = &arguments.common;
    let (Some(setup), true) = (setups.pop(), setups.is_empty()) else {
        let text = "one device is at the other end of the link: name its kind with --kind";
        return Err(Failure::Wrong(text.to_owned()));
    };
    let stop = Stop::default();
    let (outside, name) = if setup.kind.address().is_some() {
        let Some(opened) = common.link.open(Source::Master, Clock::starting_now())? else {
            return Ok(Exit::Passed);
        };
        let outside = Outside::new(setup.kind, opened.linked, operator(common)?);
        (outside.until(&stop), opened.name)
    } else if matches!(setup.kind, Kind::PulseHopper | Kind::PulseCoinHopper) {
        let text = "a real hopper cannot be examined: its motor is not driven over a serial port. \
                    Examine the acceptor above it as --kind pulse-coin-acceptor";
        return Err(Failure::Wrong(text.to_owned()));
    } else {
        let port = common.link.port().unwrap_or_default();
        let lines = arguments.lines.open(port)?;
        let outside = Outside::on_lines(setup.kind, lines, operator(common)?);
        (outside.until(&stop), format!("modem lines of {port}"))
    };
    let (subject, only) = (setup.kind.name().to_owned(), common.only.clone());
    let began = SystemTime::now();
    let job: Job = Box::new(move |each| {
        let (mut examination, failure) =
            device::examine_outside(&setup, outside, only.as_deref(), each);
        examination.link = name;
        examination.date = date(began);
        (examination, failure)
    });
    run_all(common, &stop, 1, std::iter::once((subject, job)))
}

/// Who answers questions about a subject outside.
fn operator(common: &Common) -> Result<Box<dyn Operator>, Failure> {
    Ok(match common.unattended {
        true => Box::new(Unattended::default()),
        false => Box::new(Person::at_the_terminal()?),
    })
}

/// A time of the machine's clock, in RFC 3339.
fn date(time: SystemTime) -> String {
    let since = time.duration_since(SystemTime::UNIX_EPOCH);
    let seconds = since.map_or(0, |s| i64::try_from(s.as_secs()).unwrap_or(0));
    chrono::DateTime::from_timestamp(seconds, 0).map_or_else(String::new, |d| {
        d.to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    })
}

fn examine_devices(mut arguments: DeviceArguments) -> Result<Exit, Failure> {
    let meant = setups(&arguments)?;
    let mut setups = real(&mut arguments, meant)?;
    let (arguments, common) = (&arguments, &arguments.common);
    if let Some(name) = &common.quirk {
        setups.retain(|s| device::quirk(s.kind, name).is_some());
        if setups.is_empty() {
            let kinds = arguments.kind.map_or(Kind::ALL.to_vec(), |k| vec![k]);
            let known: Vec<&str> = kinds
                .into_iter()
                .flat_map(device::quirks)
                .map(|q| q.name)
                .collect();
            return Err(unknown("quirk", name, &known));
        }
        for setup in &mut setups {
            if let Some(quirk) = device::quirk(setup.kind, name) {
                (quirk.apply)(setup);
            }
        }
    }
    let all = |s: &Setup| device::checks(s.kind);
    if let Some(id) = &common.only {
        let known: Vec<&str> = setups.iter().flat_map(all).map(|c| c.id).collect();
        if !known.contains(&id.as_str()) {
            return Err(unknown("check", id, &known));
        }
        setups.retain(|s| all(s).any(|c| c.id == id));
    }
    if common.list {
        let listed = |s: &Setup| {
            let subject = s.kind.to_string();
            let only = common.only.clone();
            let checks = all(s).filter(move |c| only.as_deref().is_none_or(|id| id == c.id));
            checks.map(move |c| Listed {
                subject: subject.clone(),
                id: c.id,
                title: c.title,
                section: c.section,
                expected: c.expected,
                quirk: c.quirk,
            })
        };
        list(
            &setups.iter().flat_map(listed).collect::<Vec<_>>(),
            common.format,
        )?;
        return Ok(Exit::Passed);
    }
    if common.link.is_given() {
        return examine_outside(arguments, setups);
    }
    let count = setups.len();
    let only = common.only.clone();
    let stop = Stop::default();
    let jobs = setups.into_iter().map(|setup| {
        let subject = setup.kind.name().to_owned();
        let (only, asked) = (only.clone(), stop.clone());
        let job: Job = Box::new(move |each| {
            let examination = device::examine_until(&setup, only.as_deref(), &asked, each);
            (examination, None)
        });
        (subject, job)
    });
    run_all(common, &stop, count, jobs)
}
