//! Who sits at a bench: takes orders one after another, waits for what is waited for, and keeps what
//! happens.

use crate::api::{Link, PaceName};
use crate::evidence::{self, Evidence};
use crate::filter::{Filter, end_of};
use crate::log::{Log, What};
use crate::problem::{Kind, Problem};
use crate::recording::Recording;
use payrig_bench::action::{Action, Expectation};
use payrig_bench::{Bench, Missed};
use payrig_link::drive::Attendant;
use payrig_link::pace::{Pace, Paced};
use payrig_units::Micros;
use payrig_wire::Finding;
use payrig_wire::recording::{Entry, Header, TrainRecord};
use serde_json::json;
use std::io;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};

/// Something to be done at a bench, between two turns of its loop.
pub(crate) type Order = Box<dyn FnOnce(&mut Bench, &mut Desk) + Send>;

/// As many findings and pulse trains are kept; there are more of them on the recording.
const MOST_KEPT: usize = 10_000;

/// How often a bench at real pace is looked at while somebody watches it, and otherwise.
const WATCHED: Micros = Micros::ms(2);
const UNWATCHED: Micros = Micros::ms(50);

/// What is waited for.
#[derive(Clone, Debug)]
pub(crate) enum Goal {
    /// Something is as expected.
    Expect(Expectation),
    /// The board has set up every device.
    Ready,
    /// An event, that ends no earlier than this.
    Event(Box<Filter>, Option<Micros>),
    /// Nothing is under way.
    Rest,
    /// Time passes.
    Time,
}

/// How a wait ended.
#[derive(Debug)]
pub(crate) struct Waited {
    pub(crate) met: bool,
    pub(crate) ended: bool,
    pub(crate) began: Micros,
    pub(crate) at: Micros,
    pub(crate) next: u64,
    pub(crate) missed: Option<Missed>,
    pub(crate) event: Option<Arc<crate::log::Logged>>,
    pub(crate) evidence: Evidence,
}

/// Somebody who waits.
#[derive(Debug)]
struct Waiting {
    goal: Goal,
    began: Micros,
    until: Micros,
    /// The first event that belongs to it.
    from: u64,
    /// The first event that was not held against it yet.
    unseen: u64,
    /// Moves a bench that stands.
    runs: bool,
    most: usize,
    missed: Option<Missed>,
    reply: oneshot::Sender<Waited>,
}

/// A wait to be begun.
#[derive(Clone, Debug)]
pub(crate) struct Wish {
    pub(crate) goal: Goal,
    /// How long at the most, in bench time.
    pub(crate) within: Micros,
    /// Events count from this number on; from now on for none.
    pub(crate) from: Option<u64>,
    /// It moves a bench that stands.
    pub(crate) runs: bool,
    /// So much evidence at the most.
    pub(crate) most: usize,
}

/// The desk at a bench.
#[derive(Debug)]
pub(crate) struct Desk {
    orders: mpsc::UnboundedReceiver<Order>,
    pub(crate) log: Arc<Log>,
    pub(crate) pace: PaceName,
    waits: Vec<Waiting>,
    /// What is at the other end of which port.
    pub(crate) links: Vec<Link>,
    /// How a recording of it begins.
    pub(crate) header: Option<Header>,
    pub(crate) recording: Option<Recording>,
    pub(crate) findings: Vec<Finding>,
    pub(crate) trains: Vec<TrainRecord>,
    pub(crate) verdict: Option<Entry>,
    /// The first event of the bench as it was last set up.
    pub(crate) first: u64,
    /// Why its link is gone.
    pub(crate) failed: Option<Problem>,
    /// The bench is to be set up again.
    pub(crate) reset: Option<oneshot::Sender<Result<(), Problem>>>,
    /// The bench is to be forgotten.
    pub(crate) forget: bool,
}

impl Desk {
    pub(crate) fn new(
        orders: mpsc::UnboundedReceiver<Order>,
        log: Arc<Log>,
        pace: PaceName,
    ) -> Self {
        Self {
            orders,
            log,
            pace,
            waits: Vec::new(),
            links: Vec::new(),
            header: None,
            recording: None,
            findings: Vec::new(),
            trains: Vec::new(),
            verdict: None,
            first: 1,
            failed: None,
            reset: None,
            forget: false,
        }
    }

    /// Everything of the bench before is over: a new one begins.
    pub(crate) fn begin_anew(&mut self) {
        self.log.go_on();
        self.log.add([What::Other(
            "reset",
            json!({"type": "reset", "text": "the bench was set up again"}),
        )]);
        self.first = self.log.next();
        self.findings.clear();
        self.trains.clear();
        self.verdict = None;
        self.failed = None;
    }

    /// Sits down at a bench that was set up.
    pub(crate) fn take_place(
        &mut self,
        links: Vec<Link>,
        header: Header,
        recording: Option<Recording>,
    ) {
        self.links = links;
        self.header = Some(header);
        self.recording = recording;
    }

    /// Does something, now.
    pub(crate) fn act(&mut self, bench: &mut Bench, action: &Action) -> Result<(), Problem> {
        self.refuse_ended(bench)?;
        bench
            .act_and_log(action)
            .map_err(|refusal| Problem::refused(&refusal))
    }

    /// Refuses what cannot be done at a bench that has ended.
    pub(crate) fn refuse_ended(&self, bench: &Bench) -> Result<(), Problem> {
        if !bench.ended() {
            return Ok(());
        }
        Err(match &self.failed {
            Some(failed) => Problem::new(
                Kind::Ended,
                format!("the bench has ended: {}", failed.detail),
            ),
            None => Problem::new(Kind::Ended, "the bench has ended"),
        }
        .advice("reset it, or open another; its ledger, findings and recording can still be had"))
    }

    /// Begins to wait. What is met already is answered at once.
    pub(crate) fn wait(
        &mut self,
        bench: &mut Bench,
        wish: Wish,
        reply: oneshot::Sender<Waited>,
    ) -> Result<(), Problem> {
        self.take(bench)
            .map_err(|error| Problem::failed("the log", &error))?;
        let now = bench.now();
        let next = self.log.next();
        let from = wish.from.unwrap_or(next).max(self.first);
        let goal = match wish.goal {
            // Something that happened before and is known only now is not what is waited for.
            Goal::Event(filter, _) if wish.from.is_none() => Goal::Event(filter, Some(now)),
            goal => goal,
        };
        let mut wait = Waiting {
            goal,
            began: now,
            until: now + wish.within,
            from,
            unseen: from,
            runs: wish.runs,
            most: wish.most,
            missed: None,
            reply,
        };
        let Some(met) = self.held(bench, &mut wait) else {
            self.refuse_ended(bench)?;
            if self.pace == PaceName::Paused && !wait.runs && wait.until > now {
                return Err(Problem::new(
                    Kind::Paused,
                    "the bench is paused: it would be waited for in vain",
                )
                .advice("take `run` with the same fields, which moves the bench on; or set another pace"));
            }
            self.waits.push(wait);
            return Ok(());
        };
        self.answer(bench, wait, met);
        Ok(())
    }

    /// Whether a wait is over: the event that ended it, if one did.
    fn held(&self, bench: &mut Bench, wait: &mut Waiting) -> Option<Met> {
        let now = bench.now();
        let missed = match &wait.goal {
            Goal::Expect(what) => bench.expect(what),
            Goal::Ready => bench.expect_ready(),
            Goal::Event(filter, since) => {
                while wait.unseen < self.log.next() {
                    let page = self.log.read(wait.unseen, 500);
                    let mut events = page.events.into_iter();
                    let found = events.find(|event| {
                        event.is_wanted(filter)
                            && since.is_none_or(|since| match &event.what {
                                What::Entry(entry) => end_of(entry).is_some_and(|end| end >= since),
                                What::Other(..) => true,
                            })
                    });
                    if let Some(event) = found {
                        return Some(Met::By(event));
                    }
                    wait.unseen = page.next;
                }
                return (now >= wait.until || bench.ended()).then_some(Met::Not);
            }
            Goal::Rest if bench.is_at_rest() => return Some(Met::Yes),
            Goal::Rest => return (now >= wait.until || bench.ended()).then_some(Met::Not),
            Goal::Time if now >= wait.until => return Some(Met::Yes),
            Goal::Time => return bench.ended().then_some(Met::Not),
        };
        let Some(missed) = missed else {
            return Some(Met::Yes);
        };
        wait.missed = Some(missed);
        (now >= wait.until || bench.ended()).then_some(Met::Not)
    }

    fn answer(&self, bench: &Bench, wait: Waiting, met: Met) {
        let at = bench.now();
        let waited = at.since(wait.began);
        let event = match &met {
            Met::By(event) => Some(Arc::clone(event)),
            _ => None,
        };
        let is_met = !matches!(met, Met::Not);
        let waited = Waited {
            met: is_met,
            ended: bench.ended(),
            began: wait.began,
            at,
            next: self.log.next(),
            missed: wait
                .missed
                .filter(|_| !is_met)
                .map(|missed| Missed { waited, ..missed }),
            event,
            evidence: evidence::since(bench, &self.log, wait.from, wait.began, wait.most),
        };
        // Whoever has gone away wanted it no more.
        let _ = wait.reply.send(waited);
    }

    /// Takes what has happened off the bench.
    fn take(&mut self, bench: &mut Bench) -> io::Result<()> {
        let mut taken = Vec::new();
        while let Some(entry) = bench.take_entry() {
            if let Some(recording) = &mut self.recording {
                recording.entry(&entry);
            }
            match &entry {
                Entry::Finding(finding) if self.findings.len() < MOST_KEPT => {
                    self.findings.push(finding.clone());
                }
                Entry::Train(train) if self.trains.len() < MOST_KEPT => {
                    self.trains.push(train.clone());
                }
                Entry::Verdict { .. } => self.verdict = Some(entry.clone()),
                _ => {}
            }
            taken.push(What::Entry(entry));
        }
        if !taken.is_empty() {
            self.log.add(taken);
        }
        Ok(())
    }

    /// How many wait.
    pub(crate) fn waiting(&self) -> usize {
        self.waits.len()
    }
}

/// How a wait is over.
enum Met {
    Yes,
    By(Arc<crate::log::Logged>),
    Not,
}

impl Attendant for Desk {
    type Order = Order;

    async fn order(&mut self) -> Order {
        match self.orders.recv().await {
            Some(order) => order,
            // Nobody can ask for anything any more.
            None => Box::new(|bench, desk| {
                desk.forget = true;
                bench.finish_now();
            }),
        }
    }

    fn carry_out(&mut self, bench: &mut Bench, order: Order) {
        order(bench, self);
    }

    fn look(&mut self, bench: &mut Bench) -> io::Result<()> {
        self.take(bench)?;
        if self.waits.is_empty() {
            return Ok(());
        }
        for mut wait in std::mem::take(&mut self.waits) {
            if wait.reply.is_closed() {
                continue;
            }
            match self.held(bench, &mut wait) {
                Some(met) => self.answer(bench, wait, met),
                None => self.waits.push(wait),
            }
        }
        Ok(())
    }
}

impl Paced for Desk {
    fn pace(&self, bench: &Bench) -> Pace {
        if self.pace == PaceName::Real {
            let watched = !self.waits.is_empty() || self.log.readers() > 0;
            return Pace::Real {
                every: if watched { WATCHED } else { UNWATCHED },
            };
        }
        let moves = |wait: &&Waiting| wait.runs || self.pace == PaceName::Simulated;
        let until = self.waits.iter().filter(moves).map(|wait| wait.until).min();
        Pace::Until(until.unwrap_or_else(|| bench.now()))
    }
}
