//! The hand-over sheet of a machine: what it is, how it was set, what goes in, what was examined and what
//! was not, and what to look at before the van leaves.

use super::{CSS, FillPlan, NO_REAL_UNIT, document, fill, grade_class, grade_sign, part, stub};
use crate::words::plain;
use maud::{Markup, html};
use payrig_exam::{Grade, Outcome};
use payrig_units::{Decimals, Money};
use serde::Serialize;

const SHEET: &str = include_str!("sheet.css");

/// What the file says it is.
pub const SHEET_SCHEMA: &str = "payrig-sheet";
/// The version of its format.
pub const SHEET_VERSION: u32 = 2;

/// Something known of a machine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Fact {
    /// What.
    pub what: String,
    /// As it is.
    pub value: String,
}

/// A setting: as it was made, and as it was seen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Setting {
    /// What is set.
    pub what: String,
    /// As the rig says it is set; empty where the rig says nothing.
    pub set: String,
    /// As it was measured, or agreed on the bus; `None` where it was not seen.
    pub seen: Option<String>,
}

/// The board, or a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct SheetUnit {
    /// "board", "changer", "pulse bill validator".
    pub kind: String,
    /// As the rig calls it.
    pub name: String,
    /// What its label says, as the rig has it.
    pub label: String,
    /// What it reported of itself: maker, model, serial, version; empty where it was not heard.
    pub reported: String,
    /// Its settings.
    pub settings: Vec<Setting>,
}

/// What selections cost.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct PriceRow {
    /// Their keys: "C7-C9".
    pub keys: String,
    /// What they are; empty where the rig does not say.
    pub name: String,
    /// In cash.
    pub cash: Money,
    /// On a card.
    pub card: Money,
}

/// A tray.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct PriceTray {
    /// How its keys begin.
    pub name: String,
    /// Its rows, in order.
    pub rows: Vec<PriceRow>,
}

/// What came of an examination.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct SheetVerdict {
    /// What was examined, as the examination calls it.
    pub unit: String,
    /// Its grade.
    pub grade: Grade,
    /// True when no real unit was examined.
    pub emulated: bool,
    /// "38 pass, 3 fail".
    pub tally: String,
    /// When.
    pub date: String,
    /// Over which link.
    pub link: String,
    /// SHA-256 of its recording; empty where none was written.
    pub recording_sha256: String,
    /// SHA-256 of the file it was read from.
    pub file_sha256: String,
    /// The name of that file.
    pub file: String,
}

/// Something still open.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct OpenPoint {
    /// Of which unit.
    pub unit: String,
    /// It failed, or nobody could tell.
    pub outcome: Outcome,
    /// The check.
    pub check: String,
    /// What was seen.
    pub seen: String,
    /// What to do.
    pub advice: String,
    /// Checks that fail because of it.
    pub consequences: Vec<String>,
    /// The same in words; `None` where there are none.
    #[serde(skip)]
    pub more: Option<String>,
}

/// The hand-over sheet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Sheet {
    /// The name of the bench.
    pub name: String,
    /// When it was made, by the site's clock.
    pub made: String,
    /// What made it.
    pub tool: String,
    /// The rig it was made from.
    pub rig: String,
    /// SHA-256 of the rig.
    pub rig_sha256: String,
    /// Decimals of all amounts.
    pub decimals: Decimals,
    /// Site, asset number, model, board, technician.
    pub machine: Vec<Fact>,
    /// Notes, line by line.
    pub notes: Vec<String>,
    /// Board and devices.
    pub units: Vec<SheetUnit>,
    /// Coins and bills taken and refused, limits.
    pub money: Vec<Fact>,
    /// Cash and card prices by tray.
    pub prices: Vec<PriceTray>,
    /// The fill to put in; `None` where nothing pays change.
    pub fill: Option<FillPlan>,
    /// Why there is none.
    pub no_fill: String,
    /// What came of examinations.
    pub verdicts: Vec<SheetVerdict>,
    /// What was not examined.
    pub not_examined: Vec<String>,
    /// What failed or stayed undecided on real units.
    pub open: Vec<OpenPoint>,
    /// What does not fit together.
    pub warnings: Vec<String>,
    /// What to look at on site.
    pub checklist: Vec<String>,
}

/// A sheet as it is saved.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct SavedSheet<'a> {
    /// [`SHEET_SCHEMA`].
    schema: &'static str,
    /// [`SHEET_VERSION`].
    version: u32,
    /// The sheet.
    #[serde(flatten)]
    sheet: &'a Sheet,
}

/// A sheet as one JSON object, indented.
///
/// # Errors
/// When it cannot be written as JSON.
pub fn sheet_json(sheet: &Sheet) -> Result<String, crate::ReportError> {
    let written = SavedSheet {
        schema: SHEET_SCHEMA,
        version: SHEET_VERSION,
        sheet,
    };
    let text = serde_json::to_string_pretty(&written);
    text.map_err(crate::ReportError::Unwritable)
}

fn facts(facts: &[Fact]) -> Markup {
    html! {
        dl.known {
            @for fact in facts { div { dt { (plain(&fact.what)) } dd { (plain(&fact.value)) } } }
        }
    }
}

fn unit(unit: &SheetUnit) -> Markup {
    let measured = unit.settings.iter().any(|s| s.seen.is_some());
    html! {
        article.unit {
            h3 { (plain(&unit.name)) @if unit.name != unit.kind { small { (plain(&unit.kind)) } } }
            @if !unit.label.is_empty() { p { "label: " (plain(&unit.label)) } }
            @if !unit.reported.is_empty() { p.reported { "reported: " (plain(&unit.reported)) } }
            @else if unit.kind.starts_with("pulse") {
                p.reported { "on pulse lines, which carry no name or serial number" }
            }
            @else if unit.kind != "bridge" { p.reported { "not heard" } }
            @if !unit.settings.is_empty() {
                table {
                    thead {
                        tr { th { "setting" } th { "set" } @if measured { th { "seen" } } }
                    }
                    tbody {
                        @for setting in &unit.settings {
                            tr {
                                td { (plain(&setting.what)) }
                                td { (plain(&setting.set)) }
                                @if measured { td { (plain(setting.seen.as_deref().unwrap_or("\u{2013}"))) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn trays(trays: &[PriceTray], decimals: Decimals) -> Markup {
    html! {
        div.trays {
            @for tray in trays {
                table {
                    thead {
                        tr {
                            th { @if tray.name.is_empty() { "keys" } @else { "tray " (plain(&tray.name)) } }
                            th.n { "cash" } th.n { "card" }
                        }
                    }
                    tbody {
                        @for row in &tray.rows {
                            tr {
                                td { b { (plain(&row.keys)) } " " (plain(&row.name)) }
                                td.n { (row.cash.show(decimals)) } td.n { (row.card.show(decimals)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn verdicts(sheet: &Sheet) -> Markup {
    html! {
        @if sheet.verdicts.is_empty() { p { "Nothing was examined." } }
        @else {
            ul.verdicts {
                @for verdict in &sheet.verdicts {
                    @let (class, sign) = match verdict.emulated {
                        true => ("cannot-tell", "\u{2013}"),
                        false => (grade_class(verdict.grade), grade_sign(verdict.grade)),
                    };
                    li {
                        p.grade.(class) {
                            span.punch.(class) { (sign) } " "
                            @if verdict.emulated { (NO_REAL_UNIT) } @else { (verdict.grade.words()) }
                        }
                        p { b { (plain(&verdict.unit)) } ", " (plain(&verdict.tally)) }
                        p.soft { (plain(&verdict.date)) ", " (plain(&verdict.link)) }
                        p.hash.soft {
                            @if verdict.recording_sha256.is_empty() {
                                (plain(&verdict.file)) ", SHA-256 " (plain(&verdict.file_sha256))
                            } @else { "recording, SHA-256 " (plain(&verdict.recording_sha256)) }
                        }
                    }
                }
            }
        }
        @if !sheet.not_examined.is_empty() {
            h3 { "Not examined" }
            ul.plain { @for what in &sheet.not_examined { li { (plain(what)) } } }
        }
    }
}

fn open(sheet: &Sheet) -> Markup {
    if sheet.open.is_empty() {
        return html! {};
    }
    let body = html! {
        ul.open {
            @for point in &sheet.open {
                li {
                    span.box {} " " b { (plain(&point.unit)) } ", " code { (plain(&point.check)) } " "
                    (point.outcome.words()) ": " (plain(&point.seen))
                    @if let Some(more) = &point.more { p.soft { (plain(more)) } }
                    @if !point.advice.is_empty() { p.advice { (plain(&point.advice)) } }
                }
            }
        }
    };
    part("open", "Open", "what failed or stayed undecided", &body)
}

/// The sheet as one HTML document.
#[must_use]
pub fn sheet_html(sheet: &Sheet) -> String {
    let list = html! {
        ul.ticks { @for what in &sheet.checklist { li { span.box {} " " (plain(what)) } } }
    };
    let set = html! {
        div.units { @for u in &sheet.units { (unit(u)) } }
    };
    let money = html! {
        (facts(&sheet.money))
        (trays(&sheet.prices, sheet.decimals))
    };
    let filled = match &sheet.fill {
        Some(plan) => fill::tables(plan),
        None => html! { p { (plain(&sheet.no_fill)) } },
    };
    let body = html! {
        header {
            div.who {
                p.kind { "hand-over sheet" }
                h1 { (plain(&sheet.name)) }
                (facts(&sheet.machine))
                @for note in &sheet.notes { p.note { (plain(note)) } }
            }
        }
        @if !sheet.warnings.is_empty() {
            section.warnings {
                h2 { "Look at this first" }
                ul.plain { @for warning in &sheet.warnings { li { (plain(warning)) } } }
            }
        }
        (part("verdicts", "Examined", "", &verdicts(sheet)))
        (open(sheet))
        (part("units", "Board and acceptors", "as set, and as seen on the wires", &set))
        (part("money", "Money and prices", "", &money))
        (part("fill", "Fill", "coins and bills per tube", &filled))
        (part("ticks", "At the machine", "to be ticked on site", &list))
        (part("notes", "Notes", "", &html! { div.room {} }))
        footer {
            (stub::cautions())
            div.sign {
                (stub::lines())
                p.made {
                    "Made " (plain(&sheet.made)) " by " (plain(&sheet.tool)) " from " (plain(&sheet.rig))
                    ", SHA-256 " span.hash { (plain(&sheet.rig_sha256)) }
                }
            }
        }
    };
    document(
        &format!("{}: hand-over sheet", sheet.name),
        &[CSS, fill::STYLE, SHEET],
        &body,
    )
}
