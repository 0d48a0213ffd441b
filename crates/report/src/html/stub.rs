//! The end of the ticket: cautions, and room for a signature.

use crate::words::plain;
use maud::{Markup, html};
use payrig_exam::Examination;

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
            ul.cautions {
                @for (what, text) in CAUTIONS { li { b { (what) } " " (text) } }
            }
            div.sign {
                p.unit { (plain(&unit)) ": " b { (examination.grade.words()) } }
                ul.boxes {
                    @for what in ["install", "repair, then examine again", "back on the shelf", "scrap"] {
                        li { span.box {} " " (what) }
                    }
                }
                div.lines {
                    span { "name" } span { "date" } span { "signature" }
                }
                p.made { "Seen and measured by " (plain(&examination.tool)) ". A check that was not seen on the wire says by whom." }
            }
        }
    }
}
