//! Prices as the board announces them: known or not, by list and group, with options, and sales reported.

use super::forms::{booting, words};
use super::*;
use payrig_controller::{CardPrice, Mishap};
use payrig_mdb::CurrencyCode;
use payrig_mdb::cashless::{PaymentMedia, UserSettings};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, ChangerConfig, CoinConfig, CoinWorth, Quirks};

/// 7.4.3: 0.65 and 1.25 in steps of 0.05, in both forms; FFFFH and 0000H where they are not known.
#[test]
fn prices_known_and_unknown_in_both_forms() {
    for (announce, short, long) in [
        (
            true,
            "> 11* 01 00 19 00 0D",
            "> 11* 01 00 00 00 19 00 00 00 0D 18 40",
        ),
        (
            false,
            "> 11* 01 FF FF 00 00",
            "> 11* 01 FF FF FF FF 00 00 00 00 18 40",
        ),
    ] {
        for options in [Options::NONE, Options::MONEY_32, Options::MULTI_CURRENCY] {
            let s = booting(options, |_| {}, |b| b.cashless.announce_prices = announce);
            let expected: &[&str] = match options {
                Options::NONE => &[short],
                _ => &[short, long],
            };
            assert_eq!(words(&s.bench, "> 11* 01"), expected, "{options}");
        }
    }
}

/// 7.4.3: "any time there is a change" of the highest or lowest price, and then only.
#[test]
fn prices_that_change_are_announced_again() {
    let mut s = booting(Options::MONEY_32, |_| {}, |_| {});
    s.bench.forget();
    let now = s.bench.now();
    s.bench.master_mut().set_price(now, 12, Money(150));
    s.rest();
    let told = "> 11* 01 00 00 00 1E 00 00 00 0D 18 40";
    assert_eq!(words(&s.bench, "> 11*"), [told]);
    s.bench.master_mut().set_price(now, 12, Money(150));
    s.rest();
    assert_eq!(words(&s.bench, "> 11*").len(), 1);
    s.card(200);
    s.bench.select(12);
    s.rest();
    assert_eq!((s.balance("card receipts"), s.sold()), (150, 1));
}

fn media(kind: u8, data: [u8; 2]) -> Card {
    let id = None;
    Card {
        media: PaymentMedia { id, kind, data },
        ..Card::with(Money(500))
    }
}

/// 7.4.4, Z8-Z10: price lists and discount groups of user groups, and what the board does not know
/// of them. Prices as VEND REQUEST carries them, in steps of 0.05.
#[test]
fn prices_by_list_group_and_percentage() {
    for (kind, data, count) in [
        // List 2 has crisps at 0.80; list 9 is not known, neither is user group 7.
        (0x01, [1, 2], "00 10"),
        (0x01, [1, 9], "00 14"),
        (0x01, [7, 2], "00 14"),
        // Group 4: half; group 5 is not known.
        (0x02, [1, 4], "00 0A"),
        (0x02, [1, 5], "00 14"),
        (0x02, [7, 4], "00 14"),
        (0x03, [0, 25], "00 0F"),
        (0x04, [0, 10], "00 16"),
        // Free vend and test cards have types of prices too.
        (0xC1, [1, 2], "00 10"),
        (0x05, [1, 2], "00 14"),
    ] {
        let mut s = with(
            Options::NONE,
            |_| {},
            |b| {
                b.cards.tariffs.lists = [(2, [(11, Money(80))].into())].into();
                b.cards.tariffs.discount_groups = [(4, 50)].into();
                b.cards.tariffs.user_groups = Some([1].into());
            },
        );
        s.present(media(kind, data));
        s.bench.select(11);
        s.rest();
        let expected = format!("> 13* 00 {count} 00 0B");
        assert_eq!(words(&s.bench, "> 13* 00"), [expected], "{kind} {data:?}");
        assert_eq!(s.sold(), 1);
        s.bench.assert_books_agree();
    }
}

/// A list's price holds for each item of a basket.
#[test]
fn a_basket_by_price_list() {
    let mut s = with(
        Options::BASKET,
        |_| {},
        |b| b.cards.tariffs.lists = [(2, [(11, Money(80)), (12, Money(120))].into())].into(),
    );
    s.present(media(1, [0, 2]));
    let now = s.bench.now();
    s.bench.master_mut().select_basket(now, &[11, 12, 13]);
    s.rest();
    // 0.80, 1.20 and the normal 1.00: 60 counts for three items.
    let request = "> 13* 00 00 3C FF FF 00 00 00 00 03 00 00";
    assert_eq!(words(&s.bench, "> 13* 00"), [request]);
    assert_eq!((s.balance("card receipts"), s.sold()), (300, 3));
    s.bench.assert_books_agree();
}

/// 7.4.5, 7.4.7, 7.4.8 with the basket option: 0.25 of the price is for options of the item. Counts
/// of 0.05: 25 of which 5.
#[test]
fn options_price() {
    let mut s = with(Options::BASKET, |_| {}, |b| b.multi_vend = true);
    s.card(500);
    let now = s.bench.now();
    s.bench.master_mut().select_with_options(now, 11, Money(25));
    s.rest();
    s.bench.master_mut().mishap(11, Mishap::Jam);
    let now = s.bench.now();
    s.bench.master_mut().select_with_options(now, 11, Money(25));
    s.rest();
    let request = "> 13* 00 00 19 00 0B 00 00 00 00 01 00 05";
    assert_eq!(words(&s.bench, "> 13* 00"), [request, request]);
    let approved = words(&s.bench, "< 05");
    assert_eq!(approved, ["< 05 00 19 00 05", "< 05 00 19 00 05"]);
    let success = "> 13* 02 00 0B 00 19 00 00 05";
    assert_eq!(words(&s.bench, "> 13* 02"), [success]);
    let failure = "> 13* 03 00 0B 00 19 00 00 05 02";
    assert_eq!(words(&s.bench, "> 13* 03"), [failure]);
    assert_eq!((s.balance("card receipts"), s.sold()), (125, 1));
    s.bench.assert_books_agree();
    // Without the option there is one price; with a price list, what is added stays added.
    let mut s = with(
        Options::NONE,
        |_| {},
        |b| b.cards.tariffs.lists = [(2, [(11, Money(80))].into())].into(),
    );
    s.present(media(1, [0, 2]));
    let now = s.bench.now();
    s.bench.master_mut().select_with_options(now, 11, Money(25));
    s.rest();
    assert_eq!(words(&s.bench, "> 13* 00"), ["> 13* 00 00 15 00 0B"]);
    assert_eq!((s.balance("card receipts"), s.sold()), (105, 1));
    s.bench.assert_books_agree();
}

/// 7.4.10, b12: an item for a vend token of the changer; the price is reported, flag b0 of the mixed
/// vend flags says that no card paid.
#[test]
fn a_sale_for_a_token() {
    for (options, told) in [
        (Options::NONE, "> 13* 05 00 0D 10 0B".to_owned()),
        (
            Options::ENHANCED_ITEMS,
            format!("> 13* 05 00 0D 10 0B 00 0B {0} {0} 01", "31 31 20 20 20 20"),
        ),
    ] {
        let mut expected = board(&[
            ("card", ExpectedKind::Cashless(Unit::One)),
            ("changer", ExpectedKind::Changer),
        ]);
        expected.changer.tokens = true;
        expected.cashless.options = options;
        let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
        let config = CashlessConfig {
            level: Level::THREE,
            options,
            ..CashlessConfig::default()
        };
        let card = bench.plug("card", CashlessDevice::new(config));
        let mut config = ChangerConfig::demo();
        config.coins.push(Some(CoinConfig {
            worth: CoinWorth::Token,
            tube: None,
        }));
        let changer = Changer::new(config, Quirks::default()).unwrap();
        let changer = bench.plug("changer", changer);
        bench.run_until_ready();
        bench.run_for(Micros::secs(1));
        let mut s = Scene { bench, card };
        s.bench
            .at(&changer, |c, now| c.insert_coin(now, CoinType::of(4)));
        s.bench.run_for(Micros::secs(1));
        s.bench.select(11);
        s.rest();
        assert_eq!(words(&s.bench, "> 13* 05"), [told]);
        assert_eq!(s.sold(), 1);
        s.bench.assert_books_agree();
    }
}

/// 7.3 and 7.4.4, Z15-Z16: a card whose session is in a currency the board has no prices in. The
/// session is ended, nothing is charged; one in the reader's own currency is as any other.
#[test]
fn a_session_in_a_foreign_currency() {
    for (currency, sold) in [(CurrencyCode([0x19, 0x78]), 0), (CurrencyCode::USD, 1)] {
        let mut s = with(Options::MULTI_CURRENCY, |_| {}, |_| {});
        let user = UserSettings {
            currency: Some(currency),
            ..UserSettings::NONE
        };
        let card = Card {
            user: Some(user),
            ..Card::with(Money(500))
        };
        s.bench.at(&s.card, |d, now| d.present_card(now, card));
        s.bench.run_for(Micros::secs(1));
        s.bench.select(11);
        s.rest();
        assert_eq!(s.bench.noted("currency is not taken"), sold == 0);
        assert_eq!(words(&s.bench, "> 13* 00").len(), sold);
        assert_eq!(words(&s.bench, "> 13* 04").len(), 1);
        assert_eq!(s.sold(), sold);
        assert_eq!(s.state(), CashlessState::Enabled);
        s.bench.assert_books_agree();
    }
}

/// A card is asked for its own price (7.4.5) and readers hear the range of those (7.4.3): 1.00 in cash,
/// 1.10 on a card. Price lists and discounts of the card go beyond: 0.80 by list 2, half of 1.10 for
/// group 4.
#[test]
fn card_prices_are_asked_of_cards_and_cash_prices_of_cash() {
    for (kind, data, count) in [
        (0x00, [1, 0], "00 16"),
        (0x01, [1, 2], "00 10"),
        (0x02, [1, 4], "00 0B"),
    ] {
        let mut s = with(
            Options::NONE,
            |_| {},
            |b| {
                for item in &mut b.items {
                    item.card = CardPrice::More(Money(10));
                }
                b.cards.tariffs.lists = [(2, [(11, Money(80))].into())].into();
                b.cards.tariffs.discount_groups = [(4, 50)].into();
            },
        );
        s.present(media(kind, data));
        s.bench.select(11);
        s.rest();
        assert_eq!(
            words(&s.bench, "> 13* 00"),
            [format!("> 13* 00 {count} 00 0B")]
        );
        assert_eq!(s.sold(), 1);
        s.bench.assert_books_agree();
    }
}

/// A basket adds up card prices, and one item that fails is refunded at its card price.
#[test]
fn a_basket_at_card_prices() {
    let mut s = with(
        Options::BASKET,
        |_| {},
        |b| {
            for item in &mut b.items {
                item.card = CardPrice::Fixed(Money(150));
            }
        },
    );
    s.card(500);
    s.bench.master_mut().mishap(12, Mishap::Jam);
    let now = s.bench.now();
    s.bench.master_mut().select_basket(now, &[11, 12]);
    s.rest();
    // Twice 1.50: 60 counts; one of them comes back.
    let request = "> 13* 00 00 3C FF FF 00 00 00 00 02 00 00";
    assert_eq!(words(&s.bench, "> 13* 00"), [request]);
    assert_eq!((s.balance("card receipts"), s.sold()), (150, 1));
    s.bench.assert_books_agree();
}
