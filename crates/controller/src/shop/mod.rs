//! Selling: credit, selections, delivery, change, refunds. Knows no bus; it hears [`Report`]s and
//! gives [`Order`]s.
//!
//! What it holds to, from the standard's best practices (MDB/ICP 4.3, Appendix 3, sections 3, 4):
//! nothing is decided on the balance a card session begins with; a bill in escrow is credited only
//! once it is stacked; card credit is never paid out as cash; a failed vend is reported as such.

mod card;
mod cash;
mod coupon;
mod delivery;
mod display;
mod order;
mod prices;
mod purse;
mod remote;
mod revalue;
mod sale;
mod shares;

#[cfg(test)]
mod tests;

pub use order::Order;
pub use prices::{CardPrice, Item, Tariffs};
pub(crate) use purse::{Purse, in_bills};
pub use shares::BasketShares;

use crate::drivers::{Reader, Report};
use card::Session;
use coupon::Pending;
use display::{Display, Entry};
use payrig_mdb::cashless::Reason;
use payrig_units::{Decimals, Micros, Money, Movement, Place};
use sale::Sale;
use std::collections::{BTreeMap, VecDeque};

/// How the board sells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Policy {
    /// Decimals of the display.
    pub decimals: Decimals,
    /// A card session without a selection ends after this; so do coupons and data entry.
    pub session_timeout: Micros,
    /// Go on with the session after a vend, where the reader allows it.
    pub multi_vend: bool,
    /// A bill that buys something is kept in escrow until something is bought.
    pub hold_bills: bool,
    /// Credit stays after a sale, for another.
    pub keep_credit: bool,
    /// How it sells to cards.
    pub cards: CardSales,
}

/// How the board sells to cards.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CardSales {
    /// Cash and card may pay for one sale: cash first (Appendix 3, section 4). Without it, cash in a
    /// card session is kept apart.
    pub mixed: bool,
    /// How a discount on a basket is spread.
    pub basket: BasketShares,
    /// While a card session is open, the other cashless devices are disabled (7.4.14).
    pub one_at_a_time: bool,
    /// Cards are welcome while the machine's door is open for service.
    pub in_service: bool,
    /// Prices that not all cards share.
    pub tariffs: Tariffs,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Stage {
    Idle,
    /// The card device was asked.
    Asking(Sale),
    /// The motor turns.
    Delivering(Sale),
    /// Coins or bills are being paid.
    Paying,
    /// The bill held in escrow is being stacked, to be spent on this, of which so much is due.
    Stacking(Sale, Money),
    /// Credit is on its way to a card.
    Revaluing {
        device: String,
        amount: Money,
    },
}

/// Questions the seller asks about the rest of the board while it decides.
pub trait Means {
    /// Can exactly this be paid?
    fn can_pay(&self, amount: Money) -> bool;
    /// Is there anything to pay change with? A machine without it keeps what is left as credit.
    fn gives_change(&self) -> bool {
        true
    }
    /// The card devices.
    fn readers(&self) -> Vec<Reader>;
}

fn is_payable(rest: Money, means: &dyn Means) -> bool {
    means.can_pay(rest) || !means.gives_change()
}

/// The seller.
#[derive(Clone, Debug)]
pub struct Vending {
    items: Vec<Item>,
    /// How often a price was set.
    price_changes: u32,
    policy: Policy,
    credit: Money,
    stage: Stage,
    /// Card sessions, the one whose turn it is first.
    sessions: Vec<Session>,
    coupon: Option<Pending>,
    entry: Option<Entry>,
    /// The bill held in escrow until something is bought, and where.
    held: Option<(String, Money)>,
    /// What may have been paid and may not, by device: part of no credit until that is known.
    doubts: Vec<(String, Money)>,
    /// Vend tokens not used yet.
    tokens: u32,
    /// A bill in escrow that waits for what the card can take.
    for_card: Option<(String, Money)>,
    display: Display,
    orders: VecDeque<Order>,
    movements: Vec<Movement>,
    shown: Vec<String>,
    sold: Vec<u16>,
    /// Items that are not to be had, and why.
    closed: BTreeMap<u16, Reason>,
    in_service: bool,
}

impl Vending {
    /// A machine with these items, and no credit.
    #[must_use]
    pub fn new(items: Vec<Item>, policy: Policy) -> Self {
        Self {
            items,
            price_changes: 0,
            policy,
            credit: Money::ZERO,
            stage: Stage::Idle,
            sessions: Vec::new(),
            coupon: None,
            entry: None,
            held: None,
            doubts: Vec::new(),
            tokens: 0,
            for_card: None,
            display: Display::default(),
            orders: VecDeque::new(),
            movements: Vec::new(),
            shown: Vec::new(),
            sold: Vec::new(),
            closed: BTreeMap::new(),
            in_service: false,
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
        self.sessions.iter().any(Session::is_open)
    }

    /// What the display shows.
    #[must_use]
    pub fn display(&self) -> &str {
        &self.display.text
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
        let idle = self.stage == Stage::Idle;
        let sessions = self.sessions.iter().filter(|s| idle && s.is_open());
        let sessions = sessions.map(|s| s.until).min();
        let coupon = self.coupon.as_ref().filter(|_| idle).map(|c| c.until);
        let entry = self.entry.as_ref().map(|e| e.until);
        [sessions, coupon, entry, self.display_deadline()]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(Micros::NEVER)
    }

    /// Ends what nobody uses: sessions, coupons, data entry.
    pub fn wake(&mut self, now: Micros) {
        if now < self.next_deadline() {
            return;
        }
        self.take_back_display(now);
        if self.entry.as_ref().is_some_and(|e| now >= e.until) {
            self.give_up_keys();
        }
        if self.stage != Stage::Idle {
            return;
        }
        if self.coupon.as_ref().is_some_and(|c| now >= c.until) {
            self.reject_coupon();
        }
        let over = |s: &&Session| s.is_open() && now >= s.until;
        let over: Vec<String> = self
            .sessions
            .iter()
            .filter(over)
            .map(Session::name)
            .collect();
        for device in over {
            self.show("No selection made");
            self.end_session(&device);
        }
    }

    /// A peripheral reports.
    pub fn report(&mut self, now: Micros, report: Report, means: &dyn Means) {
        match report {
            Report::Credit {
                device,
                value,
                what,
            } => self.credited(device, value, what, means),
            Report::BillEscrowed { device, value } => self.bill_escrowed(device, value, means),
            Report::BillReturned { .. } => self.bill_returned(),
            Report::Service { device, value } => self.serviced(device, value),
            Report::Token { device } => {
                self.tokens = self.tokens.saturating_add(1);
                self.show(format!("{device}: token, choose any item"));
            }
            Report::ReturnLever => self.press_return(),
            Report::PaidOut { device, value } => self.paid_out(device, value, means),
            Report::PayoutFailed => {
                self.stage = Stage::Idle;
                self.show_credit();
            }
            Report::BillsNotPaid => self.bills_not_paid(means),
            Report::PayingOut { value } => {
                let left = self.credit.saturating_sub(value);
                self.show(format!("Credit {}", left.show(self.policy.decimals)));
            }
            Report::PayoutGivenUp {
                device,
                value,
                doubt,
            } => {
                self.stage = Stage::Idle;
                self.paid_by(device.clone(), value, "change paid, as far as is known");
                self.doubt(device, doubt, "ordered, and not known to be paid");
                self.show_credit();
            }
            Report::PaidLate { device, value } => {
                self.paid_late(device, value);
                self.show_credit();
            }
            Report::SessionBegan { device, card } => {
                self.session_began(now, device, card, means);
            }
            Report::VendApproved { device, amount } => self.vend_approved(&device, amount),
            Report::VendDenied { device } => self.vend_denied(now, &device, means),
            Report::SessionCancelled { device } => self.session_cancelled(&device),
            Report::SessionEnded { device } => self.session_ended(&device, means),
            Report::SessionLost { device } => self.session_lost(&device, means),
            Report::RevalueLimit { device, limit } => self.limit_came(&device, limit, means),
            Report::Revalued { device, done } => self.revalued(&device, done, means),
            Report::Selection {
                device,
                item,
                funds,
            } => self.remote_selection(now, device, item, funds, means),
            Report::Coupon(coupon) => self.coupon_came(now, coupon, means),
            Report::KeysWanted { device, count } => self.keys_wanted(now, device, count),
            Report::KeysCancelled { device } => self.keys_cancelled(&device),
            Report::Shown { device, text, time } => self.show_for(now, &device, text, time),
            Report::Notice(text) => self.shown.push(text),
        }
    }

    /// The coin return: keys, bill, coupon, request, sessions and credit, whichever there are
    /// (MDB/ICP 4.3, section 7.3.2).
    pub fn press_return(&mut self) {
        self.give_up_keys();
        match std::mem::replace(&mut self.stage, Stage::Idle) {
            Stage::Idle => {
                self.reject_coupon();
                self.return_held();
                if self.in_session() {
                    self.end_sessions();
                } else {
                    self.orders.push_back(Order::CancelReaders);
                }
                self.pay_back();
            }
            Stage::Asking(sale) => {
                self.withdraw(&sale);
                self.show_credit();
            }
            stage => self.stage = stage,
        }
    }

    /// The board has lost its power: what was under way is not known to it any more. Credit stays,
    /// and so does a payout that can be counted once power is back (`countable`).
    pub fn power_lost(&mut self, countable: bool) {
        if let Stage::Delivering(sale) = &self.stage
            && let Some(card) = &sale.card
        {
            let amount = card.approved.show(self.policy.decimals);
            let text = format!(
                "power was lost during a vend: {} has taken {amount} for what was not delivered",
                card.device
            );
            self.shown.push(text);
        }
        let counted = countable && self.stage == Stage::Paying;
        if self.stage == Stage::Paying {
            let amount = self.credit.show(self.policy.decimals);
            let how = match counted {
                true => "is counted when power is back",
                false => "is not known",
            };
            let text = format!("power was lost during a payout: how much of {amount} {how}");
            self.shown.push(text);
        }
        if let Stage::Revaluing { device, amount } = &self.stage {
            let (device, amount) = (device.clone(), *amount);
            let text = format!(
                "power was lost while {} went onto a card: nobody can tell whether it is there",
                amount.show(self.policy.decimals)
            );
            self.shown.push(text);
            self.doubt(
                device,
                amount,
                "sent to the card, and not known to be on it",
            );
        }
        if !counted {
            self.stage = Stage::Idle;
        }
        self.sessions.clear();
        self.coupon = None;
        self.entry = None;
        self.held = None;
        self.for_card = None;
        self.orders.clear();
    }

    fn claim(&mut self, from: Place, to: Place, amount: Money, why: String) {
        if amount > Money::ZERO {
            self.movements.push(Movement {
                from,
                to,
                amount,
                why,
            });
        }
    }
}
