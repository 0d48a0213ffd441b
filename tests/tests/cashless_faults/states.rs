//! Whatever is done, the reader goes from state to state as section 7.2 has it.

use super::*;
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_controller::Mishap;
use payrig_wire::Source;
use proptest::collection::vec;
use proptest::prelude::*;

/// Section 7.2. A command that is answered straight may pass through Vend at once.
fn may_follow(before: CashlessState, after: CashlessState) -> bool {
    use CashlessState::*;
    match (before, after) {
        (a, b) if a == b => true,
        (_, Inactive) | (Inactive, Disabled) => true,
        (Disabled, Enabled | AlwaysIdle) | (Enabled | AlwaysIdle, Disabled) => true,
        // Options are enabled before READER ENABLE; a reader that is enabled may get them too.
        (Enabled, AlwaysIdle) => true,
        (Enabled | AlwaysIdle, SessionIdle | Vend) => true,
        (AlwaysIdle, Revalue | NegativeVend) | (Revalue, AlwaysIdle) => true,
        (SessionIdle, Vend | Revalue | NegativeVend) => true,
        (Vend | Revalue | NegativeVend, SessionIdle) => true,
        (SessionIdle, Enabled | AlwaysIdle | Disabled) => true,
        _ => false,
    }
}

#[derive(Clone, Debug)]
enum Act {
    Card(Option<i64>),
    Remove,
    Cancel,
    Select(u16),
    Basket,
    GiveBack,
    Jam(u16),
    Return,
    Coupon(Option<i64>),
    Remote(u16),
    Keys,
    Key,
    Welcome(bool),
    Reader(bool),
    Board(bool),
    BusReset,
    Fault(bool, u32),
}

fn act() -> impl Strategy<Value = Act> {
    let balance = || proptest::option::of(0i64..900);
    prop_oneof![
        6 => balance().prop_map(Act::Card),
        1 => Just(Act::Remove),
        2 => Just(Act::Cancel),
        6 => (11u16..14).prop_map(Act::Select),
        2 => Just(Act::Basket),
        2 => Just(Act::GiveBack),
        2 => (11u16..14).prop_map(Act::Jam),
        2 => Just(Act::Return),
        2 => balance().prop_map(Act::Coupon),
        2 => (11u16..14).prop_map(Act::Remote),
        1 => Just(Act::Keys),
        2 => Just(Act::Key),
        1 => any::<bool>().prop_map(Act::Welcome),
        1 => any::<bool>().prop_map(Act::Reader),
        1 => any::<bool>().prop_map(Act::Board),
        1 => Just(Act::BusReset),
        2 => (any::<bool>(), 0u32..6).prop_map(|(m, n)| Act::Fault(m, n)),
    ]
}

fn perform(s: &mut Scene, act: &Act) {
    let now = s.bench.now();
    match act {
        Act::Select(item) => s.bench.master_mut().select(now, *item),
        Act::Basket => s.bench.master_mut().select_basket(now, &[11, 12, 13]),
        Act::GiveBack => s.bench.master_mut().give_back(now, 7, Money(25)),
        Act::Jam(item) => s.bench.master_mut().mishap(*item, Mishap::Jam),
        Act::Return => s.bench.master_mut().press_return(now),
        Act::Key => s.bench.master_mut().press_key(now, b'1'),
        Act::Welcome(on) => s.bench.master_mut().welcome_cards(now, *on),
        Act::Board(on) => s.bench.master_mut().power(now, *on),
        Act::BusReset => s.bench.master_mut().bus_reset(now),
        Act::Reader(on) => s.bench.power(&s.card.clone(), *on),
        Act::Fault(master, skip) => s.bench.add_fault(Fault {
            kind: FaultKind::Deaf,
            from: if *master {
                Source::Master
            } else {
                Source::Peripheral
            },
            frame: FrameKind::Any,
            address: None,
            skip: *skip,
            count: 1,
        }),
        at_reader => {
            let card = s.card.clone();
            s.bench.at(&card, |d, now| at_the_reader(d, now, at_reader));
        }
    }
}

fn at_the_reader(d: &mut CashlessDevice, now: Micros, act: &Act) {
    let card = |balance: &Option<i64>| balance.map_or(Card::unknown(), |b| Card::with(Money(b)));
    match act {
        Act::Card(balance) => {
            d.present_card(now, card(balance));
        }
        Act::Remove => {
            d.remove_card(now);
        }
        Act::Cancel => d.press_cancel(now),
        Act::Coupon(value) => {
            let coupon = payrig_peripherals::cashless::Coupon {
                item: Some(11),
                options: 0,
                value: value.map(Money),
                id: 1,
            };
            d.scan_coupon(now, coupon);
        }
        Act::Remote(item) => {
            d.select_item(now, *item, 0, Card::with(Money(300)));
        }
        Act::Keys => {
            d.ask_for_keys(now, 2);
        }
        _ => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(96)))]

    #[test]
    fn the_states_of_section_7_2(
        options in 0u32..0x800,
        at_once in any::<bool>(),
        silent in any::<bool>(),
        multi in any::<bool>(),
        acts in vec((act(), 0u64..1_500), 1..40),
    ) {
        // Without file transfers, multi currency: the device offers no more than it is asked to.
        let options = Options(options) & Options::DEFINED.without(Options::FTL);
        let reader = |c: &mut CashlessConfig| {
            if at_once {
                straight(c);
            }
            if silent {
                c.while_busy = payrig_peripherals::cashless::WhileBusy::Silence;
            }
            c.approve_delay = Micros::ms(200);
            c.max_balance = Some(Money(2000));
        };
        let mut s = with(options, reader, |b| {
            b.multi_vend = multi;
            b.cashless.revalue = true;
        });
        let mut before = s.state();
        for (act, then) in acts {
            perform(&mut s, &act);
            let until = s.bench.now() + Micros::ms(then);
            let card = s.card.clone();
            let mut wrong = None;
            s.bench.run_until(|b| {
                let state = card.borrow().device().state();
                if !may_follow(before, state) {
                    wrong = wrong.or(Some((before, state)));
                }
                before = state;
                b.now() >= until
            });
            prop_assert_eq!(wrong, None, "{:?}", act);
            prop_assert_eq!(s.bench.books().ledger().sum(), 0);
        }
    }
}
