//! Random conversations with all devices on one bus: commands of the standard in any order, bytes
//! that are none, things a person does, time, resets, power.

use super::machines::{changer, reader, validator};
use payrig_controller::{MasterTiming, Outcome};
use payrig_mdb::cashless::{
    BasketRequest, BasketResult, Command, FailureDetail, Kind, Malfunction, Reason, Unit,
    VendFailure, VendRequest, VendSuccess,
};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::{Answers, Card, CashlessDevice, CashlessState as S, Coupon};
use payrig_peripherals::changer::Changer;
use payrig_tests::{Asker, Bench, Plugged};
use payrig_units::{Micros, Money, Place};
use payrig_wire::Source;
use proptest::collection::vec;
use proptest::prelude::*;

#[derive(Clone, Debug)]
enum Step {
    Say(Vec<u8>),
    /// POLLs everybody.
    Polls,
    /// A command of section 7.4 in the form that was agreed, and a POLL for its answer.
    Tell(bool, Kind),
    /// The usual set-up of a reader up to READER ENABLE, with these option bits.
    SetUp(u8, u16),
    Coin(u8),
    Slug,
    Lever,
    Bill(u8),
    TakeBill,
    PullBill,
    Card(bool, Option<i64>),
    RemoveCard(bool),
    Select(bool, u16),
    Coupon(bool, Option<i64>),
    Fail(bool, u8),
    Wait(u64),
    BusReset,
    Power(usize, bool),
}

fn command() -> impl Strategy<Value = Vec<u8>> {
    let changer = prop_oneof![
        Just(vec![0x08]),
        Just(vec![0x09]),
        Just(vec![0x0A]),
        Just(vec![0x0C, 0xFF, 0xFF, 0xFF, 0xFF]),
        any::<[u8; 4]>().prop_map(|y| vec![0x0C, y[0], y[1], y[2], y[3]]),
        any::<u8>().prop_map(|y| vec![0x0D, y]),
        Just(vec![0x0F, 0x00]),
        Just(vec![0x0F, 0x01, 0, 0, 0, 0x0F]),
        any::<u8>().prop_map(|y| vec![0x0F, 0x02, y]),
        (3..8u8).prop_map(|sub| vec![0x0F, sub]),
    ];
    let mut recycle = vec![0x37, 0x04, 0xFF, 0xFF];
    recycle.extend([3; 16]);
    let bill = prop_oneof![
        Just(vec![0x30]),
        Just(vec![0x31]),
        any::<[u8; 2]>().prop_map(|y| vec![0x32, y[0], y[1]]),
        Just(vec![0x34, 0xFF, 0xFF, 0xFF, 0xFF]),
        any::<[u8; 4]>().prop_map(|y| vec![0x34, y[0], y[1], y[2], y[3]]),
        (0..2u8).prop_map(|y| vec![0x35, y]),
        Just(vec![0x36]),
        Just(vec![0x37, 0x01, 0, 0, 0, 3]),
        prop_oneof![
            Just(0x00u8),
            Just(0x02),
            Just(0x03),
            Just(0x05),
            0x08..0x0Bu8
        ]
        .prop_map(|sub| vec![0x37, sub]),
        Just(recycle),
        (0..4u8, 0..5u8).prop_map(|(t, n)| vec![0x37, 0x06, t, 0, n]),
        (0..40u8).prop_map(|n| vec![0x37, 0x07, 0, n]),
    ];
    let price = 0..60u8;
    let card = prop_oneof![
        Just(vec![0]),
        (1..4u8).prop_map(|level| vec![1, 0, level, 16, 2, 1]),
        price.clone().prop_map(|p| vec![1, 1, 0, p, 0, 0]),
        price.clone().prop_map(|p| vec![3, 0, 0, p, 0, 11]),
        Just(vec![3, 1]),
        Just(vec![3, 2, 0, 11]),
        Just(vec![3, 3]),
        Just(vec![3, 4]),
        price.clone().prop_map(|p| vec![3, 5, 0, p, 0, 11]),
        price.clone().prop_map(|p| vec![3, 6, 0, p, 0, 11]),
        Just(vec![3, 7, 0, 11, 0x0A]),
        price.clone().prop_map(|p| vec![3, 8, 1, 0, 11, 0, p]),
        (0..3u8).prop_map(|sub| vec![4, sub]),
        Just(vec![4, 3, b'1', 0, 0, 0, 0, 0, 0, 0]),
        price.prop_map(|p| vec![5, 0, 0, p]),
        Just(vec![5, 1]),
        any::<[u8; 2]>().prop_map(|y| vec![7, 4, 0, 0, y[0] & 7, y[1]]),
    ];
    let card = (any::<bool>(), card).prop_map(|(second, mut bytes)| {
        bytes[0] |= if second { 0x60 } else { 0x10 };
        bytes
    });
    let files = (0..4usize, 0xFA..0xFFu8, vec(0..0x40u8, 0..6)).prop_map(|(to, sub, rest)| {
        let address = [0x0Fu8, 0x37, 0x17, 0x67][to];
        [&[address, sub, address & 0xF8, 0x00], &rest[..]].concat()
    });
    let raw = vec(any::<u8>(), 1..35);
    prop_oneof![6 => changer, 6 => bill, 12 => card, 2 => files, 1 => raw]
}

/// Commands in a session.
fn kind() -> impl Strategy<Value = Kind> {
    let basket = |n: u8, price: u32| BasketResult {
        amount: price / 2,
        count: n % 2,
        options_amount: 0,
    };
    (0..16u8, 0..60u32).prop_map(move |(n, price)| match n {
        0..=5 => Kind::VendRequest(VendRequest {
            price,
            item: 11,
            basket: Some(BasketRequest {
                skipped: [0; 4],
                count: n % 3,
                options_price: 0,
            }),
        }),
        6 | 7 => Kind::VendSuccess(VendSuccess {
            item: 11,
            dispensed: None,
            basket: Some(basket(n, price)),
        }),
        8 => Kind::VendFailure(VendFailure {
            detail: Some(FailureDetail {
                item: 11,
                result: basket(n, price),
                reason: Reason(0),
            }),
        }),
        9 => Kind::VendCancel,
        10 => Kind::SessionComplete,
        11 | 12 => Kind::NegativeVendRequest {
            value: price,
            item: 11,
        },
        13 | 14 => Kind::RevalueRequest(price),
        _ => Kind::ReaderCancel,
    })
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let amount = || proptest::option::of(0..3_000i64);
    let step = prop_oneof![
        20 => command().prop_map(Step::Say),
        12 => Just(Step::Polls),
        20 => (any::<bool>(), kind()).prop_map(|(n, kind)| Step::Tell(n, kind)),
        4 => (1..4u8, 0..0x800u16).prop_map(|(level, bits)| Step::SetUp(level, bits)),
        4 => (0..4u8).prop_map(Step::Coin),
        1 => Just(Step::Slug),
        1 => Just(Step::Lever),
        4 => (0..4u8).prop_map(Step::Bill),
        1 => Just(Step::TakeBill),
        1 => Just(Step::PullBill),
        10 => (any::<bool>(), amount()).prop_map(|(n, balance)| Step::Card(n, balance)),
        2 => any::<bool>().prop_map(Step::RemoveCard),
        2 => (any::<bool>(), any::<u16>()).prop_map(|(n, item)| Step::Select(n, item)),
        1 => (any::<bool>(), amount()).prop_map(|(n, value)| Step::Coupon(n, value)),
        1 => (any::<bool>(), any::<u8>()).prop_map(|(n, code)| Step::Fail(n, code)),
        6 => prop_oneof![4 => 0..3_000_000u64, 1 => 0..90_000_000u64].prop_map(Step::Wait),
        1 => Just(Step::BusReset),
        1 => (0..4usize, any::<bool>()).prop_map(|(n, on)| Step::Power(n, on)),
    ];
    vec(step, 0..70)
}

struct Party {
    bench: Bench<Asker>,
    changer: Plugged<Changer>,
    bill: Plugged<BillValidator>,
    cards: [Plugged<CashlessDevice>; 2],
    /// An item was chosen at a reader (remote vend).
    selected: bool,
}

impl Party {
    fn new() -> Self {
        let mut bench = Bench::new(Asker::new(MasterTiming::default()));
        let changer = bench.plug("changer", changer());
        let bill = bench.plug("bill", validator());
        let cards = [
            bench.plug("card 1", reader(Unit::One, 3, Answers::AtPoll)),
            bench.plug("card 2", reader(Unit::Two, 3, Answers::Straight)),
        ];
        bench.run_for(Micros::secs(1));
        Self {
            bench,
            changer,
            bill,
            cards,
            selected: false,
        }
    }

    fn states(&self) -> [S; 2] {
        let state = |n: usize| self.cards[n].borrow().device().state();
        [state(0), state(1)]
    }

    fn say(&mut self, bytes: &[u8]) {
        let before = self.states();
        let outcome = self.bench.ask(bytes);
        for (from, to) in before.into_iter().zip(self.states()) {
            // 7.2.3: VEND REQUEST may follow SELECTION REQUEST in the Enabled state.
            let remote = self.selected && (from, to) == (S::Enabled, S::Vend);
            let may = may_go(from, to) || remote;
            assert!(may, "{from:?} to {to:?} by {bytes:02X?}");
        }
        assert_ne!(outcome, Outcome::Garbage);
    }

    fn take(&mut self, step: &Step) {
        let cards = self.cards.clone();
        let card = |n: bool| &cards[usize::from(n)];
        let coin = |n: u8| CoinType::of(n);
        let (changer, bill) = (self.changer.clone(), self.bill.clone());
        match step {
            Step::Say(bytes) => self.say(bytes),
            Step::Polls => {
                for address in [0x08, 0x30, 0x10, 0x60] {
                    let code = if address == 0x10 || address == 0x60 {
                        2
                    } else {
                        3
                    };
                    self.say(&[address | code]);
                }
            }
            Step::Tell(n, kind) => {
                let device = &cards[usize::from(*n)];
                let mode = device.borrow().device().mode();
                let unit = device.borrow().device().config().unit;
                let block = Command::new(unit, kind.clone()).emit(&mode);
                self.say(block.bytes());
                self.bench.run_for(Micros::ms(310));
                self.say(&[unit.address().with(2)]);
            }
            Step::SetUp(level, bits) => {
                let [high, low] = bits.to_be_bytes();
                for unit in [0x10, 0x60] {
                    self.say(&[unit | 2]);
                    self.say(&[unit | 1, 0, *level, 16, 2, 1]);
                    self.say(&[unit | 2]);
                    self.say(&[unit | 1, 1, 0, 50, 0, 5]);
                    self.say(&[unit | 7, 4, 0, 0, high, low]);
                    self.say(&[unit | 4, 1]);
                }
            }
            Step::Coin(n) => self
                .bench
                .at(&changer, |c, now| c.insert_coin(now, coin(*n))),
            Step::Slug => self.bench.at(&changer, |c, now| c.insert_slug(now)),
            Step::Lever => self.bench.at(&changer, |c, now| c.press_escrow_lever(now)),
            Step::Bill(n) => {
                self.bench.at(&bill, |b, now| b.insert_bill(now, *n));
            }
            Step::TakeBill => {
                self.bench.at(&bill, |b, now| b.customer_takes_bill(now));
            }
            Step::PullBill => {
                self.bench.at(&bill, |b, now| b.pull_bill_from_escrow(now));
            }
            Step::Card(n, balance) => {
                let new = balance.map_or(Card::unknown(), |b| Card::with(Money(b)));
                self.bench.at(card(*n), |c, now| c.present_card(now, new));
            }
            Step::RemoveCard(n) => {
                self.bench.at(card(*n), |c, now| c.remove_card(now));
            }
            Step::Select(n, item) => {
                let new = Card::with(Money(500));
                let asks = self
                    .bench
                    .at(card(*n), |c, now| c.select_item(now, *item, 0, new));
                self.selected |= asks;
            }
            Step::Coupon(n, value) => {
                let coupon = Coupon {
                    item: None,
                    options: 0,
                    value: value.map(Money),
                    id: 7,
                };
                self.bench.at(card(*n), |c, now| c.scan_coupon(now, coupon));
            }
            Step::Fail(n, code) => {
                self.bench
                    .at(card(*n), |c, now| c.fail(now, Malfunction(*code)));
            }
            Step::Wait(us) => self.bench.run_for(Micros(*us)),
            Step::BusReset => self.bench.bus_reset(),
            Step::Power(0, on) => self.bench.power(&changer, *on),
            Step::Power(1, on) => self.bench.power(&bill, *on),
            Step::Power(n, on) => self.bench.power(&cards[n & 1], *on),
        }
    }

    /// All that is not the customer's or the owner's other pocket is there, or it is not: no place
    /// holds less than nothing.
    fn assert_money(&self) {
        let ledger = self.bench.books().ledger();
        assert_eq!(ledger.sum(), 0);
        for (place, amount) in ledger.balances() {
            let may_owe = matches!(
                place,
                // Where coins, bills and cards come from.
                Place::Supply | Place::Customer
                // A card whose balance is not known is billed later.
                | Place::CardAccount(_)
                // Value that is given back for an empty bottle (7.2.7) is the owner's expense.
                | Place::CardReceipts(_)
            );
            assert!(may_owe || amount >= Money::ZERO, "{place}: {amount:?}");
        }
    }

    /// Every answer to a command is one the standard defines. (Bytes that are no command may begin
    /// with one.)
    fn assert_typed(&self) {
        let mut asked = false;
        for said in self.bench.spoken() {
            let typed = said.decoded.typed.is_some();
            if said.frame.source == Source::Master {
                asked = typed;
            } else {
                assert!(typed || !asked, "{}", said.text());
            }
        }
    }
}

/// The transitions of section 7.2 that one command may cause; a reset may come at any time.
fn may_go(from: S, to: S) -> bool {
    let idle = matches!(to, S::Enabled | S::AlwaysIdle | S::Disabled);
    match (from, to) {
        (_, S::Inactive) => true,
        (a, b) if a == b => true,
        (S::Inactive, S::Disabled) => true,
        (S::Disabled, S::Enabled | S::AlwaysIdle) => true,
        (S::Enabled | S::AlwaysIdle, S::SessionIdle) => true,
        // READER DISABLE; options that are switched.
        (S::Enabled | S::AlwaysIdle, _) if idle => true,
        (S::AlwaysIdle | S::SessionIdle, S::Vend | S::NegativeVend | S::Revalue) => true,
        (S::SessionIdle, _) if idle => true,
        (S::Vend | S::NegativeVend | S::Revalue, S::SessionIdle) => true,
        (S::Vend | S::NegativeVend | S::Revalue, _) if idle => true,
        _ => false,
    }
}

/// The table above forbids something.
#[test]
fn the_states_of_7_2_are_not_all_neighbours() {
    assert!(!may_go(S::Inactive, S::Enabled));
    assert!(!may_go(S::Disabled, S::SessionIdle));
    assert!(!may_go(S::Disabled, S::Vend));
    assert!(!may_go(S::Enabled, S::Vend));
    assert!(!may_go(S::Vend, S::Revalue));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(96)))]

    #[test]
    fn random_conversations_keep_to_states_and_money(steps in steps()) {
        let mut party = Party::new();
        for step in &steps {
            party.take(step);
            party.assert_money();
        }
        party.bench.run_for(Micros::secs(3));
        party.assert_money();
        party.assert_typed();
    }
}
