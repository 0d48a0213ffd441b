//! A board at the other end of a port: who is at it, how it is set up, and what is lent from check to
//! check.

use super::super::options::BoardOptions;
use super::undo::Repriced;
use super::*;
use crate::link::AcceptorLines;
use crate::person::{Person, Plan, Progress};
use crate::recorder::Recorder;
use payrig_pulse::CREDIT_LINE;
use payrig_wire::recording::Ours;
use std::collections::BTreeSet;

/// A board outside: who does and sees things at it, and its pulse lines.
#[derive(Debug)]
pub(super) struct AtHand {
    pub(super) person: Box<dyn Person>,
    /// Selections pressed whose item nobody was asked about yet.
    pub(super) pressed: Vec<u16>,
    /// When a selection was pressed last in this check, and what the customer held.
    pub(super) last_press: Option<(Micros, Money)>,
    /// Selections whose motor is blocked and is to be freed.
    pub(super) blocked: BTreeSet<u16>,
    /// Selections whose price was changed, and what they cost on cards before.
    pub(super) repriced: BTreeMap<u16, (Repriced, Money)>,
    /// How amounts are written.
    pub(super) decimals: Decimals,
    /// What stands on the machine for its items.
    pub(super) keys: Keys,
    /// Its power was cut and is to be given back.
    pub(super) dark: bool,
    /// What is known of its habits.
    pub(super) habits: Habits,
    /// What was heard of it when it started from cold: one start serves all checks of it.
    pub(super) cold: Option<Cold>,
    /// What the examination is expected to take.
    plan: Plan,
    /// How it is set up now.
    options: BoardOptions,
    /// How it cannot be set up.
    refused: Vec<BoardOptions>,
}

impl AtHand {
    /// A new check begins.
    pub(super) fn begin(&mut self) {
        self.pressed.clear();
        self.last_press = None;
    }
}

/// What was heard of a board from the moment its power came.
#[derive(Clone, Debug)]
pub(super) struct Cold {
    pub(super) blocks: Vec<HeardBlock>,
    pub(super) breaks: Vec<(Micros, Micros)>,
    pub(super) break_uncertainty: Micros,
    pub(super) held_off: Vec<(Micros, bool)>,
}

/// A board outside and the bench it is on, lent to one check after another.
#[derive(Debug)]
pub struct BoardOutside {
    pub(super) linked: Linked,
    pub(super) hand: Box<AtHand>,
    pub(super) identity: Option<Identification>,
    /// A check ended early and may have left credit in the board.
    pub(super) credit_left: bool,
}

impl BoardOutside {
    /// A board at the other end of a port.
    #[must_use]
    pub fn new(linked: Linked, person: Box<dyn Person>) -> Self {
        let hand = AtHand {
            person,
            pressed: Vec::new(),
            last_press: None,
            blocked: BTreeSet::new(),
            repriced: BTreeMap::new(),
            decimals: Decimals::default(),
            keys: Keys::default(),
            dark: false,
            habits: Habits::default(),
            cold: None,
            plan: Plan::default(),
            options: BoardOptions::default(),
            refused: Vec::new(),
        };
        Self {
            linked,
            hand: Box::new(hand),
            identity: None,
            credit_left: false,
        }
    }

    /// The same with its pulse lines, on which the acceptor of `setup` is played. Its credit line
    /// rests from now on.
    #[must_use]
    pub fn with_lines(mut self, lines: Box<dyn AcceptorLines>, setup: &BoardSetup) -> Self {
        let resting = !setup.pulse.pulse.active.is_high();
        self.linked.connect(lines, resting);
        self
    }

    /// The same, and what happens is recorded as it happens.
    #[must_use]
    pub fn recorded_by(mut self, recorder: Recorder) -> Self {
        self.linked = self.linked.recorded_by(recorder);
        self
    }

    /// What the tool speaks for over the links: all peripherals, and the credit line where pulse lines
    /// are connected.
    #[must_use]
    pub fn ours(setup: &BoardSetup, lines: bool) -> Ours {
        let ours = Ours::default().bus(Source::Peripheral);
        match lines {
            true => ours.line(&format!("{} {CREDIT_LINE}", setup.pulse.name)),
            false => ours,
        }
    }

    /// The same, and the person learns how far the examination is.
    #[must_use]
    pub fn expecting(mut self, plan: Plan) -> Self {
        self.hand.plan = plan;
        self
    }

    pub(in crate::board) fn take_plan(&mut self) -> Plan {
        std::mem::take(&mut self.hand.plan)
    }

    /// A check begins.
    pub(in crate::board) fn begins(&mut self, progress: &Progress) {
        self.hand.person.begins(progress);
    }

    /// True when its pulse lines are connected.
    pub(in crate::board) fn has_lines(&self) -> bool {
        self.linked.has_lines()
    }

    /// Has it set up as a check needs it, where it is not already.
    pub(in crate::board) fn settle(&mut self, wanted: BoardOptions) -> Result<(), Skip> {
        if wanted == self.hand.options {
            return Ok(());
        }
        let text = self.hand.options.change(wanted);
        if self.hand.refused.contains(&wanted) {
            return Err(Skip::CannotBeSetUp(text));
        }
        let question = Question::Do {
            text: text.clone(),
            what: ToDo::SetUp(wanted),
        };
        match self.ask(&question) {
            Reply::Done | Reply::Saw(_) | Reply::Counted(_) => {
                self.hand.options = wanted;
                Ok(())
            }
            Reply::CannotDo => {
                self.hand.refused.push(wanted);
                let text = person::undone(text, &*self.hand.person);
                Err(Skip::CannotBeSetUp(text))
            }
            Reply::Default => Err(Skip::NeedsPerson(text)),
            Reply::Stop => Err(Skip::Stopped),
        }
    }

    /// What is known of it before it was heard: its habits, the words on its machine.
    pub(in crate::board) fn know(&mut self, setup: &BoardSetup) {
        self.hand.habits = setup.habits;
        self.hand.keys = setup.keys.clone();
        self.hand.decimals = setup.board.decimals;
    }

    /// What is known of its habits by now.
    pub(in crate::board) fn habits(&self) -> &Habits {
        &self.hand.habits
    }

    /// What is to be changed at it so that it is set up as at first, in plain words.
    pub(super) fn settings_back(&self) -> Option<String> {
        let first = BoardOptions::default();
        (self.hand.options != first).then(|| self.hand.options.change(first))
    }

    /// Takes back what a check left in the board that ended early.
    pub(in crate::board) fn without_credit(self, setup: &BoardSetup) -> Option<Self> {
        if !self.credit_left {
            return Some(self);
        }
        let delivers = self.hand.last_press.is_some();
        let mut bench = BoardBench::outside(setup, Kit::of(setup), self)?;
        bench.ready();
        if delivers {
            bench.delivery_and(Micros::secs(1));
        }
        bench.press_return();
        bench.secs(8);
        let mut back = bench.end().1?;
        back.credit_left = false;
        Some(back)
    }

    pub(in crate::board) fn linked(&mut self) -> &mut Linked {
        &mut self.linked
    }

    /// Who it says it is, to a card reader.
    pub(in crate::board) fn identity(&self) -> Option<&Identification> {
        self.identity.as_ref()
    }

    /// Says something to whoever is at it.
    pub(in crate::board) fn inform(&mut self, text: &str) {
        self.hand.person.inform(text);
    }

    /// Puts a question and waits for the answer; the board is not answered meanwhile.
    pub(in crate::board) fn ask(&mut self, question: &Question) -> Reply {
        let linked = &mut self.linked;
        let reply = person::put(&mut *self.hand.person, question, |waits| {
            if waits {
                linked.let_pass(Micros::ms(20));
            }
            (!linked.has_failed() && !linked.is_stopped()).then(|| linked.now())
        });
        match !self.linked.has_failed() && self.linked.is_stopped() {
            true => Reply::Stop,
            false => reply,
        }
    }
}
