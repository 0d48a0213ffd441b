//! What happened on a bench, numbered and in order; and the end of a bench, with its verdict.

use super::{Bench, Peers};
use crate::bus::Bus;
use payrig_units::{Micros, Movement};
use payrig_wire::analysis::{Discrepancy, Tally, breach};
use payrig_wire::recording::{Entry, MovementRecord, at, put_in_order};
use payrig_wire::{Finding, Origin, RuleName, WORD_TIME};

/// Something that happened. Numbers begin at 1 and leave none out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// Its number.
    pub number: u64,
    /// What.
    pub what: Entry,
}

/// How long the log waits for the end of a pulse train.
const TRAIN_WAIT: Micros = Micros::secs(3);

/// How late at the most an edge on a modem line is reported.
const LINES_LATE: Micros = Micros::ms(20);

/// How long a bench goes on after its script, so that what is under way comes to an end.
const SETTLE: Micros = Micros::secs(2);

/// How long it waits for that at the most.
const SETTLE_AT_MOST: Micros = Micros::secs(30);

impl Bench {
    /// What happened since this was last asked, in order of time; on a bench that somebody
    /// [attends](Self::attend) in the order in which it became known.
    pub fn take_events(&mut self) -> impl Iterator<Item = Event> + '_ {
        if self.attended {
            self.publish();
        }
        self.events.drain(..)
    }

    /// The number that the next event will have.
    #[must_use]
    pub fn next_number(&self) -> u64 {
        self.number
    }

    /// What is known to have happened and is no event yet: something that happened before it may still
    /// come to be known.
    #[must_use]
    pub fn unsettled(&self) -> &[Entry] {
        &self.pending
    }

    /// The first event that nobody has taken, without its number.
    pub fn take_entry(&mut self) -> Option<Entry> {
        self.events.pop_front().map(|event| event.what)
    }

    /// The same without their numbers, as a recording keeps them.
    pub fn take_entries(&mut self) -> impl Iterator<Item = Entry> + '_ {
        self.take_events().map(|event| event.what)
    }

    /// What the bench itself measured on pulse lines.
    pub(crate) fn measured(&mut self) {
        if !self.pulses.has_news() {
            return;
        }
        for entry in self.pulses.take_entries(self.decimals) {
            match entry {
                Entry::Finding(finding) => self.report(finding),
                other => self.pending.push(other),
            }
        }
        self.book_counted();
    }

    pub(crate) fn note(&mut self, who: Option<String>, text: String) {
        self.script.saw(&text);
        self.pending.push(Entry::Note {
            at_us: self.now,
            who,
            text,
        });
    }

    pub(crate) fn book(&mut self, movement: Movement) {
        for reported in self.as_reported(&movement) {
            self.book(reported);
        }
        let word = self.word_of_now();
        match self.books.book(self.now, word, movement) {
            Ok(entry) => {
                self.pulses.moved(&entry.movement);
                self.pending
                    .push(Entry::Movement(MovementRecord::from(&entry)));
            }
            Err(error) => self.report(breach(
                RuleName::Money,
                Origin::Ledger,
                self.now,
                error.to_string(),
            )),
        }
    }

    pub(crate) fn report(&mut self, finding: Finding) {
        if let Some(bus) = self.buses.first_mut() {
            bus.analyst_mut().count(&finding);
        }
        self.pending.push(Entry::Finding(finding));
    }

    /// How long an entry waits for others that happened before it and are not known yet.
    fn settling(&self) -> Micros {
        match self.wiring.any() {
            // What a port reports comes a little after it happened.
            true => LINES_LATE,
            // A word that is on the wire now is known when it ends, and began before.
            false => WORD_TIME,
        }
    }

    /// When the next entry can be given out; never while a block is open, whose end comes first.
    pub(crate) fn publish_time(&self) -> Micros {
        if self.ended || self.attended || self.buses.iter().any(Bus::is_open) {
            return Micros::NEVER;
        }
        let Some(first) = self.pending.iter().map(at).min() else {
            return Micros::NEVER;
        };
        let held = match self.pulses.open_since() {
            Some(start) if first >= start => start + TRAIN_WAIT,
            _ => Micros::ZERO,
        };
        (first + self.settling()).max(held)
    }

    /// A block is known when it ends, what it caused is known at the same time, and it is logged by
    /// its start: entries wait until no block is open, and then go out in order of time.
    pub(crate) fn publish(&mut self) {
        if self.attended {
            let known = self.pending.len();
            self.give_out(known);
            return;
        }
        if self.pending.is_empty() {
            return;
        }
        let open = !self.ended && self.buses.iter().any(Bus::is_open);
        // A word may come late over a port, and its block is open for as long: with a master that never pauses
        // so long one always is. What happened before it began does not wait for it.
        let before = match open {
            false => Micros::NEVER,
            true if self.live => {
                let open = self.buses.iter().filter_map(Bus::open_since).min();
                open.map_or(Micros::ZERO, |start| start - Micros(1))
            }
            true => return,
        };
        put_in_order(&mut self.pending);
        let settled = match self.ended {
            true => Micros::NEVER,
            false => (self.now - self.settling()).min(before),
        };
        // A pulse train is known when it ends, too; one that goes on and on is not waited for.
        let train = self.pulses.open_since().filter(|_| !self.ended);
        let settled = match train {
            Some(start) if self.now < start + TRAIN_WAIT => settled.min(start - Micros(1)),
            _ => settled,
        };
        // What stands before it began a little later, but was known first.
        let mut pending = self.pending.iter();
        let last = pending.rposition(|entry| at(entry) <= settled);
        self.give_out(last.map_or(0, |last| last + 1));
    }

    /// The first entries that wait become events.
    fn give_out(&mut self, count: usize) {
        for what in self.pending.drain(..count) {
            let number = self.number;
            self.number += 1;
            trace_event(number, &what);
            self.active |= what.is_activity();
            self.events.push_back(Event { number, what });
        }
    }

    pub(crate) fn end_time(&self) -> Micros {
        self.ending.map_or(Micros::NEVER, |since| {
            let rest = since + SETTLE;
            if self.all_quiet() {
                rest.max(self.now)
            } else {
                since + SETTLE_AT_MOST
            }
        })
    }

    /// Ends the bench now, and gives all events out.
    pub fn finish_now(&mut self) {
        self.finish();
        self.publish();
    }

    /// Ends the bench without a verdict of its own, for those who judge it otherwise: what is open on
    /// its buses and lines is complete now.
    pub fn close(&mut self) {
        if !self.ended {
            self.ended = true;
            self.complete();
        }
        self.publish();
    }

    /// Nothing more happens on any bus or line.
    fn complete(&mut self) {
        self.end_stall();
        if let Some(board) = self.buses.first_mut() {
            board.finish(self.now, &mut self.pending);
        }
        self.pulses.finish(self.now);
        for bus in self.buses.iter_mut().skip(1) {
            bus.finish(self.now, &mut self.pending);
        }
        self.measured();
    }

    /// Ends the bench: last findings, the books, the verdict.
    pub(crate) fn finish(&mut self) {
        if self.ended {
            return;
        }
        self.ended = true;
        self.complete();
        // An outside board keeps books of its own, which nobody here can see.
        let comparable = self.has_board() && !self.unbooked;
        let mut discrepancies = self.books.discrepancies();
        let known = |device: &str| {
            let board = self.board();
            board.is_some_and(|b| b.in_escrow().any(|(name, _)| name == device))
        };
        discrepancies.extend(self.books.at_rest(known));
        let ours = |d: &Discrepancy| comparable && !self.is_reported_outside(&d.device);
        let discrepancies: Vec<_> = discrepancies.into_iter().filter(ours).collect();
        for discrepancy in discrepancies {
            let text = match self.wiring.outside_place(&discrepancy.device) {
                Some(_) => discrepancy.text_unseen(self.decimals),
                None => discrepancy.text(self.decimals),
            };
            self.report(breach(
                RuleName::Money,
                Origin::Ledger,
                discrepancy.since,
                text,
            ));
        }
        self.report_escrow_outside();
        self.settle_reported_outside();
        self.hold_off_what_is_real();
        for text in self.script.unplayed(self.decimals, &self.keys) {
            self.report(breach(RuleName::Script, Origin::Script, self.now, text));
        }
        self.report_silence();
        let verdict = self.tally().verdict(self.now);
        self.pending.push(verdict);
    }

    /// Nobody here sees the escrow of a validator outside: of a bill that was last heard of there, only a
    /// look says where it is.
    fn report_escrow_outside(&mut self) {
        let Some(board) = self.board() else { return };
        let unseen: Vec<String> = board
            .in_escrow()
            .filter(|(device, _)| self.wiring.outside_place(device).is_some())
            .map(|(device, value)| {
                let value = value.show(self.decimals);
                format!(
                    "{device}: a bill of {value} was last heard of in its escrow, and neither as stacked nor \
                     as returned. It is the customer's, and in nobody's books: look where it is"
                )
            })
            .collect();
        for text in unseen {
            self.report(
                Finding::advice(RuleName::Money, self.now, text).from_origin(Origin::Ledger),
            );
        }
    }

    /// A run in which nothing was there to be tested does not pass.
    fn report_silence(&mut self) {
        if self.peers == Peers::NotAsked {
            return;
        }
        let mut silent: Vec<String> = self.buses.iter().filter_map(Bus::silence).collect();
        silent.extend(self.wiring.silences());
        let tally = self.tally();
        let active = self.active || self.pending.iter().any(Entry::is_activity);
        if silent.is_empty() && tally.silence(active, self.now).is_some() {
            silent.push(match self.has_board() || self.is_live() {
                true => "not one block or pulse was on this bench".to_owned(),
                false => "the board of this rig is outside, and its bus is on no link: write [link] in the rig"
                    .to_owned(),
            });
        }
        for what in silent {
            if self.peers == Peers::Optional {
                self.note(Some("link".to_owned()), what);
                continue;
            }
            let text = format!(
                "{what}. Nothing was tested there, and that does not pass unless it was said that nobody need \
                 be there"
            );
            self.report(breach(
                RuleName::NothingRead,
                Origin::Script,
                self.now,
                text,
            ));
        }
    }

    /// What was counted so far, on all buses.
    #[must_use]
    pub fn tally(&self) -> Tally {
        let mut tally = Tally::default();
        for bus in &self.buses {
            let analyst = bus.analyst();
            tally.limits += analyst.limits();
            tally.advice += analyst.advice();
        }
        tally.blocks = self.buses.first().map_or(0, |b| b.analyst().blocks());
        tally.trains = self.pulses.trains();
        tally
    }
}

/// An event for whoever watches the tool at work: the end at `info`, what is exchanged, done and found
/// at `debug`.
fn trace_event(number: u64, what: &Entry) {
    match what {
        Entry::Block(block) => tracing::debug!(
            target: "payrig::exchange", number, at = %block.start_us, from = ?block.source,
            bus = block.bus, name = block.name(), bytes = ?block.bytes
        ),
        Entry::Step {
            at_us,
            text,
            passed,
            why,
            ..
        } => {
            tracing::debug!(target: "payrig::action", number, at = %at_us, step = text, ?passed, why);
        }
        Entry::Note { at_us, who, text } => {
            tracing::debug!(target: "payrig::node", number, at = %at_us, who, text);
        }
        Entry::Movement(moved) => {
            tracing::debug!(
                target: "payrig::node", number, at = %moved.at_us, from = %moved.from, to = %moved.to,
                amount = moved.amount.as_minor(), "money"
            );
        }
        Entry::Finding(found) => {
            tracing::debug!(
                target: "payrig::check", number, at = %found.at, rule = %found.rule, text = found.text,
                "finding"
            );
        }
        Entry::Verdict {
            at_us,
            passed,
            text,
            ..
        } => tracing::info!(target: "payrig::check", number, at = %at_us, passed, text, "verdict"),
        _ => tracing::trace!(target: "payrig::node", number, ?what),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::BusAt;
    use crate::bus::BusId;
    use crate::fault::{Fault, FaultKind, FrameKind};
    use crate::node::{Input, Node, Output};
    use crate::virtual_bus::Heard;
    use payrig_mdb::{Block, Word};
    use payrig_units::Decimals;
    use payrig_wire::{BusEvent, Edge, Source, TimedWord, Transmission};

    /// Somebody on the pulse lines of a bench.
    #[derive(Clone, Debug, Default)]
    struct OnLines(Vec<(String, Edge)>);

    impl Node for OnLines {
        crate::node_identity!();

        fn next_deadline(&self) -> Micros {
            Micros::NEVER
        }
        fn wake(&mut self, _: Micros) {}
        fn hear(&mut self, input: &Input<'_>) {
            if let Input::Edge { line, edge, .. } = *input {
                self.0.push((line.to_owned(), edge));
            }
        }
        fn drain(&mut self, _: Micros, _: &mut Output) {}
        fn power(&mut self, _: Micros, _: bool) {}
    }

    fn poll(at: Micros) -> Transmission {
        let block = Block::new(&[0x0B]).unwrap();
        Transmission::Words {
            at,
            words: block.master_words().collect(),
            gap: Micros::ZERO,
        }
    }

    fn attended() -> Bench {
        let mut bench = Bench::new(1, Micros::ZERO, Decimals::default());
        bench.attend();
        bench
    }

    #[test]
    fn who_attends_a_bench_knows_at_once_and_sees_no_end_of_it() {
        let mut bench = attended();
        let mut others = Bench::new(1, Micros::ZERO, Decimals::default());
        for bench in [&mut bench, &mut others] {
            bench.run_until(Micros::secs(100));
            let at = bench.now();
            let end = bench.transmit(BusId::BOARD, Source::Master, poll(at));
            bench.run_until(end);
            bench.link_note("something on the side".to_owned());
        }
        let known: Vec<Entry> = bench.take_entries().collect();
        assert!(
            matches!(known.as_slice(), [Entry::Note { .. }]),
            "{known:?}"
        );
        assert_eq!(others.take_entries().count(), 0, "the block comes first");
        bench.run_until(Micros::secs(101));
        let known: Vec<Entry> = bench.take_entries().collect();
        let first = known.first();
        assert!(matches!(first, Some(Entry::Block(_))), "{known:?}");
        assert!(!bench.ended());
    }

    #[test]
    fn who_listens_to_a_bench_hears_every_word_and_whether_the_other_side_did() {
        let mut bench = attended();
        let say_and_hear = |bench: &mut Bench| {
            let at = bench.now();
            let end = bench.transmit(BusId::BOARD, Source::Master, poll(at));
            bench.run_until(end);
            bench.take_heard().collect::<Vec<_>>()
        };
        assert_eq!(say_and_hear(&mut bench), [], "nobody listens");
        bench.listen();
        for reaches in [true, false] {
            if !reaches {
                let deaf = Fault {
                    kind: FaultKind::Deaf,
                    from: Source::Master,
                    frame: FrameKind::Any,
                    address: None,
                    skip: 0,
                    count: 1,
                };
                bench.inject(BusId::BOARD, deaf).unwrap();
            }
            let heard = say_and_hear(&mut bench);
            let what = |(bus, heard): &(BusId, Heard)| match heard.event {
                BusEvent::Word(word) => Some((*bus, word.word.byte, heard.reaches_peer)),
                _ => None,
            };
            let known: Vec<_> = heard.iter().filter_map(what).collect();
            assert_eq!(known, [(BusId::BOARD, 0x0B, reaches); 2]);
        }
        assert_eq!(bench.take_heard().count(), 0, "what was taken is gone");
    }

    #[test]
    fn a_bench_that_is_closed_says_what_is_open_and_gives_no_verdict() {
        let mut bench = attended();
        let end = bench.transmit(BusId::BOARD, Source::Master, poll(Micros::ZERO));
        bench.run_until(end);
        bench.close();
        assert!(bench.ended());
        let mut known = bench.take_events().collect::<Vec<_>>();
        let blocks = |event: &Event| matches!(event.what, Entry::Block(_));
        assert_eq!(known.iter().filter(|e| blocks(e)).count(), 1);
        let verdict = |event: &Event| matches!(event.what, Entry::Verdict { .. });
        assert!(!known.iter().any(verdict), "{known:?}");
        bench.close();
        known.extend(bench.take_events());
        let numbers: Vec<u64> = known.iter().map(|event| event.number).collect();
        let wanted: Vec<u64> = (1..).take(numbers.len()).collect();
        assert_eq!(numbers, wanted);
    }

    /// Words that come over a port may be late, so that a block stays open for a tenth of a second: a master
    /// that polls more often must not keep everything from becoming events, and from the recording.
    #[test]
    fn a_master_that_never_pauses_for_long_holds_no_event_back() {
        let mut bench = Bench::new(1, Micros::ZERO, Decimals::default());
        bench.board_bus_on_port(Source::Master);
        bench.begin();
        let mut known = 0;
        for poll in 1..200 {
            let start = Micros::ms(30 * poll);
            bench.run_until(start);
            for (place, byte) in [Word::marked(0x0B), Word::plain(0x0B)]
                .into_iter()
                .enumerate()
            {
                let start = start + WORD_TIME * place as u64;
                let word = TimedWord {
                    start,
                    end: start + WORD_TIME,
                    source: Source::Master,
                    word: byte,
                    uncertainty: Micros::ZERO,
                };
                bench.run_until(word.end);
                bench.heard_on_link(&BusAt::Board, &BusEvent::Word(word));
                bench.advance(word.end);
            }
            let blocks = |event: &Event| matches!(event.what, Entry::Block(_));
            known += bench.take_events().filter(blocks).count() as u64;
            assert!(known + 3 >= poll, "{known} of {poll} blocks are events");
        }
        assert!(known >= 196, "{known}");
    }

    #[test]
    fn a_line_moved_in_the_place_of_its_device_is_heard_by_who_counts_it() {
        let mut bench = attended();
        let device = bench.add_node("old bill", Box::new(OnLines::default()), None);
        let board = bench.add_board(Box::new(OnLines::default()));
        let edge = Edge {
            at: Micros(5),
            high: false,
        };
        bench.drive_line("old bill", "credit", edge);
        let heard = |node| bench.node::<OnLines>(node).map(|n| n.0.clone());
        assert_eq!(heard(board), Some(vec![("credit".to_owned(), edge)]));
        assert_eq!(heard(device), Some(Vec::new()));
        let known: Vec<Entry> = bench.take_entries().collect();
        let of = |e: &Entry| matches!(e, Entry::Edge { line, .. } if line == "old bill credit");
        assert!(known.iter().all(of) && known.len() == 1, "{known:?}");
    }
}
