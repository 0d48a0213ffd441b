//! A bench for tests in Rust: things are done at it, waited for and looked at, and a failure says what
//! happened instead. There is no loop to write: time passes, simulated, while something is waited for.

use crate::action::{Action, Expectation, Tender};
use crate::bench::{Bench, Event};
use crate::bus::BusId;
use crate::node::{Node, NodeId, Refusal};
use crate::observation::{Missed, Observation, Observed};
use crate::plan::Plan;
use payrig_mdb::{Address, Typed};
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::recording::{Entry, at};
use payrig_wire::{Severity, Source};
use std::fmt;

/// How many of the last events a failure shows.
const SHOWN: usize = 12;

/// A bench under test. A clone goes on exactly as the original would: try two ways from one state.
#[derive(Clone, Debug)]
pub struct Harness {
    bench: Bench,
    events: Vec<Event>,
}

/// Something did not happen, or could not be done. Prints what, what was seen instead, and the last
/// of what happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failed {
    /// Bench time.
    pub at: Micros,
    /// What, and what was seen instead.
    pub what: String,
    /// The last of what happened, a line each.
    pub before: Vec<String>,
}

impl fmt::Display for Failed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.at, self.what)?;
        self.before
            .iter()
            .try_for_each(|line| write!(f, "\n  {line}"))
    }
}

impl std::error::Error for Failed {}

/// How a test ended whose bench passed.
#[derive(Clone, Debug)]
pub struct Finished {
    /// Everything that happened, the verdict last.
    pub events: Vec<Event>,
    /// The bench, for its books.
    pub bench: Bench,
}

impl Harness {
    /// A bench as a plan describes it, without its script: the test is the script. What the plan puts on
    /// links is emulated, or missing where it is real.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let mut plan = plan.clone();
        plan.link = None;
        plan.devices
            .iter_mut()
            .for_each(|device| device.link = None);
        let mut bench = Bench::of(&plan);
        bench.drive_from_outside();
        Self {
            bench,
            events: Vec::new(),
        }
    }

    /// The same with a board of your own in the place of the plan's: the master of its bus. Unless the node
    /// gives out what it books, the devices' books stand alone in the verdict.
    #[must_use]
    pub fn with_board(plan: &Plan, board: Box<dyn Node>) -> Self {
        let mut plan = plan.clone();
        plan.board.ours = false;
        let mut harness = Self::new(&plan);
        harness.bench.add_board(board);
        harness.bench.board_without_books();
        harness
    }

    /// A device of your own beside the plan's, at an address of the board's bus (MDB/ICP 4.3, section 2.3).
    #[must_use]
    pub fn and_device(mut self, name: &str, address: Address, device: Box<dyn Node>) -> Self {
        let on = Some((BusId::BOARD, Source::Peripheral));
        let id = self.bench.add_node(name, device, on);
        self.bench.set_address(id, Some(address));
        self
    }

    // ---- what is done --------------------------------------------------------------------------

    /// Does something. Returns bench time.
    ///
    /// # Errors
    /// When it cannot be done.
    pub fn act(&mut self, action: &Action) -> Result<Micros, Failed> {
        let done = self.bench.act_and_log(action);
        self.take();
        match done {
            Ok(()) => Ok(self.bench.now()),
            Err(refusal) => {
                let text = action.text(self.bench.decimals());
                Err(self.failed(format!("{text} cannot be done: {refusal}")))
            }
        }
    }

    /// A coin is put in.
    ///
    /// # Errors
    /// When there is no such device, or it takes no coins.
    pub fn insert_coin(&mut self, device: &str, value: Money) -> Result<Micros, Failed> {
        let (device, coin) = (device.to_owned(), Tender::Worth(value));
        self.act(&Action::InsertCoin { device, coin })
    }

    /// A bill is put in.
    ///
    /// # Errors
    /// When there is no such device, or it takes no bills.
    pub fn insert_bill(&mut self, device: &str, value: Money) -> Result<Micros, Failed> {
        let (device, bill) = (device.to_owned(), Tender::Worth(value));
        self.act(&Action::InsertBill { device, bill })
    }

    /// A card with this much on it is shown.
    ///
    /// # Errors
    /// When there is no such device, or it reads no cards.
    pub fn present_card(&mut self, device: &str, balance: Money) -> Result<Micros, Failed> {
        self.act(&Action::PresentCard {
            device: device.to_owned(),
            balance: Some(balance),
            amount: None,
        })
    }

    /// A selection key is pressed, by the item's number.
    ///
    /// # Errors
    /// When the board cannot do that.
    pub fn select(&mut self, item: u16) -> Result<Micros, Failed> {
        self.act(&Action::Select { item })
    }

    /// The coin return.
    ///
    /// # Errors
    /// When the board cannot do that.
    pub fn press_return(&mut self) -> Result<Micros, Failed> {
        self.act(&Action::PressReturn)
    }

    /// Power to a device; to the board for none.
    ///
    /// # Errors
    /// When it is not there.
    pub fn power(&mut self, device: Option<&str>, on: bool) -> Result<Micros, Failed> {
        let device = device.map(str::to_owned);
        self.act(&Action::Power { device, on })
    }

    // ---- time ----------------------------------------------------------------------------------

    /// Lets so much time pass.
    pub fn run(&mut self, time: Micros) {
        self.bench.run_until(self.bench.now() + time);
        self.take();
    }

    /// Waits until something is as expected. Returns bench time.
    ///
    /// # Errors
    /// When it is not within that time: says what was seen.
    pub fn wait(&mut self, what: &Expectation, within: Micros) -> Result<Micros, Failed> {
        let text = what.text(self.bench.decimals());
        self.wait_until(&text, within, |bench| bench.expect(what))
    }

    /// Waits until the board has set up every device.
    ///
    /// # Errors
    /// When it has not within that time.
    pub fn wait_ready(&mut self, within: Micros) -> Result<Micros, Failed> {
        self.wait_until("the board is ready", within, |bench| bench.expect_ready())
    }

    /// Waits until nothing is under way.
    ///
    /// # Errors
    /// When something still is at the end of that time.
    pub fn wait_rest(&mut self, within: Micros) -> Result<Micros, Failed> {
        let missed = |bench: &mut Bench| {
            let flag = Observed::Flag;
            (!bench.is_at_rest()).then(|| Missed {
                what: Observation::Seen("rest".to_owned()),
                found: flag(false),
                wanted: flag(true),
                waited: Micros::ZERO,
            })
        };
        self.wait_until("nothing is under way", within, missed)
    }

    /// Waits for an event that the test knows when it sees it; only what happens from now on counts.
    ///
    /// # Errors
    /// When none comes within that time.
    pub fn wait_event(
        &mut self,
        text: &str,
        within: Micros,
        is_it: impl Fn(&Entry) -> bool,
    ) -> Result<Event, Failed> {
        let until = self.bench.now() + within;
        let from = self.events.len();
        loop {
            let new = self.events.iter().skip(from);
            if let Some(found) = new.clone().find(|event| is_it(&event.what)) {
                return Ok(found.clone());
            }
            if !self.step(until) {
                let why = format!("waited {within} for {text}; it did not happen");
                return Err(self.failed(why));
            }
        }
    }

    /// Waits for a message of either side.
    ///
    /// # Errors
    /// When none comes within that time.
    pub fn wait_message(
        &mut self,
        text: &str,
        within: Micros,
        is_it: impl Fn(&Typed) -> bool,
    ) -> Result<Event, Failed> {
        self.wait_event(text, within, |entry| match entry {
            Entry::Block(block) => block.message().is_some_and(&is_it),
            _ => false,
        })
    }

    fn wait_until(
        &mut self,
        text: &str,
        within: Micros,
        mut missed: impl FnMut(&mut Bench) -> Option<Missed>,
    ) -> Result<Micros, Failed> {
        let until = self.bench.now() + within;
        loop {
            let Some(instead) = missed(&mut self.bench) else {
                return Ok(self.bench.now());
            };
            if !self.step(until) {
                let instead = instead.text(self.bench.decimals());
                return Err(self.failed(format!("waited {within} for: {text}; {instead}")));
            }
        }
    }

    /// Lets the next thing happen that is due by then; false when nothing more is.
    fn step(&mut self, until: Micros) -> bool {
        let now = self.bench.now();
        let next = self.bench.next_deadline();
        if self.bench.ended() || next > until {
            self.bench.run_until(until);
            self.take();
            return now < until && !self.bench.ended();
        }
        self.bench.advance(next);
        self.take();
        true
    }

    // ---- looking -------------------------------------------------------------------------------

    /// Looks at something.
    ///
    /// # Errors
    /// When there is nothing of the kind to be seen on this bench.
    pub fn observe(&self, what: &Observation) -> Result<Observed, Refusal> {
        self.bench.observe(what)
    }

    /// What happened so far, numbered, in order.
    #[must_use]
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// The bench itself.
    #[must_use]
    pub fn bench(&self) -> &Bench {
        &self.bench
    }

    /// The same, to work on: a node [as what it is](Bench::at_node), a fault [on a bus](Bench::inject).
    pub fn bench_mut(&mut self) -> &mut Bench {
        &mut self.bench
    }

    /// The node of a name.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<NodeId> {
        self.bench.find(name)
    }

    /// Ends the bench with its verdict.
    ///
    /// # Errors
    /// When a limit was broken or the books do not agree: says which.
    pub fn finish(mut self) -> Result<Finished, Failed> {
        self.bench.finish_now();
        self.take();
        let passed = matches!(
            self.events.last().map(|e| &e.what),
            Some(Entry::Verdict { passed: true, .. })
        );
        if passed {
            return Ok(Finished {
                events: self.events,
                bench: self.bench,
            });
        }
        let broken: Vec<String> = self
            .events
            .iter()
            .filter_map(|event| match &event.what {
                Entry::Finding(found) if found.severity == Severity::Limit => {
                    Some(format!("{}: {}", found.rule, found.text))
                }
                _ => None,
            })
            .collect();
        Err(self.failed(format!("the bench did not pass: {}", broken.join("; "))))
    }

    fn take(&mut self) {
        self.events.extend(self.bench.take_events());
    }

    fn failed(&self, what: String) -> Failed {
        let decimals = self.bench.decimals();
        let known = self.events.iter().map(|event| &event.what);
        let all: Vec<String> = known
            .chain(self.bench.unsettled())
            .filter_map(|entry| line(entry, decimals))
            .collect();
        let skip = all.len().saturating_sub(SHOWN);
        Failed {
            at: self.bench.now(),
            what,
            before: all.into_iter().skip(skip).collect(),
        }
    }
}

/// An entry as a line of a failure; `None` for what says nothing there.
fn line(entry: &Entry, decimals: Decimals) -> Option<String> {
    let when = at(entry);
    let text = match entry {
        Entry::Block(block) => {
            match block.message() {
                Some(Typed::Ack) => return None,
                Some(message) if message.is_poll() => return None,
                _ => {}
            }
            let who = match block.source {
                Source::Master => "board",
                Source::Peripheral => "device",
            };
            format!("{who}: {}", block.text()?)
        }
        Entry::Movement(moved) => {
            let amount = moved.amount.show(decimals);
            format!("{amount} from {} to {}", moved.from, moved.to)
        }
        Entry::Finding(found) => format!("{}: {}", found.rule, found.text),
        Entry::Act { text, .. } => text.clone(),
        Entry::Note { who, text, .. } => match who {
            Some(who) => format!("{who}: {text}"),
            None => text.clone(),
        },
        Entry::Power { who, on, .. } => {
            let who = who.as_deref().unwrap_or("board");
            format!("power to {who} {}", if *on { "on" } else { "off" })
        }
        _ => return None,
    };
    Some(format!("{when}: {text}"))
}
