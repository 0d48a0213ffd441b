//! An MDB bill validator behind a bridge that drives a pulse line: what is stacked is sent, once,
//! whatever happens on the wire and to the power of the bridge.

use payrig_bench::nodes::{Peripheral, ToPulses};
use payrig_bench::{
    Bench, BusId, Fault, FaultKind, FrameKind, Input, LineEdge, Node, NodeId, Output, node_identity,
};
use payrig_bridge::{MdbToPulse, MdbToPulseConfig};
use payrig_peripherals::bill::{BillConfig, BillValidator, Quirks};
use payrig_peripherals::{Port, PortTiming};
use payrig_pulse::{CreditCounter, Profile, PulseFinding};
use payrig_tests::fault;
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::recording::Entry;
use payrig_wire::{Edge, RuleName, Source};
use proptest::prelude::*;

/// What the bench calls the bridge.
const BRIDGE: &str = "bridge";

/// A board that counts pulses and can hold the bridge off.
#[derive(Clone, Debug)]
struct Board {
    counter: CreditCounter,
    /// The edges that came from the bridge.
    sent: Vec<Edge>,
    inhibit: Vec<Edge>,
}

impl Node for Board {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        Micros::NEVER
    }
    fn wake(&mut self, _: Micros) {}
    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Level { line, at, high, .. } => self.counter.start_level(line, at, high),
            Input::Edge { line, edge, .. } => {
                self.sent.push(edge);
                self.counter.edge(line, edge.at, edge.high);
            }
            Input::Word(_) | Input::Break { .. } | Input::LinkDelay(_) => {}
        }
    }
    fn drain(&mut self, _: Micros, out: &mut Output) {
        out.edges
            .extend(self.inhibit.drain(..).map(|edge| LineEdge {
                device: BRIDGE.to_owned(),
                line: "inhibit".to_owned(),
                edge,
            }));
    }
    fn power(&mut self, _: Micros, _: bool) {}
}

/// Validator, bus, bridge, credit line, and a board that counts.
struct Machine {
    bench: Bench,
    validator: NodeId,
    bridge: NodeId,
    board: NodeId,
    notes: Vec<String>,
}

impl Machine {
    fn new(profile: Profile, seed: u64) -> Self {
        let config = BillConfig::default();
        let name = config.name.clone();
        let validator = BillValidator::new(config, Quirks::default()).unwrap();
        let validator = Peripheral(Port::new(validator, PortTiming::default()));
        let config = MdbToPulseConfig {
            name: BRIDGE.to_owned(),
            profile: profile.clone(),
            poll_every: Micros::ms(125),
        };
        let bridge = MdbToPulse::new(config, Micros::ZERO);
        let bridge = ToPulses::new(bridge, BRIDGE.to_owned(), None);
        let board = Board {
            counter: CreditCounter::new(profile, Micros::ZERO),
            sent: Vec::new(),
            inhibit: Vec::new(),
        };
        let mut bench = Bench::new(seed, Micros(100), Decimals(2));
        bench.attend();
        let on = |side| Some((BusId::BOARD, side));
        let mut machine = Self {
            validator: bench.add_node(&name, Box::new(validator), on(Source::Peripheral)),
            bridge: bench.add_node(BRIDGE, Box::new(bridge), on(Source::Master)),
            board: bench.add_board(Box::new(board)),
            bench,
            notes: Vec::new(),
        };
        machine.bench.begin();
        machine
    }

    fn run(&mut self, time: Micros) {
        let until = self.bench.now() + time;
        self.bench.run_until(until);
        self.at_board(|board, now| board.counter.idle(now));
        for entry in self.bench.take_entries() {
            match entry {
                Entry::Note { text, .. } => self.notes.push(text),
                Entry::Finding(found) => {
                    let broken = found.rule == RuleName::Money || found.rule == RuleName::Bench;
                    assert!(!broken, "{}", found.text);
                }
                _ => {}
            }
        }
    }

    fn insert(&mut self, bill_type: u8) {
        let insert = |on: &mut Peripheral<BillValidator>, now| {
            on.0.device_mut().insert_bill(now, bill_type);
        };
        self.bench.at_node(self.validator, insert).unwrap();
    }

    fn at_board<T>(&mut self, act: impl FnOnce(&mut Board, Micros) -> T) -> T {
        self.bench.at_node(self.board, act).unwrap()
    }

    fn board(&self) -> &Board {
        self.bench.node(self.board).unwrap()
    }

    fn bridge(&self) -> &MdbToPulse {
        self.bench.node::<ToPulses>(self.bridge).unwrap().bridge()
    }

    fn inhibit(&mut self, on: bool) {
        self.at_board(|board, now| {
            board.counter.edge("inhibit", now, on);
            board.inhibit.push(Edge { at: now, high: on });
        });
    }

    fn power(&mut self, on: bool) {
        // What is on the wire goes on; what was not begun is forgotten with the power.
        self.bench.power(Some(BRIDGE), on).unwrap();
    }

    fn stacked(&self) -> Money {
        let stacker = Place::Stacker(BillConfig::default().name);
        self.bench.books().ledger().balance(&stacker)
    }

    fn limits(&mut self) -> Vec<PulseFinding> {
        let all = self.at_board(|board, _| board.counter.take_findings());
        all.into_iter().filter(PulseFinding::is_limit).collect()
    }
}

#[test]
fn bills_become_pulses_and_the_inhibit_becomes_bill_type() {
    let mut m = Machine::new(Profile::short(), 1);
    m.run(Micros::secs(2));
    assert!(m.bridge().is_running());
    m.insert(1);
    m.run(Micros::secs(8));
    assert_eq!(
        (m.board().counter.total(), m.stacked()),
        (Money(500), Money(500))
    );
    assert_eq!(m.bridge().taken(), Money(500));
    m.inhibit(true);
    m.run(Micros::secs(1));
    m.insert(0);
    m.run(Micros::secs(8));
    assert_eq!(m.stacked(), Money(500), "BILL TYPE enables nothing");
    m.inhibit(false);
    m.run(Micros::secs(1));
    m.insert(0);
    m.run(Micros::secs(8));
    assert_eq!(
        (m.board().counter.total(), m.stacked()),
        (Money(600), Money(600))
    );
    assert_eq!(m.limits(), []);
}

#[test]
fn what_the_profile_cannot_say_is_refused_and_named() {
    // A unit of 5.00: a bill of 1.00 is no whole number of pulses.
    let mut m = Machine::new(Profile::short().with_count(1, Money(500)), 1);
    m.run(Micros::secs(2));
    let notes = m.notes.join("; ");
    assert!(
        notes.contains("bills of 100 minor units cannot be expressed"),
        "{notes}"
    );
    m.insert(0);
    m.run(Micros::secs(6));
    assert_eq!(m.stacked(), Money::ZERO);
    m.insert(2);
    m.run(Micros::secs(6));
    assert_eq!(m.board().counter.total(), Money(1_000));
}

#[test]
fn held_off_in_mid_train_the_train_ends_and_the_next_one_waits() {
    let mut m = Machine::new(Profile::short(), 1);
    m.run(Micros::secs(2));
    m.insert(1);
    while m.board().sent.is_empty() {
        m.run(Micros::ms(10));
    }
    m.inhibit(true);
    m.run(Micros::secs(30));
    assert_eq!(m.board().counter.total(), Money(500));
    assert_eq!(m.limits(), []);
}

#[derive(Clone, Debug)]
enum Act {
    Bill(u8),
    Wait(u64),
    Cut { after: u64, dark: u64 },
    HoldOff { after: u64, time: u64 },
    Fault(Fault),
}

fn act() -> impl Strategy<Value = Act> {
    let kind = prop_oneof![
        Just(FaultKind::Lose),
        Just(FaultKind::Deaf),
        (0u8..2, 0u8..9).prop_map(|(word, bit)| FaultKind::Flip { word, bit })
    ];
    let from = prop_oneof![Just(Source::Master), Just(Source::Peripheral)];
    let frame = prop_oneof![
        Just(FrameKind::Any),
        Just(FrameKind::Ack),
        Just(FrameKind::Block)
    ];
    prop_oneof![
        4 => (0u8..4).prop_map(Act::Bill),
        2 => (0u64..5_000).prop_map(Act::Wait),
        2 => (0u64..5_000, 1u64..3_000).prop_map(|(after, dark)| Act::Cut { after, dark }),
        1 => (0u64..5_000, 1u64..3_000).prop_map(|(after, time)| Act::HoldOff { after, time }),
        2 => (kind, from, frame).prop_map(|(k, s, f)| Act::Fault(fault(k, s, f))),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(96)))]
    /// To the cent: what is in the stacker was counted by the board in the end.
    #[test]
    fn what_is_stacked_is_counted(
        acts in proptest::collection::vec(act(), 1..14),
        profile in 0usize..3,
        pulses in 1u32..5,
        seed in any::<u64>(),
    ) {
        let profile = Profile::all().remove(profile).with_count(pulses, Money(100));
        let mut m = Machine::new(profile, seed);
        m.run(Micros::secs(2));
        for act in acts {
            match act {
                Act::Bill(t) => m.insert(t),
                Act::Wait(ms) => m.run(Micros::ms(ms)),
                Act::Cut { after, dark } => {
                    m.run(Micros::ms(after));
                    m.power(false);
                    m.run(Micros::ms(dark));
                    m.power(true);
                }
                Act::HoldOff { after, time } => {
                    m.run(Micros::ms(after));
                    m.inhibit(true);
                    m.run(Micros::ms(time));
                    m.inhibit(false);
                }
                Act::Fault(fault) => m.bench.inject(BusId::BOARD, fault).unwrap(),
            }
        }
        m.run(Micros::secs(30));
        while !m.bridge().is_idle() {
            m.run(Micros::secs(10));
        }
        m.run(Micros::secs(10));
        prop_assert_eq!(m.board().counter.carried(), 0);
        prop_assert_eq!(m.board().counter.total(), m.stacked());
        prop_assert_eq!(m.bridge().taken(), m.stacked());
        let inhibited = m.limits().into_iter().filter(|f| f.rule.name() == "pulse-while-inhibited");
        prop_assert_eq!(inhibited.count(), 0);
    }
}
