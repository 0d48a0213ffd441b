//! The changer on the bus.

use super::Changer;
use super::state::Sent;
use crate::{Device, Reply};
use payrig_mdb::changer::Command;
use payrig_mdb::{Address, Block};
use payrig_units::{Micros, Movement};

impl Device for Changer {
    fn address(&self) -> Address {
        Address::CHANGER
    }

    fn command(&mut self, now: Micros, command: &Block) -> Reply {
        if self.pending.is_some() {
            self.unacknowledged(now);
        }
        self.advance(now);
        if !self.powered || now < self.quiet_until {
            return Reply::Silence;
        }
        match Command::parse(command.bytes()) {
            Ok(command) => {
                self.heard_at = Some(now);
                self.answer(now, &command)
            }
            // Not a command of section 5: as if busy (Appendix 3, section 3: no NAK).
            Err(_) => Reply::Silence,
        }
    }

    fn acknowledged(&mut self, now: Micros) {
        self.advance(now);
        match self.pending.take() {
            Some(Sent::Reports) => self.events.acknowledged(self.quirks),
            Some(Sent::File) => self.files.delivered(),
            Some(Sent::PayoutStatus) => self.payout.status_acknowledged(),
            Some(Sent::PayoutValue(value)) => self.payout.value_acknowledged(value),
            Some(Sent::Diagnostic) => self.owes_manual_code = false,
            Some(Sent::FillReport(sent)) => subtract(&mut self.filled, &sent),
            Some(Sent::BulkPayoutReport(sent)) => subtract(&mut self.bulk_paid, &sent),
            Some(Sent::Other) | None => {}
        }
    }

    fn unacknowledged(&mut self, now: Micros) {
        self.advance(now);
        match self.pending.take() {
            Some(Sent::Reports) => self.events.unacknowledged(),
            Some(Sent::File) => self.files.refused(),
            _ => {}
        }
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
        self.powered = on;
        self.reset(now);
        if !on {
            self.return_falling();
        }
    }

    fn next_deadline(&self) -> Micros {
        self.next_happening()
    }

    fn wake(&mut self, now: Micros) {
        self.advance(now);
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        self.tubes.take_movements()
    }

    fn take_notes(&mut self) -> Vec<String> {
        let mut notes = std::mem::take(&mut self.notes);
        notes.extend(self.files.take_notes());
        notes
    }
}

fn subtract(counts: &mut [u8; 16], sent: &[u8; 16]) {
    for (count, sent) in counts.iter_mut().zip(sent) {
        *count = count.saturating_sub(*sent);
    }
}
