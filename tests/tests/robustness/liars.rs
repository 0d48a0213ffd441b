//! The board among liars: peripherals that now and then answer with anything at all. It may be
//! deceived, but only by a report: no credit and no sale without one that says so.

use super::machines::{changer, reader, validator};
use payrig_controller::{Controller, ExpectedKind};
use payrig_mdb::bill::{self, BillValue};
use payrig_mdb::cashless::{self, Unit};
use payrig_mdb::changer::{self, CoinCredit, Routing};
use payrig_mdb::{Address, Block, Length, Typed};
use payrig_peripherals::cashless::{Answers, Card};
use payrig_peripherals::{Device, Reply};
use payrig_tests::{Bench, board};
use payrig_units::{Micros, Money};
use proptest::collection::vec;
use proptest::prelude::*;

/// What a liar does with one command.
#[derive(Clone, Debug)]
enum Lie {
    Truth,
    Silence,
    Ack,
    Data(Vec<u8>),
    /// The last answer once more.
    Again,
}

/// A device that answers some commands otherwise than it should.
#[derive(Debug)]
struct Liar<D> {
    inner: D,
    lies: Vec<Lie>,
    next: usize,
    last: Option<Block>,
    lied: bool,
}

impl<D> Liar<D> {
    fn new(inner: D, lies: &[Lie]) -> Self {
        Self {
            inner,
            lies: lies.to_vec(),
            next: 0,
            last: None,
            lied: false,
        }
    }
}

impl<D: Device> Device for Liar<D> {
    fn address(&self) -> Address {
        self.inner.address()
    }
    fn command_length(&self, bytes: &[u8]) -> Length {
        self.inner.command_length(bytes)
    }
    fn command(&mut self, now: Micros, command: &Block) -> Reply {
        let lie = self.lies.get(self.next).cloned().unwrap_or(Lie::Truth);
        self.next += 1;
        let said = match lie {
            Lie::Truth => None,
            Lie::Silence => Some(Reply::Silence),
            Lie::Ack => Some(Reply::Ack),
            Lie::Data(bytes) => Some(Reply::Data(Block::truncated(&bytes))),
            Lie::Again => self.last.map(Reply::Data),
        };
        self.lied = said.is_some();
        let reply = said.unwrap_or_else(|| self.inner.command(now, command));
        if let Reply::Data(data) = reply {
            self.last = Some(data);
        }
        reply
    }
    fn acknowledged(&mut self, now: Micros) {
        if !self.lied {
            self.inner.acknowledged(now);
        }
    }
    fn unacknowledged(&mut self, now: Micros) {
        if !self.lied {
            self.inner.unacknowledged(now);
        }
    }
    payrig_tests::otherwise_as!(inner);
}

/// Mostly the truth, so that the board gets somewhere; else anything, with a liking for what is
/// nearly right: reports of coins, bills, approvals, resets.
fn lies() -> impl Strategy<Value = Vec<Lie>> {
    let tempting = prop_oneof![
        (0x40..=0x7Fu8, any::<u8>()).prop_map(|(coin, tube)| vec![coin, tube]),
        (0x80..=0xFFu8).prop_map(|bill| vec![bill]),
        (0..0x30u8).prop_map(|status| vec![status]),
        (0..0x16u8, vec(0..0x40u8, 0..10)).prop_map(|(code, rest)| [&[code], &rest[..]].concat()),
        // SETUP of a changer and of a validator, values and all.
        (2..4u8, 0..4u8, vec(0..0x20u8, 1..17)).prop_map(|(level, scale, coins)| [
            &[level, 0x18, 0x40, scale, 2, 0, 7],
            &coins[..]
        ]
        .concat()),
        (0..0x20u8, vec(0..0x20u8, 16)).prop_map(|(scale, bills)| [
            &[2, 0x18, 0x40, 0, scale, 2, 1, 0, 0, 0, 0xFF],
            &bills[..]
        ]
        .concat()),
        // The file transport layer.
        (0x1B..0x20u8, vec(any::<u8>(), 0..8))
            .prop_map(|(code, rest)| [&[code], &rest[..]].concat()),
    ];
    let lie = prop_oneof![
        40 => Just(Lie::Truth),
        2 => Just(Lie::Silence),
        2 => Just(Lie::Ack),
        2 => Just(Lie::Again),
        6 => tempting.prop_map(Lie::Data),
        2 => vec(any::<u8>(), 1..36).prop_map(Lie::Data),
    ];
    vec(lie, 0..400)
}

#[derive(Clone, Debug)]
enum Act {
    Wait(u64),
    Select(u16),
    Return,
    Coin(u8),
    Bill(u8),
    Card(i64),
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let act = prop_oneof![
        3 => (0..2_000_000u64).prop_map(Act::Wait),
        2 => prop_oneof![Just(11), Just(12)].prop_map(Act::Select),
        1 => Just(Act::Return),
        1 => (0..4u8).prop_map(Act::Coin),
        1 => (0..4u8).prop_map(Act::Bill),
        1 => (0..2_000i64).prop_map(Act::Card),
    ];
    vec(act, 0..25)
}

/// What the reports on the wire allow, at the most.
#[derive(Clone, Copy, Debug, Default)]
struct Allowed {
    cash: Money,
    /// Items that may be had for no cash: approvals of readers, vend tokens.
    free: usize,
}

/// Every report, at the highest value any SETUP gave its type: a report may come before the SETUP
/// that says what it is worth.
fn allowed(bench: &Bench<Controller>) -> Allowed {
    let spoken = bench.spoken();
    let typed = || spoken.iter().filter_map(|s| s.decoded.typed.as_ref());
    let coins: Vec<&changer::Setup> = typed()
        .filter_map(|t| match t {
            Typed::ChangerResponse(changer::Response::Setup(setup)) => Some(setup),
            _ => None,
        })
        .collect();
    let bills: Vec<&bill::Setup> = typed()
        .filter_map(|t| match t {
            Typed::BillResponse(bill::Response::Setup(setup)) => Some(setup),
            _ => None,
        })
        .collect();
    let mut allowed = Allowed::default();
    let mut add = |worth: (Money, bool)| {
        allowed.cash = allowed.cash.saturating_add(worth.0);
        allowed.free += usize::from(worth.1);
    };
    for message in typed() {
        match message {
            Typed::ChangerResponse(changer::Response::Poll(reports)) => {
                for report in reports {
                    if let changer::Report::CoinsDeposited {
                        coin_type,
                        routing: Routing::CashBox | Routing::Tubes,
                        ..
                    } = report
                    {
                        let credits = coins.iter().map(|s| s.credit(*coin_type));
                        add(
                            credits.fold((Money::ZERO, false), |(most, token), c| match c {
                                CoinCredit::Worth(value) => (most.max(value), token),
                                CoinCredit::Token => (most, true),
                                CoinCredit::Unused => (most, token),
                            }),
                        );
                    }
                }
            }
            Typed::BillResponse(bill::Response::Poll(reports)) => {
                for report in reports {
                    if let bill::Report::Bill { routing, bill_type } = report
                        && routing.is_secure()
                    {
                        let values = bills.iter().map(|s| s.value(*bill_type));
                        add(
                            values.fold((Money::ZERO, false), |(most, token), v| match v {
                                BillValue::Minor(value) => (most.max(Money(value)), token),
                                BillValue::Token => (most, true),
                                BillValue::Unused => (most, token),
                            }),
                        );
                    }
                }
            }
            Typed::CashlessResponse(response) => {
                for report in response.reports() {
                    let approved = matches!(report, cashless::Report::VendApproved { .. });
                    add((Money::ZERO, approved));
                }
            }
            _ => {}
        }
    }
    allowed
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(60)))]

    #[test]
    fn no_credit_without_a_report(
        lies in [lies(), lies(), lies()],
        acts in acts(),
    ) {
        let config = board(&[
            ("changer", ExpectedKind::Changer),
            ("bill", ExpectedKind::BillValidator),
            ("card 1", ExpectedKind::Cashless(Unit::One)),
        ]);
        let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
        let changer = bench.plug("changer", Liar::new(changer(), &lies[0]));
        let bill = bench.plug("bill", Liar::new(validator(), &lies[1]));
        let card = reader(Unit::One, 3, Answers::Straight);
        let card = bench.plug("card 1", Liar::new(card, &lies[2]));
        bench.run_for(Micros::secs(3));
        for act in &acts {
            match act {
                Act::Wait(us) => bench.run_for(Micros(*us)),
                Act::Select(item) => bench.select(*item),
                Act::Return => bench.press_return(),
                Act::Coin(n) => bench.at(&changer, |c, now| {
                    c.inner.insert_coin(now, changer::CoinType::of(*n));
                }),
                Act::Bill(n) => {
                    bench.at(&bill, |b, now| b.inner.insert_bill(now, *n));
                }
                Act::Card(balance) => {
                    let new = Card::with(Money(*balance));
                    bench.at(&card, |c, now| c.inner.present_card(now, new));
                }
            }
            bench.run_for(Micros::ms(400));
        }
        bench.run_for(Micros::secs(5));
        let allowed = allowed(&bench);
        let credit = bench.credit();
        let sold = bench.master().vending().sold().to_vec();
        prop_assert!(credit >= Money::ZERO);
        prop_assert!(
            credit <= allowed.cash,
            "credit {credit:?}, reports allow {allowed:?}: {:#?}",
            bench.notes()
        );
        // The cheapest item costs 65.
        let for_cash = allowed.cash.as_minor() / 65;
        let most = allowed.free as i64 + for_cash;
        prop_assert!(sold.len() as i64 <= most, "sold {sold:?}, reports allow {allowed:?}");
        prop_assert_eq!(bench.books().ledger().sum(), 0);
    }
}

/// The truth sells, and the measure above allows it: a property that every lie made fail for want
/// of a sale would prove nothing.
#[test]
fn the_truth_is_allowed_what_it_says() {
    let config = board(&[
        ("changer", ExpectedKind::Changer),
        ("bill", ExpectedKind::BillValidator),
    ]);
    let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
    let changer = bench.plug("changer", Liar::new(changer(), &[]));
    bench.plug("bill", Liar::new(validator(), &[]));
    bench.run_until_ready();
    let dollar = changer::CoinType::of(3);
    bench.at(&changer, |c, now| c.inner.insert_coin(now, dollar));
    bench.run_for(Micros::secs(2));
    assert_eq!(bench.credit(), Money(100));
    assert_eq!(allowed(&bench).cash, Money(100));
    bench.select(11);
    bench.run_for(Micros::secs(10));
    assert_eq!(bench.master().vending().sold(), [11]);
    assert_eq!(bench.balance("customer"), Money(35 - 100));
    // One word of a liar is worth a dollar, and no more.
    let mut bench = Bench::new(Controller::new(
        board(&[("changer", ExpectedKind::Changer)]),
        Micros::ZERO,
    ));
    let mut lies = vec![Lie::Truth; 30];
    lies.push(Lie::Data(vec![0x43, 0x00]));
    bench.plug("changer", Liar::new(super::machines::changer(), &lies));
    bench.run_for(Micros::secs(10));
    assert_eq!(bench.credit(), Money(100));
    assert_eq!(allowed(&bench).cash, Money(100));
}
