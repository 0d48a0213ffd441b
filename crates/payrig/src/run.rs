//! `payrig run`.

use crate::ending::Ending;
use crate::examine::date;
use crate::json::common::{Line, TOOL};
use crate::lines;
use crate::linked::{self, LinkArguments};
use crate::lockstep;
use crate::log::{Show, TextLog};
use crate::outputs::Files;
use crate::ready::Ready;
use crate::recording::{Recording, Wanted};
use crate::report::report_all;
use crate::terminal::{self, Screen, say};
use crate::{Exit, Failure, Format, summary};
use clap::Args;
use payrig_bench::run::run_simulated_until;
use payrig_bench::{Bench, Plan};
use payrig_link::Clock;
use payrig_link::drive::Ports;
use payrig_rig::FIRST_VEND;
use payrig_serve::api::{Open, Record};
use payrig_units::{Micros, Visible};
use payrig_wire::recording::{Entry, Header};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Name of the embedded rig in messages and recordings.
const EMBEDDED: &str = "first-vend.toml";

/// Arguments of `payrig run`.
#[derive(Debug, Args)]
pub(crate) struct RunArguments {
    /// The rig [default: the built-in one, which sells a snack].
    rig: Option<PathBuf>,
    /// How to write what happens.
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
    /// Bench time: as fast as it goes, or with the wall clock.
    #[arg(long, value_enum, default_value_t = PaceName::Simulated)]
    pace: PaceName,
    /// Seed of everything that varies, instead of the rig's.
    #[arg(long)]
    seed: Option<u64>,
    /// Where to write the recording [default: NAME-OF-RIG.recording.jsonl in this folder, or, where
    /// there is one already, NAME-OF-RIG-2.recording.jsonl and so on].
    #[arg(long, value_name = "FILE", conflicts_with = "no_record")]
    record: Option<PathBuf>,
    /// Replace an earlier recording of that name.
    #[arg(long, conflicts_with = "no_record")]
    overwrite: bool,
    /// Write no recording.
    #[arg(long)]
    no_record: bool,
    /// Show also the exchanges in which a device had nothing to say.
    #[arg(long)]
    all: bool,
    /// What to show: the steps of the script and what displays show, money only, or everything.
    #[arg(long, value_enum, default_value_t)]
    show: Show,
    /// Be driven by lines of JSON on standard input, answered on standard output, with the verbs of
    /// `payrig serve`; the bench ends with its input. Its script is left out, and it is recorded with
    /// --record only.
    #[arg(long, value_enum, value_name = "stdio", conflicts_with_all = ["format", "all", "show", "limit", "no_record", "overwrite", "probe"])]
    control: Option<Control>,
    /// With --control: play the script of the rig as well.
    #[arg(long, requires = "control")]
    script: bool,
    /// End the bench after this many seconds of bench time, whatever the script says.
    #[arg(long, value_name = "SECONDS", default_value_t = 3600)]
    limit: u64,
    #[command(flatten)]
    link: LinkArguments,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum PaceName {
    Simulated,
    Real,
}

/// Who drives a bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Control {
    /// Lines of JSON.
    Stdio,
}

/// A rig that was read is possible as it stands; a link from the command line may have changed that.
fn possible(rig: &Plan) -> Result<(), Failure> {
    let Some((line, why)) = rig.impossible().into_iter().next() else {
        return Ok(());
    };
    Err(Failure::wrong(format!(
        "line {line} of the rig cannot work on this link: {why}\n  take a rig without that step, or \
         another --link or --role"
    )))
}

/// The bench as it is opened for who drives it.
fn opening(arguments: &RunArguments) -> Open {
    let path = |path: &PathBuf| path.display().to_string();
    let mut open = Open {
        rig: arguments.rig.as_ref().map(path),
        seed: arguments.seed,
        pace: (arguments.pace == PaceName::Real).then_some(payrig_serve::PaceName::Real),
        script: arguments.script,
        record: match &arguments.record {
            Some(file) => Record::File(path(file)),
            None => Record::default(),
        },
        ..Open::default()
    };
    arguments.link.open(&mut open);
    open
}

pub(crate) fn run(arguments: &RunArguments) -> Result<Exit, Failure> {
    if arguments.control == Some(Control::Stdio) {
        return crate::serve::over_stdio(opening(arguments));
    }
    let mut rig = match &arguments.rig {
        Some(path) => payrig_rig::load(path),
        None => payrig_rig::parse(Path::new(EMBEDDED), FIRST_VEND),
    }
    .map_err(Failure::wrong)?;
    if let Some(seed) = arguments.seed {
        rig.seed = seed;
    }
    arguments.link.apply(&mut rig)?;
    possible(&rig)?;
    let mut files = Files::default();
    files.read("the rig", arguments.rig.as_deref());
    for path in linked::paths(&rig) {
        files.read("a port of the rig", Some(path));
    }
    files.write("the recording", arguments.record.as_deref())?;
    files.write(
        "the file that says it is ready",
        arguments.link.ready_file.as_deref(),
    )?;
    let measured = linked::prepare(&arguments.link, &rig)?;
    let ending = Ending::listen("the run")?;
    let mut session = match &arguments.link.peer {
        Some(address) => Some(lockstep::open(address, &mut rig, &ending)?),
        None => None,
    };
    // Time zero: the header says what the wall clock was then.
    let (clock, began) = (Clock::starting_now(), SystemTime::now());
    let mut output = Output::open(arguments, &rig, began)?;
    let limit = Micros::secs(arguments.limit);
    let _run = tracing::info_span!(target: "payrig::run", "run", bench = rig.name).entered();
    if let Some(session) = &mut session {
        is_ready(arguments, &Ready::new(Vec::new()))?;
        let sink = |_: &Bench, entry: Entry| output.entry(entry);
        let optional = arguments.link.peer_optional;
        let (bench, failed) = lockstep::run(session, &rig, optional, limit, &ending, sink);
        return output.finish(&bench, failed);
    }
    if rig.is_live() {
        let json = output.json;
        let mut began = |said: &[String], ready: &Ready| {
            for what in said {
                match json {
                    false => writeln!(terminal::screen(), "{}", Visible(what))?,
                    true => say!("{what}"),
                }
            }
            if json {
                ready.line()?;
            }
            is_ready(arguments, ready)
        };
        let sink = |_: &Bench, entry: Entry| output.entry(entry);
        let time = (&measured, clock);
        let (bench, failed) = linked::run(
            &arguments.link,
            time,
            &rig,
            limit,
            &ending,
            &mut began,
            sink,
        )?;
        return output.finish(&bench, failed);
    }
    is_ready(arguments, &Ready::new(Vec::new()))?;
    let mut bench = Bench::of(&rig);
    if arguments.link.peer_optional {
        bench.peer_optional();
    }
    let sink = |_: &Bench, entry: Entry| output.entry(entry);
    let failed = match arguments.pace {
        PaceName::Simulated => {
            let stop = || Some(ending.is_asked()?.note());
            run_simulated_until(&mut bench, limit, stop, sink).map_err(Failure::Output)
        }
        PaceName::Real => {
            linked::by_the_clock(&mut bench, &mut Ports::none(), limit, &ending, sink)
        }
    };
    output.finish(&bench, failed.err())
}

/// Tells whoever waits for a file that all is open.
fn is_ready(arguments: &RunArguments, ready: &Ready) -> Result<(), Failure> {
    match &arguments.link.ready_file {
        Some(path) => ready.file(path),
        None => Ok(()),
    }
}

/// Where the log goes: the recording, and text or JSON on standard output. What goes wrong with either
/// is reported at the end, and holds up neither the other nor the bench.
struct Output {
    recording: Option<Recording>,
    json: bool,
    log: TextLog,
    out: BufWriter<Screen<anstream::AutoStream<io::Stdout>>>,
    /// Why nothing more is written to standard output.
    failed: Option<io::Error>,
    /// Somebody watches: every line goes out at once.
    live: bool,
    /// Findings, and the verdict last: for the summary.
    kept: Vec<Entry>,
}

impl Output {
    fn open(arguments: &RunArguments, rig: &Plan, began: SystemTime) -> Result<Self, Failure> {
        let live = arguments.pace == PaceName::Real || rig.is_live() && !rig.in_lock_step();
        let optional = arguments.link.peer_optional;
        let letters = rig.currency.letters().map(str::to_owned);
        let mut header = Header::new(TOOL, &rig.name, Some(rig.seed))
            .with_peer_optional(optional)
            .money(rig.decimals, letters);
        if rig.in_lock_step() {
            // Times are exact, and the same every time: nothing of it is of a day.
            header = header.ours(rig.ours());
        } else if rig.is_live() {
            header = header.live(date(began)).ours(rig.ours());
        } else if live {
            header.started = Some(date(began));
        }
        let file = arguments.rig.as_deref().unwrap_or(Path::new(EMBEDDED));
        let stem = file.file_stem().unwrap_or_default().to_string_lossy();
        let wanted = match &arguments.record {
            Some(path) => Wanted::Named(path),
            None => Wanted::Default(&stem),
        };
        let first = header.clone();
        let recording = match arguments.no_record {
            true => None,
            false => Some(Recording::begin(wanted, arguments.overwrite, header)?),
        };
        let mut output = Self {
            recording,
            json: arguments.format == Format::Json,
            log: TextLog::new(rig.decimals, !arguments.all)
                .showing(arguments.show)
                .within(terminal::width()),
            out: terminal::buffered(),
            failed: None,
            live,
            kept: Vec::new(),
        };
        if output.json {
            output.show(|_, _| lines::header(&first));
        } else {
            output.show(|log, out| {
                let name = Visible(&rig.name);
                match &rig.link {
                    Some(link) => writeln!(
                        out,
                        "Bench \"{name}\" on link {}.",
                        Visible(&link.port)
                    )?,
                    None if rig.is_live() => writeln!(
                        out,
                        "Bench \"{name}\": the board's bus is virtual, devices are on links of their own."
                    )?,
                    None => writeln!(
                        out,
                        "Bench \"{name}\", seed {}: a virtual bus; nothing here is live.",
                        rig.seed
                    )?,
                }
                log.heading(out)
            });
        }
        Ok(output)
    }

    /// Writes something to standard output, unless that has failed.
    fn show(&mut self, write: impl FnOnce(&mut TextLog, &mut dyn Write) -> io::Result<()>) {
        if self.failed.is_some() {
            return;
        }
        let live = self.live;
        let mut written = write(&mut self.log, &mut self.out);
        if live && written.is_ok() {
            written = self.out.flush().and_then(|()| lines::flush());
        }
        self.failed = written.err();
    }

    fn entry(&mut self, entry: Entry) -> io::Result<()> {
        if let Some(recording) = &mut self.recording {
            recording.entry(&entry);
        }
        match self.json {
            true => self.show(|_, _| lines::put(&entry)),
            false => self.show(|log, out| log.entry(out, &entry)),
        }
        if matches!(entry, Entry::Finding(_) | Entry::Verdict { .. }) {
            self.kept.push(entry);
        }
        Ok(())
    }

    /// The end; `failed` is why the bench broke off, if it did.
    fn finish(mut self, bench: &Bench, failed: Option<Failure>) -> Result<Exit, Failure> {
        let path = self.recording.as_ref().map(|r| r.path().to_owned());
        let recorded = self.recording.take().map(Recording::end);
        let mut wrong = recorded.map(|r| r.wrong).unwrap_or_default();
        let kept = std::mem::take(&mut self.kept);
        if self.json {
            self.show(|_, _| match &path {
                Some(path) => lines::put(&Line::wrote("recording", path)),
                None => Ok(()),
            });
        } else {
            self.show(|log, out| {
                log.finish(&mut *out)?;
                summary::findings(&mut *out, &kept)?;
                summary::ledger(&mut *out, bench.books().ledger(), bench.decimals())?;
                if let Some(path) = &path {
                    writeln!(out, "\nRecording: {}", Visible(path.display()))?;
                }
                summary::verdict(out, &kept)
            });
        }
        self.show(|_, out| out.flush().and_then(|()| lines::flush()));
        wrong.extend(self.failed.take().map(Failure::Output));
        wrong.extend(failed);
        report_all(wrong)?;
        let passed = matches!(kept.last(), Some(Entry::Verdict { passed: true, .. }));
        Ok(if passed {
            Exit::Passed
        } else {
            Exit::FellShort
        })
    }
}
