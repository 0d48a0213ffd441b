//! `payrig run`.

use crate::linked::{self, LinkArguments};
use crate::log::TextLog;
use crate::read::write_json;
use crate::{Exit, Failure, Format, summary};
use clap::Args;
use payrig_bench::run::run_simulated;
use payrig_bench::{Bench, Plan};
use payrig_rig::FIRST_VEND;
use payrig_units::Micros;
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Name of the embedded rig in messages and recordings.
const EMBEDDED: &str = "first-vend.toml";

/// Arguments of `payrig run`.
#[derive(Debug, Args)]
pub(crate) struct RunArguments {
    /// The rig [default: the built-in one, which sells a snack].
    rig: Option<PathBuf>,
    /// How to write what happens.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// Bench time: as fast as it goes, or with the wall clock.
    #[arg(long, value_enum, default_value_t = PaceName::Simulated)]
    pace: PaceName,
    /// Seed of everything that varies, instead of the rig's.
    #[arg(long)]
    seed: Option<u64>,
    /// Where to write the recording [default: NAME-OF-RIG.recording.jsonl in this folder].
    #[arg(long, value_name = "FILE", conflicts_with = "no_record")]
    record: Option<PathBuf>,
    /// Write no recording.
    #[arg(long)]
    no_record: bool,
    /// Show also the exchanges in which a device had nothing to say.
    #[arg(long)]
    all: bool,
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

pub(crate) fn run(arguments: &RunArguments) -> Result<Exit, Failure> {
    let mut rig = match &arguments.rig {
        Some(path) => payrig_rig::load(path),
        None => payrig_rig::parse(Path::new(EMBEDDED), FIRST_VEND),
    }
    .map_err(|error| Failure::Wrong(error.to_string()))?;
    if let Some(seed) = arguments.seed {
        rig.seed = seed;
    }
    arguments.link.apply(&mut rig)?;
    let mut output = Output::open(arguments, &rig)?;
    let limit = Micros::secs(arguments.limit);
    if rig.is_live() {
        let json = output.json;
        let mut began = |what: &str| match json {
            false => writeln!(io::stdout(), "{what}"),
            true => writeln!(io::stderr(), "{what}"),
        };
        let sink = |_: &Bench, entry: Entry| output.entry(entry);
        let stage = linked::run(&arguments.link, &rig, limit, &mut began, sink)?;
        return output.finish(&stage);
    }
    let mut stage = Bench::of(&rig);
    let sink = |_: &Bench, entry: Entry| output.entry(entry);
    match arguments.pace {
        PaceName::Simulated => run_simulated(&mut stage, limit, sink)?,
        PaceName::Real => linked::by_the_clock(&mut stage, limit, sink)?,
    }
    output.finish(&stage)
}

/// Where the log goes: the recording, and text or JSON on standard output.
struct Output {
    recording: Option<(PathBuf, RecordingWriter<io::BufWriter<File>>)>,
    json: bool,
    log: TextLog,
    out: io::BufWriter<anstream::AutoStream<io::Stdout>>,
    /// Somebody watches: every line goes out at once.
    live: bool,
    /// Findings, and the verdict last: for the summary.
    kept: Vec<Entry>,
}

impl Output {
    fn open(arguments: &RunArguments, rig: &Plan) -> Result<Self, Failure> {
        let path = match (&arguments.record, arguments.no_record) {
            (_, true) => None,
            (Some(path), _) => Some(path.clone()),
            (None, _) => {
                let file = arguments.rig.as_deref().unwrap_or(Path::new(EMBEDDED));
                let stem = file
                    .file_stem()
                    .unwrap_or_default()
                    .to_string_lossy()
                    .into_owned();
                Some(PathBuf::from(format!("{stem}.recording.jsonl")))
            }
        };
        let recording = match path {
            None => None,
            Some(path) => {
                let cannot = |error: io::Error| {
                    let path = path.display();
                    let text = format!(
                        "{path}: the recording cannot be written: {error}; name another file with \
                         --record, or give --no-record"
                    );
                    Failure::Wrong(text)
                };
                let tool = concat!("payrig ", env!("CARGO_PKG_VERSION"));
                let header = Header::new(tool, &rig.name, Some(rig.seed));
                let file = io::BufWriter::new(File::create(&path).map_err(cannot)?);
                let writer = RecordingWriter::start(file, &header).map_err(cannot)?;
                Some((path, writer))
            }
        };
        let json = arguments.format == Format::Json;
        let log = TextLog::new(rig.decimals, !arguments.all);
        let mut out = io::BufWriter::new(anstream::AutoStream::auto(io::stdout()));
        let live = arguments.pace == PaceName::Real || rig.is_live();
        if !json {
            match &rig.link {
                Some(link) => writeln!(out, "Bench \"{}\" on link {}.", rig.name, link.port)?,
                None if live && rig.is_live() => writeln!(
                    out,
                    "Bench \"{}\": the board's bus is virtual, devices are on links of their own.",
                    rig.name
                )?,
                None => writeln!(
                    out,
                    "Bench \"{}\", seed {}: a virtual bus; nothing here is live.",
                    rig.name, rig.seed
                )?,
            }
            log.heading(&mut out)?;
        }
        Ok(Self {
            recording,
            json,
            log,
            out,
            live,
            kept: Vec::new(),
        })
    }

    fn entry(&mut self, entry: Entry) -> io::Result<()> {
        if let Some((_, recording)) = &mut self.recording {
            recording.entry(&entry)?;
        }
        if self.json {
            write_json(&mut self.out, &entry)?;
        } else {
            self.log.entry(&mut self.out, &entry)?;
        }
        if self.live {
            self.out.flush()?;
        }
        if matches!(entry, Entry::Finding(_) | Entry::Verdict { .. }) {
            self.kept.push(entry);
        }
        Ok(())
    }

    fn finish(mut self, stage: &Bench) -> Result<Exit, Failure> {
        if !self.json {
            self.log.finish(&mut self.out)?;
            summary::findings(&mut self.out, &self.kept)?;
            summary::ledger(&mut self.out, stage.books().ledger(), stage.decimals())?;
            if let Some((path, _)) = &self.recording {
                writeln!(self.out, "\nRecording: {}", path.display())?;
            }
            summary::verdict(&mut self.out, &self.kept)?;
        }
        self.out.flush()?;
        let passed = matches!(self.kept.last(), Some(Entry::Verdict { passed: true, .. }));
        Ok(if passed {
            Exit::Passed
        } else {
            Exit::FellShort
        })
    }
}
