//! The bench of a board examination: the tool plays all peripherals, one board is the subject.
//!
//! Checks see what passes on the wire, where money physically is, and what a person sees at the
//! machine. They never look into the board.

mod doing;
mod lines;
mod measured;
mod outside;
mod seeing;
mod undo;
mod waiting;

pub use outside::BoardOutside;

use super::bad_habit::Board;
use super::habits::Habits;
use super::heard::{BILL, CHANGER, HeardBlock, Listener, READER, What};
use super::kit::{BillFor, CoinFor, Kit, Pick, Sum};
use super::setup::{BoardSetup, Fitted};
use crate::device::habit::Layer;
use crate::device::layered::Layered;
use crate::evidence::{Evidence, slept_for};
use crate::link::{Driven, Linked};
use crate::person::{self, Question, Reply, SeenBy, ToDo, Unattended};
use crate::result::Interval;
use crate::seen::{Seen, Timed};
use crate::skip::Skip;
use payrig_bench::action::{Action, BillAction, CashlessAction, ChangerAction, Tender};
use payrig_bench::machine::Keys;
use payrig_bench::nodes::{Operable, PulseNode};
use payrig_bench::{BusId, Fault, NodeId, Observation};
use payrig_controller::{Controller, Item};
use payrig_mdb::Address;
use payrig_mdb::bill::{self, BillTypes};
use payrig_mdb::cashless::{Identification, Kind};
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::CashlessDevice;
use payrig_peripherals::changer::Changer;
use payrig_peripherals::{Port, PortTiming};
use payrig_pulse::{CREDIT_LINE, Inhibit, Profile};
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::recording::{BlockRecord, Entry};
use payrig_wire::{Edge, Finding, Source};
use std::cell::Cell;
use std::collections::BTreeMap;

/// The board under examination.
#[derive(Debug)]
enum Subject {
    /// Our controller with its bad habits.
    Emulated(NodeId),
    /// At the other end of a port; a person is at it.
    Outside(Box<outside::AtHand>),
}

/// Those of the peripherals that the tool plays which the bench looks into.
#[derive(Clone, Copy, Debug)]
struct Played {
    cashless: Option<NodeId>,
    pulse: Option<NodeId>,
}

/// The bench.
#[derive(Debug)]
pub struct BoardBench {
    began: Micros,
    run: Driven,
    board: Subject,
    identity: Option<Identification>,
    habits: Habits,
    /// The validator played has an escrow that a board can use.
    has_escrow: bool,
    /// The reader played gives refunds.
    refunds_cards: bool,
    /// Cash or pulses went in, so that there may be credit.
    paid_in: bool,
    /// How the check really ended, where somebody or something was missing.
    over: Option<Seen>,
    /// Peripherals the board never enabled.
    never: Vec<Address>,
    played: Played,
    /// Names of those on the bus, by address.
    names: BTreeMap<Address, String>,
    decimals: Decimals,
    listener: Listener,
    blocks: Vec<HeardBlock>,
    breaks: Vec<(Micros, Micros)>,
    /// Stretches in which the tool did not look at its port.
    slept: Vec<(Micros, Micros)>,
    findings: Vec<Finding>,
    /// What a person saw fall of a machine outside.
    fell: Vec<u16>,
    pulse_name: String,
    /// How the acceptor on the credit line pulses.
    profile: Profile,
    /// The line by which the board holds the pulse acceptor off.
    inhibit: Inhibit,
    /// That line as a recording names it.
    inhibit_line: String,
    /// What the machine sells.
    items: Vec<Item>,
    /// What stands on it for its items.
    keys: Keys,
    /// Which peripherals are there.
    fitted: Fitted,
    /// What of the machine the checks work with.
    kit: Kit,
    /// Edges of the line that holds the pulse acceptor off: when, and whether it does from then on.
    held_off: Vec<(Micros, bool)>,
    /// Edges of the credit line, as levels.
    credit: Vec<bool>,
    /// The tubes of the changer as the check found them: coin type and coins.
    tubes: Vec<(u8, u16)>,
    /// Since when the bench is at rest, so that polling intervals mean something.
    resting_since: Option<Micros>,
    /// How far the ends of bus resets may be off.
    break_uncertainty: Micros,
    /// Since when a start from cold is heard.
    cold_since: Option<Micros>,
    /// What was asked of a person, or would have been.
    questions: usize,
    /// Who saw what was judged by.
    seen_by: Cell<SeenBy>,
    /// All that happened, for the recording.
    entries: Vec<Entry>,
}

impl BoardBench {
    /// Sets a board up. `None` when a peripheral contradicts itself.
    #[must_use]
    pub fn new(setup: &BoardSetup) -> Option<Self> {
        Self::with(setup, Kit::of(setup))
    }

    /// Likewise, with what was chosen of the machine before a check arranged it.
    pub(super) fn with(setup: &BoardSetup, kit: Kit) -> Option<Self> {
        let mut run = Driven::simulated(setup.board.decimals);
        let played = Played::new(setup, &mut run, false)?;
        let controller = Controller::new(setup.board.clone(), Micros::ZERO);
        let board = Board::new(controller, setup.bad.clone()).with_acceptor(&setup.pulse.name);
        let board = run.bench.add_board(Box::new(board));
        let subject = Subject::Emulated(board);
        let habits = Habits::of(&setup.board);
        Some(Self::set_up(setup, kit, habits, run, played, subject))
    }

    /// A bench with a board outside, which knows all peripherals as new. `None`, and the board is
    /// lost, when a peripheral contradicts itself: no check arranges that.
    pub(super) fn outside(setup: &BoardSetup, kit: Kit, outside: BoardOutside) -> Option<Self> {
        let BoardOutside {
            linked,
            mut hand,
            identity,
            ..
        } = outside;
        hand.begin();
        let mut run = Driven::linked(linked, setup.board.decimals);
        let played = Played::new(setup, &mut run, true)?;
        let habits = hand.habits;
        let subject = Subject::Outside(hand);
        Some(Self {
            identity,
            ..Self::set_up(setup, kit, habits, run, played, subject)
        })
    }

    fn set_up(
        setup: &BoardSetup,
        kit: Kit,
        habits: Habits,
        run: Driven,
        played: Played,
        board: Subject,
    ) -> Self {
        let inhibit = setup.pulse.pulse.inhibit.clone();
        let mut bench = Self {
            began: run.now(),
            run,
            board,
            identity: None,
            habits,
            has_escrow: setup.bill.escrow,
            refunds_cards: setup.cashless.restores_funds,
            paid_in: false,
            over: None,
            never: Vec::new(),
            played,
            names: [
                (CHANGER, setup.changer.name.clone()),
                (BILL, setup.bill.name.clone()),
                (READER, setup.cashless.name.clone()),
            ]
            .into(),
            decimals: setup.board.decimals,
            listener: Listener::default(),
            blocks: Vec::new(),
            breaks: Vec::new(),
            slept: Vec::new(),
            findings: Vec::new(),
            fell: Vec::new(),
            pulse_name: setup.pulse.name.clone(),
            profile: setup.pulse.pulse.clone(),
            inhibit_line: format!("{} {}", setup.pulse.name, inhibit.line),
            inhibit,
            items: setup.items.clone(),
            keys: setup.keys.clone(),
            fitted: setup.fitted,
            kit,
            held_off: Vec::new(),
            credit: Vec::new(),
            tubes: (0u8..)
                .zip(&setup.changer.coins)
                .filter_map(|(coin_type, coin)| {
                    let tube = coin.as_ref()?.tube?;
                    Some((coin_type, tube.coins))
                })
                .collect(),
            resting_since: None,
            break_uncertainty: Micros::ZERO,
            cold_since: None,
            questions: 0,
            seen_by: Cell::default(),
            entries: Vec::new(),
        };
        bench.begin_lines(setup);
        // What is there from the beginning moves now: the opening fill.
        let now = bench.now();
        bench.run.bench.advance(now);
        bench.gather();
        bench
    }

    /// True when the board is at the other end of a port.
    #[must_use]
    pub fn is_outside(&self) -> bool {
        matches!(self.board, Subject::Outside(_))
    }

    /// How far the times of what is heard may be off.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        self.run.uncertainty()
    }

    /// A time from or to the end of a bus reset: over some links its length is not known at all.
    #[must_use]
    pub fn of_a_break(&self, time: Micros) -> Timed {
        let off = self.break_uncertainty.max(self.uncertainty());
        Timed { time, off }
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.run.now()
    }

    /// An amount as it is printed.
    #[must_use]
    pub fn show(&self, amount: Money) -> String {
        amount.show(self.decimals).to_string()
    }

    /// What all places that `which` accepts hold together.
    #[must_use]
    pub fn sum(&self, which: impl Fn(&Place) -> bool) -> Money {
        self.run.bench.books().ledger().held(which)
    }

    /// What the customer has more than at the start; less is negative.
    #[must_use]
    pub fn customer(&self) -> Money {
        self.sum(|p| *p == Place::Customer)
    }

    /// Lets time pass until `to`.
    pub fn until(&mut self, to: Micros) {
        self.run.until(to);
        self.gather();
    }

    /// Lets time pass.
    pub fn wait(&mut self, time: Micros) {
        self.until(self.now() + time);
    }

    /// Lets so many seconds pass.
    pub fn secs(&mut self, seconds: u64) {
        self.wait(Micros::secs(seconds));
    }

    /// Takes what has become known on the bench.
    fn gather(&mut self) {
        let entries: Vec<Entry> = self.run.bench.take_entries().collect();
        for entry in &entries {
            match entry {
                Entry::Finding(finding) => self.findings.push(finding.clone()),
                Entry::Slept { from_us, to_us } => self.slept.push((*from_us, *to_us)),
                Entry::Block(block) => self.keep_block(block),
                Entry::Break {
                    source: Source::Master,
                    start_us,
                    end_us,
                    uncertainty_us,
                    ..
                } => {
                    self.break_uncertainty = self.break_uncertainty.max(*uncertainty_us);
                    self.breaks.push((*start_us, *end_us));
                }
                Entry::Edge {
                    line, at_us, high, ..
                } if *line == self.inhibit_line => {
                    let holds_off = self.inhibit.holds_off(*high);
                    self.held_off.push((*at_us, holds_off));
                }
                Entry::Edge { line, high, .. } if line.ends_with(CREDIT_LINE) => {
                    self.credit.push(*high);
                }
                _ => {}
            }
        }
        entries.into_iter().for_each(|entry| self.keep(entry));
    }

    /// It is recorded: at once, where that is wanted.
    fn keep(&mut self, entry: Entry) {
        self.run.record(&entry);
        self.entries.push(entry);
    }

    /// Records something that does not happen on the bench itself.
    fn record(&mut self, entry: Entry) {
        self.gather();
        self.keep(entry);
    }

    fn keep_block(&mut self, block: &BlockRecord) {
        let block = self.listener.block(block);
        // REQUEST ID to a card reader says who the board is (section 7.4.20).
        if let Some(Kind::RequestId(id)) = block.to_reader() {
            self.identity = Some(*id);
        }
        if let Some(Kind::SetupConfig(config)) = block.to_reader() {
            let level = self.habits.cashless_level.max(Some(config.level));
            self.habits.cashless_level = level;
        }
        if let Some(bill::Command::BillType { enable, escrow }) = block.to_bill()
            && self.has_escrow
            && *enable != BillTypes::NONE
        {
            self.habits.escrow = Some(*escrow != BillTypes::NONE);
        }
        self.blocks.push(block);
    }
}

impl Played {
    /// Puts the peripherals of a setup on a bench. With a board outside they come to life now: JUST
    /// RESET, which the board answers by setting them up. `None` when one contradicts itself.
    fn new(setup: &BoardSetup, run: &mut Driven, come_to_life: bool) -> Option<Self> {
        let changer = Changer::new(setup.changer.clone(), setup.changer_quirks).ok()?;
        let bill = BillValidator::new(setup.bill.clone(), Default::default()).ok()?;
        let cashless = CashlessDevice::new(setup.cashless.clone());
        let pulse = PulseNode::new(&setup.on_pulses()).ok()?;
        let fitted = setup.fitted;
        let mut place = OnBus {
            setup,
            run,
            come_to_life,
        };
        if fitted.changer {
            place.put(CHANGER, &setup.changer.name, changer);
        }
        if fitted.bill {
            place.put(BILL, &setup.bill.name, bill);
        }
        let cashless = fitted
            .cashless
            .then(|| place.put(READER, &setup.cashless.name, cashless));
        let node = || run.bench.add_node(&setup.pulse.name, Box::new(pulse), None);
        let pulse = fitted.pulse.then(node);
        Some(Self { cashless, pulse })
    }
}

/// The bus that peripherals are put on.
struct OnBus<'a> {
    setup: &'a BoardSetup,
    run: &'a mut Driven,
    come_to_life: bool,
}

impl OnBus<'_> {
    fn put<D>(&mut self, address: Address, name: &str, device: D) -> NodeId
    where
        D: Operable + Clone + std::fmt::Debug + Send + 'static,
    {
        let mut port = Port::new(device, PortTiming::default());
        if self.come_to_life {
            let now = self.run.now();
            port.power(now, false);
            port.power(now, true);
        }
        let habits = self.setup.device_habits.get(&address).cloned();
        let layer = Layer::new(habits.unwrap_or_default(), address);
        let node = Box::new(Layered::new(layer, port));
        let on = Some((BusId::BOARD, Source::Peripheral));
        self.run.bench.add_node(name, node, on)
    }
}
