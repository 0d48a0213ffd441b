//! Two cashless devices at once, cash and card together: example 24.

use super::*;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};

struct Pair {
    bench: Bench<Controller>,
    one: Reader,
    two: Reader,
    changer: Plugged<Changer>,
}

fn pair(options: Options) -> Pair {
    let mut expected = board(&[
        ("one", ExpectedKind::Cashless(Unit::One)),
        ("two", ExpectedKind::Cashless(Unit::Two)),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.items = vec![item(1, "Water", 200), item(2, "Juice", 200)];
    expected.multi_vend = true;
    expected.cards.mixed = true;
    expected.cashless.options = Options::DEFINED;
    for (number, code) in [(1, "C1"), (2, "C2")] {
        expected.cashless.codes.insert(number, code.to_owned());
    }
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let [one, two] = UNITS.map(|unit| {
        let config = CashlessConfig {
            name: if unit == Unit::One { "one" } else { "two" }.to_owned(),
            unit,
            level: Level::THREE,
            options,
            approve_delay: Micros::ZERO,
            answers: Answers::Straight,
            ..CashlessConfig::default()
        };
        let name = config.name.clone();
        bench.plug(&name, CashlessDevice::new(config))
    });
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    Pair {
        bench,
        one,
        two,
        changer,
    }
}

impl Pair {
    /// Both in Session Idle; the first card came first.
    fn both_cards(&mut self) {
        for reader in [self.one.clone(), self.two.clone()] {
            self.bench.at(&reader, |d, now| {
                d.present_card(now, Card::with(Money(1000)))
            });
            self.bench.run_for(Micros::ms(400));
        }
        self.bench.forget();
    }

    /// Commands and answers of both readers, in order: 1 or 2, then who says what.
    fn said(&self) -> Vec<String> {
        let spoken = self.bench.spoken();
        let mut lines = Vec::new();
        for s in spoken {
            let unit = match s.frame.address {
                Some(Address::CASHLESS_1) => 1,
                Some(Address::CASHLESS_2) => 2,
                _ => continue,
            };
            lines.push(format!("{unit} {}", s.name()));
        }
        // Idle POLLs.
        let mut kept: Vec<String> = Vec::new();
        for line in lines {
            let idle =
                line.ends_with("< ACK") && kept.last().is_some_and(|l| l.ends_with("> POLL"));
            if idle {
                kept.pop();
            } else {
                kept.push(line);
            }
        }
        kept
    }
}

#[test]
fn example_24_cash_sale_with_two_cashless_devices() {
    let mut p = pair(Options::ENHANCED_ITEMS);
    p.both_cards();
    p.bench.select(1);
    p.bench.run_until_quiet(Micros::secs(1));
    // 1.50 in cash: one dollar and two quarters.
    for coin in [3, 2, 2] {
        p.bench
            .at(&p.changer, |d, now| d.insert_coin(now, CoinType::of(coin)));
        p.bench.run_for(Micros::secs(1));
    }
    assert_eq!(p.bench.credit(), Money(150));
    p.bench.select(2);
    p.bench.run_until_quiet(Micros::secs(1));
    let drawn = [
        "1 > VEND REQUEST",
        "1 < VEND APPROVED",
        "1 > ACK",
        "1 > VEND SUCCESS",
        "1 < ACK",
        "2 > CASH SALE",
        "2 < ACK",
        "2 > VEND REQUEST",
        "2 < VEND APPROVED",
        "2 > ACK",
        "2 > VEND SUCCESS",
        "2 < ACK",
    ];
    let said = p.said();
    assert_eq!(said[..drawn.len()], drawn);
    let mut sales = said[drawn.len()..].to_vec();
    sales.sort();
    // Each on its own line of the bus: their order is that of the POLLs.
    let expected = ["1 < ACK", "1 > CASH SALE", "2 < ACK", "2 > CASH SALE"];
    assert_eq!(sales, expected);

    let words = p.bench.words();
    let sale = |at: &str, price: &str, item: u8, flags: u8| {
        let name = format!("43 3{item} 20 20 20 20");
        let text = format!("> {at}* 05 {price} 00 0{item} 00 0{item} {name} {name} 0{flags}");
        assert!(words.iter().any(|w| w.starts_with(&text)), "{text}");
    };
    // Item 1 to the other device: 2.00, flags 010. Item 2: 1.50 to the one that took part, 2.00 to
    // the other, flags 101. Counts of 0.05.
    sale("63", "00 28", 1, 0b010);
    sale("63", "00 1E", 2, 0b101);
    sale("13", "00 28", 2, 0b101);
    let request = "> 63* 00 00 0A 00 02";
    assert!(words.iter().any(|w| w.starts_with(request)), "0.50 of it");
    let receipts = ["one receipts", "two receipts"].map(|p2| p.bench.balance(p2));
    assert_eq!(receipts, [Money(200), Money(50)]);
    p.bench.assert_books_agree();
}

/// Both sessions end when the customer presses return.
#[test]
fn two_cards_at_once_and_return() {
    let mut p = pair(Options::NONE);
    p.both_cards();
    p.bench.press_return();
    p.bench.run_until_quiet(Micros::secs(1));
    for reader in [&p.one, &p.two] {
        assert_eq!(reader.borrow().device().state(), CashlessState::Enabled);
    }
    assert!(!p.bench.master().vending().in_session());
    p.bench.assert_books_agree();
}
