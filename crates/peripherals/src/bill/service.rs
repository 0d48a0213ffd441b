//! What a technician does at the validator.

use super::{BillKind, BillValidator, Fault};
use payrig_mdb::bill::{Report, Routing};
use payrig_units::{Micros, words};

impl BillValidator {
    /// The cash box is opened or taken out. Reported once; the validator is disabled until it is
    /// back (section 6.3, 08H).
    pub fn remove_cash_box(&mut self, now: Micros) {
        self.break_down(now, Fault::CashBoxOut);
    }

    /// The cash box is put back, `emptied` or with the bills it had. False when it was not out.
    pub fn replace_cash_box(&mut self, now: Micros, emptied: bool) -> bool {
        self.advance(now);
        let was_out = self.faults.contains(&Fault::CashBoxOut);
        if was_out && emptied {
            let count = self.holdings.empty_stacker();
            self.note(format!(
                "cash box emptied of {}",
                words::count(count, "bill")
            ));
        }
        self.repair(now, Fault::CashBoxOut) && was_out
    }

    /// Bills of the lowest bill type in use are put into the stacker until it is full. They come
    /// out of [`payrig_units::Place::Supply`]. Returns how many; 0 also when no type is in use.
    pub fn fill_stacker(&mut self, now: Micros) -> u32 {
        self.advance(now);
        let room = u32::from(self.config.stacker_capacity).saturating_sub(self.holdings.stacked());
        let usable = |t: &u8| self.config.kind(*t) != BillKind::Unused;
        let Some(bill_type) = (0..16).find(usable) else {
            return 0;
        };
        self.holdings.fill_stacker(bill_type, room);
        room
    }

    /// A bill is put into the recycler by hand. It is reported as MANUAL FILL; when the store is
    /// full the bill goes on to the cash box, which is reported too (section 6.3, 33H, note 3).
    /// False when the type has no store, or nothing takes the bill.
    pub fn manual_fill(&mut self, now: Micros, bill_type: u8) -> bool {
        self.advance(now);
        let has_store = self.holdings.stores().any(|(t, _)| t == bill_type);
        let fits = self.holdings.has_room(bill_type);
        let box_takes = !self.is_full() && !self.faults.contains(&Fault::CashBoxOut);
        if !self.powered || !has_store || !(fits || box_takes) {
            return false;
        }
        self.holdings.fill_store(bill_type, 1);
        self.report_by_hand(Routing::ManualFill, bill_type);
        if !fits {
            self.holdings.store_to_stacker(bill_type);
            self.report_by_hand(Routing::RecyclerToCashbox, bill_type);
        }
        true
    }

    /// A bill is taken out of the recycler with the inventory switch. False when RECYCLER ENABLE
    /// does not allow it for the type, or there is no bill (section 6.3, 37H-04H, Y1-Y2).
    pub fn manual_dispense(&mut self, now: Micros, bill_type: u8) -> bool {
        self.advance(now);
        let recycler = self.settings.recycler;
        let allowed = recycler.is_some_and(|r| r.manual_dispense.contains(bill_type));
        let free = !self.payout.is_active() && self.dispenser_faults.is_empty();
        if !self.powered || !allowed || !free || !self.holdings.dispense_by_hand(bill_type) {
            return false;
        }
        self.report_by_hand(Routing::ManualDispense, bill_type);
        true
    }

    /// Bills go from a recycler store to the cash box, as long as there are any and the stacker
    /// has room. Returns how many.
    pub fn transfer_to_cash_box(&mut self, now: Micros, bill_type: u8, count: u32) -> u32 {
        self.advance(now);
        let ready = self.powered && !self.payout.is_active() && self.faults.is_empty();
        let mut moved = 0;
        while ready && moved < count && !self.is_full() && self.holdings.store_to_stacker(bill_type)
        {
            self.report_by_hand(Routing::RecyclerToCashbox, bill_type);
            moved += 1;
        }
        moved
    }

    /// The key that says "I have filled" is pressed: the VMC should ask for the dispenser status
    /// (section 6.3, 2FH).
    pub fn press_filled_key(&mut self, now: Micros) {
        self.advance(now);
        if self.powered && self.recycler_speaks() {
            self.reports.push(Report::FilledKeyPressed);
        }
    }

    /// Such routings are only reported once RECYCLER ENABLE came (section 6.3, 33H, note 1).
    fn report_by_hand(&mut self, routing: Routing, bill_type: u8) {
        let report = Report::bill(routing, bill_type);
        self.note(report.to_string().to_lowercase());
        if self.sayable()(report) {
            self.reports.push(report);
        }
    }
}
