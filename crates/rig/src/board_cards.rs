//! The keys of `[board]` about cashless devices: what a board uses of them, and how it sells to
//! their cards.

use super::cashless::read_options;
use super::error::RigError;
use super::fields::Fields;
use super::selections::read_number;
use payrig_bench::machine::Machine;
use payrig_controller::{BasketShares, CardSales, CashlessUse, Clock, Tariffs};
use payrig_units::Decimals;

/// What the board uses of its cashless devices.
pub(super) fn read_uses(fields: &Fields<'_>) -> Result<CashlessUse, RigError> {
    let mut uses = CashlessUse::default();
    if let Some(options) = read_options(fields, "cashless-options")? {
        uses.options = options;
    }
    uses.revalue = fields.boolean("revalue")?;
    uses.announce_prices = fields.boolean_or_none("announce-prices")?.unwrap_or(true);
    let columns = fields.number("display-columns", 0..33)?;
    uses.columns = columns.map_or(uses.columns, |n| n as u8);
    let rows = fields.number("display-rows", 0..33)?;
    uses.rows = rows.map_or(uses.rows, |n| n as u8);
    let full = fields.boolean_or_none("display-full-ascii")?;
    uses.full_ascii = full.unwrap_or(true);
    if let Some(text) = fields.string("clock")? {
        let clock = parse_clock(&text);
        uses.clock = Some(clock.ok_or_else(|| {
            fields.error(format!(
                "`clock` is \"{text}\"; expected date and time as in \"2026-12-31 23:59:00\""
            ))
        })?);
    }
    uses.set_clocks = fields.boolean("set-reader-clocks")?;
    if uses.set_clocks && uses.clock.is_none() {
        return Err(fields.error("`set-reader-clocks` needs `clock`, the time at the start"));
    }
    uses.calendar.summertime = fields.boolean_or_none("summertime")?;
    for value in fields.array("holidays")? {
        let day = value.get_ref().as_str().and_then(parse_holiday);
        let Some(day) = day else {
            return Err(fields.wrong("holidays", value, "days of the year, as in \"12-25\""));
        };
        uses.calendar.holidays.get_or_insert_default().insert(day);
    }
    Ok(uses)
}

/// How the board sells to cards.
pub(super) fn read_sales(
    fields: &Fields<'_>,
    machine: &Machine,
    decimals: Decimals,
) -> Result<CardSales, RigError> {
    let shares = [
        ("even", BasketShares::Even),
        ("on-failures", BasketShares::OnFailures),
    ];
    Ok(CardSales {
        mixed: fields.boolean("mixed-payments")?,
        basket: fields.word("basket-discount", &shares)?.unwrap_or_default(),
        one_at_a_time: fields.boolean("one-reader-at-a-time")?,
        in_service: fields.boolean("cards-in-service")?,
        tariffs: read_tariffs(fields, machine, decimals)?,
    })
}

/// What cards may have instead of the normal prices (7.4.4).
fn read_tariffs(
    fields: &Fields<'_>,
    machine: &Machine,
    decimals: Decimals,
) -> Result<Tariffs, RigError> {
    let mut tariffs = Tariffs::default();
    for row in fields.tables("list-price", "[[board.list-price]]")? {
        let list = row.number("list", 0..256)?;
        let list = row.need("list", "the number of a price list, 0 to 255", list)? as u8;
        let item = read_number(&row, "item", machine)?;
        let item = row.need("item", "an item: its number, or its keys in quotes", item)?;
        let price = row.money("price", decimals)?;
        let price = row.need("price", "an amount, as in \"0.80\"", price)?;
        row.finish()?;
        let prices = tariffs.lists.entry(list).or_default();
        if prices.insert(item, price).is_some() {
            return Err(row.error(format!("two prices of item {item} in list {list}")));
        }
    }
    for row in fields.tables("discount-group", "[[board.discount-group]]")? {
        let number = row.number("number", 0..256)?;
        let number = row.need("number", "the number of a discount group, 0 to 255", number)?;
        let percent = row.number("percent", 0..101)?;
        let percent = row.need("percent", "per cent off, 0 to 100", percent)?;
        row.finish()?;
        tariffs.discount_groups.insert(number as u8, percent as u8);
    }
    for value in fields.array("user-groups")? {
        let number = value.get_ref().as_integer();
        let number = number.and_then(|n| u8::from_str_radix(n.as_str(), n.radix()).ok());
        let Some(number) = number else {
            return Err(fields.wrong("user-groups", value, "numbers, 0 to 255"));
        };
        tariffs.user_groups.get_or_insert_default().insert(number);
    }
    Ok(tariffs)
}

/// `12-25`: a day there is in some year.
fn parse_holiday(text: &str) -> Option<(u8, u8)> {
    let (month, day) = text.split_once('-')?;
    let two = |part: &str| (part.len() == 2).then(|| part.parse().ok())?;
    let (month, day) = (two(month)?, two(day)?);
    Clock::new([24, month, day], [0, 0, 0]).map(|_| (month, day))
}

/// `2026-12-31 23:59:00`, years 2000 to 2099.
fn parse_clock(text: &str) -> Option<Clock> {
    let (date, time) = text.strip_prefix("20")?.split_once(' ')?;
    let three = |text: &str, between: char| -> Option<[u8; 3]> {
        let mut parts = text.split(between).map(|part| match part.len() {
            2 => part.parse().ok(),
            _ => None,
        });
        let numbers = [parts.next()??, parts.next()??, parts.next()??];
        parts.next().is_none().then_some(numbers)
    };
    Clock::new(three(date, '-')?, three(time, ':')?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parse;
    use payrig_controller::BoardConfig;
    use payrig_mdb::cashless::Options;
    use payrig_units::Money;
    use std::path::Path;

    fn config(board: &str) -> Result<BoardConfig, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{board}\n[[board.item]]\nnumber = 11\n\
             price = \"1.00\"\n[[device]]\nkind = \"cashless\"\nname = \"card\"\n"
        );
        let rig = parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())?;
        Ok(rig.board.controller(&rig).unwrap())
    }

    #[test]
    fn what_the_board_uses() {
        let config = config(
            "cashless-options = [\"basket\", \"coupon\"]\nrevalue = true\nmixed-payments = true\n\
             basket-discount = \"on-failures\"\nclock = \"2026-12-31 23:59:00\"\n\
             summertime = false\nholidays = [\"12-25\", \"01-01\"]\nuser-groups = [3]\n\
             announce-prices = false\none-reader-at-a-time = true\n\
             [[board.list-price]]\nlist = 2\nitem = 11\nprice = \"0.80\"\n\
             [[board.discount-group]]\nnumber = 4\npercent = 50",
        )
        .unwrap();
        let (uses, cards) = (config.cashless, config.cards);
        assert_eq!(uses.options, Options::BASKET | Options::COUPON);
        assert!(uses.revalue && cards.mixed && cards.one_at_a_time);
        assert!(!uses.announce_prices && !cards.in_service && uses.full_ascii);
        assert_eq!(cards.basket, BasketShares::OnFailures);
        assert_eq!(uses.clock, Clock::new([26, 12, 31], [23, 59, 0]));
        assert_eq!(uses.calendar.summertime, Some(false));
        assert_eq!(uses.calendar.holidays, Some([(12, 25), (1, 1)].into()));
        assert_eq!(cards.tariffs.lists[&2][&11], Money(80));
        assert_eq!(cards.tariffs.discount_groups[&4], 50);
        assert_eq!(cards.tariffs.user_groups, Some([3].into()));
    }

    #[test]
    fn clocks_and_holidays() {
        assert!(parse_clock("2024-02-29 00:00:00").is_some());
        for text in [
            "2025-02-29 00:00:00",
            "2024-2-29 00:00:00",
            "24-02-29",
            "",
            "20",
        ] {
            assert_eq!(parse_clock(text), None, "{text}");
        }
        assert_eq!(parse_holiday("02-29"), Some((2, 29)));
        for text in ["2-29", "02-30", "13-01", "1225", ""] {
            assert_eq!(parse_holiday(text), None, "{text}");
        }
    }

    #[test]
    fn errors_say_what_was_expected() {
        for (board, says) in [
            ("clock = \"yesterday\"", "2026-12-31 23:59:00"),
            (
                "cashless-options = [\"baskets\"]",
                "did you mean \"basket\"",
            ),
            ("set-reader-clocks = true", "needs `clock`"),
            ("holidays = [\"Christmas\"]", "12-25"),
            ("user-groups = [256]", "0 to 255"),
            ("[[board.list-price]]\nlist = 1\nitem = 11", "`price`"),
        ] {
            let error = config(board).unwrap_err();
            assert!(error.contains("t.toml:") && error.contains(says), "{error}");
        }
    }
}
