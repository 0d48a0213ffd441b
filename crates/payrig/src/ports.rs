//! `payrig ports`.

use crate::style::STYLES;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_link::{CAUTIONS, ports, probe};
use std::io::{self, Write};

/// Arguments of `payrig ports`.
#[derive(Debug, Args)]
pub(crate) struct PortsArguments {
    /// Run the self-test on this port: what the adapter can do, and what can be judged with it.
    #[arg(long, value_name = "PORT")]
    probe: Option<String>,
    /// How to write what was found.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

pub(crate) fn ports(arguments: &PortsArguments) -> Result<Exit, Failure> {
    let mut out = anstream::AutoStream::auto(io::stdout().lock());
    if let Some(port) = &arguments.probe {
        anstream::eprintln!("{CAUTIONS}");
        let report = probe(port)?;
        match arguments.format {
            Format::Text => writeln!(out, "{report}")?,
            Format::Json => {
                serde_json::to_writer(&mut out, &report).map_err(io::Error::from)?;
                writeln!(out)?;
            }
        }
        return Ok(Exit::Passed);
    }
    let found = ports::list()?;
    for port in &found {
        match arguments.format {
            Format::Text => writeln!(out, "{port}")?,
            Format::Json => {
                serde_json::to_writer(&mut out, port).map_err(io::Error::from)?;
                writeln!(out)?;
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
