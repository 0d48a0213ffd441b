//! `payrig sheet`: the hand-over sheet of a machine.

mod heard;
mod units;

use crate::examine::EXAMINATION;
use crate::float;
use crate::json::common::Problem;
use crate::json::written::Line;
use crate::lines;
use crate::outputs::{Files, write_whole};
use crate::terminal::{self, caution, put};
use crate::{Exit, Failure, Format};
use clap::Args;
use heard::Heard;
use payrig_bench::Plan;
use payrig_bench::machine::{Key, Selection};
use payrig_exam::device::Kind;
use payrig_exam::{Cause, CheckResult, Examination, Grade, Outcome, because_of_this};
use payrig_report::{
    Fact, OpenPoint, PriceRow, PriceTray, Sheet, SheetVerdict, read_json, sheet_html, sheet_json,
};
use payrig_units::{Money, words};
use payrig_wire::reading::{ReadOptions, read_file};
use payrig_wire::recording::{Entry, Header};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Arguments of `payrig sheet`.
#[derive(Debug, Args)]
pub(crate) struct SheetArguments {
    /// The rig of the machine.
    rig: PathBuf,
    /// An examination of it, or of a device in it, saved as JSON; or a recording or capture of its bus and
    /// lines. May be given several times.
    #[arg(long, value_name = "FILE", num_args = 1..)]
    examination: Vec<PathBuf>,
    /// Write one HTML file, to look at or to print and sign [default: the name of the rig with
    /// -sheet.html, unless --json is given].
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write the sheet as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// How to say what was written; with json the sheet itself is a line of it.
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
}

/// An examination, and the file it is from.
struct Read {
    examination: Examination,
    file: String,
    sha256: String,
}

fn sha256(bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    fs::read(path).map_err(|error| {
        Failure::wrong(Problem::of_file(
            path,
            format_args!("cannot be read: {error}"),
        ))
    })
}

/// The recording of an examination: what it says of how that ended.
struct Recorded {
    /// As examinations call it.
    kind: String,
    grade: Grade,
    /// "3 of 44 checks failed".
    tally: String,
    live: bool,
    started: String,
    file: String,
    sha256: String,
}

impl Recorded {
    /// The recording with this header and these bytes; `None` for one of something else, and for one
    /// whose examination did not come to its end.
    fn of(header: &Header, bytes: &[u8], file: &str, sha256: &str) -> Option<Self> {
        let name = header.bench.strip_prefix(EXAMINATION)?;
        let mut lines = bytes
            .rsplit(|b| *b == b'\n')
            .filter(|line| !line.is_empty());
        let Ok(Entry::Verdict { text, .. }) = serde_json::from_slice(lines.next()?) else {
            return None;
        };
        let (words, tally) = text.split_once(": ")?;
        // A second card reader is `cashless-2`.
        let kind = Kind::named(name).or_else(|| Kind::named(name.strip_suffix("-2")?));
        Some(Self {
            kind: kind.map_or_else(|| name.to_owned(), |kind| kind.to_string()),
            grade: Grade::named(words)?,
            tally: tally.to_owned(),
            live: header.live,
            started: header.started.clone().unwrap_or_default(),
            file: file.to_owned(),
            sha256: sha256.to_owned(),
        })
    }

    fn verdict(&self) -> SheetVerdict {
        SheetVerdict {
            unit: self.kind.clone(),
            grade: self.grade,
            emulated: !self.live,
            tally: self.tally.clone(),
            date: shown(&self.started),
            link: "as its recording says".to_owned(),
            recording_sha256: self.sha256.clone(),
            file_sha256: self.sha256.clone(),
            file: self.file.clone(),
        }
    }
}

/// A date by the site's clock.
fn shown(date: &str) -> String {
    match date {
        "" => "no date".to_owned(),
        date => payrig_tickets::Site::of_this_computer().show(date),
    }
}

/// What was given beside the rig.
#[derive(Default)]
struct Given {
    examinations: Vec<Read>,
    /// Recordings of examinations.
    recorded: Vec<Recorded>,
    heard: Heard,
    /// SHA-256 of recordings and captures.
    recordings: Vec<String>,
    warnings: Vec<String>,
}

impl Given {
    fn take(&mut self, path: &Path) -> Result<(), Failure> {
        let bytes = read(path)?;
        let name = path.file_name().unwrap_or(path.as_os_str());
        let file = name.to_string_lossy().into_owned();
        let header = bytes.split(|b| *b == b'\n').next().unwrap_or_default();
        let header = serde_json::from_slice::<Header>(header).ok();
        let is_json = bytes.iter().find(|b| !b.is_ascii_whitespace()) == Some(&b'{');
        if header.is_none() && is_json {
            let examination = read_json(bytes.as_slice())
                .map_err(|error| Failure::wrong(Problem::of_file(path, error)))?;
            let sha256 = sha256(&bytes);
            if self.examinations.iter().any(|e| e.sha256 == sha256) {
                return Ok(());
            }
            self.examinations.push(Read {
                examination,
                file,
                sha256,
            });
            return Ok(());
        }
        let own = sha256(&bytes);
        if self.recordings.contains(&own) {
            return Ok(());
        }
        let recorded = header
            .as_ref()
            .and_then(|h| Recorded::of(h, &bytes, &file, &own));
        self.recorded.extend(recorded);
        self.recordings.push(own);
        let ours = header.as_ref().map(|h| h.ours.clone()).unwrap_or_default();
        if header.is_some_and(|h| !h.live) {
            self.warnings.push(format!(
                "{file} is a recording of a simulated bench: what it says is of no real unit, and left out."
            ));
            return Ok(());
        }
        let reading = read_file(path, &ReadOptions::default());
        let reading = reading.map_err(Failure::wrong)?;
        self.heard.listen(&reading.entries, &ours);
        Ok(())
    }
}

pub(crate) fn sheet(arguments: &SheetArguments) -> Result<Exit, Failure> {
    let mut files = Files::default();
    files.read("the rig", Some(&arguments.rig));
    for file in &arguments.examination {
        files.read("the examination", Some(file));
    }
    let html = match (&arguments.html, &arguments.json) {
        (None, None) => {
            let stem = arguments.rig.file_stem().unwrap_or_default();
            Some(PathBuf::from(format!(
                "{}-sheet.html",
                stem.to_string_lossy()
            )))
        }
        (html, _) => html.clone(),
    };
    files.write("the sheet", html.as_deref())?;
    files.write("the sheet as JSON", arguments.json.as_deref())?;
    let rig = payrig_rig::load(&arguments.rig);
    let rig = rig.map_err(Failure::wrong)?;
    let mut given = Given::default();
    for path in &arguments.examination {
        given.take(path)?;
    }
    let mut sheet = made_of(&rig, &given);
    let name = arguments
        .rig
        .file_name()
        .unwrap_or(arguments.rig.as_os_str());
    sheet.rig = name.to_string_lossy().into_owned();
    sheet.rig_sha256 = sha256(&read(&arguments.rig)?);
    if let Some(path) = &html {
        write_whole(path, |out| out.write_all(sheet_html(&sheet).as_bytes()))?;
        terminal::wrote("html", path)?;
    }
    if arguments.format == Format::Json {
        if let Some(header) = lines::plain_header() {
            let letters = rig.currency.letters().map(str::to_owned);
            lines::header(&header.money(rig.decimals, letters))?;
        }
        lines::put(&Line::Sheet(&sheet))?;
    }
    if let Some(path) = &arguments.json {
        let text = sheet_json(&sheet).map_err(|error| Failure::wrong(error.to_string()))?;
        if path.as_os_str() == "-" && arguments.format == Format::Json {
            // It is there as a line.
        } else if path.as_os_str() == "-" {
            put!("{text}")?;
        } else {
            write_whole(path, |out| out.write_all(format!("{text}\n").as_bytes()))?;
            terminal::wrote("json", path)?;
        }
    }
    for warning in &sheet.warnings {
        caution!("{warning}");
    }
    Ok(Exit::Passed)
}

fn fact(what: &str, value: impl Into<String>) -> Fact {
    Fact {
        what: what.to_owned(),
        value: value.into(),
    }
}

/// The sheet of a rig and of what was examined of it.
fn made_of(rig: &Plan, given: &Given) -> Sheet {
    let about = &rig.machine.about;
    let known = float::about(about).into_iter();
    let (fill, no_fill) = match float::plan_of(rig) {
        Ok(plan) => (Some(plan), String::new()),
        Err(why) => (None, why),
    };
    let units = units::units(rig, given);
    let real: Vec<&Read> = given.real().collect();
    let mut sheet = Sheet {
        name: rig.name.clone(),
        made: float::now(),
        tool: concat!("payrig ", env!("CARGO_PKG_VERSION")).to_owned(),
        decimals: rig.decimals,
        machine: known.map(|(what, value)| Fact { what, value }).collect(),
        notes: about
            .notes
            .iter()
            .flat_map(|n| n.lines())
            .map(str::to_owned)
            .collect(),
        units,
        money: money(rig),
        prices: prices(rig),
        fill,
        no_fill,
        verdicts: verdicts(given),
        not_examined: not_examined(rig, given),
        open: real
            .iter()
            .flat_map(|read| open(&read.examination))
            .collect(),
        warnings: given.warnings.clone(),
        checklist: checklist(rig),
        ..Sheet::default()
    };
    for read in &given.examinations {
        let recording = &read.examination.recording_sha256;
        if !recording.is_empty()
            && !given.recordings.is_empty()
            && !given.recordings.contains(recording)
        {
            sheet.warnings.push(format!(
                "{}: none of the recordings given is the one it was made with (SHA-256 {recording}).",
                read.file
            ));
        }
    }
    let mut of_none: Vec<String> = Vec::new();
    for read in &given.examinations {
        if !units::subjects(rig)
            .iter()
            .any(|s| s.is_of(&read.examination))
        {
            of_none.push(format!(
                "{} is of a {}, and the rig has none.",
                read.file, read.examination.subject.kind
            ));
        }
    }
    sheet.warnings.extend(of_none);
    sheet
}

impl Given {
    /// Recordings of examinations that were not given themselves.
    fn alone(&self) -> impl Iterator<Item = &Recorded> {
        let saved = |r: &&Recorded| {
            let mut all = self.examinations.iter();
            all.any(|e| e.examination.recording_sha256 == r.sha256)
        };
        self.recorded.iter().filter(move |r| !saved(r))
    }

    /// The examinations of real units.
    fn real(&self) -> impl Iterator<Item = &Read> {
        self.examinations
            .iter()
            .filter(|e| !e.examination.is_emulated())
    }
}

/// What an examination calls its subject.
fn called(examination: &Examination) -> String {
    let subject = &examination.subject;
    let mut text = subject.kind.clone();
    if !subject.kind.contains(&subject.name) {
        text = format!("{text} {}", subject.name);
    }
    // An emulated unit has no serial number that anybody could look for.
    if !subject.serial.is_empty() && !examination.is_emulated() {
        text = format!("{text}, serial {}", subject.serial);
    }
    text
}

fn verdict(read: &Read) -> SheetVerdict {
    let examination = &read.examination;
    let outcomes = [
        Outcome::Pass,
        Outcome::Fail,
        Outcome::CannotTell,
        Outcome::Skipped,
    ];
    let tally = outcomes
        .into_iter()
        .map(|o| (examination.count(o), o.words()))
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| format!("{n} {word}"));
    SheetVerdict {
        unit: called(examination),
        grade: examination.grade,
        emulated: examination.is_emulated(),
        tally: tally.collect::<Vec<_>>().join(", "),
        date: shown(&examination.date),
        link: examination.link.clone(),
        recording_sha256: examination.recording_sha256.clone(),
        file_sha256: read.sha256.clone(),
        file: read.file.clone(),
    }
}

/// Those of examinations, and those of recordings whose examination was not given.
fn verdicts(given: &Given) -> Vec<SheetVerdict> {
    let saved = given.examinations.iter().map(verdict);
    let recorded = given.alone().map(Recorded::verdict);
    saved.chain(recorded).collect()
}

/// Causes, what to mend first in front, and what could not be told for no such cause.
fn open(examination: &Examination) -> Vec<OpenPoint> {
    let causes = examination.to_mend();
    let point = |check: &CheckResult, cause: Option<&Cause>| OpenPoint {
        unit: called(examination),
        outcome: check.outcome,
        check: check.id.clone(),
        seen: check.seen.clone(),
        advice: check.advice.clone(),
        consequences: cause.map_or_else(Vec::new, |c| c.all().map(str::to_owned).collect()),
        more: cause.and_then(because_of_this),
    };
    let failed = causes
        .iter()
        .filter_map(|cause| Some(point(examination.check(&cause.id)?, Some(cause))));
    let undecided = examination.checks.iter().filter(|check| {
        let unexplained = examination.because_of(&check.id).is_none();
        check.outcome == Outcome::CannotTell && unexplained
    });
    failed
        .chain(undecided.map(|check| point(check, None)))
        .collect()
}

/// Units without an examination of a real one, and checks that were not done.
fn not_examined(rig: &Plan, given: &Given) -> Vec<String> {
    let mut all = Vec::new();
    // What is between a device and the board is payrig itself.
    let examinable = units::subjects(rig)
        .into_iter()
        .filter(|s| !s.kinds.contains(&"bridge"));
    for subject in examinable {
        let mut its = given
            .examinations
            .iter()
            .filter(|r| subject.is_of(&r.examination));
        let mut real = given.real().filter(|r| subject.is_of(&r.examination));
        let name = subject.called();
        let mut recorded = given.alone().filter(|r| subject.is_a(&r.kind));
        let live = given.alone().any(|r| r.live && subject.is_a(&r.kind));
        match (
            real.next().is_some() || live,
            its.next().is_some() || recorded.next().is_some(),
        ) {
            (true, _) => {}
            (false, true) => all.push(format!("{name}: only an emulated one was, no real unit")),
            (false, false) => all.push(name),
        }
    }
    for read in given.real() {
        let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
        let checks = &read.examination.checks;
        for check in checks.iter().filter(|c| c.outcome == Outcome::Skipped) {
            *reasons.entry(&check.seen).or_default() += 1;
        }
        for (why, n) in reasons {
            let checks = words::count(n, "check");
            all.push(format!(
                "{}: {checks} not done: {why}",
                called(&read.examination)
            ));
        }
    }
    all
}

fn money(rig: &Plan) -> Vec<Fact> {
    let show = |m: &Money| m.show(rig.decimals).to_string();
    let list = |all: &[Money]| all.iter().map(show).collect::<Vec<_>>().join(", ");
    let board = &rig.board;
    let mut facts = Vec::new();
    let mut add = |what: &str, value: String| {
        if !value.is_empty() {
            facts.push(fact(what, value));
        }
    };
    let (coins, bills) = units::taken(rig);
    add("coins taken", list(&coins));
    add("coins refused", list(&board.refused_coins));
    add("bills taken", list(&bills));
    add("bills refused", list(&board.bills.refused));
    let limit = board.changer.credit_limit;
    add(
        "no more coins from a credit of",
        limit.map_or_else(String::new, |m| show(&m)),
    );
    let cells = rig.machine.selections.len();
    add("selections", cells.to_string());
    facts
}

/// What a selection is, where the rig has a name for it: what has none is called by its keys.
fn name_of(selection: &Selection) -> &str {
    let name = selection.name.trim();
    let rest = ["selection", "item"]
        .iter()
        .find_map(|word| name.strip_prefix(word));
    let bare = rest.unwrap_or(name).trim();
    let number = selection.number.to_string();
    match bare.is_empty() || bare == number || Key::parse(bare).is_ok_and(|k| k == selection.key) {
        true => "",
        false => name,
    }
}

/// Selections that stand beside each other in a tray and cost the same, as one row.
fn prices(rig: &Plan) -> Vec<PriceTray> {
    let row = |selections: &[&Selection]| -> Option<PriceRow> {
        let (first, last) = (selections.first()?, selections.last()?);
        let keys = match selections.len() {
            1 => first.key.to_string(),
            _ => format!("{}-{}", first.key, last.key),
        };
        Some(PriceRow {
            keys,
            name: name_of(first).to_owned(),
            cash: first.price,
            card: first.card_price(),
        })
    };
    let alike = |a: &Selection, b: &Selection| {
        (a.price, a.card_price(), name_of(a)) == (b.price, b.card_price(), name_of(b))
            && a.key.column().checked_add(1) == Some(b.key.column())
    };
    let trays = rig.machine.trays();
    let tray = |tray: &payrig_bench::machine::Tray<'_>| PriceTray {
        name: tray.name.clone(),
        rows: tray
            .selections
            .chunk_by(|a, b| alike(a, b))
            .filter_map(row)
            .collect(),
    };
    trays.iter().map(tray).collect()
}

/// What to look at at the machine, as far as this machine has it.
fn checklist(rig: &Plan) -> Vec<String> {
    let has = |kind: &str| units::subjects(rig).iter().any(|s| s.kinds.contains(&kind));
    let cash = has("changer")
        || has("bill validator")
        || has("pulse bill validator")
        || has("pulse coin acceptor");
    let change = has("changer") || has("pulse hopper") || has("pulse coin acceptor with hopper");
    let count = rig.machine.selections.len();
    let items = [
        (true, "connectors keyed and seated, none forced".to_owned()),
        (true, "ground wire back, fast".to_owned()),
        (true, "door interlock opens and closes".to_owned()),
        (true, format!("motor count at the board: {count}")),
        (
            true,
            "price shown is the price on the shelf, one of each tray".to_owned(),
        ),
        (
            rig.machine.has_two_prices(),
            "card price shown to a card, cash price to cash".to_owned(),
        ),
        (cash && change, "a cash vend, change counted".to_owned()),
        (cash && !change, "a cash vend".to_owned()),
        (
            has("cashless device"),
            "a card vend, amount on the receipt".to_owned(),
        ),
        (has("changer"), "coin return gives coins back".to_owned()),
        (
            has("bill validator"),
            "a bill comes back by the return key".to_owned(),
        ),
        (change, "exact change off after filling".to_owned()),
        (true, "keys, covers and tools are back".to_owned()),
    ];
    let wanted = items.into_iter().filter(|(is, _)| *is);
    wanted.map(|(_, what)| what).collect()
}
