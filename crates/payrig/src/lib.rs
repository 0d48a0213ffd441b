//! payrig: a bench in software for the payment devices of vending machines.
//!
//! The library behind the command line. Exit codes: 0 all passed, 1 something under test fell
//! short, 2 the command, rig or file was wrong, 3 the link failed.

mod advice;
mod ending;
mod examine;
mod exit;
mod float;
pub mod json;
mod lines;
mod linked;
mod lockstep;
mod log;
mod new;
mod outputs;
mod ports;
mod pulse;
mod read;
mod ready;
mod recording;
mod report;
mod run;
mod serve;
mod sheet;
mod style;
mod summary;
mod terminal;
mod tickets;

pub(crate) use exit::Format;
pub use exit::{Exit, Failure};

use crate::json::common::{self, Named, Problem};
use crate::terminal::say_to_people;
use clap::error::{ContextKind, ContextValue};
use clap::{Parser, Subcommand};
use payrig_units::is_hidden;
use std::io::{self, IsTerminal};
use std::process::ExitCode;

/// A bench in software for the payment devices of vending machines.
#[derive(Debug, Parser)]
#[command(name = "payrig", version, about, after_help = EXIT_CODES)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 all passed, 1 something under test fell short or was ended before its end, \
                          2 the command, rig or file was wrong, 3 the link failed.\n\
                          PAYRIG_LOG=debug shows what the tool itself does.";

#[derive(Debug, Subcommand)]
#[expect(clippy::large_enum_variant, reason = "there is one of them, once")]
enum Command {
    /// Run a bench: emulated devices, a board, a script.
    Run(run::RunArguments),
    /// Serve benches over HTTP: opened, acted on, waited for and read from any language.
    Serve(serve::ServeArguments),
    /// Write a rig for a machine: asks a dozen questions, or reads what its devices said.
    New(new::NewArguments),
    /// Read a logic capture (.vcd, .csv) or a recording, and judge it.
    Read(read::ReadArguments),
    /// Examine a board before it is installed, or a device off the shelf.
    Examine(examine::ExamineArguments),
    /// List serial ports, or test one.
    Ports(ports::PortsArguments),
    /// Credit pulses of old acceptors: which setting is it, what will a board count?
    Pulse(pulse::PulseArguments),
    /// Can change always be paid, and what is the smallest fill?
    Float(float::FloatArguments),
    /// Turn a saved examination into reports: terminal, HTML, JUnit XML.
    Report(report::ReportArguments),
    /// The hand-over sheet of a machine: how it was set, what to put in, what was examined.
    Sheet(sheet::SheetArguments),
    /// Examinations kept by serial number: list, show, compare, export, repair list, labels.
    Tickets(tickets::TicketsArguments),
}

/// Runs the command line of this process.
#[must_use]
pub fn main() -> ExitCode {
    let filter = tracing_subscriber::EnvFilter::try_from_env("PAYRIG_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn"));
    // A second subscriber in one process is none of the user's concern.
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(io::stderr().is_terminal())
        .with_writer(io::stderr)
        .try_init();
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return ExitCode::from(not_understood(&error).code()),
    };
    let command = arguments.command;
    let (format, named) = command.writes();
    if format == Format::Json {
        lines::write_lines(named);
    }
    let exit = command.run().unwrap_or_else(|failure| {
        failure.tell();
        failure.exit()
    });
    lines::end(exit.code(), exit.ended());
    ExitCode::from(exit.code())
}

impl Command {
    /// How it writes what it finds, and by which schema where that is JSON.
    fn writes(&self) -> (Format, Named) {
        match self {
            Self::Run(arguments) => (arguments.format, common::RECORDING),
            // What it writes is JSON whatever is asked for, and of its own: see the guide.
            Self::Serve(_) => (Format::Text, common::USAGE),
            Self::New(arguments) => (arguments.format, common::WRITTEN),
            Self::Read(arguments) => (arguments.format, common::RECORDING),
            Self::Examine(arguments) => (arguments.format(), common::EXAMINE),
            Self::Ports(arguments) => (arguments.format, common::PORTS),
            Self::Pulse(arguments) => (arguments.format(), common::PULSE),
            Self::Float(arguments) => (arguments.format, common::FLOAT),
            Self::Report(arguments) => (arguments.format, common::EXAMINE),
            Self::Sheet(arguments) => (arguments.format, common::WRITTEN),
            Self::Tickets(arguments) => (arguments.format, arguments.named()),
        }
    }

    fn run(&self) -> Result<Exit, Failure> {
        match self {
            Self::Run(arguments) => run::run(arguments),
            Self::Serve(arguments) => serve::serve(arguments),
            Self::New(arguments) => new::new(arguments),
            Self::Read(arguments) => read::read(arguments),
            Self::Examine(arguments) => examine::examine(arguments),
            Self::Ports(arguments) => ports::ports(arguments),
            Self::Pulse(arguments) => pulse::pulse(arguments),
            Self::Float(arguments) => float::float(arguments),
            Self::Report(arguments) => report::report(arguments),
            Self::Sheet(arguments) => sheet::sheet(arguments),
            Self::Tickets(arguments) => tickets::tickets(arguments),
        }
    }
}

/// Help, or what is wrong with a command line.
fn not_understood(error: &clap::Error) -> Exit {
    if !error.use_stderr() {
        let _ = error.print();
        return Exit::Passed;
    }
    let arguments: Vec<String> = std::env::args_os()
        .map(|argument| argument.to_string_lossy().into_owned())
        .collect();
    let wants_json = arguments.iter().any(|a| a == "--format=json")
        || arguments
            .windows(2)
            .any(|pair| pair == ["--format", "json"]);
    let text = error.render().to_string();
    if wants_json {
        lines::write_lines(common::USAGE);
        lines::error(&usage(error, text.trim_end()));
        lines::end(Exit::Wrong.code(), Exit::Wrong.ended());
    }
    if arguments.iter().any(|a| a.contains(is_hidden)) {
        // What is wrong is repeated as it was given: without colours where it would act.
        say_to_people(format_args!("{}", text.trim_end()));
    } else {
        let _ = error.print();
    }
    Exit::Wrong
}

/// What is wrong with a command line, in parts.
fn usage(error: &clap::Error, text: &str) -> Problem {
    let message = text.lines().next().unwrap_or_default();
    let message = message.strip_prefix("error: ").unwrap_or(message);
    let listed = |kind| match error.get(kind)? {
        ContextValue::Strings(all) if !all.is_empty() => Some(all.join(", ")),
        ContextValue::String(one) => Some(one.clone()),
        _ => None,
    };
    let tip = text.lines().find_map(|l| l.trim().strip_prefix("tip: "));
    Problem::from(message.to_owned())
        .expecting(listed(ContextKind::ValidValue))
        .advise(Some(
            tip.unwrap_or("the same command with --help says what it takes"),
        ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    /// Commands that do something, by their words.
    fn commands(command: &clap::Command, before: &str, all: &mut Vec<(String, bool)>) {
        let name = format!("{before} {}", command.get_name());
        let inner: Vec<_> = command
            .get_subcommands()
            .filter(|c| c.get_name() != "help")
            .collect();
        if inner.is_empty() || !command.is_subcommand_required_set() {
            let has_json = command.get_arguments().any(|argument| {
                let values = argument.get_possible_values();
                argument.get_long() == Some("format")
                    && values.iter().any(|v| v.matches("json", false))
            });
            all.push((name.clone(), has_json));
        }
        for command in inner {
            commands(command, &name, all);
        }
    }

    #[test]
    fn every_command_writes_json() {
        let mut root = Arguments::command();
        root.build();
        let mut all = Vec::new();
        commands(&root, "", &mut all);
        // `serve` writes nothing else.
        let without: Vec<&String> = all
            .iter()
            .filter(|(name, json)| !json && !name.ends_with(" serve"))
            .map(|(c, _)| c)
            .collect();
        assert!(without.is_empty(), "without --format json: {without:?}");
        assert!(all.len() > 20, "{all:?}");
    }
}
