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
    let item = |number, price| Item::new(number, format!("item {number}"), Money(price));
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

fn two_prices(mixed: bool) -> Vending {
    let mut v = seller();
    v.policy.cards.mixed = mixed;
    v.set_card_price(1, CardPrice::More(Money(10)));
    v.set_card_price(2, CardPrice::Fixed(Money(80)));
    v
}

fn asked(v: &mut Vending) -> Vec<Money> {
    let all = orders(v).into_iter();
    all.filter_map(|order| match order {
        Order::VendRequest { price, .. } => Some(price),
        _ => None,
    })
    .collect()
}

/// 0.65 in cash and 0.75 on a card; 1.00 and 0.80.
#[test]
fn a_card_is_asked_for_the_card_price_and_cash_pays_the_cash_price() {
    let means = Tubes {
        payable: vec![10, 35, 75],
        multi: false,
    };
    for (item, on_card, in_cash) in [(1, 75, 65), (2, 80, 100)] {
        let mut v = two_prices(false);
        v.report(NOW, began(None), &means);
        v.select(NOW, item, &means);
        assert_eq!(asked(&mut v), [Money(on_card)]);
        v.report(NOW, approved(on_card), &means);
        v.delivered(NOW, fell(item), &means);
        let sales: Money = v.take_movements().iter().map(|m| m.amount).sum();
        assert_eq!(sales, Money(on_card));
        let mut v = two_prices(false);
        v.report(NOW, credit(100), &means);
        v.select(NOW, item, &means);
        v.delivered(NOW, fell(item), &means);
        assert_eq!(v.credit(), Money(100 - in_cash));
    }
}

/// Cash first, and the card pays the rest of the card price; cash that covers it all stays credit.
#[test]
fn a_sale_that_a_card_takes_part_in_has_the_card_price() {
    let means = Tubes {
        payable: vec![],
        multi: false,
    };
    for (item, cash, on_card) in [
        (1, 25, 50),
        (2, 25, 55),
        (2, 79, 1),
        (2, 80, 80),
        (2, 95, 80),
    ] {
        let mut v = two_prices(true);
        v.report(NOW, credit(cash), &means);
        v.report(NOW, began(None), &means);
        v.select(NOW, item, &means);
        assert_eq!(asked(&mut v), [Money(on_card)], "{item} with {cash}");
        v.report(NOW, approved(on_card), &means);
        v.delivered(NOW, fell(item), &means);
        let spent = if on_card == 80 { 0 } else { cash };
        assert_eq!(v.credit(), Money(cash - spent), "{item} with {cash}");
    }
}

#[test]
fn a_card_price_follows_the_cash_price_unless_it_is_fixed() {
    let mut v = two_prices(false);
    assert_eq!(v.price_range(), (Money(75), Money(80)));
    v.set_price(1, Money(200));
    v.set_price(2, Money(300));
    assert_eq!(v.price_range(), (Money(80), Money(210)));
    v.set_card_price(2, CardPrice::Same);
    assert_eq!(v.price_range(), (Money(210), Money(300)));
    assert_eq!(CardPrice::More(Money(-500)).of(Money(300)), Money::ZERO);
}

/// A coupon pays its part of the card price too.
#[test]
fn options_and_coupons_are_part_of_the_card_price() {
    let means = Tubes {
        payable: vec![],
        multi: false,
    };
    let mut v = two_prices(false);
    v.report(NOW, began(None), &means);
    v.select_with_options(NOW, 1, Money(20), &means);
    assert_eq!(asked(&mut v), [Money(95)]);
}
