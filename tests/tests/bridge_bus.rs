//! An old acceptor behind a bridge on the bus of a real board: what comes in by pulses is credited
//! once, whatever happens on the wire and to the power.

use payrig_bench::nodes::ToBus;
use payrig_bench::{FaultKind, FrameKind, Input, LineEdge, Node, Output, node_identity};
use payrig_bridge::{Appearance, PulseBridge, PulseToMdb, PulseToMdbConfig, Release};
use payrig_controller::{BoardConfig, Controller, ExpectedKind};
use payrig_mdb::{CurrencyCode, Scaling};
use payrig_peripherals::PortTiming;
use payrig_pulse::{Profile, PulseSender};
use payrig_tests::{Bench, Handle, board, fault};
use payrig_units::{Micros, Money};
use payrig_wire::Source;
use proptest::prelude::*;

fn config(appears: Appearance, values: &[i64]) -> PulseToMdbConfig {
    PulseToMdbConfig {
        name: "bridge".to_owned(),
        appears,
        profile: match appears {
            Appearance::BillValidator => Profile::short(),
            Appearance::Changer => Profile::short().with_count(1, Money(25)),
        },
        values: values.iter().map(|v| Money(*v)).collect(),
        scaling: Scaling {
            factor: match appears {
                Appearance::BillValidator => 100,
                Appearance::Changer => 5,
            },
            decimals: 2,
        },
        currency: CurrencyCode::USD,
        release: Release::AllEnabled,
    }
}

/// The acceptor before the bridge, on its lines.
#[derive(Clone, Debug)]
struct Acceptor {
    sender: PulseSender,
    /// The inhibit, once somebody drives it.
    inhibit: Option<bool>,
}

/// What the bench calls it.
const ACCEPTOR: &str = "old";

impl Node for Acceptor {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.sender.next_deadline()
    }
    fn wake(&mut self, now: Micros) {
        self.sender.wake(now);
    }
    fn hear(&mut self, input: &Input<'_>) {
        if let Input::Edge { edge, .. } = *input {
            self.inhibit = Some(edge.high);
        }
    }
    fn drain(&mut self, _: Micros, out: &mut Output) {
        let edges = self.sender.take_edges().into_iter();
        out.edges.extend(edges.map(|(line, edge)| LineEdge {
            device: ACCEPTOR.to_owned(),
            line,
            edge,
        }));
    }
    fn power(&mut self, now: Micros, on: bool) {
        self.sender.power(now, on);
    }
    fn resting_levels(&self) -> Vec<(String, bool)> {
        vec![("credit".to_owned(), true)]
    }
}

/// A board, a bridge and the acceptor before it, on one supply.
struct Machine {
    bench: Bench<Controller>,
    bridge: Handle<ToBus>,
    acceptor: Handle<Acceptor>,
    fed: i64,
}

impl Machine {
    fn new(appears: Appearance, values: &[i64], seed: u64) -> Self {
        Self::with(appears, values, seed, true)
    }

    fn with(appears: Appearance, values: &[i64], seed: u64, hold_up: bool) -> Self {
        let kind = match appears {
            Appearance::BillValidator => ExpectedKind::BillValidator,
            Appearance::Changer => ExpectedKind::Changer,
        };
        let config = config(appears, values);
        let board_config = BoardConfig {
            ..board(&[("bridge", kind)])
        };
        let board = Controller::new(board_config, Micros::ZERO);
        let mut bench = Bench::with_jitter(board, seed, Micros(100));
        let acceptor = Acceptor {
            sender: PulseSender::new(config.profile.clone()),
            inhibit: None,
        };
        let mut bridge = PulseBridge::new(PulseToMdb::new(config).unwrap(), PortTiming::default());
        if !hold_up {
            bridge = bridge.without_hold_up();
        }
        let bridge = ToBus {
            bridge,
            counts: ACCEPTOR.to_owned(),
        };
        let acceptor = bench.plug_node(ACCEPTOR, acceptor, None);
        let bridge = bench.plug_node("bridge", bridge, Some(Source::Peripheral));
        bench.begin_lines(ACCEPTOR, &bridge);
        Self {
            bench,
            bridge,
            acceptor,
            fed: 0,
        }
    }

    fn feed(&mut self, minor: i64) {
        let mut acceptor = self.acceptor.borrow_mut();
        assert_eq!(acceptor.sender.credit(Money(minor)), None);
        self.fed += minor;
    }

    fn run(&mut self, time: Micros) {
        self.bench.run_for(time);
    }

    fn power(&mut self, on: bool) {
        for device in [ACCEPTOR, "bridge"] {
            self.bench.power_of(device, on);
        }
    }

    fn credited(&self) -> i64 {
        -self.bench.balance("board: received from bridge").as_minor()
    }

    fn owed(&self) -> Money {
        self.bridge.borrow().bridge.bridge().owed()
    }

    fn inhibited(&self) -> Option<bool> {
        self.acceptor.borrow().inhibit
    }
}

#[test]
fn an_acceptor_appears_as_a_bill_validator_and_its_enables_drive_the_inhibit() {
    let mut m = Machine::new(Appearance::BillValidator, &[100, 500], 1);
    assert_eq!(m.inhibited(), Some(true), "held off until it is enabled");
    m.bench.run_until_ready();
    m.run(Micros::secs(1));
    assert_eq!(m.inhibited(), Some(false));
    m.feed(500);
    m.feed(100);
    m.feed(700);
    m.run(Micros::secs(6));
    assert_eq!(m.credited(), 1_300);
    // One report of 5.00, one of 1.00; 7.00 is 5.00 and two of 1.00.
    let names = m.bench.names();
    let stacked = names.iter().filter(|n| n.contains("BILL STACKED")).count();
    assert!(stacked >= 2, "{names:?}");
    assert_eq!(m.owed(), Money::ZERO);
}

#[test]
fn an_acceptor_appears_as_a_changer_without_tubes() {
    let mut m = Machine::new(Appearance::Changer, &[25, 100], 1);
    m.bench.run_until_ready();
    m.run(Micros::secs(1));
    assert_eq!(m.inhibited(), Some(false));
    m.feed(100);
    m.feed(25);
    m.run(Micros::secs(3));
    assert_eq!(m.credited(), 125);
    // It cannot pay anything back, and the board knows.
    assert_eq!(m.bench.credit(), Money(125));
    m.bench.select(12);
    m.run(Micros::secs(4));
    assert_eq!(m.bench.credit(), Money::ZERO);
}

#[test]
fn credit_while_the_bus_is_down_waits_and_comes_once() {
    for appears in [Appearance::BillValidator, Appearance::Changer] {
        let mut m = Machine::new(appears, &[100, 500], 3);
        m.bench.run_until_ready();
        let now = m.bench.now();
        m.bench.master_mut().power(now, false);
        m.feed(500);
        for _ in 0..20 {
            m.feed(100);
        }
        m.run(Micros::secs(60));
        assert_eq!(m.credited(), 0);
        assert_eq!(m.owed(), Money(2_500));
        let now = m.bench.now();
        m.bench.master_mut().power(now, true);
        m.run(Micros::secs(20));
        assert_eq!(m.credited(), 2_500, "{appears:?}");
    }
}

#[test]
fn lost_acks_and_lost_answers_cost_nothing_and_bring_nothing() {
    for (kind, from, frame) in [
        (FaultKind::Deaf, Source::Master, FrameKind::Ack),
        (FaultKind::Lose, Source::Master, FrameKind::Ack),
        (FaultKind::Lose, Source::Peripheral, FrameKind::Block),
        (
            FaultKind::Flip { word: 0, bit: 3 },
            Source::Peripheral,
            FrameKind::Block,
        ),
        (FaultKind::Deaf, Source::Peripheral, FrameKind::Block),
    ] {
        let mut m = Machine::new(Appearance::BillValidator, &[100, 500], 5);
        m.bench.run_until_ready();
        m.run(Micros::secs(1));
        for amount in [500, 100, 100, 700] {
            m.bench.add_fault(fault(kind, from, frame));
            m.feed(amount);
            m.run(Micros::secs(4));
        }
        assert_eq!(m.credited(), 1_400, "{kind:?} from {from:?}");
    }
}

#[test]
fn escrow_is_answered_with_invalid_escrow_request() {
    use payrig_controller::{MasterTiming, Outcome};
    use payrig_tests::Asker;
    let bridge = PulseToMdb::new(config(Appearance::BillValidator, &[100])).unwrap();
    let mut bench = Bench::new(Asker::new(MasterTiming::default()));
    let _bridge = bench.plug("bridge", bridge);
    bench.run_for(Micros::secs(1));
    let poll = |bench: &mut Bench<Asker>| match bench.ask(&[0x33]) {
        Outcome::Data(block) => block.bytes().to_vec(),
        _ => Vec::new(),
    };
    // 06H JUST RESET; 0AH INVALID ESCROW REQUEST; 09H VALIDATOR DISABLED (section 6.3, 33H).
    assert_eq!(poll(&mut bench), [0x06]);
    assert_eq!(bench.ask(&[0x35, 0x01]), Outcome::Ack);
    assert_eq!(poll(&mut bench), [0x0A, 0x09]);
    assert_eq!(poll(&mut bench), [0x09]);
    // SETUP (31H): level 1, no escrow (Z11 00H), 1.00 as count 1 of 100.
    let Outcome::Data(setup) = bench.ask(&[0x31]) else {
        panic!("no SETUP");
    };
    assert_eq!(setup.bytes()[0], 1);
    assert_eq!(setup.bytes()[10], 0x00);
    assert_eq!(setup.bytes()[11], 1);
    // Level 1 has no expansion commands but the identification.
    assert_eq!(bench.ask(&[0x37, 0x02]), Outcome::Silence);
}

/// The moment in which nobody could know: the report was heard, its ACK is on the way, and the
/// power goes. With a supply that holds for it the ACK is heard. Without one the coin is reported again
/// after the reset. Our board knows it again, and does not credit it twice; another board may.
#[test]
fn a_cut_between_report_and_ack_is_what_the_hold_up_is_for() {
    let credited = |hold_up: bool| {
        let mut m = Machine::with(Appearance::Changer, &[25, 100], 1, hold_up);
        m.bench.run_until_ready();
        m.run(Micros::secs(1));
        m.feed(25);
        // COINS DEPOSITED coin type 0 to the cash box is 40H 00H (section 5.3, 0BH).
        let mut waited = 0;
        while m.credited() == 0 {
            m.run(Micros(100));
            waited += 1;
            assert!(waited < 100_000);
        }
        m.power(false);
        m.run(Micros::ms(200));
        m.power(true);
        m.run(Micros::secs(10));
        let told = |s: &&String| *s == "< COINS DEPOSITED";
        (m.bench.names().iter().filter(told).count(), m.credited())
    };
    assert_eq!(credited(true), (1, 25));
    assert_eq!(credited(false), (2, 25), "reported twice without it");
}

#[derive(Clone, Debug)]
enum Act {
    Feed(i64),
    Fault(FaultKind, Source, FrameKind),
    BusReset,
    Cut { after: u64, dark: u64 },
    Wait(u64),
}

/// All flips of a case are of one bit. CHK detects one turned bit and not every two: those of one place in
/// a word and in CHK cancel out. Nor does it detect every turned mode bit: 41 00 41 00 82* becomes
/// 41 00 41*, one coin in place of two (section 2.2).
fn acts() -> impl Strategy<Value = Vec<Act>> {
    let flip = (0u8..3, 0u8..8).prop_map(|(word, bit)| FaultKind::Flip { word, bit });
    flip.prop_flat_map(|flip| proptest::collection::vec(act(flip), 1..14))
}

fn act(flip: FaultKind) -> impl Strategy<Value = Act> {
    let kind = prop_oneof![Just(FaultKind::Lose), Just(FaultKind::Deaf), Just(flip)];
    let from = prop_oneof![Just(Source::Master), Just(Source::Peripheral)];
    let frame = prop_oneof![
        Just(FrameKind::Any),
        Just(FrameKind::Ack),
        Just(FrameKind::Block)
    ];
    prop_oneof![
        3 => prop_oneof![Just(100i64), Just(500), (1i64..40).prop_map(|n| n * 100)].prop_map(Act::Feed),
        2 => (kind, from, frame).prop_map(|(k, s, f)| Act::Fault(k, s, f)),
        1 => Just(Act::BusReset),
        2 => (0u64..3_000, 1u64..2_000).prop_map(|(after, dark)| Act::Cut { after, dark }),
        2 => (0u64..3_000).prop_map(Act::Wait),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(64)))]
    /// Never lost, never doubled: whatever is fed is credited in the end, to the cent.
    #[test]
    fn every_cent_arrives_once(
        acts in acts(),
        coins in any::<bool>(),
        seed in any::<u64>(),
    ) {
        let appears = if coins { Appearance::Changer } else { Appearance::BillValidator };
        let mut m = Machine::new(appears, &[100, 500], seed);
        m.bench.run_until_ready();
        for act in acts {
            match act {
                Act::Feed(amount) => m.feed(amount),
                Act::Fault(kind, from, frame) => m.bench.add_fault(fault(kind, from, frame)),
                Act::BusReset => {
                    let now = m.bench.now();
                    m.bench.master_mut().bus_reset(now);
                }
                Act::Cut { after, dark } => {
                    m.run(Micros::ms(after));
                    m.power(false);
                    m.run(Micros::ms(dark));
                    m.power(true);
                }
                Act::Wait(ms) => m.run(Micros::ms(ms)),
            }
        }
        // As long as the acceptor has something to send, and then until the board is at rest.
        while !m.acceptor.borrow().sender.is_idle() {
            m.run(Micros::secs(1));
        }
        m.run(Micros::secs(60));
        let owed = m.owed();
        prop_assert_eq!(owed, Money::ZERO);
        prop_assert_eq!(m.credited(), m.fed);
    }
}
