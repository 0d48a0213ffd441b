//! Which coins and bills are welcome now.

use super::Controller;
use super::slot::{BoardMeans, Peer, Slot, has_changer, purse};
use crate::change::Payable;
use crate::drivers::channel::Life;
use crate::drivers::hopper::Hopper;
use crate::drivers::report::Reader;
use crate::drivers::{bill, changer};
use crate::shop::{Means, Vending};
use payrig_units::{Micros, Money};

/// One part of what decides which bills and coins can be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Basis {
    /// The changer is polled; what it can pay.
    Coins(bool, changer::StockBasis),
    /// The validator is polled; what it can pay.
    Bills(bool, bill::StockBasis),
    /// What a hopper can pay: the worth of a coin, and how many there are.
    Hopper(Money, u32),
    /// The credit, how often prices were set, and whether change is given at all.
    Shop(Money, u32, bool),
}

/// What can be changed, and what that was worked out from.
///
/// It is asked for at every report, and what it depends on changes with a coin or a sale: nothing is
/// worked out anew, and nothing allocated, while the basis is the same.
#[derive(Clone, Debug, Default)]
pub(super) struct Changeable {
    basis: Vec<Basis>,
    /// The bills that can be changed.
    bills: Vec<Money>,
    /// Not even the smallest bill can be changed.
    exact_change: bool,
    /// Whatever the acceptor on pulse lines may bring in can be changed; one for each.
    pulses: Vec<bool>,
}

fn basis<'a>(
    slots: &'a [Slot],
    hoppers: &'a [Hopper],
    vending: &Vending,
    gives_change: bool,
) -> impl Iterator<Item = Basis> + 'a {
    let (credit, prices) = vending.change_basis();
    let slots = slots.iter().filter_map(|slot| {
        let running = slot.channel.life() == Life::Running;
        match &slot.unit {
            Peer::Changer(changer) => Some(Basis::Coins(running, changer.stock_basis())),
            Peer::Bill(bill) => Some(Basis::Bills(running, bill.stock_basis())),
            Peer::Cashless(_) => None,
        }
    });
    let hoppers = hoppers.iter().map(|hopper| {
        let (coin, coins) = hopper.stock_basis();
        Basis::Hopper(coin, coins)
    });
    let shop = Basis::Shop(credit, prices, gives_change);
    slots.chain(hoppers).chain([shop])
}

/// The board's means, with the sums that can be paid in coins and bills worked out once.
struct Sums<'a> {
    means: BoardMeans<'a>,
    payable: Payable,
}

impl Means for Sums<'_> {
    fn can_pay(&self, amount: Money) -> bool {
        let BoardMeans(slots, hoppers) = self.means;
        match self.payable.can_pay(amount) {
            Some(true) => true,
            Some(false) => !has_changer(slots) && hoppers.iter().any(|h| h.can_pay(amount)),
            None => self.means.can_pay(amount),
        }
    }

    fn gives_change(&self) -> bool {
        self.means.gives_change()
    }

    fn readers(&self) -> Vec<Reader> {
        self.means.readers()
    }
}

impl Controller {
    /// Bills are welcome when whatever is then bought, the change can be paid; when some bill or
    /// other is not, the exact-change light is on.
    pub(super) fn update_welcome(&mut self, now: Micros) {
        self.update_changeable();
        self.update_inhibits(now);
        self.exact_change = self.changeable.exact_change;
        let bills: &[Money] = match self.in_service {
            true => &[],
            false => &self.changeable.bills,
        };
        let limit = self.config.changer.credit_limit;
        let coins = !self.in_service
            && !self.vending.has_token()
            && limit.is_none_or(|limit| self.vending.credit() < limit);
        for slot in &mut self.slots {
            match &mut slot.unit {
                Peer::Bill(bill) => bill.set_welcome(bills),
                Peer::Changer(changer) => changer.set_welcome(coins),
                Peer::Cashless(_) => {}
            }
        }
    }

    /// Works out anew what can be changed, when something it depends on has changed.
    fn update_changeable(&mut self) {
        let means = BoardMeans(&self.slots, &self.hoppers);
        let gives_change = means.gives_change();
        let basis = || basis(&self.slots, &self.hoppers, &self.vending, gives_change);
        if basis().eq(self.changeable.basis.iter().copied()) {
            return;
        }
        let mut known: Vec<Money> = Vec::new();
        for slot in &self.slots {
            if let Peer::Bill(bill) = &slot.unit {
                known.extend(bill.values());
            }
        }
        known.sort_unstable();
        known.dedup();
        let pulses = self.pulses.iter().flat_map(|p| p.values());
        let most = known.iter().chain(pulses).max().copied();
        let most = most
            .unwrap_or_default()
            .saturating_add(self.vending.credit());
        let means = Sums {
            payable: Payable::new(&purse(&self.slots).all(), most),
            means,
        };
        let changeable = |value: &Money| self.vending.is_changeable(*value, &means);
        let smallest = known.first();
        self.changeable = Changeable {
            exact_change: gives_change && smallest.is_some_and(|s| !changeable(s)),
            pulses: self
                .pulses
                .iter()
                .map(|p| p.values().iter().all(changeable))
                .collect(),
            bills: known.iter().copied().filter(changeable).collect(),
            basis: basis().collect(),
        };
    }

    /// An acceptor on pulse lines has one line that holds it off, for all it takes, and no escrow:
    /// it may take money when the board is set up, no sale is under way, and whatever it takes can
    /// be changed.
    fn update_inhibits(&mut self, now: Micros) {
        if !self.powered || self.pulses.is_empty() {
            return;
        }
        let set_up = self.slots.iter().all(|s| {
            // A peripheral that does not answer is not waited for.
            matches!(s.channel.life(), Life::Running | Life::Resetting { .. })
        });
        let free = set_up && self.vending.is_idle() && !self.vending.in_session();
        for (input, changeable) in self.pulses.iter_mut().zip(&self.changeable.pulses) {
            input.hold_off(now, !(free && *changeable));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::{BoardConfig, Expected, ExpectedKind};
    use crate::drivers::{BillChange, BillPolicy, Outcome, Report};
    use crate::shop::Item;
    use payrig_mdb::bill::{BillCounts, BillTypes, EscrowCapability, Identification, Options};
    use payrig_mdb::changer::{CoinTypes, PerType, TubeStatus};
    use payrig_mdb::{Block, CurrencyCode, Scaling};
    use proptest::prelude::*;

    /// What the peripherals have in them.
    #[derive(Clone, Copy, Debug)]
    struct Inside {
        tubes: [u8; 4],
        full: u16,
        bills: [u16; 2],
        just_reset: [bool; 2],
    }

    fn changer_says(command: &Block, inside: &mut Inside) -> Option<Block> {
        use payrig_mdb::changer::{Command, Report as Activity, Response, Setup};
        let response = match Command::parse(command.bytes()).unwrap() {
            Command::Reset => {
                inside.just_reset[0] = true;
                return None;
            }
            Command::Poll if std::mem::take(&mut inside.just_reset[0]) => {
                Response::Poll(vec![Activity::JUST_RESET])
            }
            Command::Setup => Response::Setup(Setup {
                level: 2,
                currency: CurrencyCode::USD,
                scaling_factor: 5,
                decimals: 2,
                routing: CoinTypes::ALL,
                credits: PerType::new(&[1, 2, 5, 20]),
            }),
            Command::TubeStatus => Response::TubeStatus(TubeStatus {
                full: CoinTypes(inside.full),
                counts: PerType::new(&inside.tubes),
            }),
            _ => return None,
        };
        Some(response.emit())
    }

    fn recycler_says(command: &Block, inside: &mut Inside) -> Option<Block> {
        use payrig_mdb::bill::{Command, Report as Activity, Response, Setup, Stacker};
        let response = match Command::parse(command.bytes()).unwrap() {
            Command::Reset => {
                inside.just_reset[1] = true;
                return None;
            }
            Command::Poll if std::mem::take(&mut inside.just_reset[1]) => {
                Response::Poll(vec![Activity::JustReset])
            }
            Command::Setup => Response::Setup(Setup {
                level: 2,
                currency: CurrencyCode::USD,
                scaling: Scaling {
                    factor: 100,
                    decimals: 2,
                },
                stacker_capacity: 100,
                security: BillTypes::ALL,
                escrow: EscrowCapability::Capable,
                credits: vec![1, 5, 10],
            }),
            Command::IdentificationWithOptions => {
                let id = Identification {
                    manufacturer: *b"ZZZ",
                    serial: *b"000000000042",
                    model: *b"HARBOUR-BV01",
                    version: [0x01, 0x00],
                };
                Response::IdentificationWithOptions(id, Options::RECYCLING)
            }
            Command::RecyclerSetup => Response::RecyclerSetup(BillTypes::ALL),
            Command::Stacker => Response::Stacker(Stacker {
                full: false,
                count: 1,
            }),
            Command::BillDispenseStatus => Response::BillDispenseStatus {
                full: BillTypes::NONE,
                counts: BillCounts::new(&inside.bills),
            },
            _ => return None,
        };
        Some(response.emit())
    }

    struct Play {
        board: Controller,
        inside: Inside,
        now: Micros,
    }

    impl Play {
        fn new() -> Self {
            let item = |(n, price): (usize, &i64)| Item::new(n as u16, "", Money(*price));
            let expected = |(name, kind): (&str, ExpectedKind)| Expected {
                name: name.to_owned(),
                kind,
            };
            let config = BoardConfig {
                items: [45, 100, 135].iter().enumerate().map(item).collect(),
                expected: [
                    ("changer", ExpectedKind::Changer),
                    ("bill", ExpectedKind::BillValidator),
                ]
                .map(expected)
                .to_vec(),
                bills: BillPolicy {
                    change: BillChange::ByType,
                    ..BillPolicy::default()
                },
                ..BoardConfig::default()
            };
            let inside = Inside {
                tubes: [9; 4],
                full: 0,
                bills: [3; 2],
                just_reset: [false; 2],
            };
            Self {
                board: Controller::new(config, Micros::ZERO),
                inside,
                now: Micros::ZERO,
            }
        }

        /// One exchange with a peripheral; silence when it is lost.
        fn exchange(&mut self, index: usize, lost: bool) {
            self.now += Micros::ms(150);
            let slot = &mut self.board.slots[index];
            let command = slot.channel.next_command(self.now, slot.unit.driver());
            let data = match index {
                _ if lost => None,
                0 => changer_says(&command, &mut self.inside),
                _ => recycler_says(&command, &mut self.inside),
            };
            let outcome = match data {
                _ if lost => Outcome::Silence,
                Some(data) => Outcome::Data(data),
                None => Outcome::Ack,
            };
            slot.channel.outcome(self.now, &outcome, slot.unit.driver());
            self.board.settle(self.now);
            self.check();
        }

        fn start(&mut self, index: usize) {
            self.inside.just_reset[index] = true;
            for _ in 0..24 {
                self.exchange(index, false);
            }
            assert_eq!(self.board.slots[index].channel.life(), Life::Running);
        }

        fn read(&mut self, index: usize) {
            let command = match index {
                0 => payrig_mdb::changer::Command::TubeStatus.emit(),
                _ => payrig_mdb::bill::Command::BillDispenseStatus.emit(),
            };
            self.board.slots[index].channel.want(self.now, command);
            for _ in 0..3 {
                self.exchange(index, false);
            }
        }

        fn step(&mut self, step: &Step) {
            match *step {
                Step::Tubes(tubes, full) => {
                    (self.inside.tubes, self.inside.full) = (tubes, full);
                    self.read(0);
                }
                Step::Bills(bills) => {
                    self.inside.bills = bills;
                    self.read(1);
                }
                Step::Price(item, price) => self.board.set_price(self.now, item, Money(price)),
                Step::Credit(value) => {
                    let report = Report::Credit {
                        device: "changer".to_owned(),
                        value: Money(value),
                        what: String::new(),
                    };
                    let means = BoardMeans(&self.board.slots, &self.board.hoppers);
                    self.board.vending.report(self.now, report, &means);
                    self.board.settle(self.now);
                }
                Step::Lost(index) => {
                    for _ in 0..40 {
                        self.exchange(index, true);
                    }
                }
                Step::Reset(index) => self.start(index),
            }
            self.check();
        }

        /// What is kept is what would be worked out now, bill by bill and sum by sum.
        fn check(&self) {
            let mut fresh = self.board.clone();
            fresh.changeable = Changeable::default();
            fresh.update_changeable();
            let (kept, fresh) = (&self.board.changeable, &fresh.changeable);
            assert_eq!(
                (&kept.bills, kept.exact_change),
                (&fresh.bills, fresh.exact_change)
            );
            let means = BoardMeans(&self.board.slots, &self.board.hoppers);
            for slot in &self.board.slots {
                if let Peer::Bill(bill) = &slot.unit {
                    for value in bill.values() {
                        let now = self.board.vending.is_changeable(value, &means);
                        assert_eq!(kept.bills.contains(&value), now, "{value:?}");
                    }
                }
            }
        }
    }

    #[derive(Clone, Debug)]
    enum Step {
        Tubes([u8; 4], u16),
        Bills([u16; 2]),
        Price(u16, i64),
        Credit(i64),
        Lost(usize),
        Reset(usize),
    }

    fn step() -> impl Strategy<Value = Step> {
        prop_oneof![
            4 => (any::<[bool; 4]>(), 0u8..5, 0u16..16)
                .prop_map(|(some, n, full)| Step::Tubes(some.map(|s| u8::from(s) * n), full)),
            2 => (0u16..3, 0u16..3).prop_map(|(a, b)| Step::Bills([a, b])),
            2 => (0u16..3, 1i64..40).prop_map(|(n, price)| Step::Price(n, price * 5)),
            2 => (1i64..30).prop_map(|n| Step::Credit(n * 5)),
            1 => (0usize..2).prop_map(Step::Lost),
            1 => (0usize..2).prop_map(Step::Reset),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        #[test]
        fn what_is_kept_is_what_would_be_worked_out_now(
            steps in proptest::collection::vec(step(), 1..12)
        ) {
            let mut play = Play::new();
            play.start(0);
            play.start(1);
            for step in &steps {
                play.step(step);
            }
        }
    }
}
