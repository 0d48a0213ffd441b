//! Selling: credit, selections, delivery, change, refunds. Knows no bus; it hears [`Report`]s and
//! gives [`Order`]s.
//!
//! What it holds to, from the standard's best practices (MDB/ICP 4.3, Appendix 3, sections 3, 4):
//! nothing is decided on the balance a card session begins with; a bill in escrow is credited only
//! once it is stacked; card credit is never paid out as cash; a failed vend is reported as such.

use payrig_units::{Decimals, Micros, Money, Movement, Place};
use std::collections::VecDeque;

/// Something for sale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// The selection number, 1 to 65534.
    pub number: u16,
    /// What it is.
    pub name: String,
    /// What it costs.
    pub price: Money,
}

/// What a peripheral told the board, by the peripheral's name where it matters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Report {
    /// A coin was accepted, or pulses counted: money that is certain.
    Credit {
        /// From where.
        device: String,
        /// How much.
        value: Money,
        /// "coin type 2 to tube".
        what: String,
    },
    /// A bill waits in escrow.
    BillEscrowed {
        /// Where.
        device: String,
        /// Its value.
        value: Money,
    },
    /// The bill in escrow went back to the customer.
    BillReturned {
        /// From where.
        device: String,
    },
    /// An attendant took coins out (`value` > 0) or filled them in by hand (< 0).
    Service {
        /// Where.
        device: String,
        /// How much.
        value: Money,
    },
    /// The coin return lever.
    ReturnLever,
    /// A payout is over: so much was paid. Less than ordered when tubes ran dry.
    PaidOut {
        /// By whom.
        device: String,
        /// How much.
        value: Money,
    },
    /// A payout could not begin or go on; nothing more was paid.
    PayoutFailed,
    /// A card is there. Its balance is for display only.
    SessionBegan {
        /// On which device.
        device: String,
        /// The balance, when it is known.
        funds: Option<Money>,
    },
    /// The card device approves the vend, for this amount.
    VendApproved {
        /// The amount charged.
        amount: Money,
    },
    /// The card device denies the vend, or cannot be asked.
    VendDenied,
    /// The card device wants the session to end (card removed, escrow pressed on the reader).
    SessionCancelled,
    /// The session is over.
    SessionEnded,
    /// Anything else worth showing.
    Notice(String),
}

/// What the board wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Order {
    /// Pay this much in coins.
    Pay(Money),
    /// Stack the bill in this device's escrow.
    Stack(String),
    /// Return the bill in this device's escrow.
    Return(String),
    /// Ask this card device for this much, for this item.
    VendRequest {
        /// The device.
        device: String,
        /// The item's number.
        item: u16,
        /// The price.
        price: Money,
    },
    /// The request is withdrawn.
    VendCancel(String),
    /// The item was delivered.
    VendSuccess {
        /// The device.
        device: String,
        /// The item's number.
        item: u16,
    },
    /// The item could not be delivered: refund.
    VendFailure(String),
    /// The customer is done.
    SessionComplete(String),
    /// Turn the motor of this item; the answer comes as [`Vending::delivered`].
    Deliver(u16),
}

/// How the board sells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Policy {
    /// Decimals of the display.
    pub decimals: Decimals,
    /// A card session without a selection ends after this.
    pub session_timeout: Micros,
    /// Go on with the session after a vend, where the reader allows it.
    pub multi_vend: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Paid {
    Cash,
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
    /// Coins are being paid.
    Paying,
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
    /// Can the changer pay exactly this?
    fn can_pay(&self, amount: Money) -> bool;
    /// Does this card device allow several vends in one session?
    fn allows_multi_vend(&self, device: &str) -> bool;
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
        if self.credit >= item.price {
            if means.can_pay(self.credit.saturating_sub(item.price)) {
                self.deliver(item, Paid::Cash);
            } else {
                self.show("Use exact change");
            }
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
            Paid::Cash => self.show("Not delivered: choose another or press return"),
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
            }
            Report::BillEscrowed { device, value } => {
                // With a card in the reader, or in mid vend, cash is not mixed in.
                let welcome = !self.in_session()
                    && matches!(self.stage, Stage::Idle)
                    && self.is_changeable(value, means);
                self.stacking = welcome;
                if welcome {
                    self.orders.push_back(Order::Stack(device));
                } else {
                    self.show("Bill returned");
                    self.orders.push_back(Order::Return(device));
                }
            }
            Report::BillReturned { .. } => {
                self.stacking = false;
                self.show_credit();
            }
            Report::Service { device, value } => {
                let (out, amount) = (
                    value > Money::ZERO,
                    Money(value.as_minor().saturating_abs()),
                );
                let (paid, service) = (Place::BoardPaid(device), Place::BoardService);
                let (from, to) = if out {
                    (service, paid)
                } else {
                    (paid, service)
                };
                self.claim(from, to, amount, "by an attendant's hand".to_owned());
            }
            Report::ReturnLever => self.press_return(),
            Report::PaidOut { device, value } => {
                self.credit = self.credit.saturating_sub(value);
                let why = "change paid".to_owned();
                self.claim(Place::BoardCredit, Place::BoardPaid(device), value, why);
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
            Stage::Idle => self.pay_back(),
            Stage::Asking { .. } => {
                self.stage = Stage::Idle;
                if let Some(session) = &self.session {
                    self.orders
                        .push_back(Order::VendCancel(session.device.clone()));
                }
                self.end_session();
            }
            Stage::Delivering { .. } | Stage::Paying => {}
        }
    }

    /// True when whatever is bought with a bill of this value, the change can be paid.
    pub fn is_changeable(&self, value: Money, means: &dyn Means) -> bool {
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
        self.show(format!("Credit {}", self.credit.show(self.policy.decimals)));
    }

    fn show(&mut self, text: impl Into<String>) {
        let text = text.into();
        if text != self.display {
            self.shown.push(text.clone());
            self.display = text;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Tubes {
        payable: Vec<i64>,
        multi: bool,
    }

    impl Means for Tubes {
        fn can_pay(&self, amount: Money) -> bool {
            amount.is_zero() || self.payable.contains(&amount.as_minor())
        }
        fn allows_multi_vend(&self, _: &str) -> bool {
            self.multi
        }
    }

    fn seller() -> Vending {
        let item = |number, price| Item {
            number,
            name: format!("item {number}"),
            price: Money(price),
        };
        let policy = Policy {
            decimals: Decimals(2),
            session_timeout: Micros::secs(30),
            multi_vend: false,
        };
        Vending::new(vec![item(1, 65), item(2, 100)], policy)
    }

    fn orders(v: &mut Vending) -> Vec<Order> {
        std::iter::from_fn(|| v.take_order()).collect()
    }

    fn credit(value: i64) -> Report {
        Report::Credit {
            device: "bill".into(),
            value: Money(value),
            what: "bill stacked".into(),
        }
    }

    const NOW: Micros = Micros::ZERO;

    #[test]
    fn a_bill_is_stacked_then_credited_then_spent_and_change_is_paid() {
        let means = Tubes {
            payable: vec![35, 100],
            multi: false,
        };
        let mut v = seller();
        let escrowed = Report::BillEscrowed {
            device: "bill".into(),
            value: Money(100),
        };
        v.report(NOW, escrowed, &means);
        assert_eq!(orders(&mut v), [Order::Stack("bill".into())]);
        assert_eq!(v.credit(), Money::ZERO, "not credited before it is stacked");
        v.report(NOW, credit(100), &means);
        assert_eq!(v.credit(), Money(100));
        v.select(NOW, 1, &means);
        assert_eq!(orders(&mut v), [Order::Deliver(1)]);
        v.delivered(NOW, true, &means);
        assert_eq!(orders(&mut v), [Order::Pay(Money(35))]);
        v.report(
            NOW,
            Report::PaidOut {
                device: "changer".into(),
                value: Money(35),
            },
            &means,
        );
        assert_eq!(
            (v.credit(), v.is_idle(), v.sold()),
            (Money::ZERO, true, &[1][..])
        );
    }

    #[test]
    fn no_sale_without_its_change() {
        let means = Tubes {
            payable: vec![],
            multi: false,
        };
        let mut v = seller();
        v.report(NOW, credit(100), &means);
        v.select(NOW, 1, &means);
        assert_eq!((orders(&mut v), v.display()), (vec![], "Use exact change"));
        v.select(NOW, 2, &means);
        assert_eq!(orders(&mut v), [Order::Deliver(2)]);
    }

    #[test]
    fn a_bill_that_cannot_be_changed_goes_back() {
        let means = Tubes {
            payable: vec![],
            multi: false,
        };
        let mut v = seller();
        let escrowed = Report::BillEscrowed {
            device: "bill".into(),
            value: Money(100),
        };
        v.report(NOW, escrowed, &means);
        assert_eq!(orders(&mut v), [Order::Return("bill".into())]);
    }

    /// Appendix 3, section 4: no decision on the balance a session begins with.
    #[test]
    fn a_card_with_too_little_or_unknown_funds_is_asked_all_the_same() {
        let means = Tubes {
            payable: vec![],
            multi: false,
        };
        for funds in [None, Some(Money(1))] {
            let mut v = seller();
            v.report(
                NOW,
                Report::SessionBegan {
                    device: "card".into(),
                    funds,
                },
                &means,
            );
            v.select(NOW, 2, &means);
            let request = Order::VendRequest {
                device: "card".into(),
                item: 2,
                price: Money(100),
            };
            assert_eq!(orders(&mut v), [request]);
        }
    }

    #[test]
    fn a_failed_card_vend_is_reported_and_never_becomes_cash() {
        let means = Tubes {
            payable: vec![100],
            multi: true,
        };
        let mut v = seller();
        v.report(
            NOW,
            Report::SessionBegan {
                device: "card".into(),
                funds: None,
            },
            &means,
        );
        v.select(NOW, 2, &means);
        v.report(NOW, Report::VendApproved { amount: Money(100) }, &means);
        orders(&mut v);
        v.delivered(NOW, false, &means);
        let expected = [
            Order::VendFailure("card".into()),
            Order::SessionComplete("card".into()),
        ];
        assert_eq!(orders(&mut v), expected);
        v.report(NOW, Report::SessionEnded, &means);
        v.press_return();
        assert_eq!((orders(&mut v), v.credit()), (vec![], Money::ZERO));
        assert!(v.take_movements().is_empty());
    }

    #[test]
    fn an_approval_that_nobody_waits_for_is_given_back() {
        let means = Tubes {
            payable: vec![],
            multi: false,
        };
        let mut v = seller();
        v.report(
            NOW,
            Report::SessionBegan {
                device: "card".into(),
                funds: None,
            },
            &means,
        );
        v.select(NOW, 2, &means);
        v.press_return();
        orders(&mut v);
        v.report(NOW, Report::VendApproved { amount: Money(100) }, &means);
        assert_eq!(orders(&mut v), [Order::VendFailure("card".into())]);
    }

    #[test]
    fn a_session_nobody_uses_ends() {
        let means = Tubes {
            payable: vec![],
            multi: false,
        };
        let mut v = seller();
        v.report(
            NOW,
            Report::SessionBegan {
                device: "card".into(),
                funds: None,
            },
            &means,
        );
        assert_eq!(v.next_deadline(), Micros::secs(30));
        v.wake(Micros::secs(30));
        assert_eq!(orders(&mut v), [Order::SessionComplete("card".into())]);
    }
}
