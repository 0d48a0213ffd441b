//! An MDB bill validator behind a bridge that drives a pulse line: what is stacked is sent, once,
//! whatever happens on the wire and to the power of the bridge.

use payrig_bench::{Fault, FaultInjector, FaultKind, FrameKind, VirtualBus};
use payrig_bridge::{MdbToPulse, MdbToPulseConfig};
use payrig_peripherals::bill::{BillConfig, BillValidator, Quirks};
use payrig_peripherals::{Port, PortTiming};
use payrig_pulse::{CreditCounter, Profile, PulseFinding};
use payrig_tests::fault;
use payrig_units::{Ledger, Micros, Money, Place};
use payrig_wire::{BusEvent, Source};
use proptest::prelude::*;

/// Validator, bus, bridge, credit line, and a board that counts.
struct Machine {
    now: Micros,
    bus: VirtualBus,
    faults: FaultInjector,
    validator: Port<BillValidator>,
    bridge: MdbToPulse,
    board: CreditCounter,
    ledger: Ledger,
    sent: Vec<(Micros, bool)>,
}

impl Machine {
    fn new(profile: Profile, seed: u64) -> Self {
        let validator = BillValidator::new(BillConfig::default(), Quirks::default()).unwrap();
        let config = MdbToPulseConfig {
            name: "bridge".to_owned(),
            profile: profile.clone(),
            poll_every: Micros::ms(125),
        };
        let mut board = CreditCounter::new(profile, Micros::ZERO);
        let bridge = MdbToPulse::new(config, Micros::ZERO);
        for (line, high) in bridge.resting_levels() {
            board.start_level(&line, Micros::ZERO, high);
        }
        Self {
            now: Micros::ZERO,
            bus: VirtualBus::new(seed, Micros(100)),
            faults: FaultInjector::default(),
            validator: Port::new(validator, PortTiming::default()),
            bridge,
            board,
            ledger: Ledger::new(),
            sent: Vec::new(),
        }
    }

    fn next(&self) -> Micros {
        self.bus
            .next()
            .min(self.validator.next_deadline())
            .min(self.bridge.next_deadline())
    }

    fn run(&mut self, time: Micros) {
        let until = self.now + time;
        self.carry();
        while self.next() <= until {
            self.now = self.now.max(self.next());
            while let Some(heard) = self.bus.pop(self.now) {
                match heard.event {
                    _ if !heard.reaches_peer => {}
                    BusEvent::Word(w) if w.source == Source::Master => self.validator.heard(&w),
                    BusEvent::Word(w) => self.bridge.heard(&w),
                    BusEvent::Break { start, end, .. } => self.validator.heard_break(start, end),
                    BusEvent::Garbled { .. } => {}
                }
                self.carry();
            }
            self.validator.wake(self.now);
            self.bridge.wake(self.now);
            self.carry();
        }
        self.now = until;
        self.board.idle(self.now);
    }

    fn carry(&mut self) {
        while let Some(sent) = self.bridge.take_transmission() {
            self.bus
                .transmit_through(&mut self.faults, Source::Master, sent);
        }
        while let Some(sent) = self.validator.take_transmission() {
            self.bus
                .transmit_through(&mut self.faults, Source::Peripheral, sent);
        }
        for (line, edge) in self.bridge.take_edges() {
            self.sent.push((edge.at, edge.high));
            self.board.edge(&line, edge.at, edge.high);
        }
        use payrig_peripherals::Device;
        for movement in self.validator.device_mut().take_movements() {
            self.ledger.book(self.now, None, movement).unwrap();
        }
    }

    fn insert(&mut self, bill_type: u8) {
        self.validator.device_mut().insert_bill(self.now, bill_type);
    }

    fn inhibit(&mut self, on: bool) {
        let now = self.now;
        self.bridge.input_edge(now, "inhibit", on);
        self.board.edge("inhibit", now, on);
    }

    fn power(&mut self, on: bool) {
        self.bridge.power(self.now, on);
        if !on {
            // What is on the wire goes on; what was not begun is forgotten with the power.
            self.carry();
        }
    }

    fn stacked(&self) -> Money {
        let stacker = Place::Stacker(BillConfig::default().name);
        self.ledger
            .balances()
            .find(|(p, _)| **p == stacker)
            .map_or(Money::ZERO, |(_, m)| m)
    }

    fn limits(&mut self) -> Vec<PulseFinding> {
        let all = self.board.take_findings();
        all.into_iter().filter(PulseFinding::is_limit).collect()
    }
}

#[test]
fn bills_become_pulses_and_the_inhibit_becomes_bill_type() {
    let mut m = Machine::new(Profile::short(), 1);
    m.run(Micros::secs(2));
    assert!(m.bridge.is_running());
    m.insert(1);
    m.run(Micros::secs(8));
    assert_eq!((m.board.total(), m.stacked()), (Money(500), Money(500)));
    assert_eq!(m.bridge.taken(), Money(500));
    m.inhibit(true);
    m.run(Micros::secs(1));
    m.insert(0);
    m.run(Micros::secs(8));
    assert_eq!(m.stacked(), Money(500), "BILL TYPE enables nothing");
    m.inhibit(false);
    m.run(Micros::secs(1));
    m.insert(0);
    m.run(Micros::secs(8));
    assert_eq!((m.board.total(), m.stacked()), (Money(600), Money(600)));
    assert_eq!(m.limits(), []);
}

#[test]
fn what_the_profile_cannot_say_is_refused_and_named() {
    // A unit of 5.00: a bill of 1.00 is no whole number of pulses.
    let mut m = Machine::new(Profile::short().with_count(1, Money(500)), 1);
    m.run(Micros::secs(2));
    let notes = m.bridge.take_notes().join("; ");
    assert!(
        notes.contains("bills of 100 minor units cannot be said"),
        "{notes}"
    );
    m.insert(0);
    m.run(Micros::secs(6));
    assert_eq!(m.stacked(), Money::ZERO);
    m.insert(2);
    m.run(Micros::secs(6));
    assert_eq!(m.board.total(), Money(1_000));
}

#[test]
fn held_off_in_mid_train_the_train_ends_and_the_next_one_waits() {
    let mut m = Machine::new(Profile::short(), 1);
    m.run(Micros::secs(2));
    m.insert(1);
    while m.sent.is_empty() {
        m.run(Micros::ms(10));
    }
    m.inhibit(true);
    m.run(Micros::secs(30));
    assert_eq!(m.board.total(), Money(500));
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
                Act::Fault(fault) => m.faults.add(fault),
            }
        }
        m.run(Micros::secs(30));
        while !m.bridge.is_idle() {
            m.run(Micros::secs(10));
        }
        m.run(Micros::secs(10));
        prop_assert_eq!(m.board.carried(), 0);
        prop_assert_eq!(m.board.total(), m.stacked());
        prop_assert_eq!(m.bridge.taken(), m.stacked());
        let inhibited = m.limits().into_iter().filter(|f| f.rule.name() == "pulse-while-inhibited");
        prop_assert_eq!(inhibited.count(), 0);
    }
}
