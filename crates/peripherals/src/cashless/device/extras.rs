//! Coupons, remote vend, data entry, user files and file transfers: what comes back from the VMC.

use super::CashlessDevice;
use crate::Reply;
use crate::cashless::Answers;
use payrig_mdb::cashless::{CouponReply, Options, Reason, Report};
use payrig_mdb::ftl::Message;
use payrig_units::{Micros, Money};

/// Keys asked for and received so far (7.4.17).
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct DataEntry {
    pub(super) wanted: u8,
    pub(super) keys: Vec<u8>,
}

impl CashlessDevice {
    /// SELECTION DENIED (7.4.12): the state stays as it was.
    pub(super) fn selection_denied(&mut self, item: u16, reason: Reason) {
        self.outbox
            .forget(|r| matches!(r, Report::SelectionRequest(_)));
        if self.selection.take().is_some() {
            self.note(format!("selection {item} denied: {reason}"));
        }
    }

    /// COUPON REPLY (7.4.13). One without a coupon pending is ignored: 7.4.4 has the machine send
    /// a second one for a coupon it did not want.
    pub(super) fn coupon_reply(&mut self, reply: &CouponReply) {
        let Some(coupon) = self.coupon.take() else {
            return;
        };
        self.outbox.forget(|r| matches!(r, Report::CouponReport(_)));
        if reply.usage != 1 {
            self.note("coupon rejected");
            return;
        }
        let claimed = self.config.money(reply.value);
        let used = coupon.value.map_or(claimed, |value| claimed.min(value));
        if used < claimed {
            self.note("more of the coupon was used than it is worth");
        }
        self.redeem(
            used.max(Money::ZERO),
            format!("coupon {} used, item {}", coupon.id, reply.item),
        );
    }

    /// DATA ENTRY RESPONSE (7.4.17): all FFH cancels, 00H pads.
    pub(super) fn keys(&mut self, keys: &[u8; 8]) {
        let Some(mut entry) = self.data_entry.take() else {
            return;
        };
        self.outbox
            .forget_sent(|r| matches!(r, Report::DataEntryRequest(_)));
        if keys == &[0xFF; 8] {
            self.note("data entry cancelled by the machine");
            return;
        }
        entry.keys.extend(keys.iter().filter(|key| **key != 0));
        if entry.keys.len() < usize::from(entry.wanted) {
            self.data_entry = Some(entry);
        } else {
            self.note(format!("keys entered: {}", entry.keys.escape_ascii()));
        }
    }

    /// READ USER FILE (7.4.21): length zero for a file that does not exist.
    pub(super) fn read_file(&mut self, now: Micros, number: u8) -> Reply {
        if self.is_uninterruptible() {
            return self.out_of_sequence(now);
        }
        let data = self.files.get(&number).cloned().unwrap_or_default();
        self.answer(now, Report::UserFile { number, data })
    }

    /// A message of the file transport layer, in any state (2.6.4; Appendix 3, section 4).
    pub(super) fn file_transfer(&mut self, bytes: &[u8]) -> Reply {
        let command = [&[self.config.unit.address().with(7)], bytes].concat();
        let Ok(message) = Message::parse_command(&command) else {
            return Reply::Silence;
        };
        self.ftl.heard(&message);
        match self.config.answers {
            Answers::AtPoll => Reply::Ack,
            Answers::Straight => self.file_reply(),
        }
    }

    /// What the file transport layer has to say, alone (2.6.3).
    pub(super) fn file_reply(&mut self) -> Reply {
        let may_speak = self.mode().has(Options::FTL);
        match may_speak.then(|| self.ftl.say()).flatten() {
            Some(message) => {
                self.ftl_in_flight = true;
                Reply::Data(message.emit_response())
            }
            None => Reply::Ack,
        }
    }
}
