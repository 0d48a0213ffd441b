//! An emulated device as the subject of an examination.

use super::habit::Layer;
use super::layered::Layered;
use super::pulse_unit;
use super::setup::{Kind, Setup};
use payrig_bench::action::Action;
use payrig_bench::nodes::PulseNode;
use payrig_bench::{Input, Node, Output, Refusal, node_identity};
use payrig_mdb::Address;
use payrig_peripherals::Port;
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::CashlessDevice;
use payrig_peripherals::changer::Changer;
use payrig_units::Micros;

/// An emulated device, on the bus with its habits.
#[derive(Clone, Debug)]
pub(super) enum Emulated {
    /// A coin changer.
    Changer(Box<Layered<Changer>>),
    /// A bill validator or recycler.
    Bill(Box<Layered<BillValidator>>),
    /// A card reader.
    Cashless(Box<Layered<CashlessDevice>>),
    /// A device on pulse lines.
    Pulse(Box<PulseNode>),
}

impl Emulated {
    /// Sets it up. `None` when it contradicts itself.
    #[must_use]
    pub(super) fn new(setup: &Setup) -> Option<Self> {
        let address = setup.address().unwrap_or(Address::VMC);
        let layer = Layer::new(setup.habits.clone(), address);
        Some(match setup.kind {
            Kind::Changer => {
                let mut changer = Changer::new(setup.changer.clone(), setup.changer_quirks).ok()?;
                for code in &setup.changer_faults {
                    changer.set_fault(Micros::ZERO, *code, true);
                }
                let port = Port::new(changer, setup.timing);
                Self::Changer(Box::new(Layered::new(layer, port)))
            }
            Kind::BillValidator | Kind::BillRecycler => {
                let bill = BillValidator::new(setup.bill.clone(), setup.bill_quirks).ok()?;
                let port = Port::new(bill, setup.timing);
                Self::Bill(Box::new(Layered::new(layer, port)))
            }
            Kind::Cashless => {
                let cashless = CashlessDevice::new(setup.cashless.clone());
                let port = Port::new(cashless, setup.timing);
                Self::Cashless(Box::new(Layered::new(layer, port)))
            }
            Kind::PulseBill
            | Kind::PulseCoin
            | Kind::PulseCoinHopper
            | Kind::PulseHopper
            | Kind::PulseCard => {
                let node = PulseNode::new(&pulse_unit::plan(setup)).ok()?;
                Self::Pulse(Box::new(node))
            }
        })
    }

    fn node(&self) -> &dyn Node {
        match self {
            Self::Changer(d) => &**d,
            Self::Bill(d) => &**d,
            Self::Cashless(d) => &**d,
            Self::Pulse(d) => &**d,
        }
    }

    fn node_mut(&mut self) -> &mut dyn Node {
        match self {
            Self::Changer(d) => &mut **d,
            Self::Bill(d) => &mut **d,
            Self::Cashless(d) => &mut **d,
            Self::Pulse(d) => &mut **d,
        }
    }
}

impl Node for Emulated {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.node().next_deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.node_mut().wake(now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        self.node_mut().hear(input);
    }

    fn drain(&mut self, now: Micros, out: &mut Output) {
        self.node_mut().drain(now, out);
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.node_mut().power(now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        self.node_mut().act(now, action)
    }

    fn is_quiet(&self) -> bool {
        self.node().is_quiet()
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        self.node().resting_levels()
    }
}
