//! Rig files: TOML read into plans of a bench, with the line of every error.
//!
//! [`load`] and [`parse`] give a [`Plan`] that is checked: what cannot work is an error with its
//! line, what was expected, and what to do.

mod as_json;
mod bill;
mod board;
mod board_cards;
mod bridge;
mod cashless;
mod changer;
mod device;
mod draft;
mod error;
mod fields;
mod keys;
mod limits;
mod link;
mod link_check;
mod machine;
mod pulse;
mod said;
mod script;
mod selections;
mod setting;

pub use as_json::{action_as_json, observation_as_json};
pub use draft::{Draft, Facts, Question};
pub use error::{RigError, nearest};
pub use fields::parse_time;
pub use keys::MOST_SELECTIONS;
pub use limits::{LONGEST_NAME, LONGEST_NOTES, LONGEST_TEXT, MOST_DEVICES, MOST_STEPS};
pub use payrig_bench::machine::{About, Key, Keys, Machine, Numbering, Selection, Tray};
pub use said::{Identity, Said};
pub use selections::parse_card_price;

use fields::Fields;
use payrig_bench::Plan;
use payrig_bench::action::Step;
use payrig_bench::plan::{DevicePlan, Kind};
use payrig_mdb::CurrencyCode;
use payrig_units::{Decimals, Micros};
use payrig_wire::Source;
use script::{Scene, read_script};
use setting::Setting;
use std::collections::BTreeSet;
use std::path::Path;

/// The rig that is built in: a changer, a bill validator with escrow and a cashless device on a
/// virtual bus, and a board that sells a snack.
pub const FIRST_VEND: &str = include_str!("first-vend.toml");

/// Reads a rig file.
///
/// # Errors
/// When the file cannot be read, is no TOML, or says something a rig cannot: with its line.
pub fn load(path: &Path) -> Result<Plan, RigError> {
    let whole = |message: String, hint: &str| RigError {
        file: path.to_owned(),
        line: 0,
        message,
        hint: Some(hint.to_owned()),
    };
    let bytes = std::fs::read(path).map_err(|error| {
        whole(
            format!("cannot be read: {error}"),
            "give the path of a rig file (.toml)",
        )
    })?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let line = error
            .as_bytes()
            .iter()
            .take(error.utf8_error().valid_up_to());
        let line = line.filter(|b| **b == b'\n').count() + 1;
        whole(
            format!("line {line} is not UTF-8 text"),
            "save the file as UTF-8",
        )
    })?;
    parse(path, &text)
}

/// Reads the text of a rig; `file` is its name in errors.
///
/// # Errors
/// As for [`load`].
pub fn parse(file: &Path, text: &str) -> Result<Plan, RigError> {
    fields::in_toml(file, text, "a rig", read)
}

/// Reads one step of a script that comes from somewhere else, for the bench of a plan: the same names,
/// fields and errors as in `[[script]]`. `fields` is what JSON calls an object; fields that are null are
/// not there. `origin` is what errors call where it comes from.
///
/// # Errors
/// When it is no step, or one that cannot work on this bench: says which field, what was expected, and
/// what to do.
pub fn step<T: serde::Serialize>(plan: &Plan, origin: &str, fields: &T) -> Result<Step, RigError> {
    let text = toml::to_string(fields).map_err(|error| RigError {
        file: origin.into(),
        line: 0,
        message: format!("is no step: {error}"),
        hint: Some(
            "a step is an object, as in {\"do\": \"insert-coin\", \"value\": \"0.25\"}".to_owned(),
        ),
    })?;
    fields::in_toml(Path::new(origin), &text, "a step", |fields| {
        script::read_one(fields, plan)
    })
}

/// What a rig may have at its top.
const PARTS: [&str; 6] = ["bench", "machine", "link", "board", "device", "script"];

fn read(root: &Fields<'_>) -> Result<Plan, RigError> {
    // First of all: who writes [[devices]] is not told that there is no device.
    for part in PARTS {
        root.get(part);
    }
    root.finish()?;
    let bench = root.table("bench", "[bench]")?;
    let bench = root.need("bench", "a table with at least `name`", bench)?;
    let name = bench.name("name")?;
    let name = bench.need("name", "the name of the bench", name)?;
    let seed = bench.number("seed", 0..u64::MAX)?.unwrap_or(1);
    let jitter = bench.time("jitter")?.unwrap_or(Micros(150));
    if jitter > Micros(500) {
        let message = "`jitter` is more than 500 us: pauses would break the limits by themselves";
        return Err(bench.error(message));
    }
    let decimals = Decimals(bench.number("decimals", 0..10)?.unwrap_or(2) as u8);
    let currency = bench.number("currency", 1..1000)?.unwrap_or(840);
    let currency = CurrencyCode::from_iso4217(currency as u16).unwrap_or(CurrencyCode::USD);
    bench.finish()?;

    let setting = Setting { decimals, currency };
    let mut all: Vec<DevicePlan> = Vec::new();
    let tables = root.tables("device", "[[device]]")?;
    if let Some(beyond) = tables.get(MOST_DEVICES) {
        let message = format!("a rig has at most {MOST_DEVICES} devices");
        return Err(beyond.error(message));
    }
    let mut taken: BTreeSet<String> = BTreeSet::new();
    for fields in &tables {
        let device = device::read(fields, &setting, &all)?;
        let names = device.names();
        if let Some(name) = names.iter().find(|name| taken.contains(**name)) {
            return Err(fields.error(format!("two devices are called \"{name}\"")));
        }
        taken.extend(names.into_iter().cloned());
        if let Kind::Bridge(bridge) = &device.kind {
            let before = all.iter_mut().find(|d| d.name == bridge.from);
            if let Some(before) = before {
                before.behind = Some(device.name.clone());
            }
        }
        all.push(device);
    }
    // Once it is known who is behind a bridge and not on the board's bus.
    for (place, (fields, device)) in tables.iter().zip(&all).enumerate() {
        let mut before = all.iter().take(place);
        let same = before.find(|d| d.address().is_some() && d.address() == device.address());
        if let Some(other) = same {
            let message = format!(
                "\"{}\" and \"{}\" have the same address",
                other.name, device.name
            );
            return Err(fields.error(message));
        }
    }
    if all.is_empty() {
        return Err(root.error("a rig needs at least one [[device]]"));
    }

    let link = root.table("link", "[link]")?;
    let link = link.as_ref().map(link::read_bus).transpose()?;
    let linked: Vec<_> = tables.iter().zip(&all).collect();
    link_check::check(link.as_ref(), &linked)?;

    let board = root.table("board", "[board]")?;
    let board_fields = root.need("board", "a table with `kind`", board)?;
    let table = root.table("machine", "[machine]")?;
    let machine = selections::read(table.as_ref(), &board_fields, decimals)?;
    let board = board::read(&board_fields, &machine, decimals)?;
    let devices_outside = link
        .as_ref()
        .is_some_and(|l| l.outside == Source::Peripheral);
    if !board.ours && devices_outside {
        let message = "`kind = \"outside\"` and [link] with `outside = \"devices\"` contradict each \
                       other: one side must be ours";
        return Err(board_fields.error(message));
    }
    if board.ours && link.as_ref().is_some_and(|l| l.outside == Source::Master) {
        let message = "[link] says that the board is outside, and [board] that it is ours";
        let mut error = board_fields.error(message);
        error.hint = Some(
            "write kind = \"outside\" in [board]; or, for real devices, outside = \"devices\" in [link]"
                .to_owned(),
        );
        return Err(error);
    }

    let mut plan = Plan {
        name,
        seed,
        jitter,
        decimals,
        currency,
        link,
        machine,
        board,
        devices: all,
        script: Vec::new(),
    };
    plan.script = read_script(&root.tables("script", "[[script]]")?, &Scene::of(&plan))?;
    Ok(plan)
}

#[cfg(test)]
mod machine_tests;
#[cfg(test)]
mod script_tests;
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}

#[cfg(test)]
mod tests;
