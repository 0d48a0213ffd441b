//! The links of a plan: chosen by whoever runs it, and opened.

use crate::drive::Ports;
use crate::open::{BusToOpen, LinesToOpen};
use crate::{Clock, LinkError, ModemThread, ThreadPort, UnknownCoding, WordCoding};
use payrig_bench::plan::{BusLink, DeviceLink, LineLink, Pin, PortName};
use payrig_bench::{BusAt, LineLevel, Plan};
use payrig_units::Micros;
use payrig_wire::Source;
use std::collections::BTreeMap;
use std::path::Path;
use std::str::FromStr;

/// What somebody says about the link of the board's bus, in the place of what the rig says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkChoice {
    /// `pty`, `pty:PATH` for one that is found at a path of one's choosing, `virtual`, or the path of a serial
    /// port.
    pub link: Option<String>,
    /// Which side is at its other end.
    pub outside: Option<Source>,
    /// How words travel over a pseudo-terminal, by name.
    pub coding: Option<String>,
    /// How long an adapter that vanished is waited for.
    pub reconnect: Option<Micros>,
}

/// Why a choice cannot be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LinkChoiceError {
    /// Something is said of a link where there is none.
    #[error("`{0}` is about the link of the board's bus, and it is on none")]
    NoLink(&'static str),
    /// The mode bit of a serial port is its parity bit.
    #[error("the plain coding is for a pseudo-terminal; on {0} the mode bit is the parity bit")]
    PlainOnSerial(String),
    /// There is no such coding.
    #[error(transparent)]
    Coding(#[from] UnknownCoding),
}

/// Where a pseudo-terminal is to be found, of `pty:PATH`.
#[must_use]
pub fn pty_path(link: &str) -> Option<&Path> {
    let path = link.strip_prefix("pty:")?;
    (!path.is_empty()).then(|| Path::new(path))
}

impl LinkChoice {
    /// Where a pseudo-terminal is to be found, of `pty:PATH`.
    #[must_use]
    pub fn at(&self) -> Option<&Path> {
        self.link.as_deref().and_then(pty_path)
    }

    /// Puts what was chosen in the place of what the rig says.
    ///
    /// # Errors
    /// When it cannot be.
    pub fn apply(&self, plan: &mut Plan) -> Result<(), LinkChoiceError> {
        match self.link.as_deref() {
            None => {}
            Some("virtual") => plan.link = None,
            Some(port) => {
                let before = plan.link.take();
                plan.link = Some(BusLink {
                    port: match port {
                        "pty" => PortName::Pty,
                        _ if self.at().is_some() => PortName::Pty,
                        path => PortName::Serial(path.to_owned()),
                    },
                    outside: before.as_ref().map_or(Source::Master, |l| l.outside),
                    coding: before.as_ref().map(|l| l.coding).unwrap_or_default(),
                    reconnect: before.and_then(|l| l.reconnect),
                });
            }
        }
        let coding = self.coding.as_deref().map(WordCoding::from_str);
        let coding = coding.transpose()?;
        let Some(link) = &mut plan.link else {
            let given = [
                ("role", self.outside.is_some()),
                ("coding", coding.is_some()),
                ("reconnect", self.reconnect.is_some()),
            ];
            return match given.iter().find(|(_, given)| *given) {
                Some((name, _)) => Err(LinkChoiceError::NoLink(name)),
                None => Ok(()),
            };
        };
        link.outside = self.outside.unwrap_or(link.outside);
        link.coding = coding.unwrap_or(link.coding);
        if link.coding == WordCoding::Plain && matches!(link.port, PortName::Serial(_)) {
            return Err(LinkChoiceError::PlainOnSerial(link.port.to_string()));
        }
        link.reconnect = self.reconnect.or(link.reconnect);
        Ok(())
    }
}

/// A plan on its ports.
#[derive(Debug)]
pub struct Opened {
    /// The ports, on one clock.
    pub ports: Ports<ThreadPort>,
    /// How high the lines from outside are.
    pub levels: Vec<LineLevel>,
    /// What is where.
    pub places: Vec<Place>,
}

/// What of a bench is at which port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// What of the bench, in words.
    pub of: String,
    /// The path that a program or a person connects to.
    pub path: String,
    /// Which pulse line is on which pin, in words; none of a bus.
    pub wires: Vec<String>,
}

/// The buses of a plan that are on ports.
pub type Buses<'a> = Vec<(BusAt, &'a BusLink)>;

/// Ports, and the devices whose pulse lines are on each.
pub type LinesOfPorts<'a> = BTreeMap<&'a str, Vec<(&'a str, &'a LineLink)>>;

/// How far the times of adapters may be off that were measured, by port.
pub type Measured = BTreeMap<String, Micros>;

/// All links of a plan: the buses, and the modem lines by port.
#[must_use]
pub fn links(plan: &Plan) -> (Buses<'_>, LinesOfPorts<'_>) {
    let mut buses = Buses::new();
    buses.extend(plan.link.as_ref().map(|link| (BusAt::Board, link)));
    let mut lines = LinesOfPorts::new();
    for device in &plan.devices {
        match &device.link {
            None => {}
            Some(DeviceLink::Bus(bus)) => {
                buses.push((BusAt::Beside(device.bus_name().to_owned()), bus));
            }
            Some(DeviceLink::Lines(link)) => {
                lines
                    .entry(&link.port)
                    .or_default()
                    .push((&device.name, link));
            }
        }
    }
    (buses, lines)
}

/// Opens every link of a plan; the pseudo-terminal of the board's bus is found at a path, too.
///
/// # Errors
/// When one cannot be opened.
pub fn open(
    plan: &Plan,
    measured: &Measured,
    clock: Clock,
    at_path: Option<&Path>,
) -> Result<Opened, LinkError> {
    let (buses, lines) = links(plan);
    let mut opened = Opened {
        ports: Ports {
            clock,
            buses: Vec::new(),
            lines: Vec::new(),
        },
        levels: Vec::new(),
        places: Vec::new(),
    };
    for (at, link) in buses {
        let port = match &link.port {
            PortName::Pty => None,
            PortName::Serial(path) => Some(path),
            // It is no port: crate::lockstep takes turns with it.
            PortName::Peer(_) => continue,
        };
        let place = at_path.filter(|_| at == BusAt::Board && port.is_none());
        let bus = BusToOpen {
            port: port.cloned(),
            at: place.map(Path::to_owned),
            ours: link.outside.other(),
            coding: link.coding,
            clock,
            measured: port.and_then(|path| measured.get(path).copied()),
            reconnect: link.reconnect,
        };
        let port = ThreadPort::start(bus.open()?)?;
        opened.places.push(Place {
            of: at.to_string(),
            path: port.name().to_owned(),
            wires: Vec::new(),
        });
        opened.ports.buses.push((at, port));
    }
    for (path, links) in lines {
        let wires = links.iter().flat_map(|(_, link)| &link.wires);
        let lines = LinesToOpen {
            port: path,
            clock,
            asserted_is_high: links.iter().any(|(_, link)| link.asserted_is_high),
            watch: wires.filter_map(|(_, pin)| pin.input()).collect(),
            reconnect: links.iter().filter_map(|(_, link)| link.reconnect).max(),
        };
        let mut port = lines.open()?;
        let levels = port.levels()?.into_iter();
        opened.levels.extend(levels.map(|(line, high)| LineLevel {
            port: path.to_owned(),
            line,
            high,
        }));
        opened
            .ports
            .lines
            .push((path.to_owned(), ModemThread::start(port)?));
        let all = links.into_iter();
        opened.places.extend(all.map(|(device, link)| Place {
            of: format!("lines of {device}"),
            path: path.to_owned(),
            wires: link.wires.iter().map(wire).collect(),
        }));
    }
    Ok(opened)
}

/// Which line of a device is where.
fn wire((line, pin): &(String, Pin)) -> String {
    match pin {
        Pin::Out(_) => format!("{line} out on {pin}"),
        Pin::In(_) => format!("{line} in on {pin}"),
    }
}
