//! The bill in escrow: what was ordered for it and what came of that (MDB/ICP 4.3, section 6.3,
//! 35H).

use super::Bill;
use crate::drivers::channel::Verdict;
use crate::drivers::report::Report;
use payrig_mdb::bill::{Command, EscrowStatus};
use payrig_units::{Micros, Money};

/// After ESCROW the bill is stacked or returned within 30 s (section 6.3, 35H, note).
const PATIENCE: Micros = Micros::secs(30);

/// A bill that waits in the escrow position.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Escrow {
    /// What it is worth; `None` where its type has no value.
    value: Option<Money>,
    ordered: Option<EscrowStatus>,
    /// When the order was acknowledged.
    acknowledged: Option<Micros>,
    /// The order was not answered: it is sent again after the next POLL.
    again: bool,
    /// It was sent more than once: INVALID ESCROW REQUEST then says that the first was heard.
    repeated: bool,
}

impl Escrow {
    pub(super) fn of(value: Option<Money>) -> Self {
        Self {
            value,
            ..Self::default()
        }
    }

    /// What it is worth, zero where its type has no value.
    pub(super) fn worth(&self) -> Money {
        self.value.unwrap_or_default()
    }
}

impl Bill {
    pub(super) fn order_escrow(&mut self, status: EscrowStatus) {
        match &mut self.escrow {
            Some(escrow) => {
                escrow.ordered = Some(status);
                escrow.again = false;
                self.wanted.push_back(Command::Escrow(status));
            }
            None => self.note("no bill is in escrow any more"),
        }
    }

    pub(super) fn escrow_ordered(&mut self, now: Micros, status: EscrowStatus) {
        if let Some(escrow) = self.escrow.as_mut().filter(|e| e.ordered == Some(status)) {
            escrow.acknowledged.get_or_insert(now);
        }
    }

    pub(super) fn escrow_unanswered(&mut self) {
        if let Some(escrow) = &mut self.escrow {
            escrow.again = true;
            escrow.repeated = true;
        }
    }

    /// INVALID ESCROW REQUEST came: the bill is on its way, or not there.
    pub(super) fn escrow_invalid(&mut self, now: Micros) {
        match &mut self.escrow {
            // The order was heard the first time; what becomes of the bill is reported.
            Some(escrow) if escrow.repeated => {
                escrow.again = false;
                escrow.acknowledged.get_or_insert(now);
            }
            Some(_) => {
                self.escrow = None;
                self.note("there is no bill in the escrow position: nothing is credited yet");
                let device = self.name.clone();
                self.reports.push(Report::BillReturned { device });
            }
            None => {}
        }
    }

    /// After a POLL: repeats an order that was not answered, and does not wait for ever.
    pub(super) fn watch_escrow(&mut self, now: Micros) -> Verdict {
        let Some(escrow) = &mut self.escrow else {
            return Verdict::Fine;
        };
        if let (true, Some(status)) = (escrow.again, escrow.ordered) {
            escrow.again = false;
            self.wanted.push_back(Command::Escrow(status));
            return Verdict::Fine;
        }
        let late = escrow
            .acknowledged
            .is_some_and(|since| now.since(since) > PATIENCE);
        if late {
            escrow.acknowledged = None;
            escrow.ordered = None;
            self.note(
                "the bill in escrow was neither stacked nor returned for 30 s: RESET, which gives \
                 it back",
            );
            return Verdict::Desynchronised;
        }
        Verdict::Fine
    }
}
