//! Whatever is said and done, in whatever order: no panic, and every bill is where the movements
//! say it is.

use super::bench::recycler_config;
use crate::bill::{BillConfig, BillKind, BillValidator, DispenserFault, Fault, Quirks};
use crate::{Device, Reply};
use payrig_mdb::Block;
use payrig_mdb::bill::{Command, Response};
use payrig_units::{Ledger, Micros, Money, Place};
use proptest::prelude::*;

const NAME: &str = "bill validator";

#[derive(Clone, Debug)]
enum Step {
    Command(Vec<u8>, Verdict),
    Wait(u64),
    Insert(u8),
    Paper,
    Take,
    Pull,
    Fish(bool),
    Break(u8),
    Repair(u8),
    BreakDispenser(u8),
    RepairDispenser(u8),
    ReplaceCashBox(bool),
    Fill,
    ManualFill(u8),
    ManualDispense(u8),
    Transfer(u8),
    Lever,
    FilledKey,
    Power(bool),
    BusReset,
    Silence(u64),
}

#[derive(Clone, Copy, Debug)]
enum Verdict {
    Ack,
    Nak,
}

fn fault(n: u8) -> Fault {
    match n % 5 {
        0 => Fault::DefectiveMotor,
        1 => Fault::SensorProblem,
        2 => Fault::RomChecksum,
        3 => Fault::Jam,
        _ => Fault::CashBoxOut,
    }
}

fn dispenser_fault(n: u8) -> DispenserFault {
    match n % 4 {
        0 => DispenserFault::DefectiveSensor,
        1 => DispenserFault::Motor,
        2 => DispenserFault::Jam,
        _ => DispenserFault::RomChecksum,
    }
}

/// Commands that lead somewhere, and any bytes at all.
fn command() -> impl Strategy<Value = Vec<u8>> {
    let mut recycle = vec![0x37, 0x04, 0xFF, 0xFF];
    recycle.extend([3; 16]);
    prop_oneof![
        6 => Just(vec![0x33]),
        3 => Just(vec![0x34, 0xFF, 0xFF, 0xFF, 0xFF]),
        1 => Just(vec![0x34, 0x00, 0x03, 0x00, 0x01]),
        1 => Just(vec![0x34, 0, 0, 0, 0]),
        4 => (0..3u8).prop_map(|y| vec![0x35, y]),
        1 => Just(vec![0x30]),
        1 => Just(vec![0x31]),
        1 => Just(vec![0x36]),
        1 => Just(vec![0x37, 0x00]),
        3 => Just(vec![0x37, 0x01, 0, 0, 0, 3]),
        3 => Just(vec![0x37, 0x03]),
        3 => Just(recycle),
        3 => (0..4u8, 0..4u8).prop_map(|(t, n)| vec![0x37, 0x06, t, 0, n]),
        3 => any::<u8>().prop_map(|n| vec![0x37, 0x07, 0, n]),
        2 => prop_oneof![Just(5), Just(8), Just(9), Just(0x0A)].prop_map(|n| vec![0x37, n]),
        2 => proptest::collection::vec(any::<u8>(), 1..=35),
    ]
}

fn step() -> impl Strategy<Value = Step> {
    let verdict = prop_oneof![4 => Just(Verdict::Ack), 1 => Just(Verdict::Nak)];
    prop_oneof![
        20 => (command(), verdict).prop_map(|(c, v)| Step::Command(c, v)),
        10 => (0..2_500u64).prop_map(Step::Wait),
        8 => (0..5u8).prop_map(Step::Insert),
        1 => Just(Step::Paper),
        2 => Just(Step::Take),
        1 => Just(Step::Pull),
        1 => any::<bool>().prop_map(Step::Fish),
        1 => any::<u8>().prop_map(Step::Break),
        4 => any::<u8>().prop_map(Step::Repair),
        1 => any::<u8>().prop_map(Step::BreakDispenser),
        2 => any::<u8>().prop_map(Step::RepairDispenser),
        1 => any::<bool>().prop_map(Step::ReplaceCashBox),
        1 => Just(Step::Fill),
        1 => (0..4u8).prop_map(Step::ManualFill),
        1 => (0..4u8).prop_map(Step::ManualDispense),
        1 => (0..4u8).prop_map(Step::Transfer),
        1 => Just(Step::Lever),
        1 => Just(Step::FilledKey),
        3 => any::<bool>().prop_map(Step::Power),
        1 => Just(Step::BusReset),
        1 => (0..1_000u64).prop_map(Step::Silence),
    ]
}

fn config() -> impl Strategy<Value = BillConfig> {
    let takes = prop_oneof![Just(None), (0..3_000u64).prop_map(|n| Some(Micros::ms(n)))];
    (any::<bool>(), any::<bool>(), 2..6u16, takes, any::<bool>()).prop_map(
        |(recycler, escrow, capacity, takes, token)| {
            let mut config = match recycler {
                true => recycler_config(),
                false => BillConfig::default(),
            };
            if token {
                config.bills[3] = BillKind::Token;
            }
            config.escrow = escrow;
            config.stacker_capacity = capacity;
            config.stacked = vec![(0, 1), (3, 1)];
            config.customer_takes_after = takes;
            config
        },
    )
}

fn quirks() -> impl Strategy<Value = Quirks> {
    prop_oneof![
        Just(Quirks::default()),
        any::<u32>().prop_map(|bits| {
            let mut quirks = Quirks::default();
            for (i, name) in Quirks::NAMES.iter().enumerate() {
                *quirks.switch(name).unwrap() = bits >> i & 1 == 1;
            }
            quirks
        }),
    ]
}

struct Run {
    v: BillValidator,
    now: Micros,
    ledger: Ledger,
    /// Pieces of paper drawn in and out, whatever they are worth.
    inside: i64,
    /// A quirk makes answers that are no messages of the standard.
    odd_answers: bool,
}

impl Run {
    fn act(&mut self, step: &Step) {
        let (v, now) = (&mut self.v, self.now);
        match step {
            Step::Command(bytes, verdict) => {
                let reply = v.command(now, &Block::new(bytes).unwrap());
                if let Reply::Data(block) = reply {
                    let command = Command::parse(bytes).unwrap();
                    let parsed = Response::parse(&command, block.bytes());
                    assert!(
                        parsed.is_ok() || self.odd_answers,
                        "{block:?} to {bytes:02X?}"
                    );
                    match verdict {
                        Verdict::Ack => v.acknowledged(now),
                        Verdict::Nak => v.unacknowledged(now),
                    }
                }
            }
            Step::Wait(ms) => {
                self.now += Micros::ms(*ms);
                v.wake(self.now);
            }
            Step::Insert(t) => drop(v.insert_bill(now, *t)),
            Step::Paper => drop(v.insert_unknown_paper(now)),
            Step::Take => drop(v.customer_takes_bill(now)),
            Step::Pull => drop(v.pull_bill_from_escrow(now)),
            Step::Fish(success) => drop(v.fish_in_stacker(now, *success)),
            Step::Break(n) => v.break_down(now, fault(*n)),
            Step::Repair(n) => drop(v.repair(now, fault(*n))),
            Step::BreakDispenser(n) => v.break_dispenser(now, dispenser_fault(*n)),
            Step::RepairDispenser(n) => drop(v.repair_dispenser(now, dispenser_fault(*n))),
            Step::ReplaceCashBox(emptied) => drop(v.replace_cash_box(now, *emptied)),
            Step::Fill => drop(v.fill_stacker(now)),
            Step::ManualFill(t) => drop(v.manual_fill(now, *t)),
            Step::ManualDispense(t) => drop(v.manual_dispense(now, *t)),
            Step::Transfer(t) => drop(v.transfer_to_cash_box(now, *t, 2)),
            Step::Lever => v.press_return_lever(now),
            Step::FilledKey => v.press_filled_key(now),
            Step::Power(on) => v.power(now, *on),
            Step::BusReset => v.bus_reset(now),
            Step::Silence(ms) => v.stay_silent(now, Micros::ms(*ms)),
        }
    }

    /// The places of the ledger hold what the validator says it holds.
    fn check(&mut self) {
        for note in self.v.take_notes() {
            let unknown = note.starts_with("unknown paper");
            if unknown && note.ends_with("paper drawn in") {
                self.inside += 1;
            }
            if unknown && (note.contains("given back") || note.contains("pulled out")) {
                self.inside -= 1;
            }
        }
        for movement in self.v.take_movements() {
            let escrow = |place: &Place| matches!(place, Place::Escrow(_));
            self.inside += i64::from(escrow(&movement.to)) - i64::from(escrow(&movement.from));
            self.ledger.book(self.now, None, movement).unwrap();
        }
        let balance = |place: Place| self.ledger.balance(&place);
        let name = || NAME.to_owned();
        assert_eq!(balance(Place::Stacker(name())), self.v.stacked_money());
        let path = self.v.in_path().unwrap_or(Money::ZERO);
        assert_eq!(balance(Place::Escrow(name())), path);
        for t in 0..4 {
            let worth = self.v.config().worth(t).as_minor();
            let held = worth * i64::from(self.v.recycled(t));
            assert_eq!(balance(Place::Recycler(name(), t)), Money(held));
        }
        assert_eq!(self.inside, i64::from(self.v.path.bill().is_some()));
        assert_eq!(self.ledger.sum(), 0);
        let deadline = self.v.next_deadline();
        assert!(deadline > self.now, "a deadline of the past: {deadline:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]
    #[test]
    fn no_bill_is_created_or_lost(
        config in config(),
        quirks in quirks(),
        steps in proptest::collection::vec(step(), 1..120),
    ) {
        let mut run = Run {
            v: BillValidator::new(config, quirks).unwrap(),
            now: Micros::secs(1),
            ledger: Ledger::new(),
            inside: 0,
            odd_answers: quirks.option_bytes_in_short_identification,
        };
        for step in &steps {
            run.act(step);
            run.now += Micros(1);
            run.v.wake(run.now);
            run.check();
        }
    }

    /// Without quirks and with power and time enough, what the VMC hears of a stacked bill is what
    /// is stacked: one BILL STACKED each, whatever was not acknowledged in between.
    #[test]
    fn credit_equals_what_is_stacked(
        steps in proptest::collection::vec(step(), 1..150),
    ) {
        let config = BillConfig { stacker_capacity: 2_000, ..BillConfig::default() };
        let mut v = BillValidator::new(config, Quirks::default()).unwrap();
        let mut now = Micros::secs(1);
        let mut credit = 0i64;
        let mut poll = |v: &mut BillValidator, now: Micros, bytes: &[u8], ack: bool| {
            if let Reply::Data(block) = v.command(now, &Block::new(bytes).unwrap()) {
                if !ack {
                    return v.unacknowledged(now);
                }
                v.acknowledged(now);
                if bytes == [0x33] {
                    for byte in block.bytes().iter().filter(|b| **b >> 4 == 8) {
                        credit += v.config().worth(byte & 0xF).as_minor();
                    }
                }
            }
        };
        for step in steps {
            match step {
                Step::Command(bytes, verdict) => {
                    poll(&mut v, now, &bytes, matches!(verdict, Verdict::Ack));
                }
                Step::Wait(ms) => now += Micros::ms(ms),
                Step::Insert(t) => drop(v.insert_bill(now, t)),
                Step::Take => drop(v.customer_takes_bill(now)),
                Step::Break(n) => v.break_down(now, fault(n)),
                Step::Repair(n) => drop(v.repair(now, fault(n))),
                Step::BusReset => v.bus_reset(now),
                Step::Silence(ms) => v.stay_silent(now, Micros::ms(ms)),
                _ => {}
            }
        }
        now += Micros::secs(10);
        for _ in 0..400 {
            poll(&mut v, now, &[0x33], true);
        }
        prop_assert_eq!(credit, v.stacked_money().as_minor());
    }
}
