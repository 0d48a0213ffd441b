//! The link of an examination whose subject is outside.

use crate::Failure;
use crate::linked::{cautions, measure, pty_path};
use crate::ready::{OpenPort, Ready};
use crate::terminal::say;
use clap::Args;
use payrig_bench::plan::BusLink;
use payrig_exam::Stop;
use payrig_exam::link::{Linked, PortCable};
use payrig_link::lockstep::PeerAddress;
use payrig_link::open::BusToOpen;
use payrig_link::{Clock, LinkError, WordCoding};
use payrig_units::Micros;
use payrig_wire::Source;
use std::path::{Path, PathBuf};
use std::str::FromStr;

/// How long the other end of a pseudo-terminal has to be opened.
const OPENED_WITHIN: Micros = Micros::secs(120);

/// Where the subject is.
#[derive(Clone, Debug, Args)]
pub(crate) struct SubjectLink {
    /// The subject is real, at the other end of a link: `pty` for a pseudo-terminal, `pty:PATH` for one that
    /// is to be found at a path of your choosing, or the path of a serial port [default: what the rig says,
    /// else it is emulated].
    #[arg(long, value_name = "pty|pty:PATH|PORT")]
    link: Option<String>,
    /// Write this file, as JSON, as soon as the port is open and named.
    #[arg(long, value_name = "FILE")]
    ready_file: Option<PathBuf>,
    /// How nine-bit words travel over a pseudo-terminal: marked-parity or plain [default:
    /// marked-parity].
    #[arg(long, value_name = "NAME")]
    coding: Option<String>,
    /// When the adapter vanishes, wait so many seconds for the same one to come back.
    #[arg(long, value_name = "SECONDS")]
    reconnect: Option<u64>,
    /// Measure the adapter first; its figures are the uncertainty of every time.
    #[arg(long)]
    probe: bool,
    /// The subject is a program in lock-step: a command that is started, or unix:PATH, where one listens. No
    /// clock: it takes as long as the two need, times are exact, and the program is asked itself to do what
    /// a person would do.
    #[arg(long, value_name = "COMMAND", conflicts_with_all = ["link", "coding", "reconnect", "probe"])]
    peer: Option<PeerAddress>,
}

/// An open link.
pub(crate) struct Opened {
    pub(crate) linked: Linked,
    /// What reports call it.
    pub(crate) name: String,
}

impl SubjectLink {
    /// True when the subject is outside.
    pub(crate) const fn is_given(&self) -> bool {
        self.link.is_some() || self.peer.is_some()
    }

    /// Where it is, when it is a program in lock-step.
    pub(super) const fn peer(&self) -> Option<&PeerAddress> {
        self.peer.as_ref()
    }

    /// Takes from a rig what the command line leaves open.
    pub(super) fn or_of(&mut self, rig: &BusLink) {
        if !self.is_given() {
            self.link = Some(rig.port.to_string());
            self.coding.get_or_insert_with(|| rig.coding.to_string());
            // Whole seconds, and not less than the rig says.
            let reconnect = rig.reconnect.map(|t| t.0.div_ceil(1_000_000));
            self.reconnect = self.reconnect.or(reconnect);
        }
    }

    /// The same for a device on pulse lines.
    pub(super) fn or_on(&mut self, port: &str) {
        if !self.is_given() {
            self.link = Some(port.to_owned());
        }
    }

    /// Refuses options about a link where there is none.
    pub(super) fn examine(&self) -> Result<(), Failure> {
        let given = [
            ("--coding", self.coding.is_some()),
            ("--reconnect", self.reconnect.is_some()),
            ("--probe", self.probe),
        ];
        let given = given.iter().find(|(_, given)| *given);
        match given.filter(|_| self.link.is_none()) {
            Some((name, _)) => Err(Failure::wrong(format!(
                "{name} is about a link, and what is examined is emulated: give --link, or a rig that \
                 says where the real one is"
            ))),
            None => Ok(()),
        }
    }

    /// The port as it was given.
    pub(crate) fn port(&self) -> Option<&str> {
        self.link.as_deref()
    }

    /// How long a vanished adapter is waited for.
    pub(crate) fn reconnect(&self) -> Option<Micros> {
        self.reconnect.map(Micros::secs)
    }

    /// Tells whoever waits for it that the subject can be connected: `port` is where.
    fn is_ready(&self, port: &str, json: bool) -> Result<(), Failure> {
        let port = OpenPort {
            of: "bus".to_owned(),
            port: port.to_owned(),
        };
        let ready = Ready::new(vec![port]);
        if json {
            ready.line()?;
        }
        match &self.ready_file {
            Some(path) => ready.file(path),
            None => Ok(()),
        }
    }

    /// Opens it, the tool being `ours`, on a clock; `None` when the subject is emulated. Waits for the
    /// other end of a pseudo-terminal.
    pub(crate) fn open(
        &self,
        ours: Source,
        clock: Clock,
        stop: &Stop,
        json: bool,
    ) -> Result<Option<Opened>, Failure> {
        let Some(port) = self.link.as_deref() else {
            return Ok(None);
        };
        let coding = self.coding.as_deref().map(WordCoding::from_str);
        let coding = coding
            .transpose()
            .map_err(|e| Failure::wrong(e.to_string()))?;
        let at = pty_path(port);
        let wait = port == "pty" || at.is_some();
        if !wait && coding == Some(WordCoding::Plain) {
            return Err(Failure::wrong(format!(
                "the plain coding is for a pseudo-terminal; on {port} the mode bit is the parity bit: \
                 leave --coding out, or take --link pty"
            )));
        }
        let measured = match self.probe && !wait {
            true => Some(measure(port)?),
            false => None,
        };
        let bus = BusToOpen {
            port: (!wait).then(|| port.to_owned()),
            at: at.map(Path::to_owned),
            ours,
            coding: coding.unwrap_or_default(),
            clock,
            measured,
            reconnect: self.reconnect(),
        };
        if !wait {
            cautions();
        }
        let uncertainty = bus.uncertainty();
        let port = bus.open()?;
        let name = port.name().to_owned();
        let linked = Linked::new(Box::new(PortCable::new(port)), ours, uncertainty);
        let mut linked = linked.until(stop);
        self.is_ready(&name, json)?;
        if wait {
            say!(
                "The bus is at {name}: connect the subject there. It is waited for two minutes at most."
            );
            let since = linked.now();
            if !linked.wait_for_other_end(OPENED_WITHIN) {
                if let Some(error) = linked.take_failure() {
                    return Err(error.into());
                }
                return Err(LinkError::Nobody {
                    port: name,
                    within: linked.now().since(since),
                }
                .into());
            }
        }
        Ok(Some(Opened { linked, name }))
    }
}
