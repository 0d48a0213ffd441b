//! A subject that is a program in lock-step: its bus, its pulse lines, and hands and eyes, for it is asked
//! itself to do what a person would do at it, and what a person would see.

use crate::board::{AcceptorLines, BoardOptions, BoardSetup, LineEvent};
use crate::device::{LinePort, OutsideLines, Setup, pulse_lines};
use crate::link::Cable;
use crate::person::{Person, Question, Reply, Tally, ToDo};
use payrig_bench::action::Action;
use payrig_link::lockstep::{Answer, Happened, PeerError, Session};
use payrig_link::{LinkError, PortEvent};
use payrig_pulse::CREDIT_LINE;
use payrig_rig::{action_as_json, observation_as_json};
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::{Edge, Transmission};
use serde_json::{Value, json};
use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

/// Of two things that are done one after the other the second is done so long after the first: by then a coin
/// has been taken (common practice, no source).
const IN_A_ROW: Micros = Micros::secs(1);

/// What has come out of a device, back to the customer: in all, since it was started.
const CAME_OUT: &str = "came-out";

/// What has been taken from cards, less what was given back: in all, since it was started.
const FROM_CARD: &str = "from-card";

#[derive(Debug)]
struct Shared {
    session: Session,
    /// Edges that have happened and that nobody has taken yet.
    edges: VecDeque<Moved>,
    /// Why it failed, until the link is asked.
    failure: Option<PeerError>,
}

/// An edge that has happened.
#[derive(Debug)]
struct Moved {
    ours: bool,
    device: String,
    line: String,
    edge: Edge,
}

impl Shared {
    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        if let Some(error) = self.failure.take() {
            return Err(error.into());
        }
        let (ours, device, line, edge) = match self.session.step(until)? {
            None => return Ok(None),
            Some(Happened::Bus(event)) => return Ok(Some(event)),
            Some(Happened::Driven { device, line, edge }) => (true, device, line, edge),
            Some(Happened::Seen { device, line, edge }) => (false, device, line, edge),
        };
        self.edges.push_back(Moved {
            ours,
            device,
            line,
            edge,
        });
        Ok(None)
    }

    /// Keeps a failure for the link; nothing comes of what was asked.
    fn asked<T>(&mut self, asked: Result<T, PeerError>) -> Option<T> {
        match asked {
            Ok(answer) => Some(answer),
            Err(error) => {
                self.failure = Some(error);
                None
            }
        }
    }
}

/// A program in lock-step that is examined. Clones are the same one.
#[derive(Clone, Debug)]
pub struct Peer(Rc<RefCell<Shared>>);

impl Peer {
    /// At the other end of a session.
    #[must_use]
    pub fn new(session: Session) -> Self {
        Self(Rc::new(RefCell::new(Shared {
            session,
            edges: VecDeque::new(),
            failure: None,
        })))
    }

    /// What reports call it.
    #[must_use]
    pub fn name(&self) -> String {
        self.0.borrow().session.name().to_owned()
    }

    /// True when it has pulse lines.
    #[must_use]
    pub fn has_lines(&self) -> bool {
        self.0.borrow().session.has_lines()
    }

    /// Its bus.
    #[must_use]
    pub fn cable(&self) -> Box<dyn Cable> {
        Box::new(Bus(self.clone()))
    }

    /// Whoever is at it: itself.
    #[must_use]
    pub fn person(&self, decimals: Decimals) -> Box<dyn Person> {
        Box::new(AtPeer {
            peer: self.clone(),
            decimals,
            next: None,
            reply: None,
            worth: Money::ZERO,
            out: Money::ZERO,
            card: Money::ZERO,
            why: None,
        })
    }

    /// The pulse lines of a board, for the acceptor of a setup.
    #[must_use]
    pub fn acceptor_lines(&self, setup: &BoardSetup) -> Box<dyn AcceptorLines> {
        let acceptor = &setup.pulse;
        Box::new(Acceptor {
            peer: self.clone(),
            device: acceptor.name.clone(),
            inhibit: acceptor.pulse.inhibit.line.clone(),
        })
    }

    /// The pulse lines of a device of a setup; `None` for one on the bus.
    #[must_use]
    pub fn lines_of_device(&self, setup: &Setup) -> Option<OutsideLines> {
        let (device, credit, inhibit) = pulse_lines(setup)?;
        Some(OutsideLines::new(Box::new(Unit {
            peer: self.clone(),
            device,
            credit,
            inhibit,
        })))
    }
}

#[derive(Debug)]
struct Bus(Peer);

impl Cable for Bus {
    fn name(&self) -> String {
        self.0.name()
    }

    fn now(&self) -> Micros {
        self.0.0.borrow().session.now()
    }

    fn send(&mut self, sent: Transmission) {
        self.0.0.borrow_mut().session.send(sent);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        self.0.0.borrow_mut().wait(until)
    }
}

/// The lines between our acceptor and a board.
#[derive(Debug)]
struct Acceptor {
    peer: Peer,
    device: String,
    inhibit: String,
}

impl AcceptorLines for Acceptor {
    fn name(&self) -> String {
        format!("the pulse lines of {}", self.peer.name())
    }

    fn drive(&mut self, edge: Edge) {
        let mut shared = self.peer.0.borrow_mut();
        shared.session.drive(&self.device, CREDIT_LINE, edge);
    }

    fn take(&mut self) -> Result<Option<LineEvent>, LinkError> {
        let Some(moved) = self.peer.0.borrow_mut().edges.pop_front() else {
            return Ok(None);
        };
        let (edge, late) = (moved.edge, Micros::ZERO);
        let uncertainty = Micros::ZERO;
        let of_ours = moved.device == self.device && moved.line == self.inhibit;
        Ok(Some(match moved.ours {
            true => LineEvent::Driven { edge, late },
            false if of_ours => LineEvent::Inhibit { edge, uncertainty },
            false => LineEvent::Note(strange(&moved)),
        }))
    }

    fn inhibit(&self) -> Option<bool> {
        let shared = self.peer.0.borrow();
        let mut to_come = shared.edges.iter().filter(|m| !m.ours);
        // Before any edge that was not taken yet: an edge goes to the other level.
        Some(match to_come.find(|m| m.line == self.inhibit) {
            Some(moved) => !moved.edge.high,
            None => shared.session.level(&self.device, &self.inhibit),
        })
    }

    fn wakes(&self) -> bool {
        true
    }
}

/// An edge of a line that nobody has.
fn strange(moved: &Moved) -> String {
    format!(
        "the peer moved line {} of {}, which is not examined",
        moved.line, moved.device
    )
}

/// A device on pulse lines.
#[derive(Debug)]
struct Unit {
    peer: Peer,
    device: String,
    credit: String,
    inhibit: String,
}

impl LinePort for Unit {
    fn name(&self) -> String {
        self.peer.name()
    }

    fn now(&self) -> Micros {
        self.peer.0.borrow().session.now()
    }

    fn level(&self) -> bool {
        let shared = self.peer.0.borrow();
        shared.session.level(&self.device, &self.credit)
    }

    fn wait(&mut self, until: Micros) -> Result<Option<(Edge, Micros)>, LinkError> {
        let mut shared = self.peer.0.borrow_mut();
        shared.wait(until)?;
        while let Some(moved) = shared.edges.pop_front() {
            if !moved.ours && moved.device == self.device && moved.line == self.credit {
                return Ok(Some((moved.edge, Micros::ZERO)));
            }
        }
        Ok(None)
    }

    fn inhibit(&mut self, high: bool) {
        let mut shared = self.peer.0.borrow_mut();
        let at = shared.session.now();
        let edge = Edge { at, high };
        shared.session.drive(&self.device, &self.inhibit, edge);
    }
}

/// The peer, in the place of a person at it.
#[derive(Debug)]
struct AtPeer {
    peer: Peer,
    decimals: Decimals,
    /// What is still to be done, and when.
    next: Option<(Action, Option<Micros>)>,
    reply: Option<Reply>,
    /// What the coin or bill is worth that is asked for, by what the device says of its types.
    worth: Money,
    /// What had come out of it when that was last asked, in all.
    out: Money,
    /// What had been taken from cards when the check began, in all.
    card: Money,
    /// Why it could not do what it was asked for last, in its own words.
    why: Option<String>,
}

impl AtPeer {
    fn act(&mut self, asked: Value) -> Reply {
        let mut shared = self.peer.0.borrow_mut();
        let done = shared.session.act(&[asked]);
        match shared.asked(done).and_then(|mut all| all.pop()) {
            Some(Answer::Done(_)) => Reply::Done,
            Some(Answer::Cannot(why)) => {
                self.why = (!why.is_empty()).then_some(why);
                Reply::CannotDo
            }
            None => Reply::CannotDo,
        }
    }

    fn action(&mut self, action: &Action) -> Reply {
        match action_as_json(action, self.decimals) {
            Some(Value::Object(mut fields)) => {
                if fields.contains_key("type") && !self.worth.is_zero() {
                    let worth = self.worth.show(self.decimals).to_string();
                    fields.insert("value".to_owned(), worth.into());
                }
                self.act(Value::Object(fields))
            }
            _ => Reply::CannotDo,
        }
    }

    fn look(&self, asked: &Value) -> Option<Value> {
        let mut shared = self.peer.0.borrow_mut();
        let seen = shared.session.look(asked);
        match shared.asked(seen) {
            Some(Answer::Done(seen)) => Some(seen),
            Some(Answer::Cannot(_)) | None => None,
        }
    }

    /// An amount that grows as long as the peer runs.
    fn total(&self, what: &str) -> Option<Money> {
        let seen = self.look(&json!({ "see": what }))?;
        Money::parse(seen.as_str()?, self.decimals).ok()
    }

    fn counted(&mut self, tally: Tally) -> Reply {
        let counted = match tally {
            Tally::CameOut => self.total(CAME_OUT).map(|all| {
                let before = std::mem::replace(&mut self.out, all);
                all.saturating_sub(before)
            }),
            Tally::FromCard => self
                .total(FROM_CARD)
                .map(|all| all.saturating_sub(self.card)),
        };
        // Nobody can count less than nothing.
        counted.map_or(Reply::Default, |c| Reply::Counted(c.max(Money::ZERO)))
    }

    fn todo(&mut self, what: &ToDo) -> Option<Reply> {
        Some(match what {
            ToDo::Act(action) => self.action(action),
            ToDo::InARow(first, second) => match self.action(first) {
                Reply::Done => {
                    self.next = Some((second.clone(), None));
                    return None;
                }
                other => other,
            },
            // It is what it is: whether it is prepared like that shows.
            ToDo::Prepare => Reply::Done,
            ToDo::SetUp(options) => self.act(set_up(*options)),
            ToDo::SlowReader(time) => {
                let time = time.map(|time| format!("{} us", time.as_us()));
                self.act(json!({ "do": "slow-reader", "for": time }))
            }
        })
    }
}

/// The settings of a board, as it is asked for them: all of them, on or off.
fn set_up(options: BoardOptions) -> Value {
    json!({
        "do": "set-up",
        "several-vends": options.several_vends,
        "cash-onto-cards": options.cash_onto_cards,
        "always-idle": options.always_idle,
        "currencies": options.currencies,
    })
}

impl Person for AtPeer {
    fn ask(&mut self, question: &Question) {
        (self.next, self.why) = (None, None);
        self.reply = match question {
            Question::Do { what, .. } => self.todo(what),
            Question::Look { what, .. } => {
                let seen = self.look(&observation_as_json(what));
                Some(match seen.and_then(|seen| seen.as_bool()) {
                    Some(seen) => Reply::Saw(seen),
                    None => Reply::Default,
                })
            }
            Question::Count { tally, .. } => Some(self.counted(*tally)),
        };
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        if let Some((action, at)) = &mut self.next {
            if now < *at.get_or_insert(now + IN_A_ROW) {
                return None;
            }
            let action = action.clone();
            self.next = None;
            self.reply = Some(self.action(&action));
        }
        self.reply.take()
    }

    fn check_begins(&mut self) {
        self.card = self.total(FROM_CARD).unwrap_or(self.card);
    }

    fn worth(&mut self, worth: Money) {
        self.worth = worth;
    }

    fn why_not(&self) -> Option<&str> {
        self.why.as_deref()
    }
}
