//! An emulated device as the subject of an examination.

use super::action::DeviceAction;
use super::habit::Layer;
use super::layered::Layered;
use super::pulse_unit;
use super::setup::{Kind, Setup};
use payrig_bench::action::{Action, Tender};
use payrig_bench::nodes::PulseNode;
use payrig_bench::{Input, Node, Output, Refusal, node_identity};
use payrig_mdb::Address;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::Port;
use payrig_peripherals::bill::{BillValidator, Fault};
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_units::{Micros, Money};

/// An emulated device, on the bus with its habits.
#[derive(Clone, Debug)]
pub(super) enum Emulated {
    /// A coin changer.
    Changer(Box<Layered<Changer>>),
    /// A bill validator or recycler.
    Bill(Box<Layered<BillValidator>>),
    /// A card reader.
    Cashless(Box<Layered<CashlessDevice>>),
    /// A device on pulse lines, of this kind.
    Pulse(Box<PulseNode>, Kind),
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
                Self::Pulse(Box::new(node), setup.kind)
            }
        })
    }

    fn node(&self) -> &dyn Node {
        match self {
            Self::Changer(d) => &**d,
            Self::Bill(d) => &**d,
            Self::Cashless(d) => &**d,
            Self::Pulse(d, _) => &**d,
        }
    }

    fn node_mut(&mut self) -> &mut dyn Node {
        match self {
            Self::Changer(d) => &mut **d,
            Self::Bill(d) => &mut **d,
            Self::Cashless(d) => &mut **d,
            Self::Pulse(d, _) => &mut **d,
        }
    }

    /// Has something done at it. False when it is of another kind.
    #[must_use]
    pub(super) fn operate(&mut self, now: Micros, act: DeviceAction) -> bool {
        match (&mut *self, act) {
            (_, DeviceAction::Power(on)) => self.power(now, on),
            (Self::Changer(d), act) => return at_changer(d.device_mut(), now, act),
            (Self::Bill(d), act) => return at_validator(d.device_mut(), now, act),
            (Self::Cashless(d), DeviceAction::Card(balance)) => {
                d.device_mut().present_card(now, Card::with(Money(balance)));
            }
            (Self::Cashless(d), DeviceAction::TakeCard) => {
                d.device_mut().remove_card(now);
            }
            (Self::Pulse(d, kind), DeviceAction::PulseMoney(value)) => {
                let device = d.device().name().to_owned();
                return put_in(*kind, device, Money(value)).is_none_or(|a| d.act(now, &a).is_ok());
            }
            (Self::Pulse(d, _), DeviceAction::TakeCard) => {
                let device = d.device().name().to_owned();
                // Where there is no card none is taken.
                let _ = d.act(now, &Action::RemoveCard { device });
            }
            _ => return false,
        }
        true
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

/// A bill or a coin is put in, or a card is shown having chosen an amount; nothing goes into a hopper.
fn put_in(kind: Kind, device: String, value: Money) -> Option<Action> {
    Some(match kind {
        Kind::PulseCoin | Kind::PulseCoinHopper => Action::InsertCoin {
            device,
            coin: Tender::Worth(value),
        },
        Kind::PulseCard => Action::PresentCard {
            device,
            balance: None,
            amount: Some(value),
        },
        Kind::PulseHopper => return None,
        _ => Action::InsertBill {
            device,
            bill: Tender::Worth(value),
        },
    })
}

fn at_changer(changer: &mut Changer, now: Micros, act: DeviceAction) -> bool {
    match act {
        DeviceAction::Coin(t) => changer.insert_coin(now, CoinType::of(t)),
        DeviceAction::Slug => changer.insert_slug(now),
        DeviceAction::PressLever => changer.press_escrow_lever(now),
        DeviceAction::ReleaseLever => changer.release_escrow_lever(now),
        DeviceAction::BreakTubeSensor(t) => changer.break_tube_sensor(now, CoinType::of(t), true),
        DeviceAction::MendTubeSensor(t) => changer.break_tube_sensor(now, CoinType::of(t), false),
        _ => return false,
    }
    true
}

fn at_validator(bill: &mut BillValidator, now: Micros, act: DeviceAction) -> bool {
    match act {
        DeviceAction::Bill(t) => {
            bill.insert_bill(now, t);
        }
        DeviceAction::Paper => {
            bill.insert_unknown_paper(now);
        }
        DeviceAction::RemoveCashBox => bill.remove_cash_box(now),
        DeviceAction::FillStacker => {
            bill.fill_stacker(now);
        }
        DeviceAction::JamBill => bill.break_down(now, Fault::Jam),
        DeviceAction::ClearJam => {
            bill.repair(now, Fault::Jam);
        }
        DeviceAction::ReturnCashBox => {
            bill.replace_cash_box(now, true);
        }
        _ => return false,
    }
    true
}
