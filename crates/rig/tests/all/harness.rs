//! The harness for tests in Rust, used as a test would: with the built-in rig, with a board and a device of
//! one's own.

use payrig_bench::action::{Action, Expectation};
use payrig_bench::harness::Harness;
use payrig_bench::{
    Fault, FaultKind, FrameKind, Input, Node, Observation, Observed, Output, Plan, node_identity,
};
use payrig_mdb::{Address, Block, MasterFrame, PeripheralFrame, Typed, Word, cashless, changer};
use payrig_rig::FIRST_VEND;
use payrig_units::{Micros, Money, Place};
use payrig_wire::recording::Entry;
use payrig_wire::{Source, Transmission};
use std::collections::VecDeque;
use std::path::Path;

type Tested = Result<(), Box<dyn std::error::Error>>;

fn first_vend() -> Plan {
    payrig_rig::parse(Path::new("first-vend.toml"), FIRST_VEND).unwrap()
}

const SOON: Micros = Micros::secs(10);

#[test]
fn a_snack_is_sold_and_the_books_agree() -> Tested {
    let mut bench = Harness::new(&first_vend());
    bench.wait_ready(SOON)?;
    bench.insert_bill("bill", Money(100))?;
    bench.wait(&Expectation::Credit(Money(100)), SOON)?;
    bench.select(11)?;
    bench.wait(&Expectation::Sold(1), SOON)?;
    let (place, amount) = (Place::Customer, Money(-65));
    bench.wait(&Expectation::Balance { place, amount }, SOON)?;
    bench.wait_rest(SOON)?;
    let finished = bench.finish()?;
    assert_eq!(finished.bench.delivered(), [11]);
    assert!(
        finished
            .events
            .iter()
            .zip(1..)
            .all(|(event, n)| event.number == n)
    );
    Ok(())
}

#[test]
fn a_failure_says_what_was_seen_and_what_happened() {
    let mut bench = Harness::new(&first_vend());
    bench.wait_ready(SOON).unwrap();
    bench.insert_coin("changer", Money(25)).unwrap();
    let failed = bench.wait(&Expectation::Credit(Money(100)), Micros::secs(2));
    let text = failed.unwrap_err().to_string();
    assert!(text.contains("credit is 0.25, not 1.00"), "{text}");
    assert!(text.contains("coin of 0.25 into changer"), "{text}");
    assert!(
        text.contains("0.25 from customer to changer tube 2"),
        "{text}"
    );
    let refused = bench
        .insert_coin("chnager", Money(25))
        .unwrap_err()
        .to_string();
    assert!(
        refused.contains("there is no device \"chnager\""),
        "{refused}"
    );
}

#[test]
fn a_copy_goes_another_way_from_the_same_state() -> Tested {
    let mut sold = Harness::new(&first_vend());
    sold.wait_ready(SOON)?;
    sold.present_card("reader", Money(1000))?;
    sold.wait_message("a session", SOON, |m| {
        matches!(m, Typed::CashlessResponse(r) if r.reports().iter().any(|r| matches!(r, cashless::Report::BeginSession(_))))
    })?;
    let mut denied = sold.clone();
    sold.run(Micros::secs(1));
    sold.select(11)?;
    sold.wait(&Expectation::Sold(1), SOON)?;
    denied.act(&Action::RemoveCard {
        device: "reader".to_owned(),
    })?;
    denied.run(SOON);
    assert_eq!(denied.observe(&Observation::Delivered)?, Observed::Count(0));
    assert_eq!(sold.finish()?.bench.delivered(), [11]);
    assert!(denied.finish()?.bench.delivered().is_empty());
    Ok(())
}

#[test]
fn a_bench_that_broke_a_limit_does_not_finish_well() {
    let mut bench = Harness::new(&first_vend());
    bench.wait_ready(SOON).unwrap();
    let late = Fault {
        kind: FaultKind::Late { by: Micros::ms(7) },
        from: Source::Peripheral,
        frame: FrameKind::Any,
        address: Some(Address::CHANGER),
        skip: 0,
        count: 1,
    };
    bench
        .bench_mut()
        .inject(payrig_bench::BusId::BOARD, late)
        .unwrap();
    bench.run(Micros::secs(1));
    let text = bench.finish().unwrap_err().to_string();
    assert!(
        text.contains("did not pass") && text.contains("response"),
        "{text}"
    );
}

/// A board that asks one device for news, and nothing else: somebody's first afternoon with the standard.
#[derive(Clone, Debug)]
struct Poller {
    poll: u8,
    next: Micros,
    heard: Vec<Word>,
    say: VecDeque<Transmission>,
}

impl Poller {
    fn new(poll: u8) -> Box<Self> {
        Box::new(Self {
            poll,
            next: Micros::secs(1),
            heard: Vec::new(),
            say: VecDeque::new(),
        })
    }

    fn say(&mut self, at: Micros, frame: &MasterFrame) {
        let (words, gap) = (frame.words(), Micros::ZERO);
        self.say.push_back(Transmission::Words { at, words, gap });
    }
}

impl Node for Poller {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.next
    }

    fn wake(&mut self, now: Micros) {
        if now >= self.next {
            self.next = now + Micros::ms(150);
            self.heard.clear();
            if let Ok(poll) = Block::new(&[self.poll]) {
                self.say(now, &MasterFrame::Command(poll));
            }
        }
    }

    fn hear(&mut self, input: &Input<'_>) {
        if let Input::Word(word) = input {
            self.heard.push(word.word);
            // What has data is acknowledged (MDB/ICP 4.3, section 2.2).
            if word.word.mode && self.heard.len() > 1 {
                self.say(word.end + Micros::ms(1), &MasterFrame::Ack);
            }
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        out.sent.append(&mut self.say);
    }

    fn power(&mut self, _: Micros, _: bool) {}
}

/// A device that has one thing to say, once: JUST RESET.
#[derive(Clone, Debug, Default)]
struct Newborn {
    command: Vec<Word>,
    reported: bool,
    say: VecDeque<Transmission>,
}

impl Node for Newborn {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        Micros::NEVER
    }

    fn wake(&mut self, _: Micros) {}

    fn hear(&mut self, input: &Input<'_>) {
        let Input::Word(word) = input else { return };
        if word.word.mode {
            self.command.clear();
        }
        self.command.push(word.word);
        let poll = Address::CASHLESS_2.with(2);
        if self.command.iter().map(|w| w.byte).eq([poll, poll]) {
            let report = Block::new(&[0x00]).map(PeripheralFrame::Data);
            let frame = match (self.reported, report) {
                (false, Ok(report)) => report,
                _ => PeripheralFrame::Ack,
            };
            self.reported = true;
            let (at, words) = (word.end + Micros::ms(2), frame.words());
            let gap = Micros::ZERO;
            self.say.push_back(Transmission::Words { at, words, gap });
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        out.sent.append(&mut self.say);
    }

    fn power(&mut self, _: Micros, _: bool) {}
}

#[test]
fn a_board_of_ones_own_is_tested_against_our_devices() -> Tested {
    let mut bench = Harness::with_board(&first_vend(), Poller::new(0x0B));
    bench.wait_message("JUST RESET", SOON, |m| {
        matches!(m, Typed::ChangerResponse(changer::Response::Poll(reports))
            if reports.contains(&changer::Report::Status(changer::Status::JustReset)))
    })?;
    // It enables no coins: the changer gives this one back, and the customer has it.
    bench.insert_coin("changer", Money(25))?;
    bench.run(Micros::secs(3));
    let customer = bench.observe(&Observation::Balance(Place::Customer))?;
    assert_eq!(customer, Observed::Amount(Money::ZERO));
    let refused = bench.select(11).unwrap_err().to_string();
    assert!(refused.contains("cannot be done"), "{refused}");
    bench.finish()?;
    Ok(())
}

#[test]
fn a_device_of_ones_own_stands_beside_ours() -> Tested {
    let poll = Address::CASHLESS_2.with(2);
    let board = Harness::with_board(&first_vend(), Poller::new(poll));
    let mut bench = board.and_device("newborn", Address::CASHLESS_2, Box::new(Newborn::default()));
    let said = |entry: &Entry| match entry {
        Entry::Block(block) => {
            block.source == Source::Peripheral && block.name() == Some("JUST RESET")
        }
        _ => false,
    };
    bench.wait_event("JUST RESET of the newborn", SOON, said)?;
    assert!(bench.wait_event("another", Micros::secs(2), said).is_err());
    bench.power(Some("newborn"), false)?;
    bench.finish()?;
    Ok(())
}
