//! `payrig run` with a rig of which something is real.

use crate::Failure;
use crate::ending::Ending;
use crate::ready::{OpenPort, Ready};
use crate::terminal::{caution, say};
use clap::Args;
use payrig_bench::plan::{BusLink, PortName};
use payrig_bench::{Bench, BusAt, Plan};
use payrig_link::drive::{LiveError, Ports, run_live};
use payrig_link::lockstep::PeerAddress;
use payrig_link::of_plan::{self, LinkChoice, LinkChoiceError, Place, links};
pub(crate) use payrig_link::of_plan::{Measured, pty_path};
use payrig_link::{CAUTIONS, Clock, ThreadPort, probe};
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use std::io;
use std::path::{Path, PathBuf};

/// Arguments about the link of the board's bus.
#[derive(Debug, Args)]
pub(crate) struct LinkArguments {
    /// Put the board's bus on a real link, whatever the rig says: `pty` for a pseudo-terminal, `pty:PATH`
    /// for one that is to be found at a path of your choosing, the path of a serial port, or `virtual`.
    #[arg(long, value_name = "pty|pty:PATH|PORT|virtual")]
    link: Option<String>,
    /// Write this file, as JSON, as soon as all ports are open and named.
    #[arg(long, value_name = "FILE")]
    pub(crate) ready_file: Option<PathBuf>,
    /// What of the rig is ours on the link: its devices (a board is outside), or the board (real
    /// devices are outside) [default: what the rig says, else devices].
    #[arg(long, value_enum)]
    role: Option<Role>,
    /// How nine-bit words travel over a pseudo-terminal: marked-parity or plain [default: what the
    /// rig says, else marked-parity].
    #[arg(long, value_name = "NAME")]
    coding: Option<String>,
    /// When the adapter vanishes, wait so many seconds for the same one to come back.
    #[arg(long, value_name = "SECONDS")]
    reconnect: Option<u64>,
    /// Let a run pass in which nobody was heard at the other end of a link.
    #[arg(long)]
    pub(crate) peer_optional: bool,
    /// Measure the adapters first; their figures are the uncertainty of every finding.
    #[arg(long)]
    probe: bool,
    /// Put a program at the other end of the board's bus, in lock-step: a command that is started, or
    /// unix:PATH, where one listens. No clock: both run as fast as they can, and times are exact.
    #[arg(long, value_name = "COMMAND", conflicts_with_all = ["link", "coding", "reconnect", "probe"])]
    pub(crate) peer: Option<PeerAddress>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Role {
    Devices,
    Board,
}

impl Role {
    const fn outside(self) -> Source {
        match self {
            Self::Devices => Source::Master,
            Self::Board => Source::Peripheral,
        }
    }
}

impl LinkArguments {
    /// The same for a bench that is served.
    pub(crate) fn open(&self, open: &mut payrig_serve::api::Open) {
        use payrig_serve::{Time, api};
        open.link.clone_from(&self.link);
        open.role = self.role.map(|role| match role {
            Role::Devices => api::Role::Devices,
            Role::Board => api::Role::Board,
        });
        open.coding.clone_from(&self.coding);
        open.reconnect = self.reconnect.map(|seconds| Time(Micros::secs(seconds)));
        open.peer_optional = self.peer_optional;
    }

    /// Puts what the command line says in the place of what the rig says.
    pub(crate) fn apply(&self, rig: &mut Plan) -> Result<(), Failure> {
        if let Some(peer) = &self.peer {
            let before = rig.link.as_ref().map(|link| link.outside);
            let outside = self.role.map(Role::outside).or(before);
            let outside = outside.unwrap_or(Source::Master);
            return rig
                .share_with_peer(peer.to_string(), outside)
                .map_err(Failure::wrong);
        }
        self.choice().apply(rig).map_err(|error| {
            Failure::wrong(match error {
                LinkChoiceError::NoLink(field) => format!(
                    "--{field} is about the link of the board's bus, and it is on none: give --link, or write \
                     [link] in the rig"
                ),
                LinkChoiceError::PlainOnSerial(port) => format!(
                    "the plain coding is for a pseudo-terminal; on {port} the mode bit is the parity bit: leave \
                     --coding out, or take --link pty"
                ),
                LinkChoiceError::Coding(error) => error.to_string(),
            })
        })
    }

    fn choice(&self) -> LinkChoice {
        LinkChoice {
            link: self.link.clone(),
            outside: self.role.map(Role::outside),
            coding: self.coding.clone(),
            reconnect: self.reconnect.map(Micros::secs),
        }
    }
}

/// The ports that a rig names.
pub(crate) fn paths(rig: &Plan) -> Vec<&Path> {
    let (buses, lines) = links(rig);
    let buses = buses.iter().filter_map(|(_, link)| match &link.port {
        PortName::Serial(path) => Some(Path::new(path)),
        PortName::Pty | PortName::Peer(_) => None,
    });
    buses.chain(lines.into_keys().map(Path::new)).collect()
}

/// How a run over links ended: what it was, and why it broke off, if it did.
pub(crate) type Ran = (Bench, Option<Failure>);

/// What is done before time zero, because it takes a while: says the cautions, and measures adapters
/// where that was asked for.
///
/// # Errors
/// When a port cannot be opened.
pub(crate) fn prepare(arguments: &LinkArguments, rig: &Plan) -> Result<Measured, Failure> {
    let (buses, lines) = links(rig);
    let serial = |(_, link): (BusAt, &BusLink)| match &link.port {
        PortName::Serial(path) => Some(path.clone()),
        PortName::Pty | PortName::Peer(_) => None,
    };
    let serial: Vec<String> = buses.into_iter().filter_map(serial).collect();
    if !lines.is_empty() || !serial.is_empty() {
        cautions();
    }
    let measured = serial.into_iter().filter(|_| arguments.probe);
    let measured = measured.map(|path| measure(&path).map(|found| (path, found)));
    measured.collect()
}

/// Runs a rig over its links, with bench time from `clock`. `began` is given what there is to open or to
/// connect, in words and for programs.
///
/// # Errors
/// When a link cannot be opened.
pub(crate) fn run(
    arguments: &LinkArguments,
    (measured, clock): (&Measured, Clock),
    rig: &Plan,
    limit: Micros,
    ending: &Ending,
    began: &mut impl FnMut(&[String], &Ready) -> Result<(), Failure>,
    sink: impl FnMut(&Bench, Entry) -> io::Result<()>,
) -> Result<Ran, Failure> {
    let mut opened = of_plan::open(rig, measured, clock, arguments.choice().at())?;
    announce(&opened.places, began)?;
    let mut bench = Bench::live(rig, &opened.levels);
    if arguments.peer_optional {
        bench.peer_optional();
    }
    let failed = by_the_clock(&mut bench, &mut opened.ports, limit, ending, sink);
    Ok((bench, failed.err()))
}

/// Runs a bench with the wall clock.
///
/// # Errors
/// When a link fails; the log is whole, and ends with its verdict.
pub(crate) fn by_the_clock(
    bench: &mut Bench,
    ports: &mut Ports<ThreadPort>,
    limit: Micros,
    ending: &Ending,
    sink: impl FnMut(&Bench, Entry) -> io::Result<()>,
) -> Result<(), Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let stop = async { ending.asked().await.note() };
    match runtime.block_on(run_live(bench, ports, limit, stop, sink)) {
        Ok(()) => Ok(()),
        Err(LiveError::Link(error)) => Err(Failure::Link(error)),
        Err(LiveError::Output(error)) => Err(Failure::Output(error)),
    }
}

/// What whoever connects hardware must know: printed once, before the first port is opened.
pub(crate) fn cautions() {
    static SAID: std::sync::Once = std::sync::Once::new();
    SAID.call_once(|| caution!("{CAUTIONS}"));
}

/// Measures an adapter, and gives how far its times may be off.
///
/// # Errors
/// When it cannot be opened.
pub(crate) fn measure(path: &str) -> Result<Micros, Failure> {
    cautions();
    let report = probe(path)?;
    say!("{report}");
    Ok(report.uncertainty)
}

/// Says what there is to open or to connect.
fn announce(
    places: &[Place],
    began: &mut impl FnMut(&[String], &Ready) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let said = |place: &Place| match place.wires.as_slice() {
        [] => format!("{}: {}", place.of, place.path),
        wires => format!("{}: {}, {}", place.of, place.path, wires.join(", ")),
    };
    let open = |place: &Place| OpenPort {
        of: place.of.clone(),
        port: place.path.clone(),
    };
    let said: Vec<String> = places.iter().map(said).collect();
    began(&said, &Ready::new(places.iter().map(open).collect()))
}
