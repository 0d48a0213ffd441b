//! `payrig run --link`: a bench of which one side is real.

use crate::Failure;
use clap::Args;
use payrig_bench::live::{LiveError, run_linked};
use payrig_bench::{Rig, Stage};
use payrig_link::{
    CAUTIONS, Clock, PtyOptions, PtyPort, SerialOptions, ThreadPort, UNMEASURED, WordCoding,
    open_serial, probe,
};
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use std::io;
use std::str::FromStr;

/// Arguments about the link.
#[derive(Debug, Args)]
pub(crate) struct LinkArguments {
    /// Put the bus on a real link: `pty` for a pseudo-terminal, or the path of a serial port.
    #[arg(long, value_name = "pty|PORT")]
    pub(crate) link: Option<String>,
    /// What of the rig is ours on the link: its devices (a board is outside), or the board (real
    /// devices are outside).
    #[arg(long, value_enum, default_value_t = Role::Devices, requires = "link")]
    role: Role,
    /// How nine-bit words travel over a pseudo-terminal: marked-parity or plain.
    #[arg(
        long,
        value_name = "NAME",
        default_value = "marked-parity",
        requires = "link"
    )]
    coding: String,
    /// When the adapter vanishes, wait so many seconds for the same one to come back.
    #[arg(long, value_name = "SECONDS", requires = "link")]
    reconnect: Option<u64>,
    /// Measure the adapter first; its figures are the uncertainty of every finding.
    #[arg(long, requires = "link")]
    probe: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Role {
    Devices,
    Board,
}

impl Role {
    const fn ours(self) -> Source {
        match self {
            Self::Devices => Source::Peripheral,
            Self::Board => Source::Master,
        }
    }
    const fn outside(self) -> Source {
        match self {
            Self::Devices => Source::Master,
            Self::Board => Source::Peripheral,
        }
    }
}

/// Runs a rig over a link. `began` is told the path to open, once there is one.
pub(crate) fn run(
    arguments: &LinkArguments,
    link: &str,
    rig: &Rig,
    limit: Micros,
    began: impl FnOnce(&str) -> io::Result<()>,
    sink: impl FnMut(&Stage, Entry) -> io::Result<()>,
) -> Result<Stage, Failure> {
    let coding =
        WordCoding::from_str(&arguments.coding).map_err(|e| Failure::Wrong(e.to_string()))?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        let ours = arguments.role.ours();
        let clock = Clock::starting_now();
        let port = if link == "pty" {
            ThreadPort::start(PtyPort::open(PtyOptions {
                ours,
                coding,
                clock,
            })?)?
        } else {
            anstream::eprintln!("{CAUTIONS}");
            let mut uncertainty = UNMEASURED;
            if arguments.probe {
                let report = probe(link)?;
                anstream::eprintln!("{report}");
                uncertainty = report.uncertainty;
            }
            let reconnect = arguments.reconnect.map(Micros::secs);
            let port = link.to_owned();
            // Time zero again: the self-test took a while.
            let clock = if arguments.probe {
                Clock::starting_now()
            } else {
                clock
            };
            let options = SerialOptions {
                port,
                ours,
                clock,
                uncertainty,
                reconnect,
            };
            ThreadPort::start(open_serial(options)?)?
        };
        let mut port = port;
        began(port.name())?;
        let mut stage = Stage::on_link(rig, arguments.role.outside());
        let stop = async {
            // Without a handler there is no stopping by hand, and the limit ends the bench.
            if tokio::signal::ctrl_c().await.is_err() {
                std::future::pending::<()>().await;
            }
        };
        match run_linked(&mut stage, &mut port, limit, stop, sink).await {
            Ok(()) => Ok(stage),
            Err(LiveError::Link(error)) => Err(Failure::Link(error)),
            Err(LiveError::Output(error)) => Err(Failure::Output(error)),
        }
    })
}
