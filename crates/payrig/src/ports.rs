//! `payrig ports`.

use crate::json::ports::{Adapter, Line};
use crate::lines;
use crate::linked::cautions;
use crate::style::STYLES;
use crate::terminal;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_link::{ports, probe};
use payrig_units::Visible;
use std::io::Write;

/// Arguments of `payrig ports`.
#[derive(Debug, Args)]
pub(crate) struct PortsArguments {
    /// Run the self-test on this port: what the adapter can do, and what can be judged with it.
    #[arg(long, value_name = "PORT")]
    probe: Option<String>,
    /// How to write what was found.
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
}

pub(crate) fn ports(arguments: &PortsArguments) -> Result<Exit, Failure> {
    let mut out = terminal::screen();
    if let Some(port) = &arguments.probe {
        cautions();
        let report = probe(port)?;
        match arguments.format {
            Format::Text => {
                for line in report.to_string().lines() {
                    writeln!(out, "{}", Visible(line))?;
                }
            }
            Format::Json => {
                lines::put(&Line::Adapter(Adapter {
                    passed: report.can_speak(),
                    report: &report,
                }))?;
            }
        }
        return Ok(match report.can_speak() {
            true => Exit::Passed,
            false => Exit::FellShort,
        });
    }
    let found = ports::list()?;
    for port in &found {
        match arguments.format {
            Format::Text => writeln!(out, "{}", Visible(port))?,
            Format::Json => {
                lines::put(&Line::Port(port))?;
            }
        }
    }
    if arguments.format == Format::Text {
        let (on, off) = (STYLES.dim.render(), STYLES.dim.render_reset());
        if found.is_empty() {
            writeln!(
                out,
                "No serial port found. Plug an adapter in, then look again."
            )?;
        }
        writeln!(
            out,
            "{on}payrig ports --probe PORT tests an adapter; payrig run RIG --link pty needs none.{off}"
        )?;
    }
    Ok(Exit::Passed)
}
