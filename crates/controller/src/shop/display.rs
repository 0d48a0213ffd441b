//! The machine's display and keys, which card devices may borrow (MDB/ICP 4.3, section 7.4.4,
//! DISPLAY REQUEST and DATA ENTRY REQUEST; section 7.4.17).

use super::{Order, Vending};
use payrig_units::{Micros, Money};

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Display {
    /// What is to be seen.
    pub(super) text: String,
    /// What the board would show.
    own: String,
    /// A card device has it until then.
    lent: Option<Micros>,
    /// And the board writes nothing meanwhile: keys are being entered.
    kept: bool,
}

impl Vending {
    /// A card device shows a text. While keys are entered, and for as long as the last text asks
    /// for, the board keeps off; otherwise either may write over the other.
    pub(super) fn show_for(&mut self, now: Micros, device: &str, text: String, time: Micros) {
        let entry = self.entry.is_some();
        let display = &mut self.display;
        display.kept = entry || (display.kept && display.lent.is_some());
        display.lent = Some(now + time);
        self.shown.push(format!("{device}: \"{text}\""));
        self.display.text = text;
    }

    /// When the display is the board's again.
    pub(super) fn display_deadline(&self) -> Option<Micros> {
        self.display.lent.filter(|_| self.entry.is_none())
    }

    pub(super) fn take_back_display(&mut self, now: Micros) {
        if self.display_deadline().is_some_and(|until| now >= until) {
            self.display.lent = None;
            self.display.kept = false;
            let own = std::mem::take(&mut self.display.own);
            self.show(own);
        }
    }

    pub(super) fn show_credit(&mut self) {
        let held = self.held.as_ref().map_or(Money::ZERO, |(_, value)| *value);
        let total = self.credit.saturating_add(held);
        self.show(format!("Credit {}", total.show(self.policy.decimals)));
    }

    pub(super) fn show(&mut self, text: impl Into<String>) {
        let display = &mut self.display;
        display.own = text.into();
        if display.kept && display.lent.is_some() {
            return;
        }
        display.lent = None;
        if display.own != display.text {
            display.text.clone_from(&display.own);
            self.shown.push(display.own.clone());
        }
    }
}

/// Data entry: the machine's keys at the service of a card device (section 7.4.17).
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
