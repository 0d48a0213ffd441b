//! The validator as a [`Device`]: acknowledgments, resets, power, time.

use super::BillValidator;
use super::path::{Bill, Due, Path};
use super::validator::{InFlight, Settings};
use crate::{Device, Reply};
use payrig_mdb::bill::Command;
use payrig_mdb::{Address, Block};
use payrig_units::{Micros, Movement};

impl Device for BillValidator {
    fn address(&self) -> Address {
        Address::BILL_VALIDATOR
    }

    fn command(&mut self, now: Micros, command: &Block) -> Reply {
        self.advance(now);
        if !self.powered || now < self.silent_until {
            return Reply::Silence;
        }
        match Command::parse(command.bytes()) {
            Ok(command) => self.answer(now, &command),
            Err(_) => Reply::Silence,
        }
    }

    fn acknowledged(&mut self, now: Micros) {
        self.advance(now);
        match std::mem::replace(&mut self.in_flight, InFlight::Nothing) {
            InFlight::Nothing => {}
            InFlight::Reports => {
                let repeat = self.quirks.duplicate_report_after_ack;
                self.reports.acknowledged(repeat);
            }
            InFlight::PayoutValue(value) => self.payout.value_said(value),
            InFlight::File => self.files.delivered(),
            // The dispenser clears payout data after an ACK (section 6.3, 37H-08H).
            InFlight::PayoutStatus => self.payout.status_said(),
        }
    }

    fn unacknowledged(&mut self, now: Micros) {
        self.advance(now);
        if std::mem::replace(&mut self.in_flight, InFlight::Nothing) == InFlight::File {
            self.files.refused();
        }
        self.reports.unacknowledged();
    }

    fn bus_reset(&mut self, now: Micros) {
        self.advance(now);
        if self.powered {
            self.reset(now);
        }
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.advance(now);
        if on == self.powered {
            return;
        }
        match on {
            false => self.power_lost(),
            true => self.power_back(now),
        }
    }

    fn next_deadline(&self) -> Micros {
        self.deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.advance(now);
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        self.holdings.take_movements()
    }

    fn take_notes(&mut self) -> Vec<String> {
        let mut notes = std::mem::take(&mut self.notes);
        notes.extend(self.files.take_notes());
        notes
    }
}

impl BillValidator {
    /// RESET (30H) or a bus reset (2.2): bills in validation are rejected, a bill in escrow is
    /// returned, everything is disabled. A bill already on its way to its store goes on.
    pub(super) fn reset(&mut self, now: Micros) {
        self.settings = Settings::default();
        self.in_flight = InFlight::Nothing;
        self.payout.abort();
        self.files.reset();
        let escrow_unheard = self.reports.reset();
        if self.quirks.reset_forgets_reports {
            self.reports.forget();
        }
        match self.path {
            Path::Held { bill } if self.quirks.reset_forgets_escrow => {
                self.path = Path::Forgotten { bill };
            }
            Path::Held { bill } => {
                let owed = bill.owed && !escrow_unheard;
                self.send_back(now, Bill { owed, ..bill });
            }
            Path::Drawing { bill, .. } => self.send_back(now, bill),
            _ => {}
        }
        self.start_up(now);
    }

    /// What every start has in common: JUST RESET first, then faults found anew, then silence.
    fn start_up(&mut self, now: Micros) {
        for fault in &self.faults {
            self.reports.push(fault.report());
        }
        for fault in &self.dispenser_faults {
            self.reports.push(fault.report());
        }
        self.report_just_reset();
        self.silent_until = self.silent_until.max(now + self.config.start_up);
    }

    /// All that is not paper or plastic is forgotten: settings, reports, payout data. (What a
    /// validator keeps over a power cut the standard does not say.)
    fn power_lost(&mut self) {
        self.powered = false;
        self.settings = Settings::default();
        self.in_flight = InFlight::Nothing;
        self.payout = super::payout::Payout::default();
        self.files.reset();
        for report in self.reports.forget() {
            let report = report.to_string().to_lowercase();
            self.note(format!(
                "forgotten with the power, never acknowledged: {report}"
            ));
        }
        self.silent_until = Micros::ZERO;
        self.note("validator without power".to_owned());
    }

    /// The path is cleared: a bill past the escrow position is put away, any other goes back. The
    /// validator does not know of them any more, so that neither is reported.
    fn power_back(&mut self, now: Micros) {
        self.powered = true;
        match self.path {
            Path::Storing { bill, to, .. } => {
                let done = now + self.config.travel.to_stacker;
                self.note(format!(
                    "{} put away unreported after the power cut",
                    bill.words()
                ));
                self.path = Path::Storing {
                    bill,
                    to,
                    report: Due::Not,
                    done,
                };
            }
            Path::Drawing { bill, .. }
            | Path::Held { bill }
            | Path::Returning { bill, .. }
            | Path::Forgotten { bill } => {
                let owed = false;
                self.path = Path::Stuck {
                    bill: Bill { owed, ..bill },
                };
            }
            Path::Empty | Path::Stuck { .. } => {}
        }
        self.run_out(now);
        self.start_up(now);
    }
}
