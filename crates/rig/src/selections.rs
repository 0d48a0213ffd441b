//! The `[machine]` table: where a machine stands, its selections by tray and column, their prices.

use super::error::{RigError, nearest};
use super::fields::Fields;
use super::keys::{self, Part};
use payrig_bench::machine::{About, Key, Machine, Numbering, Selection};
use payrig_controller::CardPrice;
use payrig_units::{Decimals, Money};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use toml::Spanned;
use toml::de::DeValue;

pub(super) const EXPECTED_CARD: &str = "an amount (\"1.60\"), so much more or less than in cash (\"+0.10\", \
                             \"-0.10\"), or \"same\"";

/// Reads `[machine]` and the `[[board.item]]` tables.
pub(super) fn read(
    table: Option<&Fields<'_>>,
    board: &Fields<'_>,
    decimals: Decimals,
) -> Result<Machine, RigError> {
    let mut machine = Machine::default();
    if let Some(table) = table {
        machine.about = read_about(table)?;
        machine.selections = read_keys(table, decimals)?;
        table.finish()?;
    }
    let mut all = Numbers::default();
    if let Some(table) = table {
        for selection in &machine.selections {
            all.add(table, selection)?;
        }
    }
    let mut twins: Vec<(Fields<'_>, u16)> = Vec::new();
    for item in board.tables("item", "[[board.item]]")? {
        let selection = read_item(&item, decimals)?;
        all.add(&item, &selection)?;
        twins.push((item, selection.number));
        machine.selections.push(selection);
    }
    if let Some(table) = table {
        set_twins(table, &mut machine)?;
    }
    for (item, number) in &twins {
        let twin = read_number(item, "instead", &machine)?;
        if twin == Some(*number) {
            return Err(item.error(format!("item {number} is its own `instead`")));
        }
        item.finish()?;
        let own = machine.selections.iter_mut().find(|s| s.number == *number);
        if let Some(own) = own {
            own.instead = twin;
        }
    }
    Ok(machine)
}

/// Numbers and keys that are taken.
#[derive(Default)]
struct Numbers {
    numbers: BTreeMap<u16, Key>,
    keys: BTreeSet<Key>,
}

impl Numbers {
    fn add(&mut self, fields: &Fields<'_>, selection: &Selection) -> Result<(), RigError> {
        let Selection { key, number, .. } = selection;
        let before = self.numbers.insert(*number, key.clone());
        let message = match before {
            Some(before) if before != *key => format!(
                "{before} and {key} are both item {number} on the bus: give one of them a `number`, or \
                 another way to count (`numbers`)"
            ),
            Some(_) => format!("two items have number {number}"),
            None if !self.keys.insert(key.clone()) => format!("two selections have the keys {key}"),
            None => return Ok(()),
        };
        Err(fields.error(message))
    }
}

fn read_about(table: &Fields<'_>) -> Result<About, RigError> {
    Ok(About {
        site: table.free_text("site")?,
        asset: table.free_text("asset")?,
        model: table.free_text("model")?,
        board: table.free_text("board")?,
        technician: table.free_text("technician")?,
        notes: table.notes("notes")?,
    })
}

/// What a line of `[machine.selections]` says.
#[derive(Default)]
struct Said {
    price: Option<Money>,
    card: Option<CardPrice>,
    name: Option<String>,
    number: Option<u16>,
    code: Option<String>,
}

/// A line of `[machine.selections]`.
struct Row<'a> {
    line: usize,
    value: &'a Spanned<DeValue<'a>>,
    part: Part,
    said: Rc<Said>,
}

fn read_keys(table: &Fields<'_>, decimals: Decimals) -> Result<Vec<Selection>, RigError> {
    let numbering = [
        ("hundreds", Numbering::Hundreds),
        ("tens", Numbering::Tens),
        ("in-order", Numbering::InOrder),
    ];
    let numbering = table.word("numbers", &numbering)?.unwrap_or_default();
    let all = read_layout(table)?;
    let usual = Said {
        price: table.money("price", decimals)?,
        card: read_card(table, decimals)?,
        ..Said::default()
    };
    let rows = match table.table("selections", "[machine.selections]")? {
        Some(rows) => read_rows(&rows, &all, decimals)?,
        None => Vec::new(),
    };
    let mut selections = Vec::new();
    for (at, key) in all.iter().enumerate() {
        let mine: Vec<&Row<'_>> = rows.iter().filter(|r| r.part.has(key)).collect();
        let price = said(table, key, &mine, "price", |s| s.price)?.or(usual.price);
        let Some(price) = price else {
            return Err(table.error(format!(
                "{key} has no price: give `price` in [machine], or one of its tray or its own in \
                 [machine.selections]"
            )));
        };
        let card = said(table, key, &mine, "card-price", |s| s.card)?;
        let card = card.or(usual.card).unwrap_or_default();
        if let CardPrice::More(more) = card
            && price.saturating_add(more) < Money::ZERO
        {
            return Err(table.error(format!(
                "{key} costs {} in cash, and on a card {} less: that is below zero",
                price.show(decimals),
                (-more).show(decimals)
            )));
        }
        let number = said(table, key, &mine, "number", |s| s.number)?;
        let Some(number) = number.or_else(|| key.number(numbering, at)) else {
            return Err(table.error(format!(
                "no number on the bus follows from {key} (1 to 65534, columns up to 99 by hundreds and \
                 up to 9 by tens): give it a `number` in [machine.selections], or another way to count \
                 (`numbers`)"
            )));
        };
        let name = said(table, key, &mine, "name", |s| s.name.clone())?;
        selections.push(Selection {
            key: key.clone(),
            number,
            name: name.unwrap_or_else(|| format!("selection {key}")),
            price,
            card,
            code: said(table, key, &mine, "code", |s| s.code.clone())?,
            instead: None,
        });
    }
    Ok(selections)
}

/// `keys`: a text, or a list of texts.
fn read_layout(table: &Fields<'_>) -> Result<Vec<Key>, RigError> {
    let Some(value) = table.get("keys") else {
        return Ok(Vec::new());
    };
    let expected = "keys as they stand on the machine, as in \"A1-A8, B1-B10\"";
    let texts: Vec<&Spanned<DeValue<'_>>> = match value.get_ref() {
        DeValue::String(_) => vec![value],
        DeValue::Array(items) => items.iter().collect(),
        _ => return Err(table.wrong("keys", value, expected)),
    };
    let mut all: Vec<Key> = Vec::new();
    let mut known = BTreeSet::new();
    for text in texts {
        let DeValue::String(string) = text.get_ref() else {
            return Err(table.wrong("keys", text, expected));
        };
        let found = keys::keys(string).map_err(|why| table.at(text, format!("`keys`: {why}")))?;
        for key in found {
            if !known.insert(key.clone()) {
                return Err(table.at(text, format!("`keys` has {key} twice")));
            }
            all.push(key);
        }
        if all.len() > keys::MOST_SELECTIONS {
            let message = format!("a machine has at most {} selections", keys::MOST_SELECTIONS);
            return Err(table.at(text, message));
        }
    }
    Ok(all)
}

fn read_rows<'a>(
    rows: &Fields<'a>,
    all: &[Key],
    decimals: Decimals,
) -> Result<Vec<Row<'a>>, RigError> {
    let mut found: Vec<Row<'a>> = Vec::new();
    for (which, value) in rows.entries() {
        let line = rows.text.line(value.span().start);
        let parts = keys::parts(which).map_err(|why| rows.at(value, why))?;
        let said = Rc::new(read_said(rows, value, decimals)?);
        let single = matches!(parts.as_slice(), [Part::One(_)]);
        if said.number.is_some() && !single {
            return Err(rows.at(
                value,
                "`number` is for one selection, as in A2 = { number = 12 }",
            ));
        }
        for part in parts {
            let missing = match &part {
                Part::One(key) => (!all.contains(key)).then(|| key.to_string()),
                Part::Range(keys) => keys.iter().find(|k| !all.contains(k)).map(Key::to_string),
                Part::Tray(name) => {
                    let none = !all.iter().any(|key| part.has(key));
                    none.then(|| name.clone())
                }
            };
            if let Some(missing) = missing {
                let mut error = rows.at(value, format!("`keys` of [machine] has no \"{missing}\""));
                let names: Vec<String> = all.iter().map(Key::to_string).collect();
                let names: Vec<&str> = names.iter().map(String::as_str).collect();
                error.hint = Some(match nearest(&missing, &names) {
                    Some(near) => format!("did you mean {near}?"),
                    None => "write it in `keys` if the machine has it".to_owned(),
                });
                return Err(error);
            }
            found.push(Row {
                line,
                value,
                part,
                said: said.clone(),
            });
        }
    }
    Ok(found)
}

/// A price in cash; or a table of what else a selection has.
fn read_said(
    rows: &Fields<'_>,
    value: &Spanned<DeValue<'_>>,
    decimals: Decimals,
) -> Result<Said, RigError> {
    let table = match value.get_ref() {
        DeValue::String(_) => {
            return Ok(Said {
                price: Some(rows.money_of("price", value, decimals)?),
                ..Said::default()
            });
        }
        DeValue::Table(table) => Fields::new(rows.text, "a selection", value.span(), table),
        _ => {
            let expected =
                "a price in quotes, or as in { price = \"1.50\", card-price = \"1.60\" }";
            return Err(rows.wrong("price", value, expected));
        }
    };
    let said = Said {
        price: table.money("price", decimals)?,
        card: read_card(&table, decimals)?,
        name: table.name("name")?,
        number: table.number("number", 1..65_535)?.map(|n| n as u16),
        code: read_code(&table)?,
    };
    table.get("instead");
    table.finish()?;
    Ok(said)
}

/// What the most particular of these lines says of a selection.
fn said<T>(
    table: &Fields<'_>,
    key: &Key,
    rows: &[&Row<'_>],
    what: &str,
    get: impl Fn(&Said) -> Option<T>,
) -> Result<Option<T>, RigError> {
    let mut best: Option<(u8, &Row<'_>, T)> = None;
    for row in rows {
        let Some(value) = get(&row.said) else {
            continue;
        };
        let rank = row.part.rank();
        match &best {
            Some((before, other, _)) if *before == rank => {
                let line = other.line;
                let message = format!(
                    "{key} has its `{what}` here and in line {line}: neither is more particular than \
                     the other"
                );
                return Err(table.at(row.value, message));
            }
            Some((before, ..)) if *before > rank => {}
            _ => best = Some((rank, row, value)),
        }
    }
    Ok(best.map(|(_, _, value)| value))
}

/// `instead` of single selections, once all are known.
fn set_twins(table: &Fields<'_>, machine: &mut Machine) -> Result<(), RigError> {
    let Some(rows) = table.table("selections", "[machine.selections]")? else {
        return Ok(());
    };
    for (which, value) in rows.entries() {
        let DeValue::Table(inner) = value.get_ref() else {
            continue;
        };
        let inner = Fields::new(rows.text, "a selection", value.span(), inner);
        let Some(twin) = read_number(&inner, "instead", machine)? else {
            continue;
        };
        let Ok(key) = Key::parse(which) else {
            return Err(rows.at(
                value,
                "`instead` is for one selection, as in A2 = { instead = \"A3\" }",
            ));
        };
        let own = machine.selections.iter_mut().find(|s| s.key == key);
        if let Some(own) = own {
            if own.number == twin {
                return Err(rows.at(value, format!("{key} is its own `instead`")));
            }
            own.instead = Some(twin);
        }
    }
    Ok(())
}

/// `card-price`.
fn read_card(fields: &Fields<'_>, decimals: Decimals) -> Result<Option<CardPrice>, RigError> {
    let Some(value) = fields.get("card-price") else {
        return Ok(None);
    };
    let text = match value.get_ref() {
        DeValue::String(text) => text,
        _ => return Err(fields.wrong("card-price", value, EXPECTED_CARD)),
    };
    let card = parse_card_price(text, decimals);
    card.map(Some)
        .ok_or_else(|| fields.wrong("card-price", value, EXPECTED_CARD))
}

/// Reads `1.60`, `+0.10`, `-0.10` or `same`.
#[must_use]
pub fn parse_card_price(text: &str, decimals: Decimals) -> Option<CardPrice> {
    let amount = |text: &str| {
        let amount = Money::parse(text, decimals).ok()?;
        let plain = text.bytes().next().is_some_and(|b| b.is_ascii_digit());
        plain.then_some(amount)
    };
    match text.trim() {
        "same" => Some(CardPrice::Same),
        text => match (text.strip_prefix('+'), text.strip_prefix('-')) {
            (Some(more), _) => amount(more).map(CardPrice::More),
            (_, Some(less)) => amount(less).map(|less| CardPrice::More(-less)),
            _ => amount(text).map(CardPrice::Fixed),
        },
    }
}

fn read_code(fields: &Fields<'_>) -> Result<Option<String>, RigError> {
    let code = fields.string("code")?;
    if code.as_ref().is_some_and(|c| c.len() > 6 || !c.is_ascii()) {
        return Err(fields.error("`code` has at most 6 ASCII characters (section 7.4.7)"));
    }
    Ok(code)
}

fn read_item(item: &Fields<'_>, decimals: Decimals) -> Result<Selection, RigError> {
    let key = match item.get("key") {
        None => None,
        Some(value) => {
            let text = value.get_ref().as_str().unwrap_or_default();
            let key = Key::parse(text);
            Some(key.map_err(|error| item.wrong("key", value, &error.to_string()))?)
        }
    };
    let number = item.number("number", 1..65_535)?.map(|n| n as u16);
    let follows = || key.as_ref()?.number(Numbering::Hundreds, 0);
    let number = number.or_else(follows);
    let number = item.need("number", "the selection number, 1 to 65534", number)?;
    let key = key.unwrap_or_else(|| Key::of_number(number));
    let name = item.name("name")?;
    let price = item.money("price", decimals)?;
    let price = item.need("price", "an amount, as in \"1.25\"", price)?;
    let card = read_card(item, decimals)?.unwrap_or_default();
    if let CardPrice::More(more) = card
        && price.saturating_add(more) < Money::ZERO
    {
        return Err(item.error("`card-price` is so much less that it is below zero"));
    }
    let code = read_code(item)?;
    Ok(Selection {
        name: name.unwrap_or_else(|| match key == Key::of_number(number) {
            true => format!("item {number}"),
            false => format!("selection {key}"),
        }),
        key,
        number,
        price,
        card,
        code,
        instead: None,
    })
}

/// An item that is meant by `key`: a number on the bus, or in quotes the keys of the machine.
pub(super) fn read_number(
    fields: &Fields<'_>,
    key: &'static str,
    machine: &Machine,
) -> Result<Option<u16>, RigError> {
    let Some(value) = fields.get(key) else {
        return Ok(None);
    };
    number_of(fields, key, value, machine).map(Some)
}

/// The item that a value means.
pub(super) fn number_of(
    fields: &Fields<'_>,
    key: &str,
    value: &Spanned<DeValue<'_>>,
    machine: &Machine,
) -> Result<u16, RigError> {
    let (found, meant) = match value.get_ref() {
        DeValue::Integer(n) => {
            let number = u16::from_str_radix(n.as_str(), n.radix()).ok();
            let known = number.filter(|n| machine.selection(*n).is_some());
            (known, n.as_str().to_owned())
        }
        DeValue::String(text) => {
            let known = Key::parse(text).ok();
            let known = known.and_then(|key| machine.by_key(&key));
            (known.map(|s| s.number), text.trim().to_ascii_uppercase())
        }
        _ => {
            let expected = "the number of an item, or in quotes its keys, as in \"A2\"";
            return Err(fields.wrong(key, value, expected));
        }
    };
    found.ok_or_else(|| {
        let quoted = matches!(value.get_ref(), DeValue::String(_));
        let all: Vec<String> = machine
            .selections
            .iter()
            .map(|s| match quoted {
                true => s.key.to_string(),
                false => s.number.to_string(),
            })
            .collect();
        let names: Vec<&str> = all.iter().map(String::as_str).collect();
        let few: Vec<&str> = names.iter().copied().take(20).collect();
        let more = if names.len() > few.len() { ", ..." } else { "" };
        let message = match quoted {
            true => format!("`{key}`: no selection has the keys \"{meant}\""),
            false => {
                let plain = |s: &Selection| s.key == Key::of_number(s.number);
                match machine.selections.iter().all(plain) {
                    true => format!("no [[board.item]] has number {meant}"),
                    false => format!("no selection has number {meant} on the bus"),
                }
            }
        };
        let mut error = fields.at(value, message);
        let near = nearest(&meant, &names).filter(|_| quoted);
        error.hint = Some(match near {
            Some(near) => format!("did you mean \"{near}\"?"),
            None if names.is_empty() => {
                "the rig has no selections: write `keys` and `price` in [machine]".to_owned()
            }
            None if quoted => format!("keys that there are: {}{more}", few.join(", ")),
            None => format!("numbers of items that there are: {}{more}", few.join(", ")),
        });
        error
    })
}
