//! The seller by itself: reports in, orders out.

use super::*;
use crate::drivers::{CardSession, Delivery, NotDispensed, SaleKind, Sold};
use payrig_mdb::cashless::Reason;

struct Tubes {
    payable: Vec<i64>,
    multi: bool,
}

impl Means for Tubes {
    fn can_pay(&self, amount: Money) -> bool {
        amount.is_zero() || self.payable.contains(&amount.as_minor())
    }
    fn readers(&self) -> Vec<Reader> {
        let card = Reader {
            device: "card".into(),
            ready: true,
            multi_vend: self.multi,
            step: Money(5),
            ..Reader::default()
        };
        vec![card]
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
        hold_bills: false,
        keep_credit: false,
        cards: CardSales::default(),
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

const JAMMED: Delivery = Delivery {
    column: None,
    part: None,
    why: None,
    broken: false,
};

fn fell(column: u16) -> Delivery {
    Delivery {
        column: Some(column),
        ..JAMMED
    }
}

fn began(funds: Option<Money>) -> Report {
    let card = CardSession {
        funds,
        shown: true,
        ..CardSession::default()
    };
    Report::SessionBegan {
        device: "card".into(),
        card,
    }
}

fn failure(item: Option<u16>, reason: u8) -> Order {
    let failed = NotDispensed {
        item,
        amount: Money(100),
        options: Money::ZERO,
        left: 0,
        reason: Reason(reason),
    };
    Order::VendFailure {
        device: "card".into(),
        failed,
    }
}

fn approved(amount: i64) -> Report {
    Report::VendApproved {
        device: "card".into(),
        amount: Money(amount),
    }
}

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
    v.delivered(NOW, fell(1), &means);
    let sold = Sold {
        selected: 1,
        column: 1,
        price: Money(65),
        cash: Money(65),
        card: None,
        kind: SaleKind::Paid,
    };
    assert_eq!(
        orders(&mut v),
        [Order::Announce(sold), Order::Pay(Money(35))]
    );
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
        v.report(NOW, began(funds), &means);
        v.select(NOW, 2, &means);
        let request = Order::VendRequest {
            device: "card".into(),
            item: 2,
            price: Money(100),
            options: Money::ZERO,
            count: 1,
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
    v.report(NOW, began(None), &means);
    v.select(NOW, 2, &means);
    v.report(NOW, approved(100), &means);
    orders(&mut v);
    v.delivered(NOW, JAMMED, &means);
    let expected = [failure(Some(2), 2), Order::SessionComplete("card".into())];
    assert_eq!(orders(&mut v), expected);
    v.report(
        NOW,
        Report::SessionEnded {
            device: "card".into(),
        },
        &means,
    );
    v.press_return();
    let nothing = vec![Order::CancelReaders];
    assert_eq!((orders(&mut v), v.credit()), (nothing, Money::ZERO));
    assert!(v.take_movements().is_empty());
}

#[test]
fn an_approval_that_nobody_waits_for_is_given_back() {
    let means = Tubes {
        payable: vec![],
        multi: false,
    };
    let mut v = seller();
    v.report(NOW, began(None), &means);
    v.select(NOW, 2, &means);
    v.press_return();
    orders(&mut v);
    v.report(NOW, approved(100), &means);
    assert_eq!(orders(&mut v), [failure(None, 0)]);
}

#[test]
fn a_session_nobody_uses_ends() {
    let means = Tubes {
        payable: vec![],
        multi: false,
    };
    let mut v = seller();
    v.report(NOW, began(None), &means);
    assert_eq!(v.next_deadline(), Micros::secs(30));
    v.wake(Micros::secs(30));
    assert_eq!(orders(&mut v), [Order::SessionComplete("card".into())]);
}
