//! `payrig run` with a rig of which something is real.

use crate::Failure;
use crate::ending::Ending;
use crate::ready::{OpenPort, Ready};
use crate::terminal::{caution, say};
use clap::Args;
use payrig_bench::plan::{BusLink, DeviceLink, LineLink, Pin, PortName};
use payrig_bench::{Bench, BusAt, LineLevel, Plan};
use payrig_link::drive::{LiveError, Ports, run_live};
use payrig_link::lockstep::PeerAddress;
use payrig_link::open::{BusToOpen, LinesToOpen};
use payrig_link::{CAUTIONS, Clock, ModemThread, ThreadPort, WordCoding, probe};
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::str::FromStr;

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

/// Where a pseudo-terminal is to be found, of `pty:PATH`.
pub(crate) fn pty_path(link: &str) -> Option<&Path> {
    let path = link.strip_prefix("pty:")?;
    (!path.is_empty()).then(|| Path::new(path))
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
        match self.link.as_deref() {
            None => {}
            Some("virtual") => rig.link = None,
            Some(port) => {
                let before = rig.link.take();
                rig.link = Some(BusLink {
                    port: match port {
                        "pty" => PortName::Pty,
                        _ if pty_path(port).is_some() => PortName::Pty,
                        path => PortName::Serial(path.to_owned()),
                    },
                    outside: before.as_ref().map_or(Source::Master, |l| l.outside),
                    coding: before.as_ref().map(|l| l.coding).unwrap_or_default(),
                    reconnect: before.and_then(|l| l.reconnect),
                });
            }
        }
        let coding = self.coding.as_deref().map(WordCoding::from_str);
        let coding = coding
            .transpose()
            .map_err(|e| Failure::wrong(e.to_string()))?;
        let Some(link) = &mut rig.link else {
            let given = [
                ("--role", self.role.is_some()),
                ("--coding", coding.is_some()),
                ("--reconnect", self.reconnect.is_some()),
            ];
            return match given.iter().find(|(_, given)| *given) {
                Some((name, _)) => Err(Failure::wrong(format!(
                    "{name} is about the link of the board's bus, and it is on none: give --link, or \
                     write [link] in the rig"
                ))),
                None => Ok(()),
            };
        };
        if let Some(role) = self.role {
            link.outside = role.outside();
        }
        link.coding = coding.unwrap_or(link.coding);
        if link.coding == WordCoding::Plain && link.port != PortName::Pty {
            return Err(Failure::wrong(format!(
                "the plain coding is for a pseudo-terminal; on {} the mode bit is the parity bit: \
                 leave --coding out, or take --link pty",
                link.port
            )));
        }
        link.reconnect = self.reconnect.map(Micros::secs).or(link.reconnect);
        Ok(())
    }
}

/// The buses of a rig that are on ports.
type Buses<'a> = Vec<(BusAt, &'a BusLink)>;

/// Ports, and the devices whose lines are on each.
type LinesOfPorts<'a> = BTreeMap<&'a str, Vec<(&'a str, &'a LineLink)>>;

/// All links of a rig: the buses, and the modem lines by port.
fn links(rig: &Plan) -> (Buses<'_>, LinesOfPorts<'_>) {
    let mut buses: Buses<'_> = Vec::new();
    buses.extend(rig.link.as_ref().map(|l| (BusAt::Board, l)));
    let mut lines: LinesOfPorts<'_> = BTreeMap::new();
    for device in &rig.devices {
        match &device.link {
            None => {}
            Some(DeviceLink::Bus(bus)) => {
                buses.push((BusAt::Beside(device.bus_name().to_owned()), bus));
            }
            Some(DeviceLink::Lines(link)) => {
                let on_port = lines.entry(&link.port).or_default();
                on_port.push((&device.name, link));
            }
        }
    }
    (buses, lines)
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

/// Adapters that were measured: how far their times may be off, by port.
pub(crate) type Measured = BTreeMap<String, Micros>;

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
    let at = arguments.link.as_deref().and_then(pty_path);
    let (mut ports, levels) = open(measured, clock, rig, at, began)?;
    let mut bench = Bench::live(rig, &levels);
    if arguments.peer_optional {
        bench.peer_optional();
    }
    let failed = by_the_clock(&mut bench, &mut ports, limit, ending, sink);
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

type Opened = (Ports<ThreadPort>, Vec<LineLevel>);

fn open(
    measured: &Measured,
    clock: Clock,
    rig: &Plan,
    pty_at: Option<&Path>,
    began: &mut impl FnMut(&[String], &Ready) -> Result<(), Failure>,
) -> Result<Opened, Failure> {
    let (buses, lines) = links(rig);
    let (mut said, mut open) = (Vec::new(), Vec::new());
    let mut ports = Ports {
        clock,
        buses: Vec::new(),
        lines: Vec::new(),
    };
    for (at, link) in buses {
        let path = match &link.port {
            PortName::Pty | PortName::Peer(_) => None,
            PortName::Serial(path) => Some(path),
        };
        let bus = BusToOpen {
            port: path.cloned(),
            at: pty_at.filter(|_| at == BusAt::Board).map(Path::to_owned),
            ours: link.outside.other(),
            coding: link.coding,
            clock,
            measured: path.and_then(|path| measured.get(path).copied()),
            reconnect: link.reconnect,
        };
        let port = ThreadPort::start(bus.open()?)?;
        said.push(format!("{at}: {}", port.name()));
        open.push(OpenPort {
            of: at.to_string(),
            port: port.name().to_owned(),
        });
        ports.buses.push((at, port));
    }
    let mut levels = Vec::new();
    for (path, links) in lines {
        let (lines, known) = open_lines(path, &links, clock)?;
        levels.extend(known);
        for (device, link) in links {
            said.push(words(device, link));
            open.push(OpenPort {
                of: format!("lines of {device}"),
                port: link.port.clone(),
            });
        }
        ports.lines.push((path.to_owned(), lines));
    }
    began(&said, &Ready::new(open))?;
    Ok((ports, levels))
}

fn open_lines(
    path: &str,
    links: &[(&str, &LineLink)],
    clock: Clock,
) -> Result<(ModemThread, Vec<LineLevel>), Failure> {
    let wires = links.iter().flat_map(|(_, l)| &l.wires);
    let lines = LinesToOpen {
        port: path,
        clock,
        asserted_is_high: links.iter().any(|(_, l)| l.asserted_is_high),
        watch: wires.filter_map(|(_, pin)| pin.input()).collect(),
        reconnect: links.iter().filter_map(|(_, l)| l.reconnect).max(),
    };
    let mut port = lines.open()?;
    let level = |(line, high)| LineLevel {
        port: path.to_owned(),
        line,
        high,
    };
    let levels = port.levels()?.into_iter().map(level).collect();
    Ok((ModemThread::start(port)?, levels))
}

/// Which line of a device is where.
fn words(device: &str, link: &LineLink) -> String {
    let wire = |(line, pin): &(String, Pin)| match pin {
        Pin::Out(_) => format!("{line} out on {pin}"),
        Pin::In(_) => format!("{line} in on {pin}"),
    };
    let wires: Vec<String> = link.wires.iter().map(wire).collect();
    format!("lines of {device}: {}, {}", link.port, wires.join(", "))
}
