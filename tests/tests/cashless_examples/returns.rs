//! Items given back: example 10.

use super::*;
use payrig_controller::Mishap;

const RETURN: &[&str] = &["> NEGATIVE VEND REQUEST", "< ACK"];

fn returned(change: impl FnOnce(&mut CashlessConfig), mishap: Option<Mishap>) -> Scene {
    let mut s = with(Options::NEGATIVE_VEND, change, |_| {});
    s.card(500);
    if let Some(mishap) = mishap {
        s.bench.master_mut().mishap(7, mishap);
    }
    let now = s.bench.now();
    s.bench.master_mut().give_back(now, 7, Money(25));
    s.bench.run_for(Micros::secs(1));
    s.rest();
    s
}

#[test]
fn example_10_single_negative_vend() {
    let s = returned(|_| {}, None);
    assert_said(&s, &[BEGIN_SESSION, RETURN, APPROVED, SUCCESS, END]);
    assert_eq!(s.balance("card card account"), 525);
    s.bench.assert_books_agree();
}

/// Example 10, second condition: the product is not finally accepted: VEND FAILURE, no credit.
#[test]
fn example_10_not_accepted_in_the_end() {
    let s = returned(|_| {}, Some(Mishap::Jam));
    assert_said(&s, &[BEGIN_SESSION, RETURN, APPROVED, FAILURE, END]);
    assert_eq!(s.balance("card card account"), 500);
    s.bench.assert_books_agree();
}

/// Example 10, first condition: denied, the session is completed, the product given back.
#[test]
fn example_10_denied() {
    use payrig_peripherals::cashless::Policy;
    let s = returned(|c| c.policy = Policy::Deny, None);
    assert_said(&s, &[BEGIN_SESSION, RETURN, DENIED, END]);
    assert_eq!(s.balance("card card account"), 500);
    s.bench.assert_books_agree();
}
