//! The end of the ticket: cautions, and room for a signature.

use crate::words::{EMULATED, plain};
use maud::{Markup, html};
use payrig_exam::{Examination, Grade};

/// The usual cautions in short; `docs/src/cautions.md` has them in full.
const CAUTIONS: [(&str, &str); 6] = [
    (
        "Codes first.",
        "Local electrical codes and the machine's manual come before this paper; the work is for qualified people.",
    ),
    (
        "Mains.",
        "Unplug the machine before opening it and before anything is connected or disconnected.",
    ),
    (
        "Discharge.",
        "Supplies hold their charge after the plug is out: wait, and measure.",
    ),
    (
        "34 V bus.",
        "The MDB/ICP connector carries 34 V beside its data lines, up to 45 V at its peaks (4.1).",
    ),
    (
        "Isolate.",
        "Only through an adapter made for this bus, its isolation intact; never join the grounds (4.2).",
    ),
    (
        "Hands out.",
        "Motors, payout slides and bill transports start without warning; a device really pays.",
    ),
];

/// What may be done with a unit: a box each. What is not known to be fit is not installed, and nothing is
/// done with what is emulated.
fn choices(examination: &Examination) -> &'static [&'static str] {
    if examination.is_emulated() {
        return &[];
    }
    match examination.grade {
        Grade::Fit | Grade::FitWithRemarks => &[
            "install",
            "repair, then examine again",
            "back on the shelf",
            "scrap",
        ],
        Grade::NotFit => &["repair, then examine again", "back on the shelf", "scrap"],
        Grade::Partial | Grade::OneCheck => &["examine in full", "back on the shelf", "scrap"],
    }
}

/// The cautions as a list.
pub(super) fn cautions() -> Markup {
    html! {
        ul.cautions {
            @for (what, text) in CAUTIONS { li { b { (what) } " " (text) } }
        }
    }
}

/// Room for a name, a date and a signature.
pub(super) fn lines() -> Markup {
    html! {
        div.lines {
            span { "name" } span { "date" } span { "signature" }
        }
    }
}

pub(super) fn stub(examination: &Examination) -> Markup {
    let subject = &examination.subject;
    // A unit that nobody named is called by its kind.
    let mut unit = subject.kind.clone();
    if subject.name != subject.kind && !subject.name.is_empty() {
        unit = format!("{unit} {}", subject.name);
    }
    if !subject.serial.is_empty() {
        unit = format!("{unit}, serial {}", subject.serial);
    }
    html! {
        footer {
            (cautions())
            div.sign {
                p.unit {
                    (plain(&unit)) ": "
                    @if examination.is_emulated() { b.emulated { (EMULATED) } ", " }
                    b { (examination.grade_words()) }
                }
                @match choices(examination) {
                    [] => {}
                    choices => {
                        ul.boxes {
                            @for what in choices { li { span.box {} " " (what) } }
                        }
                    }
                }
                (lines())
                p.made { "Seen and measured by " (plain(&examination.tool)) ". A check that was not seen on the wire says by whom." }
            }
        }
    }
}
