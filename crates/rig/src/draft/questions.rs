//! What is asked for a new rig, in order.

use super::super::fields::{name_fault, prose_fault};
use super::super::keys;
use super::super::limits::LONGEST_TEXT;
use super::super::selections::parse_card_price;
use super::Draft;
use payrig_controller::CardPrice;
use payrig_units::{Decimals, Money};

/// A question for a new rig.
#[derive(Debug)]
pub struct Question {
    /// Its name: the key of its answer in an answers file.
    pub id: &'static str,
    /// What is asked.
    pub ask: &'static str,
    /// What an answer is, and an example.
    pub expected: &'static str,
    /// Why it does not come up, as the end of a sentence.
    pub(super) unless: &'static str,
    pub(super) usual: fn(&Draft) -> &'static str,
    pub(super) when: fn(&Draft) -> bool,
    /// The answer as it is kept, or what is wrong with it.
    pub(super) check: fn(&Draft, &str) -> Result<String, String>,
}

const ALWAYS: fn(&Draft) -> bool = |_| true;

pub(super) const QUESTIONS: &[Question] = &[
    Question {
        id: "name",
        ask: "What is the machine called?",
        expected: "a short name, as in Harbour Loop 17",
        unless: "",
        usual: |_| "New machine",
        when: ALWAYS,
        check: |_, text| match name_fault(text) {
            Some(fault) => Err(format!("the name {fault}")),
            None => Ok(text.to_owned()),
        },
    },
    Question {
        id: "site",
        ask: "Where does it stand?",
        expected: "a line of text",
        unless: "",
        usual: |_| "",
        when: ALWAYS,
        check: line,
    },
    Question {
        id: "asset",
        ask: "Which asset number has it?",
        expected: "a line of text",
        unless: "",
        usual: |_| "",
        when: ALWAYS,
        check: line,
    },
    Question {
        id: "board",
        ask: "Which board is in it: make, model, program?",
        expected: "a line of text",
        unless: "",
        usual: |_| "",
        when: ALWAYS,
        check: line,
    },
    Question {
        id: "technician",
        ask: "Who works on it?",
        expected: "a line of text",
        unless: "",
        usual: |_| "",
        when: ALWAYS,
        check: line,
    },
    Question {
        id: "currency",
        ask: "Which currency (its ISO 4217 number), and with how many decimals?",
        expected: "two numbers, as in 840 2",
        unless: "",
        usual: |_| "840 2",
        when: ALWAYS,
        check: currency,
    },
    Question {
        id: "coins",
        ask: "Which coin device: a changer on the bus, an acceptor on pulses, or none?",
        expected: "changer, pulses or none",
        unless: "",
        usual: |_| "changer",
        when: ALWAYS,
        check: |_, text| one_of(text, &["changer", "pulses", "none"]),
    },
    Question {
        id: "coin-values",
        ask: "Which coins does it take, and how many are in each tube and have room there?",
        expected: "coins, each with its tube if it has one, as in 0.05 40/80, 0.25 40/75, 1.00",
        unless: "is for a machine that takes coins",
        usual: |d| match d.is("coins", "changer") {
            true => "0.05 40/80, 0.10 40/110, 0.25 40/75, 1.00",
            false => "0.25, 1.00",
        },
        when: |d| !d.is("coins", "none"),
        check: |d, text| {
            let coins = coins(text, d.currency().1)?;
            let tubes = coins.iter().any(|c| c.tube.is_some());
            match tubes && !d.is("coins", "changer") {
                true => Err("only a changer has tubes".to_owned()),
                false => Ok(text.to_owned()),
            }
        },
    },
    Question {
        id: "coin-pulses",
        ask: "How does the coin acceptor pulse: profile, pulses, for which amount?",
        expected: "short, medium or long, a number and an amount, as in short 1 0.25",
        unless: "is for a coin acceptor on pulses",
        usual: |_| "short 1 0.25",
        when: |d| d.is("coins", "pulses"),
        check: |d, text| pulses(text, d.currency().1).map(|_| text.to_owned()),
    },
    Question {
        id: "hopper",
        ask: "Which coin does its payout hopper pay, how many are in it and have room?",
        expected: "a coin and its fill, as in 0.25 100/400, or none",
        unless: "is for a coin acceptor on pulses",
        usual: |_| "none",
        when: |d| d.is("coins", "pulses"),
        check: |d, text| {
            if text == "none" {
                return Ok(text.to_owned());
            }
            match coins(text, d.currency().1)?.as_slice() {
                [coin] if coin.tube.is_some() => Ok(text.to_owned()),
                _ => Err("a hopper has one coin and its fill".to_owned()),
            }
        },
    },
    Question {
        id: "coin-switches",
        ask: "How are the switches of the coin acceptor set?",
        expected: "a line of text, as in 1 on, 2 off, 3 off",
        unless: "is for a coin acceptor on pulses",
        usual: |_| "",
        when: |d| d.is("coins", "pulses"),
        check: line,
    },
    Question {
        id: "bills",
        ask: "Which bill validator: on the bus, on pulses, or none?",
        expected: "bus, pulses or none",
        unless: "",
        usual: |_| "bus",
        when: ALWAYS,
        check: |_, text| one_of(text, &["bus", "pulses", "none"]),
    },
    Question {
        id: "bill-values",
        ask: "Which bills does it take?",
        expected: "amounts, as in 1.00, 5.00",
        unless: "is for a machine that takes bills",
        usual: |_| "1.00, 5.00",
        when: |d| !d.is("bills", "none"),
        check: |d, text| amounts(text, d.currency().1).map(|_| text.to_owned()),
    },
    Question {
        id: "bill-pulses",
        ask: "How does the bill validator pulse: profile, pulses, for which amount?",
        expected: "short, medium or long, a number and an amount, as in medium 1 1.00",
        unless: "is for a bill validator on pulses",
        usual: |_| "short 1 1.00",
        when: |d| d.is("bills", "pulses"),
        check: |d, text| pulses(text, d.currency().1).map(|_| text.to_owned()),
    },
    Question {
        id: "bill-inhibit",
        ask: "At which level of its inhibit line does it take no bills?",
        expected: "high or low",
        unless: "is for a bill validator on pulses",
        usual: |_| "high",
        when: |d| d.is("bills", "pulses"),
        check: |_, text| one_of(text, &["high", "low"]),
    },
    Question {
        id: "bill-switches",
        ask: "How are the switches of the bill validator set?",
        expected: "a line of text, as in 1 on, 2 off, 3 off",
        unless: "is for a bill validator on pulses",
        usual: |_| "",
        when: |d| d.is("bills", "pulses"),
        check: line,
    },
    Question {
        id: "cards",
        ask: "Is there a card reader on the bus?",
        expected: "yes or no",
        unless: "",
        usual: |_| "yes",
        when: ALWAYS,
        check: |_, text| one_of(text, &["yes", "no"]),
    },
    Question {
        id: "selections",
        ask: "Which selections are there, as they stand on the keys?",
        expected: "keys and ranges, as in A1-A8, B1-B6 or A1-E9 or 10-18",
        unless: "",
        usual: |_| "A1-A8",
        when: ALWAYS,
        check: |_, text| {
            let all = keys::keys(text)?;
            let mut once = all.clone();
            once.sort_unstable();
            once.dedup();
            match once.len() == all.len() {
                true => Ok(text.to_owned()),
                false => Err("a selection is there twice".to_owned()),
            }
        },
    },
    Question {
        id: "price",
        ask: "What does a selection cost in cash, where you say nothing else next?",
        expected: "an amount, as in 1.50",
        unless: "",
        usual: |_| "1.00",
        when: ALWAYS,
        check: |d, text| {
            let decimals = d.currency().1;
            amount(text, decimals).map(|price| price.show(decimals).to_string())
        },
    },
    Question {
        id: "prices",
        ask: "Which trays, ranges or selections cost something else, in cash and on a card?",
        expected: "keys, price and if you like card price, as in A 1.25; C7-C9 1.75 +0.10; E9 3.00 2.75; or none",
        unless: "",
        usual: |_| "none",
        when: ALWAYS,
        check: |d, text| prices(text, d.currency().1).map(|_| text.to_owned()),
    },
    Question {
        id: "card-price",
        ask: "What do cards pay, where you said nothing else: the same, or so much more or less?",
        expected: "same, +0.10, -0.10 or an amount",
        unless: "is for a machine with a card reader",
        usual: |_| "same",
        when: |d| d.is("cards", "yes"),
        check: |d, text| {
            let card = parse_card_price(text, d.currency().1);
            card.map(|_| text.to_owned())
                .ok_or_else(|| format!("\"{text}\" is no card price"))
        },
    },
];

fn line(_: &Draft, text: &str) -> Result<String, String> {
    match prose_fault(text, LONGEST_TEXT, false) {
        Some(fault) => Err(format!("the text {fault}")),
        None => Ok(text.to_owned()),
    }
}

fn one_of(text: &str, words: &[&str]) -> Result<String, String> {
    let lower = text.to_lowercase();
    // A word that only one of them begins with is enough.
    let mut fitting = words.iter().filter(|w| w.starts_with(&lower));
    match (fitting.next(), fitting.next()) {
        (Some(word), None) => Ok((*word).to_owned()),
        _ => {
            let near = super::super::error::nearest(&lower, words);
            let near = near.map(|n| format!(" (did you mean {n}?)"));
            Err(format!(
                "\"{text}\" is none of these{}",
                near.unwrap_or_default()
            ))
        }
    }
}

fn currency(_: &Draft, text: &str) -> Result<String, String> {
    let mut words = text.split_whitespace();
    let number = words.next().and_then(|w| w.parse::<u16>().ok());
    let decimals = words.next().map_or(Some(2), |w| w.parse::<u8>().ok());
    match (number, decimals, words.next()) {
        (Some(number), Some(decimals), None) if (1..1_000).contains(&number) && decimals < 5 => {
            Ok(format!("{number} {decimals}"))
        }
        _ => Err(format!("\"{text}\" is no currency and decimals")),
    }
}

fn amount(text: &str, decimals: Decimals) -> Result<Money, String> {
    let parsed = Money::parse(text.trim(), decimals).ok();
    let most = Money(100_000_000);
    parsed
        .filter(|m| *m >= Money::ZERO && *m <= most)
        .ok_or_else(|| {
            format!(
                "\"{}\" is no amount with {} decimals",
                text.trim(),
                decimals.0
            )
        })
}

pub(super) fn amounts(text: &str, decimals: Decimals) -> Result<Vec<Money>, String> {
    let each = text.split(',').map(|word| amount(word, decimals));
    let all: Vec<Money> = each.collect::<Result<_, _>>()?;
    match (all.iter().all(|m| *m > Money::ZERO), all.len() <= 16) {
        (false, _) => Err("nothing is worth nothing".to_owned()),
        (_, false) => Err("a device takes at most 16 kinds".to_owned()),
        _ => Ok(all),
    }
}

/// A coin, how many there are of it, and how many have room.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct CoinAnswer {
    pub(super) value: Money,
    pub(super) tube: Option<(u16, u16)>,
}

pub(super) fn coins(text: &str, decimals: Decimals) -> Result<Vec<CoinAnswer>, String> {
    let coin = |word: &str| {
        let mut parts = word.split_whitespace();
        let value = amount(parts.next().unwrap_or_default(), decimals)?;
        let tube = parts.next().map(|fill| {
            let (count, room) = fill.split_once('/')?;
            let (count, room) = (count.parse().ok()?, room.parse().ok()?);
            (count <= room && room > 0).then_some((count, room))
        });
        match (tube, parts.next()) {
            (Some(None), _) | (_, Some(_)) => Err(format!("\"{}\" is no coin", word.trim())),
            _ if value.is_zero() => Err("no coin is worth nothing".to_owned()),
            (tube, None) => Ok(CoinAnswer {
                value,
                tube: tube.flatten(),
            }),
        }
    };
    let all: Vec<CoinAnswer> = text.split(',').map(coin).collect::<Result<_, _>>()?;
    match all.len() {
        0..=16 => Ok(all),
        _ => Err("a device takes at most 16 kinds".to_owned()),
    }
}

/// A profile by name, so many pulses, for so much.
pub(super) fn pulses(text: &str, decimals: Decimals) -> Result<(String, u32, Money), String> {
    let mut words = text.split_whitespace();
    let profile = one_of(
        words.next().unwrap_or_default(),
        &["short", "medium", "long"],
    )?;
    let count = words.next().and_then(|w| w.parse::<u32>().ok());
    let count = count.filter(|n| (1..1_000).contains(n));
    let count = count.ok_or("there is no number of pulses from 1 to 999")?;
    let unit = amount(words.next().unwrap_or_default(), decimals)?;
    match words.next() {
        None if unit > Money::ZERO => Ok((profile, count, unit)),
        _ => Err("a pulse stands for an amount".to_owned()),
    }
}

/// A line of `[machine.selections]`: keys, cash price, card price.
pub(super) type PriceRow = (String, Money, Option<CardPrice>);

pub(super) fn prices(text: &str, decimals: Decimals) -> Result<Vec<PriceRow>, String> {
    if text == "none" {
        return Ok(Vec::new());
    }
    let mut rows = Vec::new();
    for row in text.split(';').map(str::trim).filter(|row| !row.is_empty()) {
        let mut words: Vec<&str> = row.split_whitespace().collect();
        let mut card = None;
        // Keys, price, card price: from the end, since keys may have blanks after commas.
        let plain = |w: &str| Money::parse(w, decimals).is_ok() && !w.contains(['+', '-']);
        let last = words.last().copied().unwrap_or_default();
        let before = words.len().checked_sub(2).and_then(|at| words.get(at));
        let two = before.is_some_and(|w| plain(w) && !w.ends_with(','))
            && words.len() > 2
            && parse_card_price(last, decimals).is_some();
        if two {
            card = parse_card_price(last, decimals);
            words.pop();
        }
        let price = words.pop().unwrap_or_default();
        let price = amount(price, decimals).map_err(|why| format!("\"{row}\": {why}"))?;
        let keys = words.join(" ");
        keys::parts(&keys).map_err(|why| format!("\"{row}\": {why}"))?;
        rows.push((keys, price, card));
    }
    Ok(rows)
}
