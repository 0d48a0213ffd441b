//! Cash onto the card (7.4.18, 7.4.19; Appendix 3, section 4).

use super::*;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::{self, BillConfig, BillKind, BillValidator};
use payrig_peripherals::changer::{self, Changer, ChangerConfig};

struct Till {
    s: Scene,
    bill: Plugged<BillValidator>,
    changer: Plugged<Changer>,
}

/// A reader whose cards hold 20.00 at most, a validator for 5, 10, 20, and a changer.
fn till(max: Option<i64>, revalue: bool) -> Till {
    let mut expected = board(&[
        ("card", ExpectedKind::Cashless(Unit::One)),
        ("bill", ExpectedKind::BillValidator),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.cashless.revalue = revalue;
    expected.items = vec![item(4, "Water", 100)];
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let config = CashlessConfig {
        name: "card".to_owned(),
        max_balance: max.map(Money),
        ..CashlessConfig::default()
    };
    let card = bench.plug("card", CashlessDevice::new(config));
    let config = BillConfig {
        name: "bill".to_owned(),
        bills: [100, 500, 1000].map(|v| BillKind::Value(Money(v))).to_vec(),
        ..BillConfig::default()
    };
    let bill = BillValidator::new(config, bill::Quirks::default()).unwrap();
    let bill = bench.plug("bill", bill);
    let changer = Changer::new(ChangerConfig::demo(), changer::Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    bench.forget();
    Till {
        s: Scene { bench, card },
        bill,
        changer,
    }
}

const LIMIT: &[&str] = &[
    "> REVALUE LIMIT REQUEST",
    "< ACK",
    "> POLL",
    "< REVALUE LIMIT AMOUNT",
    "> ACK",
];
const NO_LIMIT: &[&str] = &[
    "> REVALUE LIMIT REQUEST",
    "< ACK",
    "> POLL",
    "< REVALUE DENIED",
    "> ACK",
];
const REVALUE: &[&str] = &[
    "> REVALUE REQUEST",
    "< ACK",
    "> POLL",
    "< REVALUE APPROVED",
    "> ACK",
];

impl Till {
    fn bill(&mut self, bill_type: u8) {
        self.s
            .bench
            .at(&self.bill, |d, now| d.insert_bill(now, bill_type));
        self.s.bench.run_for(Micros::secs(12));
        self.s.rest();
    }

    fn coin(&mut self, coin_type: u8) {
        self.s.bench.at(&self.changer, |d, now| {
            d.insert_coin(now, CoinType::of(coin_type))
        });
        self.s.bench.run_for(Micros::secs(3));
        self.s.rest();
    }

    fn balances(&self) -> [i64; 3] {
        ["card card account", "bill stacker", "board: credit"].map(|p| self.s.balance(p))
    }
}

/// The bill is stacked before REVALUE REQUEST, and the limit known before it is stacked.
#[test]
fn a_bill_goes_onto_the_card() {
    let mut t = till(Some(2000), true);
    t.s.card(500);
    t.s.bench.run_for(Micros::secs(1));
    t.bill(2);
    assert_said(&t.s, &[BEGIN_SESSION, LIMIT, REVALUE, LIMIT]);
    assert_eq!(t.balances(), [1500, 1000, 0]);
    let names = t.s.bench.names();
    let at = |name: &str| names.iter().position(|n| n == name).unwrap();
    assert!(at("< REVALUE LIMIT AMOUNT") < at("> ESCROW"));
    assert!(at("> ESCROW") < at("> REVALUE REQUEST"));
    t.s.bench.assert_books_agree();
}

/// 18.00 on the card, 2.00 to go: a bill of 5.00 goes back out of the escrow, one of 1.00 is taken.
#[test]
fn a_bill_that_is_too_large_goes_back() {
    let mut t = till(Some(2000), true);
    t.s.card(1800);
    t.s.bench.run_for(Micros::secs(1));
    t.bill(1);
    assert_eq!(t.balances(), [1800, 0, 0]);
    assert_eq!(t.s.balance("customer"), 0, "it came back");
    t.bill(0);
    assert_eq!(t.balances(), [1900, 100, 0]);
    t.s.bench.assert_books_agree();
}

/// A reader that puts nothing on cards says REVALUE DENIED, not a limit of zero.
#[test]
fn a_reader_that_does_not_revalue() {
    let mut t = till(None, true);
    t.s.card(500);
    t.s.bench.run_for(Micros::secs(1));
    t.bill(1);
    assert_said(&t.s, &[BEGIN_SESSION, NO_LIMIT]);
    assert_eq!(t.balances(), [500, 0, 0]);
    t.s.bench.assert_books_agree();
}

/// Coins in a session, and credit from before it: "always revalue first".
#[test]
fn coins_go_onto_the_card() {
    let mut t = till(Some(2000), true);
    t.coin(3);
    assert_eq!(t.s.bench.credit(), Money(100));
    t.s.card(500);
    t.s.bench.run_for(Micros::secs(2));
    assert_eq!(t.balances(), [600, 0, 0]);
    t.coin(2);
    assert_eq!(t.balances(), [625, 0, 0]);
    t.s.bench.select(4);
    t.s.bench.run_for(Micros::secs(3));
    t.s.rest();
    assert_eq!(t.balances(), [525, 0, 0]);
    t.s.bench.assert_books_agree();
}

/// Where the board does not want it, a bill in a session goes back and nothing is asked.
#[test]
fn not_wanted() {
    let mut t = till(Some(2000), false);
    t.s.card(500);
    t.bill(1);
    assert_said(&t.s, &[BEGIN_SESSION]);
    assert_eq!(t.balances(), [500, 0, 0]);
    t.s.bench.assert_books_agree();
}

/// Card credit is never paid out as cash: after a revalue the return gives back the card only.
#[test]
fn what_is_on_the_card_stays_there() {
    let mut t = till(Some(2000), true);
    t.s.card(500);
    t.s.bench.run_for(Micros::secs(1));
    t.coin(3);
    t.s.bench.press_return();
    t.s.bench.run_for(Micros::secs(3));
    t.s.rest();
    assert_eq!(t.balances(), [600, 0, 0]);
    assert_eq!(t.s.balance("customer"), -100);
    t.s.bench.assert_books_agree();
}

/// The reader loses power in the middle of a revalue: at every moment the books agree, or say so.
#[test]
fn the_reader_loses_power_during_a_revalue() {
    for step in 0..60 {
        let mut t = till(Some(2000), true);
        t.s.card(500);
        t.s.bench.run_for(Micros::secs(1));
        t.s.bench
            .at(&t.changer, |d, now| d.insert_coin(now, CoinType::of(3)));
        t.s.bench.run_for(Micros::ms(23 * step));
        t.s.bench.power(&t.s.card.clone(), false);
        t.s.bench.run_for(Micros::ms(200));
        t.s.bench.power(&t.s.card.clone(), true);
        t.s.bench.run_for(Micros::secs(20));
        t.s.bench.run_until_ready();
        t.s.rest();
        assert_eq!(t.s.bench.books().ledger().sum(), 0);
        let on_card = t.s.balance("card card account");
        let agreed = on_card + t.s.bench.credit().as_minor() == 600;
        assert_eq!(agreed, t.s.bench.discrepancies().is_empty(), "step {step}");
    }
}

/// The board or the reader loses power at any moment of a revalue: the money is on the card, or paid
/// back, and never both on the card and in the cup; where it is neither, the books say so.
#[test]
fn a_power_cut_in_a_revalue_gives_no_money_twice() {
    let mut bad = Vec::new();
    for step in (0..400).filter(|n| n % 16 == 0 || (130..170).contains(n)) {
        for who in ["board", "reader", "both"] {
            let mut t = till(Some(2000), true);
            t.s.card(500);
            t.s.bench.run_for(Micros::secs(1));
            t.s.bench
                .at(&t.changer, |d, now| d.insert_coin(now, CoinType::of(3)));
            t.s.bench.run_for(Micros::ms(5 * step));
            let board = |t: &mut Till, on| {
                let now = t.s.bench.now();
                t.s.bench.master_mut().power(now, on);
            };
            let reader = |t: &mut Till, on| t.s.bench.power(&t.s.card.clone(), on);
            match who {
                "board" => {
                    board(&mut t, false);
                    t.s.bench.run_for(Micros::ms(2000));
                    board(&mut t, true);
                }
                "reader" => {
                    reader(&mut t, false);
                    t.s.bench.run_for(Micros::ms(200));
                    reader(&mut t, true);
                }
                // The reader first, the board while it waits for an answer.
                _ => {
                    reader(&mut t, false);
                    t.s.bench.run_for(Micros::ms(step % 7 * 50));
                    board(&mut t, false);
                    t.s.bench.run_for(Micros::ms(2000));
                    reader(&mut t, true);
                    board(&mut t, true);
                }
            }
            t.s.bench.run_for(Micros::secs(20));
            t.s.bench.run_until_ready();
            t.s.bench.press_return();
            t.s.bench.run_for(Micros::secs(20));
            let (card, cash) = (t.s.balance("card card account"), t.s.balance("customer"));
            let told = !t.s.bench.discrepancies().is_empty();
            if card + cash > 500 || told != (card + cash < 500) {
                bad.push((who, step * 5, card, cash, t.s.bench.discrepancies()));
            }
        }
    }
    assert!(bad.is_empty(), "{bad:?}");
}
