//! One HTML file that needs nothing else: to look at, to print on a page or two, to sign.
//!
//! Laid out as a workshop ticket: the verdict on top, a strip with one punch per check, what fell
//! short and what to do about it, the measurements, the money, every check, and a stub to sign.

mod checks;
mod fill;
mod label;
mod money;
mod sheet;
mod shelf;
mod stub;
mod timing;

pub use fill::{FillBuys, FillPlan, FillTube, fill_html};
pub use label::{Label, labels_html};
pub use sheet::{
    Fact, OpenPoint, PriceRow, PriceTray, SHEET_SCHEMA, SHEET_VERSION, SavedSheet, Setting, Sheet,
    SheetUnit, SheetVerdict, sheet_html, sheet_json,
};
pub use shelf::{Shelf, ShelfPoint, ShelfUnit, shelf_html};

use crate::ReportError;
use crate::words::{EMULATED, OUTCOMES, identity, plain};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use payrig_exam::{CheckResult, Examination, Grade, Outcome};
use std::io::Write;

const CSS: &str = include_str!("report.css");

/// Nothing is loaded from anywhere, whatever a device may have called itself.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

const fn outcome_class(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Fail => "fail",
        Outcome::CannotTell => "cannot-tell",
        Outcome::Skipped => "skipped",
    }
}

/// A sign beside the colour, so that the report reads in black and white.
const fn outcome_sign(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "\u{2713}",
        Outcome::Fail => "\u{2715}",
        Outcome::CannotTell => "?",
        Outcome::Skipped => "\u{2013}",
    }
}

/// The colour of a check: a missed margin has that of a remark.
pub(super) fn class(check: &CheckResult) -> &'static str {
    match check.is_remark() {
        true => "remark cannot-tell",
        false => outcome_class(check.outcome),
    }
}

/// Its sign.
pub(super) fn sign(check: &CheckResult) -> &'static str {
    match check.is_remark() {
        true => "i",
        false => outcome_sign(check.outcome),
    }
}

pub(super) const fn grade_class(grade: Grade) -> &'static str {
    match grade {
        Grade::Fit => "pass",
        Grade::FitWithRemarks | Grade::Partial | Grade::OneCheck => "cannot-tell",
        Grade::NotFit => "fail",
    }
}

/// The colour of its grade: that of a fit unit for real ones only.
fn verdict_class(examination: &Examination) -> &'static str {
    match (examination.is_emulated(), examination.grade) {
        (true, Grade::Fit) => outcome_class(Outcome::CannotTell),
        (_, grade) => grade_class(grade),
    }
}

/// A sign beside a grade's colour, as beside that of an outcome.
pub(super) fn grade_sign(grade: Grade) -> &'static str {
    match grade {
        Grade::Fit => outcome_sign(Outcome::Pass),
        Grade::FitWithRemarks => "i",
        Grade::Partial | Grade::OneCheck => outcome_sign(Outcome::CannotTell),
        Grade::NotFit => outcome_sign(Outcome::Fail),
    }
}

/// What stands over the grade of a subject that is not there.
pub(super) const NO_REAL_UNIT: &str = EMULATED;

/// A document that needs nothing else, in one style and what more it needs of it.
pub(super) fn document(title: &str, css: &[&str], body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (plain(title)) }
                style { @for css in css { (PreEscaped(css)) } }
            }
            body { main { (body) } }
        }
    };
    page.into_string()
}

/// A heading with what is under it.
pub(super) fn part(id: &str, title: &str, note: &str, body: &Markup) -> Markup {
    html! {
        section id=(id) {
            h2 { (title) @if !note.is_empty() { small { (note) } } }
            (body)
        }
    }
}

fn head(examination: &Examination) -> Markup {
    let subject = &examination.subject;
    let known = identity(examination);
    html! {
        header {
            div.who {
                p.kind { (plain(&subject.kind)) " examination" }
                h1 { (plain(if subject.name.is_empty() { "unnamed" } else { &subject.name })) }
                @if !known.is_empty() {
                    dl.identity {
                        @for (what, value) in known {
                            div { dt { (what) } dd { (plain(value)) } }
                        }
                    }
                }
            }
            div.verdict.(verdict_class(examination)) {
                @if examination.is_emulated() { p.emulated { (EMULATED) } }
                p.grade { (examination.grade_words()) }
                p.of {
                    (examination.count(Outcome::Pass)) " of " (examination.checks.len()) " checks pass"
                }
            }
        }
    }
}

fn facts(examination: &Examination) -> Markup {
    let date = match examination.date.as_str() {
        "" => "simulated time",
        date => date,
    };
    html! {
        dl.facts {
            div { dt { "Begun" } dd { (plain(date)) } }
            div { dt { "By" } dd { (plain(&examination.tool)) } }
            div { dt { "Link" } dd { (plain(&examination.link)) } }
            div {
                dt { "Times may be off by" }
                dd { "\u{b1} " (examination.uncertainty_us) }
            }
            div.wide {
                dt { "Recording, SHA-256" }
                dd.hash {
                    @if examination.recording_sha256.is_empty() { "none was written" }
                    @else { (plain(&examination.recording_sha256)) }
                }
            }
        }
    }
}

/// True for a reason that the card of its check repeats.
fn has_card(examination: &Examination, reason: &str) -> bool {
    let mut checks = examination.checks.iter();
    checks.any(|c| {
        let short = matches!(c.outcome, Outcome::Fail | Outcome::CannotTell);
        short && reason.starts_with(&c.reason())
    })
}

fn strip(examination: &Examination) -> Markup {
    html! {
        nav.strip aria-label="Every check, in order" {
            @for (i, check) in examination.checks.iter().enumerate() {
                a.punch.(class(check)) href={ "#check-" (i + 1) }
                    title={ (plain(&check.title)) ": " (check.words()) } {
                    (sign(check))
                }
            }
        }
        ul.legend {
            @let remarks = examination.checks.iter().filter(|c| c.is_remark()).count();
            @for outcome in OUTCOMES {
                @let of_it = examination.count(outcome);
                @let count = if outcome == Outcome::Fail { of_it - remarks } else { of_it };
                li {
                    span.punch.(outcome_class(outcome)) { (outcome_sign(outcome)) }
                    " " b { (count) } " " (outcome.words())
                }
            }
            @if remarks > 0 {
                li { span.punch.cannot-tell { "i" } " " b { (remarks) } " remark" @if remarks > 1 { "s" } }
            }
        }
        @if !examination.reasons.is_empty() {
            ul.reasons {
                @for reason in &examination.reasons {
                    // On paper, what fell short is printed once, with what to do about it.
                    li.screen[has_card(examination, reason)] { (plain(reason)) }
                }
            }
        }
    }
}

/// The report as one HTML document.
#[must_use]
pub fn html(examination: &Examination) -> String {
    let subject = &examination.subject;
    let name = match subject.name == subject.kind {
        true => String::new(),
        false => format!(" {}", subject.name),
    };
    let grade = examination.grade_words();
    let title = format!("{}{name}: {grade}", subject.kind);
    let body = html! {
        (head(examination))
        (facts(examination))
        (strip(examination))
        (checks::fell_short(examination))
        (timing::times(examination))
        (timing::pulses(examination))
        (checks::findings(examination))
        (money::ledger(examination))
        (checks::all(examination))
        (stub::stub(examination))
    };
    document(&title, &[CSS], &body)
}

/// Writes the report as one HTML document.
///
/// # Errors
/// When `out` fails.
pub fn write_html(examination: &Examination, mut out: impl Write) -> Result<(), ReportError> {
    out.write_all(html(examination).as_bytes())?;
    Ok(out.flush()?)
}
