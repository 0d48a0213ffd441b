//! What is asked and what is answered, as JSON has it. Times that come back are in microseconds of the
//! bench, amounts in minor units.

use crate::filter::{Filter, Words};
use crate::time::Time;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// A bench.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OfBench {
    /// Its id.
    pub bench: String,
}

/// Nothing has to be said.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Nothing {}

/// How bench time passes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PaceName {
    /// With the wall clock.
    Real,
    /// As fast as it goes while something is waited for; otherwise it stands.
    #[default]
    Simulated,
    /// It stands; `run` moves it by exactly so much.
    Paused,
}

/// A bench to be opened.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Open {
    /// The path of a rig on the server's machine; `first-vend`, which is built in, for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig: Option<String>,
    /// The text of a rig, instead of a path.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub toml: Option<String>,
    /// The id it is to have; one is made up for none. Letters, digits, `-`, `_` and `.`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 64), regex(pattern = r"^[A-Za-z0-9._-]+$"))]
    pub id: Option<String>,
    /// Seed of everything that varies, instead of the rig's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
    /// How its time passes; `simulated` for none, and `real` for a bench on a link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pace: Option<PaceName>,
    /// Play the script of the rig. Without, the bench does what it is asked to and nothing else, and goes on until
    /// it is closed.
    #[serde(default)]
    pub script: bool,
    /// Keep all events on a recording: true for one that goes with the bench, or the path of a new file
    /// on the server's machine.
    #[serde(default)]
    pub record: Record,
    /// How many events are kept in memory.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 1_000_000))]
    pub keep: Option<u32>,
    /// End the bench when nobody reads its event stream any more, once somebody has.
    #[serde(default)]
    pub end_on_disconnect: bool,
    /// Let it pass though nobody was heard at the other end of a link.
    #[serde(default)]
    pub peer_optional: bool,
    /// Put the board's bus on a link, as `--link`: `pty`, `pty:PATH`, the path of a serial
    /// port, or `virtual`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub link: Option<String>,
    /// What of the rig is ours on the link, as `--role`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// How words travel over a pseudo-terminal, as `--coding`: `marked-parity` or `plain`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coding: Option<String>,
    /// A program at the other end of the board's bus, in lock-step: a command, or `unix:` and the path
    /// of a socket at which it listens. A command needs a server that was started with leave to start peers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub peer: Option<String>,
    /// How long an adapter that vanished is waited for, as `--reconnect`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reconnect: Option<Time>,
}

/// What of a rig is ours.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Its devices: a board is outside.
    Devices,
    /// The board: real devices are outside.
    Board,
}

/// Whether and where a recording is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Record {
    /// In a file that goes with the bench, or not at all.
    Spool(bool),
    /// In this new file.
    File(String),
}

impl Default for Record {
    fn default() -> Self {
        Self::Spool(false)
    }
}

/// Benches that are open.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Benches {
    /// All of them.
    pub benches: Vec<Bench>,
}

/// A bench as it is now.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Bench {
    /// Its id.
    pub bench: String,
    /// Its name, from the rig.
    pub name: String,
    /// The seed of everything that varies.
    pub seed: u64,
    /// How many decimals its amounts have: 2 for cents.
    pub decimals: u8,
    /// How its time passes.
    pub pace: PaceName,
    /// Bench time.
    pub now_us: u64,
    /// It has ended: with its verdict, or with its link.
    pub ended: bool,
    /// Something of it is real.
    pub live: bool,
    /// Nothing is under way.
    pub at_rest: bool,
    /// The number of the next event.
    pub next: u64,
    /// How many waits are under way.
    pub waits: u64,
    /// The board; nothing where it is at the other end of a link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<Board>,
    /// How many items were delivered.
    pub sold: u64,
    /// Its devices.
    pub devices: Vec<Device>,
    /// What the machine sells.
    pub selections: Vec<Selection>,
    /// Its links: for a pseudo-terminal the path that a program opens.
    pub links: Vec<Link>,
    /// The file of its recording, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording: Option<String>,
    /// Why it broke off, or why its recording is not whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failed: Option<String>,
    /// Whether it passed, once it has ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passed: Option<bool>,
}

/// The board of a bench, where it is ours.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Board {
    /// Everything it expects is set up.
    pub ready: bool,
    /// Its cash credit, in minor units.
    pub credit: i64,
    /// What its display shows.
    pub display: String,
    /// Its exact-change light.
    pub exact_change: bool,
}

/// A device of a bench.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Device {
    /// Its name: what `device` says in acts.
    pub name: String,
    /// What it is, as in a rig.
    pub kind: String,
    /// It is at the other end of a link.
    pub outside: bool,
    /// The board polls it.
    pub ready: bool,
    /// What can be done at it.
    pub acts: Vec<String>,
}

/// Something for sale.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Selection {
    /// Its number on the bus.
    pub number: u16,
    /// Its keys on the machine.
    pub key: String,
    /// What it is.
    pub name: String,
    /// What it costs, in minor units.
    pub price: i64,
}

/// A link of a bench.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Link {
    /// What of the bench is on it, in words.
    pub of: String,
    /// The path of the port.
    pub path: String,
}

/// Something to be done: a step of a script. Names and fields are those of `[[script]]` in a rig.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Act {
    /// The bench.
    pub bench: String,
    /// What: `insert-coin`, `select`, `fault`, `power` and all others.
    pub r#do: String,
    /// Its own fields: `device`, `value`, `item` and so on.
    #[serde(flatten)]
    pub fields: Map<String, Value>,
}

/// It is done.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Acted {
    /// What was done, in words.
    pub text: String,
    /// Bench time.
    pub at_us: u64,
    /// What came of it are events from this number on: `from` of a wait.
    pub next: u64,
}

/// Something to be waited for: one of `expect` with the fields it has in a rig's script, `event`, `ready`,
/// `rest` and `for`.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct Wait {
    /// The bench.
    pub bench: String,
    /// An expectation of a script: `credit`, `display`, `balance`, `sold`, `exact-change`, `seen`, `ready`. Its own
    /// fields stand beside it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expect: Option<String>,
    /// An event that has all of this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<Filter>,
    /// The board has set up every device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ready: Option<bool>,
    /// Nothing is under way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rest: Option<bool>,
    /// So much time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub r#for: Option<Time>,
    /// How long at the most, in bench time: 10 s for none, 30 s for `ready`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within: Option<Time>,
    /// Events count from this number on, as an act gave it back; from now on for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<u64>,
    /// How many events the evidence has at the most: the last ones. 40 for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(max = 1_000))]
    pub most: Option<u32>,
    /// The fields of the expectation.
    #[serde(flatten)]
    pub fields: Map<String, Value>,
}

/// How a wait ended.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Waited {
    /// It came true.
    pub met: bool,
    /// What was waited for, in words.
    pub text: String,
    /// What was seen instead; nothing where it came true.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub missed: Option<Missed>,
    /// The bench has ended.
    pub ended: bool,
    /// Bench time when it began.
    pub began_us: u64,
    /// Bench time when it ended.
    pub at_us: u64,
    /// The number of the next event.
    pub next: u64,
    /// The event that was waited for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<Value>,
    /// What happened meanwhile, the last of it: events with their numbers, without polls and bare
    /// acknowledgements. What is not in its place in the log yet has no number.
    pub evidence: Vec<Value>,
    /// How many events of that time are not in the evidence.
    pub left_out: u64,
}

/// What was seen instead.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Missed {
    /// In words.
    pub text: String,
    /// What was seen: an amount in minor units, a text, a number, or true or false.
    pub found: Value,
    /// What was expected, alike.
    pub wanted: Value,
}

/// How time is to pass.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SetPace {
    /// The bench.
    pub bench: String,
    /// How.
    pub pace: PaceName,
}

/// Something to be looked at.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Look {
    /// The bench.
    pub bench: String,
    /// What: `credit`, `display`, `exact-change`, `ready`, `sold`, `balance`, `went-to`, `fell`, `seen`.
    pub at: LookAt,
    /// The device, for `ready`; the board for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// The place of the ledger, for `balance` and `went-to`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The item's number, for `fell`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item: Option<u16>,
    /// The text, for `seen`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

/// What can be looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LookAt {
    /// The board's cash credit.
    Credit,
    /// What the display shows.
    Display,
    /// The exact-change light.
    ExactChange,
    /// Whether a device, or all of them, are set up.
    Ready,
    /// How many items were delivered.
    Sold,
    /// What a place of the ledger holds.
    Balance,
    /// Whether the money that moved last went to this place.
    WentTo,
    /// Whether this item was delivered.
    Fell,
    /// Whether somebody at the machine saw this text.
    Seen,
}

/// What was seen.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Looked {
    /// What was looked at, in words.
    pub of: String,
    /// An amount in minor units, a text, a number, or true or false.
    pub seen: Value,
    /// Bench time.
    pub at_us: u64,
}

/// Events to be read.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadEvents {
    /// The bench.
    pub bench: String,
    /// From this number on; from the first that is still there for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<u64>,
    /// At most so many; 1000 for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 10_000))]
    pub most: Option<u32>,
    /// As in [`Filter`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub r#type: Option<Words>,
    /// As in a filter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// As in a filter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// As in a filter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// As in a filter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
}

impl ReadEvents {
    /// What of it is a filter.
    #[must_use]
    pub fn filter(&self) -> Filter {
        Filter {
            r#type: self.r#type.clone(),
            device: self.device.clone(),
            name: self.name.clone(),
            text: self.text.clone(),
            rule: self.rule.clone(),
            source: None,
            bus: None,
        }
    }
}

/// Events.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Events {
    /// Each with its number, and otherwise as in a recording.
    pub events: Vec<Value>,
    /// The number to go on from.
    pub next: u64,
    /// Numbers that were asked for and are no longer kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub missed: Option<Span>,
    /// Nothing follows.
    pub ended: bool,
}

/// Numbers from one to another, both included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Span {
    /// The first.
    pub from: u64,
    /// The last.
    pub to: u64,
}

/// The ledger of a bench.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Ledger {
    /// How many decimals its amounts have.
    pub decimals: u8,
    /// What is where, and what the board believes.
    pub balances: Vec<Balance>,
    /// Every movement, as in a recording.
    pub movements: Vec<Value>,
}

/// What a place holds.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Balance {
    /// The place, as expectations name it.
    pub place: String,
    /// In minor units.
    pub amount: i64,
    /// Money that exists; otherwise a claim of the board.
    pub physical: bool,
}

/// What was found.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Findings {
    /// Limits broken, and advice, as in a recording.
    pub findings: Vec<Value>,
}

/// Pulse trains as they were measured.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Trains {
    /// As in a recording.
    pub trains: Vec<Value>,
}

/// A bench that has ended.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Closed {
    /// Its id.
    pub bench: String,
    /// All held.
    pub passed: bool,
    /// The verdict in words.
    pub text: String,
    /// Bench time.
    pub at_us: u64,
    /// The verdict, as in a recording.
    pub verdict: Value,
    /// What is where.
    pub balances: Vec<Balance>,
    /// Limits broken, and advice.
    pub findings: Vec<Value>,
    /// The file of its recording, where one stays.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording: Option<String>,
    /// Why it broke off, or why its recording is not whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failed: Option<String>,
}

/// What answers.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Version {
    /// The name of the tool.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// A document: HTTP has its text as it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Document {
    /// Its media type.
    pub content_type: String,
    /// A name for a file.
    pub name: String,
    /// All of it.
    pub text: String,
}
