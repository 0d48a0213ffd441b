//! Rigs: what is on a bench, who is the board, what happens.

mod bill;
mod board;
mod board_cards;
mod bridge;
mod cards;
mod cashless;
mod changer;
mod devices;
mod error;
mod fields;
mod link;
mod link_check;
mod pulse;
mod script;

pub use bill::BillAct;
pub use board::{BoardRig, ItemRig};
pub use bridge::{BridgeRig, BridgeWay};
pub use cards::MachineAct;
pub use cashless::CashlessAct;
pub use changer::ChangerAct;
pub use devices::{DeviceRig, Kind};
pub use error::{RigError, nearest};
pub use link::{BusLink, DeviceLink, LineLink, Pin, PortName};
pub use pulse::PulseRig;
pub use script::{Act, Expectation, Step, Tender};

use fields::{Fields, Text};
use payrig_mdb::CurrencyCode;
use payrig_units::{Decimals, Micros};
use payrig_wire::Source;
use script::{Scene, read_step};
use std::path::Path;
use toml::de::DeTable;

/// A bench as its file describes it, checked.
#[derive(Clone, Debug)]
pub struct Rig {
    /// Its name.
    pub name: String,
    /// Seed of everything that varies: the same rig and seed give the same recording.
    pub seed: u64,
    /// How much starts and pauses on the virtual bus vary, at most.
    pub jitter: Micros,
    /// Decimals of all amounts in the file.
    pub decimals: Decimals,
    /// The currency its devices report.
    pub currency: CurrencyCode,
    /// What the board's bus runs over; none for the virtual bus.
    pub link: Option<BusLink>,
    /// The board.
    pub board: BoardRig,
    /// Emulated devices.
    pub devices: Vec<DeviceRig>,
    /// What happens.
    pub script: Vec<Step>,
}

impl Rig {
    /// Reads a rig file.
    ///
    /// # Errors
    /// When the file cannot be read, is no TOML, or says something a rig cannot: with its line.
    pub fn load(path: &Path) -> Result<Self, RigError> {
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
        Self::parse(path, &text)
    }

    /// True when something of it is real: it runs with the wall clock.
    #[must_use]
    pub fn is_live(&self) -> bool {
        self.link.is_some() || self.devices.iter().any(|d| d.link.is_some())
    }

    /// Empty books for it.
    pub(crate) fn books(&self) -> payrig_wire::analysis::Books {
        let mut books = payrig_wire::analysis::Books::new();
        for device in &self.devices {
            for below in device.names().into_iter().skip(1) {
                books.join(below, &device.name);
            }
            if let Kind::Bridge(bridge) = &device.kind {
                books.join(&device.name, &bridge.from);
            }
        }
        books
    }

    /// Reads the text of a rig; `file` is its name in errors.
    ///
    /// # Errors
    /// As for [`Rig::load`].
    pub fn parse(file: &Path, text: &str) -> Result<Self, RigError> {
        let source = Text { file, text };
        let root = DeTable::parse(text).map_err(|error| {
            let span = error.span().unwrap_or(0..0);
            source.error(&span, format!("not TOML: {}", error.message()))
        })?;
        let span = root.span();
        read(&Fields::new(source, "a rig", span, root.get_ref()))
    }
}

fn read(root: &Fields<'_>) -> Result<Rig, RigError> {
    let bench = root.table("bench", "[bench]")?;
    let bench = root.need("bench", "a table with at least `name`", bench)?;
    let name = bench.string("name")?;
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

    let setting = devices::Setting { decimals, currency };
    let mut all = Vec::new();
    let tables = root.tables("device", "[[device]]")?;
    for fields in &tables {
        let device = devices::read(fields, &setting, &all)?;
        let names = device.names();
        let taken = |name: &&String| all.iter().any(|d: &DeviceRig| d.names().contains(name));
        if let Some(name) = names.iter().find(|name| taken(name)) {
            return Err(fields.error(format!("two devices are called \"{name}\"")));
        }
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
    let board = root.need("board", "a table with `kind` and [[board.item]]", board)?;
    let board_fields = board;
    let board = board::read(&board_fields, decimals)?;
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

    let names: Vec<_> = all.iter().map(|d| (d.name.clone(), d.acts())).collect();
    let items: Vec<u16> = board.items.iter().map(|i| i.number).collect();
    let scene = Scene {
        devices: &names,
        items: &items,
        decimals,
    };
    let script = root
        .tables("script", "[[script]]")?
        .iter()
        .map(|fields| read_step(fields, &scene))
        .collect::<Result<_, _>>()?;
    root.finish()?;
    Ok(Rig {
        name,
        seed,
        jitter,
        decimals,
        currency,
        link,
        board,
        devices: all,
        script,
    })
}

#[cfg(test)]
mod tests;
