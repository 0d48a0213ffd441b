//! What was seen of the board: on the wire, by a person, in the emulation.

use super::*;

impl BoardBench {
    /// Blocks so far, in order.
    #[must_use]
    pub fn blocks(&self) -> &[HeardBlock] {
        &self.blocks
    }

    /// Blocks since a time.
    pub fn since(&self, from: Micros) -> impl DoubleEndedIterator<Item = &HeardBlock> {
        self.blocks.iter().filter(move |block| block.at >= from)
    }

    /// Bus resets so far: start and end.
    #[must_use]
    pub fn breaks(&self) -> &[(Micros, Micros)] {
        &self.breaks
    }

    /// True when the tool looked at its port all the time from `from` until `to`: what came while it
    /// did not has no times.
    #[must_use]
    pub fn looked(&self, from: Micros, to: Micros) -> bool {
        let mut slept = self.slept.iter();
        !slept.any(|(asleep, awake)| from <= *awake && to >= *asleep)
    }

    /// The longest pause between two bytes of every command.
    #[must_use]
    pub fn pauses(&self) -> Vec<Timed> {
        measured::pauses(self)
    }

    /// From the start of each block to the start of the next, in stretches in which the tool looked.
    pub fn intervals<'a>(&self, blocks: impl Iterator<Item = &'a HeardBlock>) -> Vec<Timed> {
        let starts: Vec<Timed> = blocks.map(HeardBlock::began).collect();
        let pairs = starts.iter().zip(starts.iter().skip(1));
        let looked = pairs.filter(|(a, b)| self.looked(a.time, b.time));
        looked.map(|(a, b)| b.since(*a)).collect()
    }

    /// How often the board gave this command since a time.
    #[must_use]
    pub fn count(&self, from: Micros, what: What) -> usize {
        self.since(from).filter(|block| block.is(what)).count()
    }

    /// True for a peripheral that the board had not enabled when [`ready`](Self::ready) was over.
    pub(in crate::board) fn was_never_set_up(&self, address: Address) -> bool {
        self.never.contains(&address)
    }

    pub(super) fn note_seen(&self, by: SeenBy) {
        self.seen_by.set(self.seen_by.get().max(by));
    }

    /// Items delivered so far: read from the emulated machine, or seen by a person.
    #[must_use]
    pub fn delivered(&mut self) -> Vec<u16> {
        let Subject::Outside(hand) = &mut self.board else {
            self.note_seen(SeenBy::Emulation);
            return self.run.bench.delivered().to_vec();
        };
        let pressed = std::mem::take(&mut hand.pressed);
        for item in pressed {
            // Money that did not come back, or a vend that was reported as a success.
            let kept = self.customer() < Money::ZERO || !self.card_paid().is_zero();
            let key = self.keys.key(item);
            let text = format!("Did the item of selection {key} fall since you pressed it?");
            if self.look(text, Observation::Fell(item), kept) {
                self.fell.push(item);
            }
        }
        self.fell.clone()
    }

    /// The exact-change light: read from the emulated machine, or seen by a person.
    #[must_use]
    pub fn exact_change(&mut self) -> bool {
        if !self.is_outside() {
            self.questions += 1;
            self.note_seen(SeenBy::Emulation);
            let light = self.run.bench.observe(&Observation::ExactChange);
            return light.is_ok_and(|light| light.is_true());
        }
        let empty = self.sum(|p| matches!(p, Place::Tube(..))).is_zero();
        let text = "Is the exact-change light on?".to_owned();
        self.look(text, Observation::ExactChange, empty)
    }

    /// Whether the display showed a text: read from the emulated machine, or seen by a person.
    #[must_use]
    pub fn showed(&mut self, text: &str) -> bool {
        if let Subject::Emulated(board) = self.board {
            self.questions += 1;
            self.note_seen(SeenBy::Emulation);
            let shown = self.run.bench.node(board).map_or(&[][..], Board::shown);
            return shown.iter().any(|shown| shown.contains(text));
        }
        let question = format!("Does the machine's display show \"{text}\", or did it just now?");
        self.look(question, Observation::Seen(text.to_owned()), true)
    }

    pub(super) fn look(&mut self, text: String, what: Observation, default: bool) -> bool {
        let question = Question::Look {
            text,
            what,
            default,
        };
        match self.ask_person(&question) {
            Reply::Saw(seen) => {
                self.note_seen(SeenBy::Person);
                seen
            }
            reply => {
                self.note_seen(SeenBy::Nobody);
                if reply == Reply::Stop {
                    self.end_with(Seen::skipped(Skip::Stopped));
                }
                default
            }
        }
    }

    /// Has a person do something at the board; the check is over when nobody can.
    pub(super) fn have_done(&mut self, text: String, what: ToDo) {
        let at_us = self.now();
        let question = Question::Do {
            text: text.clone(),
            what,
        };
        match self.ask_person(&question) {
            Reply::Done | Reply::Saw(_) | Reply::Counted(_) => {
                self.record(Entry::Act { at_us, text });
            }
            Reply::Stop => self.end_with(Seen::skipped(Skip::Stopped)),
            Reply::CannotDo | Reply::Default => {
                let text = match &self.board {
                    Subject::Outside(hand) => person::undone(text, &*hand.person),
                    Subject::Emulated(_) => text,
                };
                self.end_with(Seen::skipped(Skip::NeedsPerson(text)));
            }
        }
    }

    /// Puts a question, and goes on with the wire until it is answered.
    pub(super) fn ask_person(&mut self, question: &Question) -> Reply {
        let Subject::Outside(hand) = &mut self.board else {
            return Reply::Default;
        };
        let mut person = std::mem::replace(&mut hand.person, Box::new(Unattended::default()));
        let reply = person::put(&mut *person, question, |waits| {
            if waits {
                self.wait(Micros::ms(20));
            }
            (!self.run.is_over()).then_some(self.now())
        });
        self.record(person::note(self.now(), question, reply));
        if let Subject::Outside(hand) = &mut self.board {
            hand.person = person;
        }
        reply
    }

    /// The check ends here, whatever it says: time runs out without being waited for.
    pub(super) fn end_with(&mut self, seen: Seen) {
        self.run.give_up();
        self.over.get_or_insert(seen);
    }

    pub(super) fn not_outside(&mut self, why: &str) {
        let text = format!("{why}: done with the emulated board only");
        self.end_with(Seen::skipped(Skip::EmulatedOnly(text.into())));
    }
}
