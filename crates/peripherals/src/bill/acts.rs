//! What a customer does at the validator, and what may happen to it meanwhile.

use super::path::{Bill, Due, Path};
use super::{BillKind, BillValidator, DispenserFault, Fault};
use payrig_mdb::bill::{Report, Routing};
use payrig_units::Micros;

/// Was a bill drawn in?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Insertion {
    /// The bill is on its way to the escrow position.
    DrawnIn,
    /// The motor did not start: the bill stayed in the customer's hand.
    Refused(Refusal),
}

/// Why a bill was not drawn in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Refusal {
    /// There is no power.
    NoPower,
    /// Another bill waits in the inlet.
    InletBlocked,
    /// Another bill is in the path, or a payout is going on.
    Busy,
    /// Disabled by the VMC, a fault, the cash box, or a full stacker. Counted as an attempt.
    Disabled,
}

impl BillValidator {
    /// The customer puts in a bill of a type (0-15). A type that is not in use is unknown paper.
    pub fn insert_bill(&mut self, now: Micros, bill_type: u8) -> Insertion {
        let known = self.config.kind(bill_type) != BillKind::Unused;
        self.insert(now, Bill::new(known.then_some(bill_type)))
    }

    /// The customer puts in paper that is no bill of this validator.
    pub fn insert_unknown_paper(&mut self, now: Micros) -> Insertion {
        self.insert(now, Bill::new(None))
    }

    fn insert(&mut self, now: Micros, bill: Bill) -> Insertion {
        self.advance(now);
        let refusal = if !self.powered {
            Some(Refusal::NoPower)
        } else if self.inlet.is_some() {
            Some(Refusal::InletBlocked)
        } else if !self.path.is_free() && self.faults.is_empty() || self.payout.is_active() {
            Some(Refusal::Busy)
        } else if !self.is_accepting() {
            self.reports.attempt();
            Some(Refusal::Disabled)
        } else {
            None
        };
        if let Some(why) = refusal {
            let why = match why {
                Refusal::NoPower => "no power",
                Refusal::InletBlocked => "a bill waits in the inlet",
                Refusal::Busy => "the validator is busy",
                Refusal::Disabled => "the validator is disabled",
            };
            self.note(format!("{} not drawn in: {why}", bill.words()));
        }
        match refusal {
            Some(why) => Insertion::Refused(why),
            None => {
                self.push_forgotten_bill();
                self.holdings.draw_in(bill);
                self.note(format!("{} drawn in", bill.words()));
                self.path = Path::Drawing {
                    bill,
                    done: now + self.config.travel.to_escrow,
                };
                Insertion::DrawnIn
            }
        }
    }

    /// The next bill pushes a forgotten one on into the stacker (a quirk).
    fn push_forgotten_bill(&mut self) {
        if let Path::Forgotten { bill } = self.path {
            self.holdings.put_away(bill, super::path::Store::Stacker);
            self.path = Path::Empty;
            self.note(format!(
                "{} pushed into the stacker, unreported",
                bill.words()
            ));
        }
    }

    /// The customer takes the bill that waits in the inlet, or pulls one out of a jammed path.
    /// False when there is none.
    pub fn customer_takes_bill(&mut self, now: Micros) -> bool {
        self.advance(now);
        if self.inlet.is_some() {
            self.free_inlet(now);
            return true;
        }
        let Path::Stuck { bill } = self.path else {
            return false;
        };
        self.path = Path::Empty;
        self.holdings.give_back(bill, "pulled out of the path");
        self.note(format!("{} pulled out of the path", bill.words()));
        true
    }

    /// Somebody gets the bill out of the escrow position. Reported as BILL REMOVED with BILL
    /// RETURNED (section 6.3, 07H). False when no bill is there.
    pub fn pull_bill_from_escrow(&mut self, now: Micros) -> bool {
        self.advance(now);
        let (bill, known) = match self.path {
            Path::Held { bill } => (bill, true),
            Path::Forgotten { bill } => (bill, false),
            _ => return false,
        };
        self.path = Path::Empty;
        self.holdings.give_back(bill, "pulled out of the escrow");
        self.note(format!("{} pulled out of the escrow", bill.words()));
        if let (true, Some(t)) = (known && self.powered, bill.bill_type) {
            self.reports.push(Report::BillRemoved);
            self.reports.push(Report::bill(Routing::Returned, t));
        }
        true
    }

    /// Somebody tries to fish a bill out of the stacker, with or without success. Reported as
    /// POSSIBLE CREDITED BILL REMOVAL where that is switched on (section 6.3, 0CH).
    pub fn fish_in_stacker(&mut self, now: Micros, success: bool) -> Option<u8> {
        self.advance(now);
        let stolen = if success {
            self.holdings.steal_stacked()
        } else {
            None
        };
        match stolen {
            Some(t) => self.note(format!("bill type {t} pulled out of the stacker")),
            None => self.note("somebody fished in the stacker and got nothing".to_owned()),
        }
        if self.powered && self.config.reports_credited_removal {
            self.reports.push(Report::PossibleCreditedBillRemoval);
        }
        stolen
    }

    /// The customer presses the return lever or button (recycler; section 6.3, 21H).
    pub fn press_return_lever(&mut self, now: Micros) {
        self.advance(now);
        if self.powered && self.recycler_speaks() {
            self.reports.push(Report::EscrowRequest);
        }
    }

    /// A bill jams in the path: the same as `break_down(now, Fault::Jam)`.
    pub fn jam(&mut self, now: Micros) {
        self.break_down(now, Fault::Jam);
    }

    /// The jam is cleared: the same as `repair(now, Fault::Jam)`.
    pub fn clear_jam(&mut self, now: Micros) {
        self.repair(now, Fault::Jam);
    }

    /// Something breaks. It is reported once, and the validator is disabled until
    /// [`repair`](Self::repair). With a jam or a broken motor, a bill in the path stops where the
    /// customer may get at it, so that BILL RETURNED follows if the VMC knows of it (section 6.3,
    /// 35H).
    pub fn break_down(&mut self, now: Micros, fault: Fault) {
        self.advance(now);
        if !self.faults.insert(fault) {
            return;
        }
        self.note(format!(
            "validator: {}",
            fault.report().to_string().to_lowercase()
        ));
        if self.powered {
            self.reports.push(fault.report());
        }
        if fault.blocks_path() {
            self.stop_bill();
            self.payout.abort();
        }
    }

    fn stop_bill(&mut self) {
        let bill = match self.path {
            // Already reported as stored, or too late to be reported: it stays an unreported loss.
            Path::Storing {
                bill,
                report: Due::Not,
                ..
            } => Bill {
                owed: false,
                ..bill
            },
            Path::Drawing { bill, .. }
            | Path::Held { bill }
            | Path::Storing { bill, .. }
            | Path::Returning { bill, .. } => bill,
            Path::Empty | Path::Stuck { .. } | Path::Forgotten { .. } => return,
        };
        if let (true, true, Some(t)) = (bill.owed, self.powered, bill.bill_type) {
            self.reports.push(Report::bill(Routing::Returned, t));
        }
        let bill = Bill {
            owed: false,
            ..bill
        };
        self.path = Path::Stuck { bill };
        self.note(format!("{} stuck in the path", bill.words()));
    }

    /// A fault is gone. A bill stuck in the path is run out to the customer. False when there was
    /// no such fault.
    pub fn repair(&mut self, now: Micros, fault: Fault) -> bool {
        self.advance(now);
        let was = self.faults.remove(&fault);
        if was {
            self.note(format!(
                "repaired: {}",
                fault.report().to_string().to_lowercase()
            ));
            self.run_out(now);
        }
        was
    }

    /// A stuck bill goes back, once nothing blocks the path.
    pub(super) fn run_out(&mut self, now: Micros) {
        let blocked = self.faults.iter().any(|f| f.blocks_path());
        if let (true, false, Path::Stuck { bill }) = (self.powered, blocked, self.path) {
            self.send_back(now, bill);
        }
    }

    /// Something breaks in the recycler. It is reported once, a payout ends with what was paid so
    /// far, and the dispenser is disabled until [`repair_dispenser`](Self::repair_dispenser).
    pub fn break_dispenser(&mut self, now: Micros, fault: DispenserFault) {
        self.advance(now);
        if !self.dispenser_faults.insert(fault) {
            return;
        }
        self.note(fault.report().to_string().to_lowercase());
        self.payout.abort();
        if self.powered && !self.config.recycler.is_empty() {
            self.reports.push(fault.report());
        }
    }

    /// A fault of the recycler is gone. False when there was no such fault.
    pub fn repair_dispenser(&mut self, now: Micros, fault: DispenserFault) -> bool {
        self.advance(now);
        self.dispenser_faults.remove(&fault)
    }

    /// The validator answers nothing for a time, as one does that is busy with itself (section
    /// 6.4: at most five seconds; longer is a fault of the device).
    pub fn stay_silent(&mut self, now: Micros, time: Micros) {
        self.advance(now);
        self.silent_until = self.silent_until.max(now + time);
    }
}
