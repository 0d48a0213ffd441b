//! The board's driver for a bill validator or recycler (MDB/ICP 4.3, section 6).

mod driver;
mod escrow;
mod guard;
mod host;
mod polls;
mod recycler;
mod words;

pub use host::BillHost;

use crate::change::Stock;
use crate::drivers::channel::Verdict;
use crate::drivers::report::Report;
use escrow::Escrow;
use guard::Guard;
use payrig_mdb::Scaling;
use payrig_mdb::bill::{
    BillTypes, BillValue, Command, EscrowCapability, EscrowStatus, Options, RecyclerUse, Routing,
    Setup, Stacker,
};
use payrig_units::{Micros, Money};
use recycler::{News, Recycler};
use std::collections::VecDeque;

/// Does the board pay change with the bills of a recycler, and how?
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BillChange {
    /// No: change is paid in coins only.
    #[default]
    Off,
    /// Bill by bill: the board chooses the types, DISPENSE BILL (section 6.3, 37H-06H).
    ByType,
    /// By value: the recycler chooses the types, DISPENSE VALUE (section 6.3, 37H-07H).
    ByValue,
}

/// How a board treats its bill validator.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BillPolicy {
    /// Paying with bills.
    pub change: BillChange,
    /// Bills of these values are set to the high security level, all others to the low one
    /// (SECURITY, section 6.3, 32H); `None` leaves the validator its own levels and sends nothing.
    pub high_security: Option<Vec<Money>>,
    /// Bills are stacked at once, never held in escrow (BILL TYPE, section 6.3, 34H, Y3-Y4).
    pub no_escrow: bool,
    /// Which bills go to the recycler (RECYCLER ENABLE, section 6.3, 37H-04H); `None` for all it
    /// finds fit.
    pub recycle: Option<RecyclerUse>,
    /// The recycler's own switches dispense nothing (the same, Y1-Y2).
    pub no_manual_dispense: bool,
    /// Bills of these values are refused (their BILL TYPE bit is off, section 6.3, 34H).
    pub refused: Vec<Money>,
}

/// How often a full stacker is asked whether it was emptied (common practice, no source).
const ASK_FULL_STACKER: Micros = Micros::secs(10);

/// The initialization sequence: that of section 6.3, RESET, with the optional steps of 6.6.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Setup,
    Security,
    Identification,
    FeatureEnable,
    RecyclerSetup,
    RecyclerEnable,
    Stacker,
    BillType,
    Done,
}

/// The driver.
#[derive(Clone, Debug)]
pub(crate) struct Bill {
    name: String,
    policy: BillPolicy,
    step: Step,
    setup: Option<Setup>,
    offered: Options,
    /// Values the board takes now; larger ones could not be changed.
    welcome: Vec<Money>,
    /// The types they have here.
    welcome_types: BillTypes,
    /// How often SETUP was answered.
    setups: u32,
    sent: Option<BillTypes>,
    /// BILL TYPE is on its way.
    bill_type_pending: bool,
    stacker: Option<Stacker>,
    stacker_asked: Micros,
    /// STACKER is on its way.
    stacker_pending: bool,
    /// STACKER was answered with ACK, as when a mode bit was turned: asked once more.
    stacker_repeated: bool,
    escrow: Option<Escrow>,
    guard: Guard,
    /// Bills reported before SETUP said what they are worth.
    unpriced: Vec<(Routing, u8)>,
    /// It said VALIDATOR DISABLED though bills are enabled.
    disabled_itself: bool,
    complaint: Option<String>,
    recycler: Recycler,
    wanted: VecDeque<Command>,
    reports: Vec<Report>,
}

/// What the bills that can be paid out depend on: where it is equal, so are they.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct StockBasis {
    setups: u32,
    usable: bool,
    counts: [u32; 16],
    bad: BillTypes,
}

impl Bill {
    pub(crate) fn new(name: String, policy: BillPolicy) -> Self {
        Self {
            name,
            policy,
            step: Step::Setup,
            setup: None,
            offered: Options::NONE,
            welcome: Vec::new(),
            welcome_types: BillTypes::NONE,
            setups: 0,
            sent: None,
            bill_type_pending: false,
            stacker: None,
            stacker_asked: Micros::ZERO,
            stacker_pending: false,
            stacker_repeated: false,
            escrow: None,
            guard: Guard::default(),
            unpriced: Vec::new(),
            disabled_itself: false,
            complaint: None,
            recycler: Recycler::default(),
            wanted: VecDeque::new(),
            reports: Vec::new(),
        }
    }

    pub(crate) fn take_wanted(&mut self) -> Option<Command> {
        self.wanted.pop_front()
    }

    /// Reports since the last call, appended to others.
    pub(crate) fn take_reports(&mut self, into: &mut Vec<Report>) {
        into.append(&mut self.reports);
    }

    /// The values of the bills this validator knows, once it has reported them, without those the
    /// board never takes.
    pub(crate) fn values(&self) -> Vec<Money> {
        let taken = |value: &Money| !self.policy.refused.contains(value);
        let all = (0..16).filter_map(|t| self.value(t));
        all.filter(taken).collect()
    }

    /// Takes bills of these values only, from now on.
    pub(crate) fn set_welcome(&mut self, welcome: &[Money]) {
        if self.welcome != welcome {
            self.welcome = welcome.to_vec();
            self.update_welcome_types();
        }
        self.update_bill_type(false);
    }

    /// After SETUP, or when other values are welcome.
    fn update_welcome_types(&mut self) {
        let is_welcome = |t: &u8| self.value(*t).is_some_and(|v| self.welcome.contains(&v));
        self.welcome_types = (0..16).filter(is_welcome).collect();
    }

    /// What [`stock`](Self::stock) and [`values`](Self::values) depend on.
    pub(crate) fn stock_basis(&self) -> StockBasis {
        let usable = self.step == Step::Done && self.policy.change != BillChange::Off;
        StockBasis {
            setups: self.setups,
            usable: usable && self.recycler.is_usable(),
            counts: self.recycler.counts,
            bad: self.recycler.bad,
        }
    }

    /// Bills that can be paid out now; none unless the board pays with bills.
    pub(crate) fn stock(&self) -> Vec<Stock> {
        if self.step == Step::Done && self.policy.change != BillChange::Off {
            self.recycler.stock()
        } else {
            Vec::new()
        }
    }

    /// True when the board is to pay change with this recycler's bills.
    pub(crate) fn pays(&self) -> bool {
        self.policy.change != BillChange::Off && self.offered.contains(Options::RECYCLING)
    }

    /// True while it pays, or what it paid is still to be counted.
    pub(crate) fn is_paying(&self) -> bool {
        self.recycler.is_counting()
    }

    /// Pays an amount in bills; the outcome comes as [`Report::PaidOut`] or
    /// [`Report::BillsNotPaid`].
    pub(crate) fn pay(&mut self, now: Micros, amount: Money) {
        let (how, scaling) = (self.policy.change, self.scaling());
        if !self.recycler.pay(now, amount, how, scaling) {
            self.recycler.give_up_paying();
            self.reports.push(Report::BillsNotPaid);
        }
    }

    pub(crate) fn stack(&mut self) {
        self.order_escrow(EscrowStatus::STACK);
    }

    pub(crate) fn give_back(&mut self) {
        self.order_escrow(EscrowStatus::RETURN);
    }

    /// What the bill is worth that waits in escrow, as the validator reported: zero where its type has no
    /// value; `None` without a bill.
    pub(crate) fn in_escrow(&self) -> Option<Money> {
        self.escrow.as_ref().map(Escrow::worth)
    }

    fn scaling(&self) -> Scaling {
        let unknown = Scaling {
            factor: 0,
            decimals: 0,
        };
        self.setup.as_ref().map_or(unknown, |s| s.scaling)
    }

    fn value(&self, bill_type: u8) -> Option<Money> {
        match self.setup.as_ref()?.value(bill_type) {
            BillValue::Minor(n) => Some(Money(n)),
            BillValue::Unused | BillValue::Token => None,
        }
    }

    fn enabled(&self) -> BillTypes {
        if self.stacker.is_some_and(|s| s.full) {
            return BillTypes::NONE;
        }
        self.welcome_types
    }

    fn bill_type(&self) -> Command {
        let enable = self.enabled();
        let escrow = match self.setup.as_ref().map(|s| s.escrow) {
            Some(EscrowCapability::Capable) if !self.policy.no_escrow => enable,
            _ => BillTypes::NONE,
        };
        Command::BillType { enable, escrow }
    }

    fn update_bill_type(&mut self, stacker_known: bool) {
        // While bills are paid out, what can be changed changes all the time.
        let settled = self.step == Step::Done && !self.recycler.is_paying();
        if settled && !self.bill_type_pending && self.sent != Some(self.enabled()) {
            self.bill_type_pending = true;
            // Section 6.6, enable sequence: the stacker count first.
            if self.sent == Some(BillTypes::NONE) && !stacker_known && !self.stacker_pending {
                self.stacker_pending = true;
                self.wanted.push_back(Command::Stacker);
            }
            self.wanted.push_back(self.bill_type());
        }
    }

    fn note(&mut self, text: impl std::fmt::Display) {
        self.reports
            .push(Report::Notice(format!("{}: {text}", self.name)));
    }

    /// The types that are worth money and of a high security level by the board's choice.
    fn high_security(&self) -> Option<BillTypes> {
        let high = self.policy.high_security.as_ref()?;
        let is_high = |t: &u8| self.value(*t).is_some_and(|v| high.contains(&v));
        Some((0..16).filter(is_high).collect())
    }

    fn recycler_enable(&self) -> Command {
        let types = self.recycler.types;
        let mut use_for = [RecyclerUse::Disabled; 16];
        for (t, each) in (0u8..16).zip(&mut use_for) {
            if types.contains(t) && self.value(t).is_some() {
                *each = self.policy.recycle.unwrap_or(RecyclerUse::All);
            }
        }
        Command::RecyclerEnable {
            manual_dispense: match self.policy.no_manual_dispense {
                true => BillTypes::NONE,
                false => types,
            },
            use_for,
        }
    }

    fn report(&mut self, news: impl IntoIterator<Item = News>) -> Verdict {
        let mut verdict = Verdict::Fine;
        let device = self.name.clone();
        for one in news {
            match one {
                News::Note(text) => self.note(text),
                News::SoFar(value) => self.reports.push(Report::PayingOut { value }),
                News::Over(Money::ZERO) => self.reports.push(Report::BillsNotPaid),
                News::Over(value) => self.reports.push(Report::PaidOut {
                    device: device.clone(),
                    value,
                }),
                News::GivenUp { paid, doubt } => self.reports.push(Report::PayoutGivenUp {
                    device: device.clone(),
                    value: paid,
                    doubt,
                }),
                News::Late(value) => {
                    self.note(format_args!(
                        "it had paid {} minor units more before it went away; the rest is owed again",
                        value.as_minor()
                    ));
                    self.reports.push(Report::PaidLate {
                        device: device.clone(),
                        value,
                    });
                }
                News::Stuck => {
                    self.note("the payout does not end, not even cancelled: RESET");
                    verdict = Verdict::Desynchronised;
                }
            }
        }
        verdict
    }
}
