//! payrig: a bench in software for the payment devices of vending machines.
//!
//! The library behind the command line. Exit codes: 0 all passed, 1 something under test fell
//! short, 2 the command, rig or file was wrong, 3 the link failed.

mod ending;
mod examine;
mod exit;
mod float;
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

use crate::terminal::say;
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
        Err(error) => {
            let wrong = error.use_stderr();
            let arguments = std::env::args_os().map(|a| a.to_string_lossy().contains(is_hidden));
            // What is wrong is repeated as it was given: without colours where it would act.
            match wrong && arguments.into_iter().any(|hides| hides) {
                true => say!("{}", error.render().to_string().trim_end()),
                false => {
                    let _ = error.print();
                }
            }
            return ExitCode::from(if wrong { Exit::Wrong.code() } else { 0 });
        }
    };
    let ended = match arguments.command {
        Command::Run(arguments) => run::run(&arguments),
        Command::Serve(arguments) => serve::serve(&arguments),
        Command::New(arguments) => new::new(&arguments),
        Command::Read(arguments) => read::read(&arguments),
        Command::Examine(arguments) => examine::examine(&arguments),
        Command::Ports(arguments) => ports::ports(&arguments),
        Command::Pulse(arguments) => pulse::pulse(&arguments),
        Command::Float(arguments) => float::float(&arguments),
        Command::Report(arguments) => report::report(&arguments),
        Command::Sheet(arguments) => sheet::sheet(&arguments),
        Command::Tickets(arguments) => tickets::tickets(&arguments),
    };
    let exit = ended.unwrap_or_else(|failure| {
        say!("payrig: {failure}");
        match failure {
            Failure::Link(_) => Exit::LinkFailed,
            Failure::Wrong(_) | Failure::Output(_) => Exit::Wrong,
        }
    });
    ExitCode::from(exit.code())
}
