//! How bills move: what happens when a way ends, and what begins then.

use super::BillValidator;
use super::path::{Bill, Due, Path, Store};
use payrig_mdb::bill::{RecyclerUse, Report, Routing};
use payrig_units::Micros;

impl BillValidator {
    /// When something moves on by itself.
    pub(super) fn deadline(&self) -> Micros {
        let inlet = self.inlet.unwrap_or(Micros::NEVER);
        if !self.powered {
            return inlet;
        }
        let payout = self.payout.moving.map_or(Micros::NEVER, |(_, done)| done);
        inlet.min(self.path.deadline()).min(payout)
    }

    /// Lets everything happen that is due by `now`, each at its own time.
    pub(super) fn advance(&mut self, now: Micros) {
        loop {
            let due = self.deadline();
            if due > now || due == Micros::NEVER {
                return;
            }
            if self.inlet == Some(due) {
                self.free_inlet(due);
            } else if self.path.deadline() == due && self.powered {
                self.way_ends(due);
            } else {
                self.bill_paid_out(due);
            }
        }
    }

    fn way_ends(&mut self, at: Micros) {
        match self.path {
            Path::Drawing { bill, .. } => self.recognise(at, bill),
            Path::Storing {
                bill, to, report, ..
            } => self.arrive(at, bill, to, report),
            Path::Returning { bill, .. } => {
                self.path = Path::Empty;
                self.holdings.give_back(bill, "given back");
                self.note(format!("{} given back", bill.words()));
                if let (true, Some(t)) = (bill.owed, bill.bill_type) {
                    self.reports.push(Report::bill(Routing::Returned, t));
                }
                self.block_inlet(at);
            }
            Path::Empty | Path::Held { .. } | Path::Stuck { .. } | Path::Forgotten { .. } => {}
        }
    }

    /// A bill is at the escrow position, and the validator knows what it is.
    fn recognise(&mut self, at: Micros, mut bill: Bill) {
        let Some(bill_type) = bill.bill_type else {
            self.reports.push(Report::BillRejected);
            return self.send_back(at, bill);
        };
        if !self.accepts(bill_type) || self.is_disabled_inside() {
            let routing = Routing::DisabledBillRejected;
            self.reports.push(Report::bill(routing, bill_type));
            return self.send_back(at, bill);
        }
        if !self.config.escrow || !self.settings.escrow.contains(bill_type) {
            return self.store(at, bill);
        }
        if !self.quirks.escrow_report_missing {
            bill.owed = true;
            let routing = Routing::EscrowPosition;
            self.reports.push(Report::bill(routing, bill_type));
        }
        self.path = Path::Held { bill };
        if self.quirks.stacks_without_order {
            self.store(at, bill);
        }
    }

    /// Starts a bill on its way to where it stays, or back if nothing takes it.
    pub(super) fn store(&mut self, at: Micros, bill: Bill) {
        let to = match bill.bill_type {
            Some(t) if self.recycles(t) => Store::Recycler,
            _ => Store::Stacker,
        };
        if !self.takes(bill, to) {
            return self.send_back(at, bill);
        }
        let early = self.quirks.reports_before_stacked;
        if early {
            self.report_stored(bill, to);
        }
        self.path = Path::Storing {
            bill,
            to,
            report: if early { Due::Not } else { Due::OnArrival },
            done: at + self.config.travel.to_stacker,
        };
    }

    fn arrive(&mut self, at: Micros, bill: Bill, to: Store, report: Due) {
        if !self.takes(bill, to) {
            return self.send_back(at, bill);
        }
        self.path = Path::Empty;
        self.holdings.put_away(bill, to);
        match report {
            Due::OnArrival => self.report_stored(bill, to),
            Due::Not => {}
        }
        self.next_payout(at);
    }

    fn report_stored(&mut self, bill: Bill, to: Store) {
        let routing = match to {
            Store::Stacker => Routing::Stacked,
            Store::Recycler => Routing::ToRecycler,
        };
        if let Some(t) = bill.bill_type {
            self.reports.push(Report::bill(routing, t));
        }
    }

    fn takes(&self, bill: Bill, to: Store) -> bool {
        let box_in = !self.faults.contains(&super::Fault::CashBoxOut);
        match (to, bill.bill_type) {
            (_, None) => false,
            (Store::Stacker, Some(_)) => box_in && !self.refuses_because_full(),
            (Store::Recycler, Some(t)) => self.holdings.has_room(t),
        }
    }

    /// Do bills of this type go to the recycler now? Every bill put in here is of high quality, so
    /// each of the three defined uses takes it.
    fn recycles(&self, bill_type: u8) -> bool {
        let of_type =
            |s: super::validator::RecyclerSettings| s.use_for.get(usize::from(bill_type)).copied();
        let wanted = matches!(
            self.settings.recycler.and_then(of_type),
            Some(RecyclerUse::High | RecyclerUse::HighAndMedium | RecyclerUse::All)
        );
        wanted
            && self.recycler_speaks()
            && self.dispenser_faults.is_empty()
            && self.holdings.has_room(bill_type)
    }

    /// Starts a bill on its way back to the customer.
    pub(super) fn send_back(&mut self, at: Micros, bill: Bill) {
        self.path = Path::Returning {
            bill,
            done: at + self.config.travel.give_back,
        };
    }

    fn block_inlet(&mut self, at: Micros) {
        self.inlet = Some(match self.config.customer_takes_after {
            Some(after) => at + after,
            None => Micros::NEVER,
        });
        self.next_payout(at);
    }

    /// The customer takes the bill out of the inlet.
    pub(super) fn free_inlet(&mut self, at: Micros) {
        self.inlet = None;
        self.note("customer took the bill from the inlet".to_owned());
        self.next_payout(at);
    }

    /// Starts the next bill of a payout, as soon as path and inlet are free.
    pub(super) fn next_payout(&mut self, at: Micros) {
        let free = self.powered && self.inlet.is_none() && self.path.is_free();
        if !free || !self.payout.is_active() || self.payout.moving.is_some() {
            return;
        }
        match self.payout.next() {
            Some(bill_type) => {
                self.payout.moving = Some((bill_type, at + self.config.travel.dispense));
            }
            None => self.payout.cancel(),
        }
    }

    fn bill_paid_out(&mut self, at: Micros) {
        let Some((bill_type, _)) = self.payout.moving else {
            return;
        };
        if !self.holdings.dispense(bill_type) {
            self.payout.abort();
            return;
        }
        let credit = self
            .config
            .scaling
            .to_count(self.holdings.worth(bill_type).0, 254);
        self.payout.paid(bill_type, credit.unwrap_or(0));
        if self.quirks.last_bill_missing_in_value_poll && !self.payout.is_active() {
            self.payout.forget_value();
        }
        self.note(format!("bill type {bill_type} paid out"));
        self.block_inlet(at);
    }
}
