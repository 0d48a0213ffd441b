//! CASH SALE: lengths, item number conventions, who hears of it (7.4.10).

use super::*;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};

/// A reader to which everything sold for cash was reported: free, as a test, for coins, given back.
fn told(options: Options, takes: bool) -> (Scene, Plugged<Changer>) {
    let mut expected = board(&[
        ("card", ExpectedKind::Cashless(Unit::One)),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.cashless.options = Options::DEFINED;
    expected.items = vec![item(1, "Leaflet", 0), item(2, "Water", 100)];
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let config = CashlessConfig {
        name: "card".to_owned(),
        level: Level::THREE,
        options,
        cash_sale: takes,
        ..CashlessConfig::default()
    };
    let card = bench.plug("card", CashlessDevice::new(config));
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    bench.forget();
    let mut s = Scene { bench, card };
    s.bench.select(1);
    s.bench.run_until_quiet(Micros::secs(1));
    let now = s.bench.now();
    s.bench.master_mut().test_vend(now, 2);
    s.bench.run_until_quiet(Micros::secs(1));
    s.bench
        .at(&changer, |d, now| d.insert_coin(now, CoinType::of(3)));
    assert!(s.bench.run_until(|b| b.credit() == Money(100)));
    s.bench.select(2);
    s.bench.run_until_quiet(Micros::secs(1));
    let now = s.bench.now();
    s.bench.master_mut().give_back(now, 7, Money(25));
    s.bench.run_for(Micros::secs(2));
    s.bench.run_until_quiet(Micros::secs(2));
    (s, changer)
}

fn sales(s: &Scene) -> Vec<String> {
    let words = s.bench.words();
    let sales = words.iter().filter(|w| w.starts_with("> 13* 05"));
    // Without address, sub-command and CHK.
    sales
        .map(|w| w[9..].rsplit_once(' ').unwrap().0.to_owned())
        .collect()
}

/// b15 free, b14 test, none, b13 negative; counts of 0.05.
#[test]
fn item_number_conventions() {
    let (s, _) = told(Options::NONE, true);
    let expected = ["00 00 80 01", "00 14 40 02", "00 14 00 02", "00 05 20 07"];
    assert_eq!(sales(&s), expected);
    assert_eq!(s.balance("customer"), -75, "one dollar in, a quarter back");
    s.bench.assert_books_agree();
}

#[test]
fn long_form_with_names_and_mixed_vend_flags() {
    let (s, _) = told(Options::ENHANCED_ITEMS, true);
    let names = "31 20 20 20 20 20 31 20 20 20 20 20";
    assert_eq!(sales(&s)[0], format!("00 00 80 01 00 01 {names} 01"));
    assert_eq!(sales(&s).len(), 4);
}

#[test]
fn expanded_currency_forms() {
    let (s, _) = told(Options::MONEY_32, true);
    assert_eq!(sales(&s)[2], "00 00 00 14 00 02 18 40");
    let (s, _) = told(Options::MONEY_32 | Options::ENHANCED_ITEMS, true);
    let names = "32 20 20 20 20 20 32 20 20 20 20 20";
    let expected = format!("00 00 00 14 00 02 18 40 00 02 {names} 01");
    assert_eq!(sales(&s)[2], expected);
}

/// Z8 b3 of READER CONFIGURATION DATA: not to readers that do not take it.
#[test]
fn only_to_readers_that_take_it() {
    let (s, _) = told(Options::NONE, false);
    assert_eq!(sales(&s), Vec::<String>::new());
}

/// A reader that is away hears of it when it is back.
#[test]
fn a_reader_that_is_away_hears_of_it_later() {
    let (mut s, changer) = told(Options::NONE, true);
    s.bench.forget();
    s.bench.power(&s.card.clone(), false);
    s.bench.run_for(Micros::secs(10));
    s.bench
        .at(&changer, |d, now| d.insert_coin(now, CoinType::of(3)));
    assert!(s.bench.run_until(|b| b.credit() == Money(100)));
    s.bench.select(2);
    s.bench.run_for(Micros::secs(5));
    assert_eq!(sales(&s), Vec::<String>::new());
    s.bench.power(&s.card.clone(), true);
    s.bench.run_until_ready();
    s.bench.run_for(Micros::secs(2));
    assert_eq!(sales(&s), ["00 14 00 02"]);
}
