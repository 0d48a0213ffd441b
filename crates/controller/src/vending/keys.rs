//! Data entry: the machine's keys at the service of a card device (MDB/ICP 4.3, section 7.4.17).

use super::{Order, Vending};
use payrig_units::Micros;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Entry {
    device: String,
    left: u8,
    pub(super) until: Micros,
}

impl Vending {
    pub(super) fn keys_wanted(&mut self, now: Micros, device: String, count: u8) {
        let until = now + self.policy.session_timeout;
        let left = count;
        self.entry = (left > 0).then_some(Entry {
            device,
            left,
            until,
        });
    }

    pub(super) fn keys_cancelled(&mut self, device: &str) {
        self.entry = self.entry.take().filter(|e| e.device != device);
    }

    /// A key of the machine is pressed, in ASCII. False when no card device asked for keys.
    pub fn press_key(&mut self, now: Micros, key: u8) -> bool {
        let Some(entry) = &mut self.entry else {
            return false;
        };
        entry.left -= 1;
        entry.until = now + self.policy.session_timeout;
        let (device, last) = (entry.device.clone(), entry.left == 0);
        let keys = vec![key];
        self.orders.push_back(Order::Keys { device, keys });
        if last {
            self.entry = None;
        }
        true
    }

    /// Nobody presses keys any more, or the customer gives up.
    pub(super) fn give_up_keys(&mut self) {
        if let Some(entry) = self.entry.take() {
            self.orders.push_back(Order::GiveUpKeys(entry.device));
        }
    }
}
