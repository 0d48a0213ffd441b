//! `payrig read`.

use crate::advice;
use crate::examine::EXAMINATION;
use crate::json::common::{Problem, TOOL};
use crate::lines;
use crate::log::TextLog;
use crate::terminal;
use crate::{Exit, Failure, Format, summary};
use clap::Args;
use payrig_pulse::Profile;
use payrig_units::Decimals;
use payrig_wire::reading::{ReadOptions, read_file};
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `payrig read`.
#[derive(Debug, Args)]
pub(crate) struct ReadArguments {
    /// A logic capture (.vcd, .csv) or a recording (.jsonl).
    file: PathBuf,
    /// Name of the line the board sends on [default: master].
    #[arg(long, value_name = "LINE")]
    master: Option<String>,
    /// Name of the line the devices send on [default: peripheral].
    #[arg(long, value_name = "LINE")]
    peripheral: Option<String>,
    /// Name of a line with credit pulses; may be given several times [default: credit, or every
    /// line of a capture without a bus].
    #[arg(long, value_name = "LINE")]
    credit: Vec<String>,
    /// Level of the bus lines when nobody speaks.
    #[arg(long, value_enum, default_value_t = Level::High)]
    idle: Level,
    /// Level of a credit line during a pulse.
    #[arg(long, value_enum, default_value_t = Level::Low)]
    active: Level,
    /// Judge pulses by this profile instead of the nearest: short, medium or long.
    #[arg(long, value_name = "NAME")]
    profile: Option<String>,
    /// How to write what was found.
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
    /// Show also the exchanges in which a device had nothing to say.
    #[arg(long)]
    all: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Level {
    High,
    Low,
}

pub(crate) fn read(arguments: &ReadArguments) -> Result<Exit, Failure> {
    let profile = match &arguments.profile {
        None => None,
        Some(name) => Some(Profile::named(name).ok_or_else(|| {
            let all: Vec<String> = Profile::all().into_iter().map(|p| p.name).collect();
            let near: Vec<&str> = all.iter().map(String::as_str).collect();
            let hint = payrig_rig::nearest(name, &near)
                .map(|n| format!("; did you mean {n}?"))
                .unwrap_or_default();
            Failure::wrong(format!(
                "no pulse profile \"{name}\": there are {}{hint}",
                all.join(", ")
            ))
        })?),
    };
    let options = ReadOptions {
        master: arguments.master.clone(),
        peripheral: arguments.peripheral.clone(),
        credit: arguments.credit.clone(),
        idle_low: arguments.idle == Level::Low,
        active_high: arguments.active == Level::High,
        profile,
    };
    let reading = read_file(&arguments.file, &options).map_err(|error| {
        let file = arguments.file.display();
        match crate::report::load(&arguments.file) {
            Ok(_) => Failure::wrong(
                Problem::of_file(
                    &arguments.file,
                    "is a saved examination, neither a capture nor a recording",
                )
                .shown_as(format_args!(
                    "{file} is a saved examination, neither a capture nor a recording: \
                     `payrig report {file}` shows it"
                ))
                .advise(Some(&format!("`payrig report {file}` shows it"))),
            ),
            Err(_) => {
                let here = advice::of_reading(&error);
                Failure::wrong(Problem::from(error).beside(here))
            }
        }
    })?;
    match arguments.format {
        Format::Json => {
            let name = arguments.file.display().to_string();
            lines::header(&reading.header(TOOL, &name))?;
            for entry in &reading.entries {
                lines::put(entry)?;
            }
            lines::flush()?;
        }
        Format::Text => {
            let mut out = terminal::buffered();
            let mut log =
                TextLog::new(Decimals::default(), !arguments.all).within(terminal::width());
            log.heading(&mut out)?;
            for entry in &reading.entries {
                log.entry(&mut out, entry)?;
            }
            log.finish(&mut out)?;
            summary::findings(&mut out, &reading.entries)?;
            summary::verdict(&mut out, &reading.entries)?;
            let examined = reading.bench.as_deref();
            if let Some(what) = examined.and_then(|b| b.strip_prefix(EXAMINATION)) {
                writeln!(
                    out,
                    "This is the recording of an examination of the {what}: its checks break rules on \
                     purpose. What was found of the {what} is in the report, and in the lines \"check\" \
                     above."
                )?;
            }
            out.flush()?;
        }
    }
    Ok(if reading.passed {
        Exit::Passed
    } else {
        Exit::FellShort
    })
}
