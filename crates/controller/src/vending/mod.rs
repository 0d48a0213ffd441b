//! Selling: credit, selections, delivery, change, refunds. Knows no bus; it hears [`Report`]s and
//! gives [`Order`]s.
//!
//! What it holds to, from the standard's best practices (MDB/ICP 4.3, Appendix 3, sections 3, 4):
//! nothing is decided on the balance a card session begins with; a bill in escrow is credited only
//! once it is stacked; card credit is never paid out as cash; a failed vend is reported as such.

mod words;

#[cfg(test)]
mod tests;

pub use words::{Item, Order, Report};

use payrig_units::{Decimals, Micros, Money, Movement, Place};
use std::collections::VecDeque;

/// How the board sells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Policy {
    /// Decimals of the display.
    pub decimals: Decimals,
    /// A card session without a selection ends after this.
    pub session_timeout: Micros,
    /// Go on with the session after a vend, where the reader allows it.
    pub multi_vend: bool,
    /// A bill that buys something is kept in escrow until something is bought.
    pub hold_bills: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Paid {
    Cash,
    Token,
    Card { device: String, amount: Money },
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Stage {
    Idle,
    /// The card device was asked.
    Asking {
        item: Item,
    },
    /// The motor turns.
    Delivering {
        item: Item,
        paid: Paid,
    },
    /// Coins or bills are being paid.
    Paying,
    /// The bill held in escrow is being stacked, to be spent on this.
    Stacking {
        item: Item,
    },
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Session {
    device: String,
    /// Set once SESSION COMPLETE was ordered.
    ending: bool,
    until: Micros,
}

/// Questions the seller asks about the rest of the board while it decides.
pub trait Means {
    /// Can exactly this be paid?
    fn can_pay(&self, amount: Money) -> bool;
    /// Is there anything to pay change with? A machine without it keeps what is left as credit.
    fn gives_change(&self) -> bool {
        true
    }
    /// Does this card device allow several vends in one session?
    fn allows_multi_vend(&self, device: &str) -> bool;
}

fn is_payable(rest: Money, means: &dyn Means) -> bool {
    means.can_pay(rest) || !means.gives_change()
}

/// The seller.
#[derive(Clone, Debug)]
pub struct Vending {
    items: Vec<Item>,
    policy: Policy,
    credit: Money,
    stage: Stage,
    session: Option<Session>,
    /// Bill waiting in escrow that was ordered stacked.
    stacking: bool,
    /// The bill held in escrow until something is bought, and where.
    held: Option<(String, Money)>,
    /// Vend tokens not used yet.
    tokens: u32,
    display: String,
    orders: VecDeque<Order>,
    movements: Vec<Movement>,
    shown: Vec<String>,
    sold: Vec<u16>,
}

impl Vending {
    /// A machine with these items, and no credit.
    #[must_use]
    pub fn new(items: Vec<Item>, policy: Policy) -> Self {
        Self {
            items,
            policy,
            credit: Money::ZERO,
            stage: Stage::Idle,
            session: None,
            stacking: false,
            held: None,
            tokens: 0,
            display: String::new(),
            orders: VecDeque::new(),
            movements: Vec::new(),
            shown: Vec::new(),
            sold: Vec::new(),
        }
    }

    /// What is for sale.
    #[must_use]
    pub fn items(&self) -> &[Item] {
        &self.items
    }

    /// Cash credit.
    #[must_use]
    pub fn credit(&self) -> Money {
        self.credit
    }

    /// True while a vend token waits to be used: the next item is free.
    #[must_use]
    pub fn has_token(&self) -> bool {
        self.tokens > 0
    }

    /// True while a card session is open.
    #[must_use]
    pub fn in_session(&self) -> bool {
        self.session.as_ref().is_some_and(|s| !s.ending)
    }

    /// What the display shows.
    #[must_use]
    pub fn display(&self) -> &str {
        &self.display
    }

    /// The numbers of the items delivered so far.
    #[must_use]
    pub fn sold(&self) -> &[u16] {
        &self.sold
    }

    /// True when nothing is being asked, delivered or paid.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.stage == Stage::Idle && self.orders.is_empty()
    }

    /// Orders, oldest first.
    pub fn take_order(&mut self) -> Option<Order> {
        self.orders.pop_front()
    }

    /// What the board believes has moved since the last call.
    pub fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.movements)
    }

    /// What the display showed since the last call.
    pub fn take_shown(&mut self) -> Vec<String> {
        std::mem::take(&mut self.shown)
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        match &self.session {
            Some(session) if !session.ending && self.stage == Stage::Idle => session.until,
            _ => Micros::NEVER,
        }
    }

    /// Ends a session nobody uses.
    pub fn wake(&mut self, now: Micros) {
        if now >= self.next_deadline() {
            self.show("No selection made");
            self.end_session();
        }
    }

    /// A selection was pressed.
    pub fn select(&mut self, now: Micros, number: u16, means: &dyn Means) {
        if self.stage != Stage::Idle {
            self.show("Please wait");
            return;
        }
        let Some(item) = self.items.iter().find(|i| i.number == number).cloned() else {
            self.show("No such selection");
            return;
        };
        if self.tokens > 0 {
            self.deliver(item, Paid::Token);
            return;
        }
        if self.credit >= item.price {
            if is_payable(self.credit.saturating_sub(item.price), means) {
                self.deliver(item, Paid::Cash);
            } else {
                self.show("Use exact change");
            }
            return;
        }
        if self.spend_held(&item, means) {
            return;
        }
        match &mut self.session {
            Some(session) if !session.ending => {
                session.until = now + self.policy.session_timeout;
                let device = session.device.clone();
                let (item_number, price) = (item.number, item.price);
                self.orders.push_back(Order::VendRequest {
                    device,
                    item: item_number,
                    price,
                });
                self.show("Asking the card reader");
                self.stage = Stage::Asking { item };
            }
            _ => {
                let price = item.price.show(self.policy.decimals);
                self.show(format!("{} costs {price}", item.name));
            }
        }
    }

    /// The motor is done: the item fell, or it did not.
    pub fn delivered(&mut self, now: Micros, fell: bool, means: &dyn Means) {
        let Stage::Delivering { item, paid } = std::mem::replace(&mut self.stage, Stage::Idle)
        else {
            return;
        };
        if fell {
            self.sold.push(item.number);
        }
        match paid {
            Paid::Cash if fell => {
                self.credit = self.credit.saturating_sub(item.price);
                let why = format!("{} sold for cash", item.name);
                self.claim(Place::BoardCredit, Place::BoardSales, item.price, why);
                self.show(format!("Thank you: {}", item.name));
                self.pay_back();
            }
            Paid::Token if fell => {
                self.tokens = self.tokens.saturating_sub(1);
                self.show(format!("Thank you: {}", item.name));
                self.show_credit();
            }
            Paid::Card { device, amount } if fell => {
                self.orders.push_back(Order::VendSuccess {
                    device: device.clone(),
                    item: item.number,
                });
                let why = format!("{} sold on the card", item.name);
                self.claim(
                    Place::BoardReceived(device.clone()),
                    Place::BoardSales,
                    amount,
                    why,
                );
                self.show(format!("Thank you: {}", item.name));
                self.after_card_vend(now, &device, means);
            }
            Paid::Cash | Paid::Token => self.show("Not delivered: choose another or press return"),
            Paid::Card { device, .. } => {
                self.orders.push_back(Order::VendFailure(device.clone()));
                self.show("Not delivered: the card is refunded");
                self.after_card_vend(now, &device, means);
            }
        }
    }

    /// A peripheral reports.
    pub fn report(&mut self, now: Micros, report: Report, means: &dyn Means) {
        match report {
            Report::Credit {
                device,
                value,
                what,
            } => {
                self.stacking = false;
                self.credit = self.credit.saturating_add(value);
                self.claim(
                    Place::BoardReceived(device),
                    Place::BoardCredit,
                    value,
                    what,
                );
                self.show_credit();
                self.held_is_stacked(means);
            }
            Report::BillEscrowed { device, value } => {
                // With a card in the reader, or in mid vend, cash is not mixed in.
                let welcome = !self.in_session()
                    && matches!(self.stage, Stage::Idle)
                    && self.is_changeable(value, means);
                self.stacking = welcome;
                if welcome && self.policy.hold_bills && self.buys_something(value) {
                    self.held = Some((device, value));
                    self.show_credit();
                } else if welcome {
                    self.orders.push_back(Order::Stack(device));
                } else {
                    self.show("Bill returned");
                    self.orders.push_back(Order::Return(device));
                }
            }
            Report::BillReturned { .. } => {
                self.stacking = false;
                self.held = None;
                if let Stage::Stacking { .. } = self.stage {
                    self.stage = Stage::Idle;
                }
                self.show_credit();
            }
            Report::Service { device, value } => {
                let (stock, service) = (Place::BoardStock(device), Place::BoardService);
                let (from, to) = if value > Money::ZERO {
                    (stock, service)
                } else {
                    (service, stock)
                };
                let amount = Money(value.as_minor().saturating_abs());
                self.claim(from, to, amount, "by an attendant's hand".to_owned());
            }
            Report::Token { device } => {
                self.tokens = self.tokens.saturating_add(1);
                self.show(format!("{device}: token, choose any item"));
            }
            Report::ReturnLever => self.press_return(),
            Report::PaidOut { device, value } => {
                self.paid_by(device, value, "change paid");
                self.stage = Stage::Idle;
                if value > Money::ZERO && self.credit > Money::ZERO && means.can_pay(self.credit) {
                    self.pay_back();
                } else {
                    self.show_credit();
                }
            }
            Report::PayoutFailed => {
                self.stage = Stage::Idle;
                self.show_credit();
            }
            Report::BillsNotPaid => {
                self.stage = Stage::Idle;
                if means.can_pay(self.credit) {
                    self.pay_back();
                } else {
                    self.show_credit();
                }
            }
            Report::PayingOut { value } => {
                let left = self.credit.saturating_sub(value);
                self.show(format!("Credit {}", left.show(self.policy.decimals)));
            }
            Report::PayoutGivenUp { device, value } => {
                self.stage = Stage::Idle;
                self.paid_by(device, value, "change paid, as far as is known");
                self.show_credit();
            }
            Report::PaidLate { device, value } => {
                self.paid_by(device, value, "change paid, found out later");
                self.show_credit();
            }
            Report::SessionBegan { device, funds } => {
                let until = now + self.policy.session_timeout;
                self.session = Some(Session {
                    device,
                    ending: false,
                    until,
                });
                match funds {
                    Some(funds) => {
                        self.show(format!("Card: {}", funds.show(self.policy.decimals)));
                    }
                    None => self.show("Please make a selection"),
                }
            }
            Report::VendApproved { amount } => {
                let Some(session) = &self.session else { return };
                let device = session.device.clone();
                match std::mem::replace(&mut self.stage, Stage::Idle) {
                    Stage::Asking { item } => self.deliver(item, Paid::Card { device, amount }),
                    // Approved too late: nothing will be delivered, so the money goes back.
                    other => {
                        self.stage = other;
                        self.orders.push_back(Order::VendFailure(device));
                    }
                }
            }
            Report::VendDenied => {
                if let Stage::Asking { .. } = self.stage {
                    self.stage = Stage::Idle;
                    self.show("Declined");
                    let keep = self.session.as_ref().is_some_and(|s| {
                        self.policy.multi_vend && means.allows_multi_vend(&s.device)
                    });
                    if !keep {
                        self.end_session();
                    }
                }
            }
            Report::SessionCancelled => match &self.stage {
                // The card is gone but the item is on its way: the vend is settled first.
                Stage::Delivering {
                    paid: Paid::Card { .. },
                    ..
                } => {}
                Stage::Asking { .. } => {
                    self.stage = Stage::Idle;
                    self.end_session();
                }
                _ => self.end_session(),
            },
            Report::SessionEnded => {
                self.session = None;
                if matches!(self.stage, Stage::Asking { .. }) {
                    self.stage = Stage::Idle;
                }
                self.show_credit();
            }
            Report::Notice(text) => self.shown.push(text),
        }
    }

    /// The coin return: bill, credit, session, whichever there is.
    pub fn press_return(&mut self) {
        match &self.stage {
            Stage::Idle if self.in_session() => self.end_session(),
            Stage::Idle => {
                if let Some((device, _)) = self.held.take() {
                    self.orders.push_back(Order::Return(device));
                }
                self.pay_back();
            }
            Stage::Asking { .. } => {
                self.stage = Stage::Idle;
                if let Some(session) = &self.session {
                    self.orders
                        .push_back(Order::VendCancel(session.device.clone()));
                }
                self.end_session();
            }
            Stage::Delivering { .. } | Stage::Paying | Stage::Stacking { .. } => {}
        }
    }

    fn buys_something(&self, value: Money) -> bool {
        let total = self.credit.saturating_add(value);
        self.items.iter().any(|i| i.price <= total)
    }

    /// Stacks the bill held in escrow if that is what the item needs. True when the selection is
    /// dealt with.
    fn spend_held(&mut self, item: &Item, means: &dyn Means) -> bool {
        let Some((device, value)) = self.held.clone() else {
            return false;
        };
        let total = self.credit.saturating_add(value);
        if total < item.price {
            return false;
        }
        if is_payable(total.saturating_sub(item.price), means) {
            self.held = None;
            self.stage = Stage::Stacking { item: item.clone() };
            self.orders.push_back(Order::Stack(device));
        } else {
            self.show("Use exact change");
        }
        true
    }

    /// The credit is certain now: the item that waited for it is delivered.
    fn held_is_stacked(&mut self, means: &dyn Means) {
        let Stage::Stacking { item } = &self.stage else {
            return;
        };
        let item = item.clone();
        self.stage = Stage::Idle;
        let rest = self.credit.saturating_sub(item.price);
        if self.credit >= item.price && is_payable(rest, means) {
            self.deliver(item, Paid::Cash);
        }
    }

    /// A payout as the books see it: out of the credit, and what is beyond it out of the service's
    /// pocket.
    fn paid_by(&mut self, device: String, value: Money, why: &str) {
        let of_credit = value.min(self.credit);
        self.credit = self.credit.saturating_sub(of_credit);
        let beyond = value.saturating_sub(of_credit);
        let paid = Place::BoardPaid(device);
        self.claim(Place::BoardCredit, paid.clone(), of_credit, why.to_owned());
        let why = format!("{why}: more than there was credit for");
        self.claim(Place::BoardService, paid, beyond, why);
    }

    /// True when whatever is bought with a bill of this value, the change can be paid.
    pub fn is_changeable(&self, value: Money, means: &dyn Means) -> bool {
        if !means.gives_change() {
            return true;
        }
        let total = self.credit.saturating_add(value);
        let mut any = false;
        for item in self.items.iter().filter(|i| i.price <= total) {
            any = true;
            if !means.can_pay(total.saturating_sub(item.price)) {
                return false;
            }
        }
        // A value that buys nothing yet may still add up; it must then be payable back.
        any || means.can_pay(total)
    }

    fn deliver(&mut self, item: Item, paid: Paid) {
        self.show("Vending");
        self.orders.push_back(Order::Deliver(item.number));
        self.stage = Stage::Delivering { item, paid };
    }

    fn pay_back(&mut self) {
        if self.credit > Money::ZERO {
            self.stage = Stage::Paying;
            self.orders.push_back(Order::Pay(self.credit));
        } else {
            self.show_credit();
        }
    }

    fn after_card_vend(&mut self, now: Micros, device: &str, means: &dyn Means) {
        if self.policy.multi_vend && means.allows_multi_vend(device) && self.in_session() {
            if let Some(session) = &mut self.session {
                session.until = now + self.policy.session_timeout;
            }
        } else {
            self.end_session();
        }
    }

    fn end_session(&mut self) {
        if let Some(session) = self.session.as_mut().filter(|s| !s.ending) {
            session.ending = true;
            self.orders
                .push_back(Order::SessionComplete(session.device.clone()));
        }
    }

    fn claim(&mut self, from: Place, to: Place, amount: Money, why: String) {
        if !amount.is_zero() {
            self.movements.push(Movement {
                from,
                to,
                amount,
                why,
            });
        }
    }

    fn show_credit(&mut self) {
        let held = self.held.as_ref().map_or(Money::ZERO, |(_, value)| *value);
        let total = self.credit.saturating_add(held);
        self.show(format!("Credit {}", total.show(self.policy.decimals)));
    }

    fn show(&mut self, text: impl Into<String>) {
        let text = text.into();
        if text != self.display {
            self.shown.push(text.clone());
            self.display = text;
        }
    }
}
