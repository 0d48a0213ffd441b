//! A port whose thread is held up, at any moment and by up to 50 ms, in simulated time: the bench hears
//! and does the same, in the same order.

use super::*;
use crate::{Encoder, Line, Looking, Symbol, Unread, WordCoding};
use bytes::BytesMut;
use payrig_mdb::Word;
use payrig_units::{Decimals, LedgerEntry, Money, Place};
use payrig_wire::port::Lateness;
use payrig_wire::{
    BusEvent, BusRule, Finding, Party, RuleName, Source, TimedWord, Transmission, WORD_TIME,
};
use proptest::prelude::*;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

/// What the other side wrote and the thread has not read, with the time at which it was written.
#[derive(Default)]
struct Written(Mutex<Vec<(Micros, BytesMut)>>);

impl Unread for Written {
    fn unread(&self) -> bool {
        !self.0.lock().unwrap().is_empty()
    }
}

/// Where the thread is.
#[derive(Clone, Copy, PartialEq)]
enum Stage {
    /// It waits, for no longer than that.
    Asleep(Micros),
    /// It has woken.
    Woke,
    /// It is about to read.
    Reads,
    /// It has read, and not handed over yet what there was.
    Read,
    /// It has handed everything over, and not said so yet.
    HandedOver,
}

/// A port's thread, step by step as `ThreadPort` and `PtyPort` do it; it may be held up before each step.
struct Thread {
    line: Line,
    stage: Stage,
    /// When it takes the next step.
    at: Micros,
    woke: Micros,
    written: Arc<Written>,
    orders: VecDeque<Transmission>,
    looking: Looking,
    given: Arc<Mutex<VecDeque<PortEvent>>>,
    /// When it saw for the last time that nothing is to be read.
    empty_at: Micros,
    seed: u64,
    held_up: Micros,
    /// It was, since it slept.
    was: bool,
}

impl Thread {
    fn new(seed: u64, held_up: Micros) -> Self {
        let looking = Looking::default();
        let written: Arc<Written> = Arc::default();
        let port: Arc<dyn Unread> = written.clone();
        looking.reads(Some(Arc::downgrade(&port)));
        Self {
            line: Line::new(Source::Master, WordCoding::Plain),
            stage: Stage::Asleep(Micros::NEVER),
            at: Micros::NEVER,
            woke: Micros::ZERO,
            written,
            orders: VecDeque::new(),
            looking,
            given: Arc::default(),
            empty_at: Micros::ZERO,
            seed: seed | 1,
            held_up,
            was: false,
        }
    }

    /// Xorshift.
    fn random(&mut self) -> u64 {
        self.seed ^= self.seed << 13;
        self.seed ^= self.seed >> 7;
        self.seed ^= self.seed << 17;
        self.seed
    }

    /// How long the next step takes: as a rule little, now and then it is held up, once between two sleeps.
    fn delay(&mut self) -> Micros {
        match self.random() % 40 {
            0 if !std::mem::replace(&mut self.was, true) => {
                Micros(self.random() % (self.held_up.as_us() + 1))
            }
            _ => Micros(self.random() % 30),
        }
    }

    /// When it goes on, at `now` or later.
    fn next(&mut self, now: Micros) -> Micros {
        if let Stage::Asleep(until) = self.stage {
            let wakes = match self.written.unread() || !self.orders.is_empty() {
                true => now,
                false => until.max(now),
            };
            if wakes == Micros::NEVER {
                return wakes;
            }
            if wakes <= now {
                self.stage = Stage::Woke;
                self.at = now + self.delay();
            } else {
                return wakes;
            }
        }
        self.at
    }

    fn step(&mut self, now: Micros) {
        if self.next(now) > now {
            return;
        }
        self.stage = match self.stage {
            asleep @ Stage::Asleep(_) => asleep,
            Stage::Woke => {
                self.woke = now;
                match self.written.unread() {
                    true => {
                        self.looking.is_reading();
                        Stage::Reads
                    }
                    false => Stage::Read,
                }
            }
            Stage::Reads => {
                let read = std::mem::take(&mut *self.written.0.lock().unwrap());
                for (_, bytes) in read {
                    self.line.set_uncertainty(now.since(self.empty_at));
                    self.line.arrived(now, &bytes);
                }
                self.empty_at = now;
                Stage::Read
            }
            Stage::Read => {
                self.line.advance(now);
                let mut out = BytesMut::new();
                while self.line.due(now, &mut out) {
                    self.line.written(self.woke, now, Micros::ZERO);
                }
                while let Some(event) = self.line.take_event() {
                    self.given.lock().unwrap().push_back(event);
                }
                while let Some(order) = self.orders.pop_front() {
                    self.line.send(now, order, Micros::ZERO);
                    self.looking.expects(self.line.next_deadline());
                    self.looking.took_order();
                }
                Stage::HandedOver
            }
            Stage::HandedOver => {
                let next = self.line.next_deadline();
                self.looking.has_looked(self.empty_at, next);
                if !self.written.unread() {
                    self.empty_at = now;
                }
                self.was = false;
                Stage::Asleep(next)
            }
        };
        self.at = now + self.delay();
    }
}

/// The handle of such a thread.
struct Handle {
    orders: Vec<Transmission>,
    looking: Looking,
    given: Arc<Mutex<VecDeque<PortEvent>>>,
}

impl WordPort for Handle {
    fn now(&self) -> Micros {
        Micros::ZERO
    }

    fn send(&mut self, transmission: Transmission) -> Result<(), LinkError> {
        self.looking.ordered();
        self.orders.push(transmission);
        Ok(())
    }

    async fn receive(&mut self) -> Result<PortEvent, LinkError> {
        let given = self.given.lock().unwrap().pop_front();
        match given {
            Some(event) => Ok(event),
            None => std::future::pending().await,
        }
    }

    fn may_still_come(&self, by: Micros) -> bool {
        self.looking.may_still_come(by)
    }
}

/// What a future that never waits gives.
fn at_once<T>(future: impl Future<Output = T>) -> T {
    let mut context = std::task::Context::from_waker(std::task::Waker::noop());
    match pin!(future).poll(&mut context) {
        Poll::Ready(out) => out,
        Poll::Pending => panic!("it waits"),
    }
}

/// What the bench of a port heard and did, in order.
#[derive(Debug, PartialEq)]
enum Did {
    Heard(Word),
    Due(u32),
}

/// The other side says these words, each so long after the one before it has ended, the first few written
/// ahead of their time by so much; a deadline falls `patience` after each word.
fn heard_and_done(
    words: &[(u64, bool)],
    ahead: Micros,
    patience: Micros,
    seed: u64,
    held_up: Micros,
) -> Vec<Did> {
    let mut thread = Thread::new(seed, held_up);
    let mut handle = Handle {
        orders: Vec::new(),
        looking: thread.looking.clone(),
        given: thread.given.clone(),
    };
    let mut said: VecDeque<(Micros, BytesMut)> = VecDeque::new();
    let mut start = Micros::ms(10);
    for (number, (pause, mode)) in words.iter().enumerate() {
        start += Micros(*pause);
        let word = Word {
            byte: u8::try_from(number % 256).unwrap(),
            mode: *mode,
        };
        let mut bytes = BytesMut::new();
        Encoder(WordCoding::Plain).encode(start, Symbol::Word(word), &mut bytes);
        // Never before the word that is written before it.
        let least = said.back().map_or(Micros::ZERO, |(at, _)| *at);
        said.push_back(((start - ahead).max(least), bytes));
        start += WORD_TIME;
    }
    let (mut did, mut order, mut due, mut round) =
        (Vec::new(), InOrder::default(), Micros::NEVER, 0);
    let (mut now, mut wake) = (Micros::ZERO, Micros::ZERO);
    let end = start + Micros::ms(200);
    while now < end {
        while said.front().is_some_and(|(at, _)| *at <= now)
            && let Some(written) = said.pop_front()
        {
            thread.written.0.lock().unwrap().push(written);
        }
        thread.step(now);
        if wake <= now || !thread.given.lock().unwrap().is_empty() {
            loop {
                while let Some(Ok(event)) = at_once(now_or_never(handle.receive())) {
                    order.came(event.at(), event);
                }
                match order.next(now, due, |by| handle.may_still_come(by)) {
                    Next::Sleep(until) => {
                        wake = until;
                        break;
                    }
                    Next::HeldUp(..) => {}
                    Next::Take(PortEvent::Heard(BusEvent::Word(word))) => {
                        due = word.end + patience;
                        did.push(Did::Heard(word.word));
                    }
                    Next::Take(_) => {}
                    Next::Due(_) => {
                        due = Micros::NEVER;
                        round += 1;
                        did.push(Did::Due(round));
                    }
                }
            }
        }
        let next = said.front().map_or(Micros::NEVER, |(at, _)| *at);
        now = next
            .min(thread.next(now))
            .min(wake)
            .max(now + Micros(1))
            .min(end);
    }
    did
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4_000))]

    /// Words that the other side stamps, written ahead of their time; the deadline is that of a pause that
    /// is too long, as a master has it.
    #[test]
    fn what_came_before_a_deadline_is_heard_before_it_however_late_the_thread_is(
        words in prop::collection::vec((prop_oneof![Just(0), 0u64..900, 8_000u64..30_000], any::<bool>()), 1..60),
        ahead in 0u64..40_000, seed in any::<u64>(), held_up in 0u64..50_000,
    ) {
        let ahead = Micros(ahead) + Micros::ms(1);
        let patience = Micros::ms(5) + WORD_TIME;
        let punctual = heard_and_done(&words, ahead, patience, seed, Micros::ZERO);
        prop_assert_eq!(punctual.iter().filter(|did| matches!(did, Did::Heard(_))).count(), words.len());
        prop_assert_eq!(heard_and_done(&words, ahead, patience, seed, Micros(held_up)), punctual);
    }
}

const DEVICES: &str = "[bench]\nname = \"devices\"\n[link]\nport = \"pty\"\n\
    [board]\nkind = \"outside\"\n[[device]]\nkind = \"changer\"\nname = \"changer\"\n\
    [[device]]\nkind = \"bill-validator\"\nname = \"bill\"\n\
    [[script]]\ndo = \"wait-ready\"\nwithin = \"60 s\"\n\
    [[script]]\ndo = \"insert-coin\"\nvalue = \"1.00\"\n\
    [[script]]\ndo = \"insert-coin\"\nvalue = \"1.00\"\nafter = \"1 s\"\n\
    [[script]]\nexpect = \"balance\"\nplace = \"customer\"\nminus = \"1.50\"\nwithin = \"60 s\"\n\
    [[script]]\ndo = \"wait\"\nfor = \"3 s\"\n";

const BOARD: &str = "[bench]\nname = \"board\"\n[link]\nport = \"pty\"\noutside = \"devices\"\n\
    [board]\nkind = \"controller\"\n[[board.item]]\nnumber = 11\nprice = \"1.50\"\n\
    [[device]]\nkind = \"changer\"\nname = \"changer\"\n\
    [[device]]\nkind = \"bill-validator\"\nname = \"bill\"\n\
    [[script]]\nexpect = \"credit\"\nvalue = \"2.00\"\nwithin = \"90 s\"\n\
    [[script]]\ndo = \"select\"\nitem = 11\n\
    [[script]]\nexpect = \"sold\"\ncount = 1\nwithin = \"30 s\"\n\
    [[script]]\nexpect = \"credit\"\nvalue = \"0.00\"\nwithin = \"30 s\"\n";

fn bench(rig: &str) -> Bench {
    let plan = payrig_rig::parse(std::path::Path::new("test.toml"), rig);
    Bench::live(&plan.unwrap_or_else(|e| panic!("{e}")), &[])
}

/// Our board over such a port, and a bench of devices at its other end that is never late and writes each
/// answer at once, ahead of its time. What the board's log has.
fn board_with_devices(seed: u64, held_up: Micros) -> (Vec<Entry>, Vec<Entry>) {
    let (mut board, mut devices) = (bench(BOARD), bench(DEVICES));
    let mut thread = Thread::new(seed, held_up);
    let mut ports = Ports {
        clock: Clock::starting_now(),
        buses: vec![(
            BusAt::Board,
            Handle {
                orders: Vec::new(),
                looking: thread.looking.clone(),
                given: thread.given.clone(),
            },
        )],
        lines: Vec::new(),
    };
    let (mut order, mut logs) = (InOrder::default(), (Vec::new(), Vec::new()));
    // What is on the wire to the devices and from them, by the time at which it ends.
    let mut wire: Vec<(Micros, PortEvent)> = Vec::new();
    let (mut free_at, mut now, mut wake) = (Micros::ZERO, Micros::ZERO, Micros::ZERO);
    while !(board.ended() && devices.ended()) && now < Micros::secs(300) {
        // The devices.
        wire.sort_by_key(|(end, _)| *end);
        while wire.first().is_some_and(|(end, _)| *end <= now) {
            let (end, event) = wire.remove(0);
            devices.advance_before(end);
            devices.move_on(end);
            match event {
                PortEvent::Heard(event) => devices.heard_on_link(&BusAt::Board, &event),
                PortEvent::Sent { event, late } => {
                    devices.sent_on_link(&BusAt::Board, &event, late)
                }
                _ => {}
            }
            devices.advance(end);
        }
        if devices.next_deadline() <= now {
            devices.advance(devices.next_deadline());
        }
        while let Some(Outbound::Words { sent, .. }) = devices.take_outbound() {
            let Transmission::Words { at, words, gap } = sent else {
                continue;
            };
            let mut start = at.max(free_at);
            let mut bytes = BytesMut::new();
            for word in words {
                Encoder(WordCoding::Plain).encode(start, Symbol::Word(word), &mut bytes);
                let event = BusEvent::Word(TimedWord {
                    start,
                    end: start + WORD_TIME,
                    source: Source::Peripheral,
                    word,
                    uncertainty: Micros::ZERO,
                });
                let late = Lateness::default();
                wire.push((event.end(), PortEvent::Sent { event, late }));
                start = event.end() + gap;
            }
            free_at = start;
            thread.written.0.lock().unwrap().push((now, bytes));
        }
        logs.1.extend(devices.take_entries());
        // The port's thread.
        let before = thread.given.lock().unwrap().len();
        thread.step(now);
        for event in thread.given.lock().unwrap().iter().skip(before) {
            if let PortEvent::Sent { event, .. } = event {
                wire.push((event.end(), PortEvent::Heard(*event)));
            }
        }
        // The board.
        if wake <= now || !thread.given.lock().unwrap().is_empty() {
            loop {
                while let Some(out) = board.take_outbound() {
                    ports.send(out).unwrap();
                }
                thread.orders.extend(ports.buses[0].1.orders.drain(..));
                logs.0.extend(board.take_entries());
                at_once(ports.all_that_came(&mut board, &mut order));
                let due = board.next_deadline();
                match order.next(now, due, |by| ports.may_still_come(by)) {
                    Next::Sleep(until) => {
                        wake = until;
                        break;
                    }
                    Next::HeldUp(from, to) => board.slept(from, to),
                    Next::Take(came) => ports.take(&mut board, came).unwrap(),
                    Next::Due(due) => board.advance(due),
                }
            }
        }
        let arrives = wire
            .iter()
            .map(|(end, _)| *end)
            .min()
            .unwrap_or(Micros::NEVER);
        now = thread
            .next(now)
            .min(wake)
            .min(arrives)
            .min(devices.next_deadline())
            .max(now + Micros(1));
    }
    logs
}

/// What moved from places of a kind to others, by the books of one side.
fn moved(log: &[Entry], of: impl Fn(&Place, &Place) -> bool) -> i64 {
    let movements = log.iter().filter_map(|entry| match entry {
        Entry::Movement(record) => Some(LedgerEntry::from(record).movement),
        _ => None,
    });
    let counted = movements.filter(|movement| of(&movement.from, &movement.to));
    counted.map(|movement| movement.amount.0).sum()
}

/// The texts that the board noted and that begin or end so.
fn notes<'a>(log: &'a [Entry], of: &str, holds: impl Fn(&str) -> bool) -> Vec<&'a str> {
    let notes = log.iter().filter_map(|entry| match entry {
        Entry::Note { who, text, .. } if who.as_deref() == Some(of) => Some(text.as_str()),
        _ => None,
    });
    notes.filter(|text| holds(text)).collect()
}

/// Where every cent is, by the books of both sides; how much is still credit, and how much was credited twice.
///
/// A DISPENSE that this tool tears by its pauses is not understood, and not repeated blindly (Appendix 3, section
/// 3, condition 1): only where the tubes say that nothing was paid, three times at the most. What was not paid is
/// credit then, and the display says so. A coin whose ACK comes so late that the changer does not take it is
/// reported again, and credited again where that is later than a board can tell (the same, condition 2): then
/// the log says that the ACK was late, and whose fault that was.
fn where_the_money_is(board: &[Entry], devices: &[Entry]) -> Result<(i64, i64), TestCaseError> {
    let finding = |log: &[Entry], of: &dyn Fn(&Finding) -> bool| {
        let found = log.iter();
        found
            .filter(|entry| matches!(entry, Entry::Finding(f) if of(f)))
            .count()
    };
    let inserted = |log| moved(log, |from, _| *from == Place::Customer);
    let paid = |log| moved(log, |_, to| *to == Place::Customer);
    prop_assert_eq!(paid(board), paid(devices));
    let twice = inserted(board) - inserted(devices);
    let credited = moved(board, |_, to| *to == Place::BoardCredit);
    let sold = moved(board, |_, to| *to == Place::BoardSales);
    let credit = credited - moved(board, |from, _| *from == Place::BoardCredit);
    prop_assert_eq!((credited, sold), (inserted(board), 150));
    prop_assert_eq!(credit, inserted(devices) + twice - sold - paid(devices));
    let late_ack = |f: &Finding| {
        f.rule == RuleName::Bus(BusRule::Response) && f.who == Some(Party::Master) && f.is_limit()
    };
    if twice > 0 {
        prop_assert!(finding(devices, &late_ack) > 0);
        prop_assert!(finding(board, &|f| f.rule == RuleName::OwnLate) > 0);
    }
    // The last step of each script is about the change.
    let script = |log| finding(log, &|f| f.rule == RuleName::Script);
    prop_assert_eq!(script(board), usize::from(credit > 0));
    prop_assert_eq!(script(devices), usize::from(paid(devices) == 0));
    let not_paid = notes(board, "board", |text| text.ends_with(", paid 0.00"));
    let not_heard = notes(board, "board", |text| {
        text.contains("DISPENSE was not acknowledged")
    });
    if credit > 0 {
        let shown = notes(board, "display", |text| text.starts_with("Credit "));
        let credit = format!("Credit {}", Money(credit).show(Decimals(2)));
        prop_assert_eq!(shown.last(), Some(&credit.as_str()));
        prop_assert_eq!((not_paid.len(), not_heard.len()), (3, 3));
    }
    Ok((credit, twice))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// A sale with devices that do everything right, over a port whose thread is late at any moment: no
    /// answer is taken for a broken one, nobody is accused, and both scripts end as they should, but for change
    /// that could not be ordered.
    #[test]
    fn a_board_whose_port_is_late_asks_for_nothing_again_and_accuses_nobody(
        seed in any::<u64>(), held_up in 0u64..50_000,
    ) {
        let (board, devices) = board_with_devices(seed, Micros(held_up));
        let wrong = |entry: &&Entry| match entry {
            Entry::Finding(finding) => finding.is_limit() && finding.rule != RuleName::Script,
            Entry::Block(block) => block.source == Source::Master && block.bytes == [0xAA],
            _ => false,
        };
        let found: Vec<&Entry> = board.iter().filter(wrong).collect();
        prop_assert!(found.is_empty(), "{:#?}", found);
        let sold = |entry: &&Entry| matches!(entry, Entry::Step { number: 3, passed: Some(true), .. });
        prop_assert!(board.iter().any(|entry| sold(&entry)));
        where_the_money_is(&board, &devices)?;
        let verdict = |log: &[Entry]| matches!(log.last(), Some(Entry::Verdict { .. }));
        prop_assert!(verdict(&board) && verdict(&devices));
    }
}

/// Each of the three orders of the change was torn; the ACK of a coin was late; a port that is not late.
#[test]
fn what_a_late_port_does_to_money_is_in_the_books_of_both() {
    for (seed, held_up, expected) in [
        (13_388_938_679_839_122_354, 21_473, (50, 0)),
        (9_417_812_066_792_977_586, 39_805, (0, 100)),
        (9_417_812_066_792_977_586, 0, (0, 0)),
    ] {
        let (board, devices) = board_with_devices(seed, Micros(held_up));
        assert_eq!(
            where_the_money_is(&board, &devices).unwrap(),
            expected,
            "{seed}"
        );
    }
}
