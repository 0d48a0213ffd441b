//! What is examined: an emulated device, or one at the other end of a port.

use super::act::Act;
use super::habit::Layer;
use super::pulse_unit::PulseUnit;
use super::setup::{Kind, Setup};
use payrig_mdb::Address;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::{BillValidator, Fault};
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_peripherals::{BusPeripheral, Port};
use payrig_units::{Micros, Money, Movement};
use payrig_wire::{TimedWord, Transmission};

#[derive(Debug)]
enum Machine {
    Changer(Box<Port<Changer>>),
    Bill(Box<Port<BillValidator>>),
    Cashless(Box<Port<CashlessDevice>>),
    Pulse(Box<PulseUnit>),
}

impl Machine {
    fn bus(&mut self) -> Option<&mut dyn BusPeripheral> {
        match self {
            Self::Changer(p) => Some(&mut **p),
            Self::Bill(p) => Some(&mut **p),
            Self::Cashless(p) => Some(&mut **p),
            Self::Pulse(_) => None,
        }
    }
}

/// An emulated device with its habits: lines in, lines out, and what is done at it.
#[derive(Debug)]
pub(super) struct Emulated {
    machine: Machine,
    layer: Layer,
}

impl Emulated {
    /// Sets it up. `None` when it contradicts itself.
    #[must_use]
    pub(super) fn new(setup: &Setup) -> Option<Self> {
        let machine = match setup.kind {
            Kind::Changer => {
                let mut changer = Changer::new(setup.changer.clone(), setup.changer_quirks).ok()?;
                for code in &setup.changer_faults {
                    changer.set_fault(Micros::ZERO, *code, true);
                }
                Machine::Changer(Box::new(Port::new(changer, setup.timing)))
            }
            Kind::BillValidator | Kind::BillRecycler => {
                let bill = BillValidator::new(setup.bill.clone(), setup.bill_quirks).ok()?;
                Machine::Bill(Box::new(Port::new(bill, setup.timing)))
            }
            Kind::Cashless => {
                let cashless = CashlessDevice::new(setup.cashless.clone());
                Machine::Cashless(Box::new(Port::new(cashless, setup.timing)))
            }
            Kind::PulseBill
            | Kind::PulseCoin
            | Kind::PulseCoinHopper
            | Kind::PulseHopper
            | Kind::PulseCard => Machine::Pulse(Box::new(PulseUnit::new(setup).ok()?)),
        };
        let address = setup.address().unwrap_or(Address::VMC);
        let layer = Layer::new(setup.habits.clone(), address);
        Some(Self { machine, layer })
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub(super) fn next_deadline(&mut self) -> Micros {
        let machine = match &mut self.machine {
            Machine::Pulse(d) => d.next_deadline(),
            other => other.bus().map_or(Micros::NEVER, |b| b.next_deadline()),
        };
        machine.min(self.layer.next_deadline())
    }

    /// A deadline has come.
    pub(super) fn wake(&mut self, now: Micros) {
        match &mut self.machine {
            Machine::Pulse(d) => d.wake(now),
            other => {
                if let Some(bus) = other.bus()
                    && bus.next_deadline() <= now
                {
                    bus.wake(now);
                }
            }
        }
        self.layer.wake(now);
    }

    /// A word of the board.
    pub(super) fn heard(&mut self, word: TimedWord) {
        if let Some(bus) = self.machine.bus() {
            self.layer.heard(word, bus);
        }
    }

    /// A bus reset.
    pub(super) fn heard_break(&mut self, start: Micros, end: Micros) {
        if self.layer.bus_reset(end)
            && let Some(bus) = self.machine.bus()
        {
            bus.heard_break(start, end);
        }
    }

    /// What goes on the wire next, if anything.
    pub(super) fn take_transmission(&mut self) -> Option<Transmission> {
        let bus = self.machine.bus()?;
        self.layer.take(bus)
    }

    /// Money that moved.
    pub(super) fn take_movements(&mut self) -> Vec<Movement> {
        match &mut self.machine {
            Machine::Pulse(d) => d.take_movements(),
            other => other.bus().map_or_else(Vec::new, |b| b.take_movements()),
        }
    }

    /// Its pulse lines, where it has some.
    #[must_use]
    pub(super) fn unit(&self) -> Option<&PulseUnit> {
        match &self.machine {
            Machine::Pulse(unit) => Some(unit),
            _ => None,
        }
    }

    /// The same, to work on.
    #[must_use]
    pub(super) fn unit_mut(&mut self) -> Option<&mut PulseUnit> {
        match &mut self.machine {
            Machine::Pulse(unit) => Some(unit),
            _ => None,
        }
    }

    /// Has something done at it. False when it is of another kind.
    #[must_use]
    pub(super) fn act(&mut self, now: Micros, act: Act) -> bool {
        match (&mut self.machine, act) {
            (Machine::Pulse(d), Act::Power(on)) => d.power(now, on),
            (machine, Act::Power(on)) => {
                self.layer.power(on);
                if let Some(bus) = machine.bus() {
                    bus.power(now, on);
                }
            }
            (Machine::Changer(p), act) => return at_changer(p.device_mut(), now, act),
            (Machine::Bill(p), act) => return at_validator(p.device_mut(), now, act),
            (Machine::Cashless(p), Act::Card(balance)) => {
                p.device_mut().present_card(now, Card::with(Money(balance)));
            }
            (Machine::Cashless(p), Act::TakeCard) => {
                p.device_mut().remove_card(now);
            }
            (Machine::Pulse(d), Act::PulseMoney(value)) => d.put_in(now, Money(value)),
            (Machine::Pulse(d), Act::TakeCard) => d.remove_card(now),
            _ => return false,
        }
        true
    }
}

fn at_changer(changer: &mut Changer, now: Micros, act: Act) -> bool {
    match act {
        Act::Coin(t) => changer.insert_coin(now, CoinType::of(t)),
        Act::Slug => changer.insert_slug(now),
        Act::PressLever => changer.press_escrow_lever(now),
        Act::ReleaseLever => changer.release_escrow_lever(now),
        Act::BreakTubeSensor(t) => changer.break_tube_sensor(now, CoinType::of(t), true),
        Act::MendTubeSensor(t) => changer.break_tube_sensor(now, CoinType::of(t), false),
        _ => return false,
    }
    true
}

fn at_validator(bill: &mut BillValidator, now: Micros, act: Act) -> bool {
    match act {
        Act::Bill(t) => {
            bill.insert_bill(now, t);
        }
        Act::Paper => {
            bill.insert_unknown_paper(now);
        }
        Act::RemoveCashBox => bill.remove_cash_box(now),
        Act::FillStacker => {
            bill.fill_stacker(now);
        }
        Act::JamBill => bill.break_down(now, Fault::Jam),
        Act::ClearJam => {
            bill.repair(now, Fault::Jam);
        }
        Act::ReturnCashBox => {
            bill.replace_cash_box(now, true);
        }
        _ => return false,
    }
    true
}
