//! Plans: what a bench is set up from. A plan says what is on the bench, who is the board, and what
//! happens; it knows no file format (rig files become plans in `payrig-rig`).
//!
//! ```
//! use payrig_bench::action::{Action, Expectation, Step, StepKind, Tender};
//! use payrig_bench::machine::Machine;
//! use payrig_bench::plan::{BoardPlan, DevicePlan, Kind, Plan, Settings};
//! use payrig_bench::{Bench, run};
//! use payrig_controller::{BillPolicy, CardSales, CashlessUse, ChangerPolicy};
//! use payrig_mdb::CurrencyCode;
//! use payrig_peripherals::PortTiming;
//! use payrig_peripherals::changer::{ChangerConfig, Quirks};
//! use payrig_units::{Decimals, Micros, Money};
//! use payrig_wire::recording::Entry;
//!
//! let step = |what| Step { line: 0, after: Micros::ZERO, what };
//! let coin = Action::InsertCoin { device: "changer".into(), coin: Tender::Worth(Money(25)) };
//! let credit = Expectation::Credit(Money(25));
//! let plan = Plan {
//!     name: "a coin".into(),
//!     seed: 1,
//!     jitter: Micros(150),
//!     decimals: Decimals(2),
//!     currency: CurrencyCode::USD,
//!     link: None,
//!     machine: Machine::default(),
//!     board: BoardPlan {
//!         ours: true,
//!         refused_coins: Vec::new(),
//!         changer: ChangerPolicy::default(),
//!         poll: Micros::ms(150),
//!         cashless_level: 3,
//!         session_timeout: Micros::secs(30),
//!         multi_vend: false,
//!         motor: None,
//!         bills: BillPolicy::default(),
//!         hold_bills: false,
//!         keep_credit: None,
//!         cashless: CashlessUse::default(),
//!         cards: CardSales::default(),
//!     },
//!     devices: vec![DevicePlan {
//!         name: "changer".into(),
//!         kind: Kind::Changer(ChangerConfig::demo(), Quirks::default()),
//!         timing: PortTiming::default(),
//!         behind: None,
//!         link: None,
//!         settings: Settings::default(),
//!     }],
//!     script: vec![
//!         step(StepKind::WaitReady { within: Micros::secs(30) }),
//!         step(StepKind::Do(coin)),
//!         step(StepKind::Expect { what: credit, within: Micros::secs(5) }),
//!     ],
//! };
//! // Every step can be done on the bench that it describes.
//! assert!(plan.impossible().is_empty());
//! let mut log = Vec::new();
//! run::run_simulated(&mut Bench::of(&plan), Micros::secs(60), |_, entry| {
//!     log.push(entry);
//!     Ok::<(), std::convert::Infallible>(())
//! })?;
//! assert!(matches!(log.last(), Some(Entry::Verdict { passed: true, .. })));
//! # Ok::<(), std::convert::Infallible>(())
//! ```

mod board;
mod bridge;
mod check;
mod device;
mod link;
mod pulse;

pub use board::BoardPlan;
pub use bridge::{BridgePlan, BridgeWay};
pub use check::Checker;
pub use device::{DevicePlan, Kind, Settings};
pub use link::{BusLink, DeviceLink, LineLink, Pin, PortName};
pub use pulse::PulsePlan;

use crate::action::Step;
use crate::machine::Machine;
use payrig_mdb::CurrencyCode;
use payrig_units::{Decimals, Micros};
use payrig_wire::Source;
use payrig_wire::port::WordCoding;
use payrig_wire::recording::Ours;

/// What a bench is set up from, checked.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Its name.
    pub name: String,
    /// Seed of everything that varies: the same rig and seed give the same recording.
    pub seed: u64,
    /// How much starts and pauses on the virtual bus vary, at most.
    pub jitter: Micros,
    /// Decimals of all amounts.
    pub decimals: Decimals,
    /// The currency its devices report.
    pub currency: CurrencyCode,
    /// What the board's bus runs over; none for the virtual bus.
    pub link: Option<BusLink>,
    /// The vending machine: where it stands, and what it sells at what prices.
    pub machine: Machine,
    /// The board.
    pub board: BoardPlan,
    /// Emulated devices.
    pub devices: Vec<DevicePlan>,
    /// What happens.
    pub script: Vec<Step>,
}

/// The lines of a pulse device of ours, as between two programs: where a port would have pins, each has one.
fn peer_wires(pulse: &PulsePlan) -> Option<Vec<(String, Pin)>> {
    let profile = pulse.profile();
    let hopper = pulse.hopper();
    let from = profile.map(|p| p.lines()).unwrap_or_default().into_iter();
    let from = from.chain(hopper.map(|h| h.exit_line.as_str()));
    let to = profile.map(|p| p.inhibit.line.as_str()).into_iter();
    let to = to.chain(hopper.map(|h| h.motor_line.as_str()));
    let pins = |out: bool| {
        let all = Pin::ALL.into_iter().map(|(_, pin)| pin);
        all.filter(move |pin| pin.output().is_some() == out)
    };
    let (mut outs, mut ins) = (pins(true), pins(false));
    let mut wires = Vec::new();
    for line in from {
        wires.push((line.to_owned(), outs.next()?));
    }
    for line in to {
        wires.push((line.to_owned(), ins.next()?));
    }
    Some(wires)
}

impl Plan {
    /// True when something of it is real: it runs with the wall clock.
    #[must_use]
    pub fn is_live(&self) -> bool {
        self.link.is_some() || self.devices.iter().any(|d| d.link.is_some())
    }

    /// True when the board's bus is shared with a peer in lock-step: nothing runs with the wall clock.
    #[must_use]
    pub fn in_lock_step(&self) -> bool {
        let peer = |link: &BusLink| matches!(link.port, PortName::Peer(_));
        self.link.as_ref().is_some_and(peer)
    }

    /// Puts the board's bus between this bench and a peer in lock-step, which plays this side of it.
    ///
    /// # Errors
    /// When something of it is on a port, which goes by the wall clock. In plain words.
    pub fn share_with_peer(&mut self, peer: String, outside: Source) -> Result<(), String> {
        if let Some(device) = self.devices.iter().find(|d| d.link.is_some()) {
            return Err(format!(
                "{} is on a port, and a peer in lock-step knows nothing of the clock that goes by: take its \
                 link out of the rig",
                device.name
            ));
        }
        self.link = Some(BusLink {
            port: PortName::Peer(peer),
            outside,
            coding: WordCoding::Plain,
            reconnect: None,
        });
        Ok(())
    }

    /// Puts the pulse lines that a board counts and drives between this bench and a peer that plays one.
    ///
    /// # Errors
    /// For a device with more lines than can be connected. In plain words.
    pub fn share_lines_with_peer(&mut self) -> Result<(), String> {
        let board = |link: &BusLink| link.outside == Source::Master;
        if !self.in_lock_step() || !self.link.as_ref().is_some_and(board) {
            return Ok(());
        }
        for device in &mut self.devices {
            if let Kind::Pulse(pulse) = &device.kind
                && device.behind.is_none()
            {
                let wires = peer_wires(pulse).ok_or_else(|| {
                    format!(
                        "{} has more pulse lines than can be between a bench and a peer: 3 from it, 4 to it",
                        device.name
                    )
                })?;
                device.link = Some(DeviceLink::Lines(LineLink {
                    port: format!("peer, {}", device.name),
                    device_outside: false,
                    asserted_is_high: false,
                    wires,
                    reconnect: None,
                }));
            }
        }
        Ok(())
    }

    /// What of it this tool speaks for on links.
    #[must_use]
    pub fn ours(&self) -> Ours {
        let mut ours = Ours::default().bus(self.link.as_ref().map(|link| link.outside.other()));
        for device in &self.devices {
            match &device.link {
                None => {}
                Some(DeviceLink::Bus(bus)) => {
                    ours = ours.bus_behind(device.bus_name(), bus.outside.other());
                }
                Some(DeviceLink::Lines(link)) => {
                    let driven = link.wires.iter().filter(|(_, pin)| pin.output().is_some());
                    ours = driven.fold(ours, |ours, (line, _)| {
                        ours.line(&format!("{} {line}", device.name))
                    });
                }
            }
        }
        ours
    }

    /// Empty books for it.
    pub(crate) fn books(&self) -> payrig_wire::analysis::Books {
        let mut books = payrig_wire::analysis::Books::new();
        for device in &self.devices {
            for below in device.names().into_iter().skip(1) {
                books.join(below, &device.name);
            }
            if let Kind::Bridge(bridge) = &device.kind {
                books.join(&device.name, &bridge.from);
            }
        }
        books
    }
}
