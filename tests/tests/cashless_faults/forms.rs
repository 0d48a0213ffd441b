//! Forms of commands that depend on what the board knows and how it is set: each word by word.

use super::*;
use payrig_controller::{Calendar, Clock, Mishap};
use payrig_mdb::cashless::Reason;
use payrig_peripherals::bill::{self, BillConfig, BillValidator};
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};

/// What the board said that begins so, without CHK.
pub(crate) fn words(bench: &Bench<Controller>, start: &str) -> Vec<String> {
    let all = bench.words();
    let own = all.iter().filter(|w| w.starts_with(start));
    own.map(|w| w.rsplit_once(' ').unwrap().0.to_owned())
        .collect()
}

pub(crate) fn booting(
    options: Options,
    reader: impl FnOnce(&mut CashlessConfig),
    change: impl FnOnce(&mut BoardConfig),
) -> Scene {
    let mut config = CashlessConfig {
        name: "card".to_owned(),
        level: Level::THREE,
        options,
        ..CashlessConfig::default()
    };
    reader(&mut config);
    let mut expected = board(&[("card", ExpectedKind::Cashless(config.unit))]);
    expected.cashless.options = Options::DEFINED;
    change(&mut expected);
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let card = bench.plug("card", CashlessDevice::new(config));
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    Scene { bench, card }
}

/// 7.4.2, Y3-Y5: no display; a display of numbers and capitals.
#[test]
fn the_display_in_setup() {
    let s = booting(
        Options::NONE,
        |_| {},
        |b| {
            b.cashless.full_ascii = false;
            (b.cashless.columns, b.cashless.rows) = (0, 0);
        },
    );
    assert_eq!(words(&s.bench, "> 11* 00"), ["> 11* 00 03 00 00 00"]);
}

/// 7.4.23: Thursday, week 53, no summertime, a holiday; a minute later Friday and none.
#[test]
fn weekday_week_summertime_and_holiday() {
    let calendar = Calendar {
        summertime: Some(false),
        holidays: Some([(12, 31)].into()),
    };
    let mut s = with(
        Options::NONE,
        |_| {},
        |b| {
            b.cashless.clock = Clock::new([26, 12, 31], [23, 59, 0]);
            b.cashless.calendar = calendar;
        },
    );
    for (wait, expected) in [(0, "26 12 31 23 59"), (70, "27 01 01 00 00")] {
        s.bench.run_for(Micros::secs(wait));
        s.bench.forget();
        assert!(s.bench.at(&s.card, |d, now| d.ask_time(now)));
        s.bench.run_for(Micros::ms(400));
        let written = words(&s.bench, "> 17* 03");
        assert!(
            written[0].starts_with(&format!("> 17* 03 {expected}")),
            "{written:?}"
        );
        let rest = if wait == 0 {
            "04 53 00 01"
        } else {
            "05 53 00 00"
        };
        assert!(written[0].ends_with(rest), "{written:?}");
    }
}

/// 7.4.12: every reason the board has for not delivering what was selected at the reader.
#[test]
fn reasons_of_selection_denied() {
    for why in 0x02..=0x08 {
        let mut s = with(Options::REMOTE_VEND, |_| {}, |_| {});
        s.bench.master_mut().close_item(11, Some(Reason(why)));
        let pick = |d: &mut CashlessDevice, now| d.select_item(now, 11, 0, Card::unknown());
        assert!(s.bench.at(&s.card, pick));
        s.bench.run_for(Micros::secs(1));
        let denied = format!("> 13* 07 00 0B {why:02X}");
        assert_eq!(words(&s.bench, "> 13* 07"), [denied]);
        s.bench.master_mut().close_item(11, None);
        assert!(s.bench.at(&s.card, pick));
        s.bench.run_for(Micros::secs(1));
        s.rest();
        assert_eq!(s.sold(), 1, "to be had again");
    }
    // Another mode of the machine, where the reader is not disabled for it.
    let mut s = with(Options::REMOTE_VEND, |_| {}, |b| b.cards.in_service = true);
    let now = s.bench.now();
    s.bench.master_mut().set_service(now, true);
    let pick = |d: &mut CashlessDevice, now| d.select_item(now, 11, 0, Card::unknown());
    assert!(s.bench.at(&s.card, pick));
    s.bench.run_for(Micros::secs(1));
    assert_eq!(words(&s.bench, "> 13* 07"), ["> 13* 07 00 0B 09"]);
}

/// 7.4.8: every reason for a product that did not come.
#[test]
fn reasons_of_vend_failure() {
    for why in 0x00..=0x09 {
        let mut s = with(Options::BASKET, |_| {}, |_| {});
        s.card(500);
        s.bench.master_mut().mishap(11, Mishap::Fails(Reason(why)));
        s.bench.select(11);
        s.rest();
        // Item 11, 20 counts, none left, no options.
        let failed = format!("> 13* 03 00 0B 00 14 00 00 00 {why:02X}");
        assert_eq!(words(&s.bench, "> 13* 03"), [failed]);
        assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
        s.bench.assert_books_agree();
    }
}

/// 7.4.4, Z13-Z16: the board says what was chosen with the item.
#[test]
fn item_options_of_a_remote_vend() {
    let mut s = with(Options::REMOTE_VEND, |_| {}, |_| {});
    let options = 1 << 1 | 7 << 2 | 3 << 5;
    let pick = |d: &mut CashlessDevice, now| d.select_item(now, 14, options, Card::unknown());
    assert!(s.bench.at(&s.card, pick));
    s.bench.run_for(Micros::secs(1));
    s.rest();
    let says = "item 14 with no lid, sugar 7 of 7, cup 3 of 3";
    assert!(s.bench.noted(says), "{:?}", s.bench.notes());
    let reports = s.bench.words();
    let request = reports.iter().find(|w| w.starts_with("< 14")).unwrap();
    assert!(request.contains("00 0E 00 00 00 7E"), "{request}");
    assert_eq!(s.sold(), 1);
}

/// 7.4.14: the door is open.
#[test]
fn readers_are_disabled_in_service() {
    for (stay, expected) in [(false, 1), (true, 0)] {
        let mut s = with(Options::NONE, |_| {}, |b| b.cards.in_service = stay);
        let now = s.bench.now();
        s.bench.master_mut().set_service(now, true);
        s.rest();
        assert_eq!(words(&s.bench, "> 14* 00").len(), expected);
        let state = match stay {
            true => CashlessState::Enabled,
            false => CashlessState::Disabled,
        };
        assert_eq!(s.state(), state);
        let now = s.bench.now();
        s.bench.master_mut().set_service(now, false);
        s.rest();
        assert_eq!(words(&s.bench, "> 14* 01").len(), expected);
        assert_eq!(s.state(), CashlessState::Enabled);
    }
}

/// 7.4.14: one card at a time, where the board is set so.
#[test]
fn the_other_reader_is_disabled_during_a_session() {
    for (one, expected) in [
        (true, CashlessState::Disabled),
        (false, CashlessState::Enabled),
    ] {
        let mut expected_devices = board(&[
            ("card", ExpectedKind::Cashless(Unit::One)),
            ("phone", ExpectedKind::Cashless(Unit::Two)),
        ]);
        expected_devices.cards.one_at_a_time = one;
        let mut bench = Bench::new(Controller::new(expected_devices, Micros::ZERO));
        let [card, phone] = UNITS.map(|unit| {
            let name = if unit == Unit::One { "card" } else { "phone" };
            let config = CashlessConfig {
                name: name.to_owned(),
                unit,
                ..CashlessConfig::default()
            };
            bench.plug(name, CashlessDevice::new(config))
        });
        bench.run_until_ready();
        bench.run_for(Micros::secs(1));
        bench.forget();
        let mut s = Scene { bench, card };
        s.card(500);
        s.bench.run_for(Micros::secs(1));
        assert_eq!(phone.borrow().device().state(), expected);
        s.bench.select(11);
        s.rest();
        assert_eq!(phone.borrow().device().state(), CashlessState::Enabled);
        let disabled = usize::from(one);
        assert_eq!(words(&s.bench, "> 64* 00").len(), disabled);
        assert_eq!(words(&s.bench, "> 64* 01").len(), disabled);
        assert_eq!(words(&s.bench, "> 14*"), Vec::<String>::new());
        s.bench.assert_books_agree();
    }
}

/// FFH of sections 5.3, 6.3 and 7.4.30, with bytes that are the maker's, answered with bytes of
/// the maker's; the board shows what it heard, and all are polled on.
#[test]
fn diagnostics_of_every_device() {
    let expected = board(&[
        ("card", ExpectedKind::Cashless(Unit::One)),
        ("changer", ExpectedKind::Changer),
        ("bill", ExpectedKind::BillValidator),
    ]);
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let diagnostics = Some(vec![0xAB, 0xCD]);
    let card = CashlessDevice::new(CashlessConfig {
        diagnostics: diagnostics.clone(),
        ..CashlessConfig::default()
    });
    let card = bench.plug("card", card);
    let changer = ChangerConfig {
        diagnostics: diagnostics.clone(),
        ..ChangerConfig::demo()
    };
    let changer = Changer::new(changer, Quirks::default()).unwrap();
    bench.plug("changer", changer);
    let bill = BillConfig {
        diagnostics,
        ..BillConfig::default()
    };
    let bill = BillValidator::new(bill, bill::Quirks::default()).unwrap();
    bench.plug("bill", bill);
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    bench.forget();
    let mut s = Scene { bench, card };
    for (name, command, answer) in [
        ("card", "> 17* FF 01 A0", "< FF AB CD"),
        ("changer", "> 0F* FF 01 A0", "< AB CD"),
        ("bill", "> 37* FF 01 A0", "< AB CD"),
    ] {
        s.bench.forget();
        let now = s.bench.now();
        assert!(s.bench.master_mut().diagnose(now, name, &[0x01, 0xA0]));
        s.bench.run_for(Micros::secs(1));
        assert_eq!(
            words(&s.bench, "> 17* FF").len()
                + words(&s.bench, "> 0F* FF").len()
                + words(&s.bench, "> 37* FF").len(),
            1
        );
        assert_eq!(words(&s.bench, command), [command]);
        assert_eq!(words(&s.bench, answer).len(), 1, "{name}");
        assert!(s.bench.noted("DIAGNOSTICS"), "{:?}", s.bench.notes());
    }
    let now = s.bench.now();
    assert!(!s.bench.master_mut().diagnose(now, "nobody", &[]));
    s.bench.forget();
    s.bench.run_for(Micros::secs(20));
    assert!(words(&s.bench, "> 30*").is_empty(), "nobody was RESET");
    s.bench.run_until_ready();
}

/// Every form that width, basket and enhanced item numbers give the VEND commands (7.4.5, 7.4.7,
/// 7.4.8, 7.4.10, 7.4.11): as long as the tables of the section say, and understood by the reader.
#[test]
fn every_form_of_the_vend_commands() {
    let forms = [
        Options::MONEY_32,
        Options::MULTI_CURRENCY,
        Options::BASKET,
        Options::ENHANCED_ITEMS,
    ];
    for n in 0..16_u32 {
        let mut options = Options::NEGATIVE_VEND;
        for (bit, option) in forms.into_iter().enumerate() {
            if n >> bit & 1 != 0 {
                options = options | option;
            }
        }
        let has = |option: Options| options.contains(option);
        let wide = has(Options::MONEY_32) || has(Options::MULTI_CURRENCY);
        let (money, code) = if wide { (4, 2) } else { (2, 0) };
        let basket = usize::from(has(Options::BASKET));
        let enhanced = usize::from(has(Options::ENHANCED_ITEMS));
        let mut expected = board(&[
            ("card", ExpectedKind::Cashless(Unit::One)),
            ("changer", ExpectedKind::Changer),
        ]);
        expected.cashless.options = Options::DEFINED;
        let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
        let config = CashlessConfig {
            name: "card".to_owned(),
            level: Level::THREE,
            options,
            ..CashlessConfig::default()
        };
        let card = bench.plug("card", CashlessDevice::new(config));
        let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
        bench.plug("changer", changer);
        bench.run_until_ready();
        bench.run_for(Micros::secs(1));
        let mut s = Scene { bench, card };
        // Bought, not delivered, given back, and a test vend.
        s.card(500);
        s.bench.select(11);
        s.rest();
        s.card(500);
        s.bench.master_mut().mishap(11, Mishap::Jam);
        s.bench.select(11);
        s.rest();
        s.card(500);
        let now = s.bench.now();
        s.bench.master_mut().give_back(now, 7, Money(25));
        s.rest();
        let now = s.bench.now();
        s.bench.master_mut().test_vend(now, 11);
        s.rest();
        for (start, length) in [
            // Sub-command and item count with the address; PA101 twice, six characters each.
            ("> 13* 00", 4 + money + basket * (5 + money)),
            ("> 13* 02", 4 + enhanced * 14 + basket * (2 * money + 1)),
            ("> 13* 03", 2 + basket * (2 + 2 * money + 1 + 1)),
            ("> 13* 05", 4 + money + code + enhanced * 15),
            ("> 13* 06", 4 + money),
        ] {
            let said = words(&s.bench, start);
            assert!(!said.is_empty(), "{start} with {options}");
            for one in said {
                // After the arrow.
                let bytes = one.split(' ').count() - 1;
                assert_eq!(bytes, length, "{one} with {options}");
            }
        }
        assert_eq!(s.bench.master().vending().sold().len(), 2);
        assert!(!s.bench.noted("out of sequence"), "{options}");
        let texts = s.bench.conversation(Address::CASHLESS_1);
        let other = texts.iter().find(|t| t.text().contains("in the form of"));
        assert!(other.is_none(), "{options}: {:?}", other.map(|t| t.text()));
        s.bench.assert_books_agree();
    }
}

/// 7.4.23: the board writes the time by itself where it is set so, to readers of level 02 on, once
/// after each set-up.
#[test]
fn clocks_of_readers_are_set() {
    for (level, times) in [(1, 0), (2, 1), (3, 1)] {
        let mut s = booting(
            Options::NONE,
            |c| c.level = Level(level),
            |b| {
                b.cashless.clock = Clock::new([26, 12, 31], [12, 0, 0]);
                b.cashless.set_clocks = true;
            },
        );
        let told = |s: &Scene| words(&s.bench, "> 17* 03 26 12 31 12 00").len();
        assert_eq!(told(&s), times, "level {level}");
        assert_eq!(s.card.borrow().device().time().is_some(), times == 1);
        let card = s.card.clone();
        s.bench.power(&card, false);
        s.bench.run_for(Micros::ms(500));
        s.bench.power(&card, true);
        s.bench.run_for(Micros::secs(3));
        s.bench.run_until_ready();
        s.bench.run_for(Micros::secs(1));
        assert_eq!(told(&s), 2 * times, "level {level}");
    }
}
