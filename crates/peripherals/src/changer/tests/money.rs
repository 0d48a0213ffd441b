//! Whatever is said and done to it, the changer neither makes nor loses money.

use super::*;
use payrig_mdb::changer::{Command, Report, Response, Routing};
use proptest::prelude::*;

#[derive(Clone, Debug)]
enum Act {
    Say(Vec<u8>),
    Ack,
    Nak,
    Wait(u64),
    Power(bool),
    BusReset,
    Coin(u8),
    User(u8, u8, u16),
}

fn any_command() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        4 => Just(vec![0x0B]),
        2 => any::<u8>().prop_map(|n| vec![0x0D, n]),
        2 => any::<u16>().prop_map(|n| vec![0x0C, 0, n as u8 & 0x1F, 0, (n >> 8) as u8]),
        1 => Just(vec![0x0F, 0x01, 0, 0, 0, 0x0F]),
        2 => any::<u8>().prop_map(|n| vec![0x0F, 0x02, n]),
        2 => (0x03u8..=0x07).prop_map(|n| vec![0x0F, n]),
        1 => (0x08u8..=0x0A).prop_map(|n| vec![n]),
        1 => (0xFAu8..=0xFF, proptest::collection::vec(prop_oneof![Just(0u8), Just(8), any::<u8>()], 0..8))
            .prop_map(|(sub, data)| { let mut b = vec![0x0F, sub, 0x08]; b.extend(data); b }),
        1 => proptest::collection::vec(any::<u8>(), 1..35),
    ]
}

fn any_act() -> impl Strategy<Value = Act> {
    prop_oneof![
        6 => any_command().prop_map(Act::Say),
        4 => Just(Act::Ack),
        1 => Just(Act::Nak),
        3 => (0u64..3_000).prop_map(Act::Wait),
        1 => any::<bool>().prop_map(Act::Power),
        1 => Just(Act::BusReset),
        4 => (0u8..6).prop_map(Act::Coin),
        3 => (any::<u8>(), 0u8..6, 0u16..200).prop_map(|(a, b, c)| Act::User(a, b, c)),
    ]
}

fn user(rig: &mut Rig, what: u8, n: u8, count: u16) {
    let (now, coin) = (rig.now, t(n));
    let on = count.is_multiple_of(2);
    let c = &mut rig.changer;
    match what % 20 {
        0 => c.insert_slug(now),
        1 => c.insert_two_at_once(now),
        2 => c.insert_coin_on_string(now, coin),
        3 => c.insert_coin_misrouted(now, coin),
        4 => c.try_coin_removal(now),
        5 => c.press_escrow_lever(now),
        6 => c.release_escrow_lever(now),
        7 => c.unplug_acceptor(now, on),
        8 => c.jam_coin_path(now, on),
        9 => c.block_tube(now, coin, on),
        10 => c.break_tube_sensor(now, coin, on),
        11 => c.stay_silent(now, Micros::ms(u64::from(count))),
        12 => c.be_busy(now, Micros::ms(u64::from(count))),
        13 => drop(c.manual_dispense(now, coin, count)),
        14 if on => c.begin_manual_fill(now),
        14 => c.begin_manual_payout(now),
        15 => drop(c.manual_payout(now, coin, count)),
        16 => c.end_manual(now),
        17 => drop(c.load_by_hand(now, coin, count)),
        18 => drop(c.take_by_hand(now, coin, count)),
        _ => drop(c.empty_cash_box(now)),
    }
}

/// Does one thing. Returns the answer, where there was one with data.
fn act(rig: &mut Rig, act: &Act, waiting: &mut Option<(Vec<u8>, Block)>) {
    match act {
        Act::Say(bytes) => {
            if waiting.take().is_some() {
                rig.changer.unacknowledged(rig.now);
            }
            if let Reply::Data(block) = rig.send(bytes) {
                *waiting = Some((bytes.clone(), block));
            }
        }
        Act::Ack => {
            if waiting.take().is_some() {
                rig.changer.acknowledged(rig.now);
            }
        }
        Act::Nak => {
            if waiting.take().is_some() {
                rig.changer.unacknowledged(rig.now);
            }
        }
        Act::Wait(ms) => rig.wait(*ms),
        Act::Power(on) => {
            *waiting = None;
            rig.changer.power(rig.now, *on);
        }
        Act::BusReset => {
            *waiting = None;
            rig.changer.bus_reset(rig.now);
        }
        Act::Coin(n) => rig.changer.insert_coin(rig.now, t(*n)),
        Act::User(what, n, count) => user(rig, *what, *n, *count),
    }
}

/// Some quirks at once, by the bits of a number.
fn some_quirks(bits: u16) -> Quirks {
    let mut quirks = Quirks::default();
    for (n, name) in Quirks::NAMES.iter().enumerate() {
        quirks.set(name, bits & (1 << n) != 0);
    }
    quirks
}

proptest! {
    /// Never a panic, never a cent made or lost, every answer one the standard can read.
    #[test]
    fn whatever_happens(
        acts in proptest::collection::vec(any_act(), 0..80),
        bits in prop_oneof![Just(0u16), any::<u16>()],
        silent in any::<bool>(),
    ) {
        let mut config = ChangerConfig::demo();
        config.report_coin_removal = true;
        if silent {
            config.while_paying = WhilePaying::StaySilent;
        }
        let mut rig = Rig::of(config, some_quirks(bits));
        let mut waiting: Option<(Vec<u8>, Block)> = None;
        for step in &acts {
            act(&mut rig, step, &mut waiting);
            if let Some((command, answer)) = &waiting {
                let command = Command::parse(command).unwrap();
                let read = Response::parse(&command, answer.bytes()).unwrap();
                prop_assert_eq!(&read.emit(), answer);
            }
            rig.check_money();
        }
    }

    /// With no quirk, a controller that acknowledges now and then, and fetches everything at the
    /// end, hears of every coin the customer put in, exactly once, resets and power cuts or not.
    #[test]
    fn every_coin_is_reported_once(acts in proptest::collection::vec(any_act(), 0..80)) {
        let mut rig = Rig::ready("");
        let mut waiting: Option<(Vec<u8>, Block)> = None;
        let mut reported = 0;
        let mut customer_put_in = 0;
        let mut finish = vec![Act::Power(true), Act::Wait(60_000)];
        finish.extend(std::iter::repeat_n([Act::Say(vec![0x0B]), Act::Ack], 300).flatten());
        for step in acts.iter().chain(&finish) {
            if let (Act::Ack, Some((command, answer))) = (step, &waiting) {
                reported += reported_in(&rig, command, answer);
            }
            act(&mut rig, step, &mut waiting);
            rig.book();
        }
        for entry in rig.ledger.entries() {
            if entry.movement.from == Place::Customer {
                customer_put_in += entry.movement.amount.as_minor();
            }
        }
        prop_assert!(rig.changer.all_reported());
        prop_assert_eq!(reported, customer_put_in);
    }
}

/// Money that an acknowledged POLL answer credits.
fn reported_in(rig: &Rig, command: &[u8], answer: &Block) -> i64 {
    let Ok(Command::Poll) = Command::parse(command) else {
        return 0;
    };
    let Ok(Response::Poll(reports)) = Response::parse(&Command::Poll, answer.bytes()) else {
        return 0;
    };
    reports
        .iter()
        .map(|report| match report {
            Report::CoinsDeposited {
                coin_type, routing, ..
            } if *routing != Routing::Reject => rig
                .changer
                .config()
                .coin(*coin_type)
                .map_or(0, |c| c.worth.money().as_minor()),
            _ => 0,
        })
        .sum()
}
