//! What of a script cannot work on the bench that its plan sets up, found before anything runs.

use super::{DeviceLink, DevicePlan, Kind, Plan, PulsePlan};
use crate::action::{Action, Expectation, FaultAction, MachineAction, StepKind};
use crate::node::Refusal;
use payrig_peripherals::bill::BillKind;
use payrig_units::Place;
use payrig_wire::Source;
use std::collections::BTreeMap;

/// Holds steps against a plan. It is made once and asked for every step, so that a script is checked
/// in time that grows with its length only.
#[derive(Debug)]
pub struct Checker<'a> {
    plan: &'a Plan,
    devices: BTreeMap<&'a str, &'a DevicePlan>,
    places: BTreeMap<String, Place>,
}

impl Plan {
    /// True when the board is our own, whatever the board's table says: a link has a side that is not.
    #[must_use]
    pub fn board_is_ours(&self) -> bool {
        match &self.link {
            Some(link) => link.outside == Source::Peripheral,
            None => self.board.ours,
        }
    }

    /// True when a device is real: at the other end of its own link, or of the board's bus.
    #[must_use]
    pub fn is_real(&self, device: &DevicePlan) -> bool {
        let bus = self.link.as_ref().map(|l| l.outside) == Some(Source::Peripheral);
        device.is_outside() || bus && device.address().is_some()
    }

    /// What holds steps against this plan.
    #[must_use]
    pub fn checker(&self) -> Checker<'_> {
        let devices = self.devices.iter().map(|d| (d.name.as_str(), d));
        Checker {
            plan: self,
            devices: devices.collect(),
            places: places(self).map(|p| (p.to_string(), p)).collect(),
        }
    }

    /// The steps of its script that cannot work: the line of each, and why.
    #[must_use]
    pub fn impossible(&self) -> Vec<(usize, Refusal)> {
        let checker = self.checker();
        let why = |step: &crate::action::Step| {
            let refused = checker.check(&step.what).err()?;
            Some((step.line, refused))
        };
        self.script.iter().filter_map(why).collect()
    }
}

impl Checker<'_> {
    /// Whether a step can work at all on the bench of the plan. That it can does not mean that it will:
    /// a bill cannot be taken out of an inlet that has none.
    ///
    /// # Errors
    /// When it cannot: says why.
    pub fn check(&self, step: &StepKind) -> Result<(), Refusal> {
        match step {
            StepKind::Wait { .. } | StepKind::WaitReady { .. } => Ok(()),
            StepKind::Do(action) => self.action(action),
            StepKind::Expect { what, .. } => self.expectation(what),
        }
    }

    /// The place of the ledger with this printed name, if there can be money in it on this bench.
    #[must_use]
    pub fn place(&self, name: &str) -> Option<&Place> {
        self.places.get(name)
    }

    /// The names of all places.
    pub fn place_names(&self) -> impl Iterator<Item = &str> {
        self.places.keys().map(String::as_str)
    }

    /// The board can be operated: it is ours, or a peer that is asked to.
    fn operates_board(&self) -> Result<(), Refusal> {
        match self.plan.in_lock_step() {
            true => Ok(()),
            false => self.board(),
        }
    }

    fn board(&self) -> Result<(), Refusal> {
        match self.plan.board_is_ours() {
            true => Ok(()),
            false => Err(Refusal::BoardOutside),
        }
    }

    fn device(&self, name: &str) -> Result<&DevicePlan, Refusal> {
        let found = self.devices.get(name).copied();
        found.ok_or_else(|| Refusal::NoSuchDevice(name.to_owned()))
    }

    fn action(&self, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::Fault(action) => return self.fault(action),
            Action::EndFaults { device, .. } => {
                let device = device.as_ref().map(|name| self.device(name)).transpose()?;
                return match device.filter(|device| device.own_address().is_none()) {
                    Some(device) => Err(Refusal::NotOnABus(device.name.clone())),
                    None => Ok(()),
                };
            }
            _ => {}
        }
        let Some(name) = action.device() else {
            self.operates_board()?;
            return match action {
                Action::AtMachine(MachineAction::Diagnose { device, .. }) => self.on_bus(device),
                _ => Ok(()),
            };
        };
        let device = self.device(name)?;
        if self.plan.is_real(device) && !self.plan.in_lock_step() {
            return Err(Refusal::DeviceOutside(name.to_owned()));
        }
        match can(&device.kind, action) {
            true => Ok(()),
            false => Err(Refusal::CannotDo(name.to_owned())),
        }
    }

    /// A fault, against what is at the other end of the bus it is for.
    fn fault(&self, action: &FaultAction) -> Result<(), Refusal> {
        let board = self.plan.link.as_ref().map(|l| l.outside);
        let outside = match &action.device {
            None => board,
            Some(name) => {
                let device = self.device(name)?;
                if device.own_address().is_none() {
                    return Err(Refusal::NotOnABus(name.clone()));
                }
                match (&device.link, device.address()) {
                    (Some(DeviceLink::Bus(link)), _) => Some(link.outside),
                    (_, Some(_)) => board,
                    // Behind a bridge, on a bus that is virtual.
                    _ => None,
                }
            }
        };
        let why = outside.and_then(|side| action.fault.impossible_over_a_port(side));
        why.map_or(Ok(()), |why| Err(Refusal::Link(why)))
    }

    /// A device that our board speaks to.
    fn on_bus(&self, name: &str) -> Result<(), Refusal> {
        match self.device(name)?.address() {
            Some(_) => Ok(()),
            None => Err(Refusal::NotOnABus(name.to_owned())),
        }
    }

    fn expectation(&self, what: &Expectation) -> Result<(), Refusal> {
        match what {
            Expectation::Credit(_)
            | Expectation::Display(_)
            | Expectation::Sold(_)
            | Expectation::ExactChange(_) => self.board(),
            Expectation::Seen(_) => Ok(()),
            Expectation::Balance { place, .. } => {
                let name = place.to_string();
                match self.places.contains_key(&name) {
                    true => Ok(()),
                    false => Err(Refusal::NoSuchPlace(name)),
                }
            }
            Expectation::Ready { device, .. } => match self.device(device)?.own_address() {
                Some(_) => Ok(()),
                None => Err(Refusal::NotOnABus(device.clone())),
            },
        }
    }
}

/// Whether a kind of device can be the object of an action that names one.
fn can(kind: &Kind, action: &Action) -> bool {
    let pulse = match kind {
        Kind::Pulse(plan) => Some(&**plan),
        _ => None,
    };
    match action {
        Action::InsertCoin { .. } => {
            matches!(kind, Kind::Changer(..)) || matches!(pulse, Some(PulsePlan::Coin(_)))
        }
        Action::InsertBill { .. } => {
            matches!(kind, Kind::Bill(..)) || matches!(pulse, Some(PulsePlan::Bill(_)))
        }
        Action::PresentCard { .. } | Action::RemoveCard { .. } => {
            matches!(kind, Kind::Cashless(_)) || matches!(pulse, Some(PulsePlan::Card(_)))
        }
        Action::AtBillValidator { .. } => matches!(kind, Kind::Bill(..)),
        Action::AtChanger { .. } => matches!(kind, Kind::Changer(..)),
        Action::AtCashless { .. } => matches!(kind, Kind::Cashless(_)),
        Action::Power { .. } | Action::Silent { .. } => true,
        Action::Service { .. }
        | Action::AtMachine(_)
        | Action::Select { .. }
        | Action::PressReturn
        | Action::JamItem { .. }
        | Action::FreeItem { .. }
        | Action::BusReset
        | Action::Fault(_)
        | Action::EndFaults { .. } => false,
    }
}

/// Every place in which there can be money on the bench of a plan.
fn places(plan: &Plan) -> impl Iterator<Item = Place> {
    let board = [
        Place::BoardCredit,
        Place::BoardSales,
        Place::BoardService,
        Place::BoardOverpaid,
    ];
    let board = board.into_iter().filter(|_| plan.board_is_ours());
    let devices = plan.devices.iter().flat_map(move |device| {
        let claims = device.names().into_iter().flat_map(|name| {
            let name = || name.clone();
            [
                Place::BoardReceived(name()),
                Place::BoardPaid(name()),
                Place::BoardDoubt(name()),
                Place::BoardStock(name()),
            ]
        });
        let claims = claims.filter(|_| plan.board_is_ours());
        held(device).into_iter().chain(claims)
    });
    [Place::Supply, Place::Customer]
        .into_iter()
        .chain(board)
        .chain(devices)
}

/// The places that a device has.
fn held(device: &DevicePlan) -> Vec<Place> {
    let name = || device.name.clone();
    match &device.kind {
        Kind::Changer(config, _) => {
            let tubes = (0u8..).zip(&config.coins);
            let tubes = tubes.filter(|(_, coin)| coin.as_ref().is_some_and(|c| c.tube.is_some()));
            let tubes = tubes.map(|(coin_type, _)| Place::Tube(name(), coin_type));
            tubes.chain([Place::CashBox(name())]).collect()
        }
        Kind::Bill(config, _) => {
            let stores = config.recycler.iter();
            let known = |t: u8| config.kind(t) != BillKind::Unused;
            let stores = stores.map(|s| s.bill_type).filter(|t| known(*t));
            let stores = stores.map(|bill_type| Place::Recycler(name(), bill_type));
            let own = [Place::Escrow(name()), Place::Stacker(name())];
            own.into_iter().chain(stores).collect()
        }
        Kind::Cashless(_) => vec![Place::CardAccount(name()), Place::CardReceipts(name())],
        Kind::Pulse(pulse) => {
            let hopper = pulse.hopper().map(|h| Place::Hopper(h.name.clone()));
            let own = match &**pulse {
                PulsePlan::Bill(_) => vec![Place::Escrow(name()), Place::Stacker(name())],
                PulsePlan::Coin(_) => vec![Place::CashBox(name())],
                PulsePlan::Hopper(_) => Vec::new(),
                PulsePlan::Card(_) => {
                    vec![Place::CardAccount(name()), Place::CardReceipts(name())]
                }
            };
            own.into_iter().chain(hopper).collect()
        }
        // What goes through it is where its device put it.
        Kind::Bridge(_) => Vec::new(),
    }
}
