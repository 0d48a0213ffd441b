//! What a check did is undone: the next one starts from the same ground, or is told that it cannot.

use super::*;
use crate::board::options::BoardOptions;
use payrig_bench::action::MachineAction;
use payrig_controller::CardPrice;
use std::collections::BTreeSet;

/// A payout that pays back what a check left is over when no coin came for so long.
const QUIET: Micros = Micros::secs(3);

/// The words in which a person is asked to free a motor.
fn free_it(item: u16, keys: &Keys) -> Question {
    let key = keys.key(item);
    Question::Do {
        text: format!("free the motor of selection {key} again, so that its items fall"),
        what: ToDo::Act(Action::FreeItem { item }),
    }
}

/// A selection whose price a person changed.
#[derive(Clone, Debug)]
pub(super) struct Repriced {
    pub(super) item: u16,
    /// What stands on the machine for it.
    pub(super) key: String,
    /// It has a price of its own on cards.
    pub(super) own_card_price: bool,
}

impl Repriced {
    /// What is asked of a person, and what it is.
    pub(super) fn to(&self, price: Money, decimals: Decimals) -> (String, Action) {
        let (key, shown) = (&self.key, price.show(decimals));
        let (on_cards, what) = match self.own_card_price {
            true => {
                let price = CardPrice::Fixed(price);
                (" on cards", MachineAction::SetCardPrice(self.item, price))
            }
            false => ("", MachineAction::SetPrice(self.item, price)),
        };
        let text = format!("set the price of selection {key}{on_cards} to {shown}");
        (text, Action::AtMachine(what))
    }

    /// The same back to what it was.
    fn back(&self, price: Money, decimals: Decimals) -> Question {
        let (text, what) = self.to(price, decimals);
        Question::Do {
            text: format!("{text} again"),
            what: ToDo::Act(what),
        }
    }

    /// What is left where nobody does that.
    fn left(&self) -> String {
        format!("the price of selection {} is changed", self.key)
    }
}

impl BoardBench {
    /// Leaves a board outside as the next check wants it: with power, motors free, nothing being
    /// delivered, without session and without credit.
    pub(super) fn undo(&mut self) {
        if !self.is_outside() || self.run.is_over() {
            return;
        }
        if self.hand().is_some_and(|hand| hand.dark) {
            self.board_power(true);
            self.ready();
        }
        self.let_delivery_end();
        self.free_motors();
        self.end_session();
        self.set_prices_back();
        if self.paid_in || self.customer() < Money::ZERO {
            self.press_return();
            self.until_no_coin_comes(QUIET);
        }
    }

    fn hand(&self) -> Option<&outside::AtHand> {
        match &self.board {
            Subject::Outside(hand) => Some(hand),
            Subject::Emulated(_) => None,
        }
    }

    /// A selection was pressed, and nothing has shown yet that what it began is over.
    pub(super) fn may_be_delivering(&self) -> bool {
        let pressed = self.hand().and_then(|hand| hand.last_press);
        let Some((at, held)) = pressed else {
            return false;
        };
        let asked = self.count(at, What::VendRequest) > 0;
        let over = self.customer() > held || self.card_vend_over(at);
        (held < Money::ZERO || asked) && !over
    }

    fn let_delivery_end(&mut self) {
        let Some((at, _)) = self.hand().and_then(|hand| hand.last_press) else {
            return;
        };
        let by = at + self.habits.delivery + Micros::secs(2);
        while self.now() < by && self.may_be_delivering() && !self.run.is_over() {
            self.wait(Micros::ms(100));
        }
    }

    fn free_motors(&mut self) {
        let blocked = self.hand().map(|hand| hand.blocked.clone());
        for item in blocked.unwrap_or_default() {
            let reply = self.ask_person(&free_it(item, &self.keys.clone()));
            if reply == Reply::Stop {
                self.end_with(Seen::skipped(Skip::Stopped));
            }
            if let (Subject::Outside(hand), Reply::Done) = (&mut self.board, reply) {
                hand.blocked.remove(&item);
            }
        }
    }

    fn end_session(&mut self) {
        if !self.session_is_open() {
            return;
        }
        self.take_card();
        let by = self.now() + Micros::secs(5);
        while self.now() < by && self.session_is_open() {
            self.wait(Micros::ms(100));
        }
    }

    fn set_prices_back(&mut self) {
        let repriced = self.hand().map(|hand| hand.repriced.clone());
        for (item, (change, price)) in repriced.unwrap_or_default() {
            let reply = self.ask_person(&change.back(price, self.decimals));
            if reply == Reply::Stop {
                self.end_with(Seen::skipped(Skip::Stopped));
            }
            if let (Subject::Outside(hand), Reply::Done) = (&mut self.board, reply) {
                hand.repriced.remove(&item);
            }
        }
    }

    /// There may be credit in the board that the coin return did not give back, or a delivery under
    /// way: the check was broken off, or its peripherals could not pay.
    pub(super) fn leaves_credit(&self) -> bool {
        let Some(hand) = self.hand() else {
            return false;
        };
        if self.run.is_over() {
            return self.paid_in || hand.last_press.is_some();
        }
        let price = |item: &u16| self.price_of(*item);
        let bought: Money = self.fell.iter().chain(&hand.pressed).map(price).sum();
        self.customer() < Money::ZERO && self.customer() != -bought
    }
}

impl BoardOutside {
    /// What earlier checks left that only a person can undo, is asked for once more.
    pub(in crate::board) fn level_ground(&mut self) -> Result<(), Skip> {
        if self.hand.dark {
            let text = "switch the machine on again".to_owned();
            let what = ToDo::Act(Action::Power {
                device: None,
                on: true,
            });
            match self.ask(&Question::Do { text, what }) {
                Reply::Done => self.hand.dark = false,
                Reply::Stop => return Err(Skip::Stopped),
                _ => return Err(Skip::NotUndone("the machine is switched off".to_owned())),
            }
        }
        let blocked: BTreeSet<u16> = self.hand.blocked.clone();
        for item in blocked {
            match self.ask(&free_it(item, &self.hand.keys.clone())) {
                Reply::Done => self.hand.blocked.remove(&item),
                Reply::Stop => return Err(Skip::Stopped),
                _ => {
                    let what = format!(
                        "the motor of selection {} is blocked",
                        self.hand.keys.key(item)
                    );
                    return Err(Skip::NotUndone(what));
                }
            };
        }
        for (item, (change, price)) in self.hand.repriced.clone() {
            match self.ask(&change.back(price, self.hand.decimals)) {
                Reply::Done => self.hand.repriced.remove(&item),
                Reply::Stop => return Err(Skip::Stopped),
                _ => return Err(Skip::NotUndone(change.left())),
            };
        }
        Ok(())
    }

    /// The examination is over: settings and motors are as they were, or the person is told what is
    /// not.
    pub(in crate::board) fn give_back(&mut self) {
        let mut left = Vec::new();
        let ended = self.linked.is_stopped() || self.linked.has_failed();
        if ended || self.level_ground().is_err() {
            left.extend(
                self.hand
                    .dark
                    .then(|| "the machine is switched off".to_owned()),
            );
            let blocked = self.hand.blocked.iter();
            left.extend(blocked.map(|item| {
                format!(
                    "the motor of selection {} is blocked",
                    self.hand.keys.key(*item)
                )
            }));
        }
        left.extend(self.hand.repriced.values().map(|(change, _)| change.left()));
        if ended || self.settle(BoardOptions::default()).is_err() {
            let back = self.settings_back();
            left.extend(back);
        }
        if !left.is_empty() {
            self.inform(&format!("Not undone: {}.", left.join("; ")));
        }
    }
}
