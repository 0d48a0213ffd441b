//! The label of a ticket, 62 mm wide: what sticks to a unit on the shelf.

use super::{NO_REAL_UNIT, document, grade_class, grade_sign};
use crate::drawing::qr;
use crate::words::plain;
use maud::{Markup, html};
use payrig_exam::Grade;

const CSS: &str = include_str!("label.css");

/// What a label says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Label {
    /// The number of the ticket.
    pub ticket: i64,
    /// What the unit is: "changer", and its name where it has one.
    pub unit: String,
    /// Its serial number; empty where it is not known.
    pub serial: String,
    /// Its grade; `None` where the examination cannot be read.
    pub grade: Option<Grade>,
    /// True when no real unit was examined.
    pub is_emulated: bool,
    /// Why the ticket does not count, where it does not.
    pub void: Option<String>,
    /// The day it was examined, on the site's calendar.
    pub examined: String,
    /// The customer's reference; empty where there is none.
    pub customer: String,
    /// What the code says.
    pub code: String,
}

fn verdict(label: &Label) -> Markup {
    let (class, sign, words) = match (&label.void, label.is_emulated, label.grade) {
        (Some(_), ..) => ("out", "\u{2013}", "void"),
        (None, true, _) => return html! { p.emulated { (NO_REAL_UNIT) } },
        (None, false, Some(grade)) => (grade_class(grade), grade_sign(grade), grade.words()),
        (None, false, None) => ("cannot-tell", "?", "cannot be read"),
    };
    html! {
        p.grade.(class) { span.sign { (sign) } " " span.words { (words) } }
    }
}

fn one(label: &Label) -> Markup {
    html! {
        article.label {
            div.text {
                p.ticket { "ticket " b { (label.ticket) } }
                (verdict(label))
                @if let Some(why) = &label.void { p { (plain(why)) } }
                p.unit { (plain(&label.unit)) }
                p.serial {
                    @if label.serial.is_empty() { "no serial number" } @else { (plain(&label.serial)) }
                }
                @if !label.customer.is_empty() { p { "for " (plain(&label.customer)) } }
                p.date { (plain(&label.examined)) }
            }
            @if let Some(code) = qr::code(&plain(&label.code)) { (code) }
        }
    }
}

/// Labels as one HTML document, made for a printer of labels 62 mm wide: one to a page.
#[must_use]
pub fn labels_html(labels: &[Label]) -> String {
    let numbers: Vec<String> = labels.iter().map(|l| l.ticket.to_string()).collect();
    let title = format!("label of ticket {}", numbers.join(", "));
    let body = html! {
        h1.hidden { (plain(&title)) }
        @for label in labels { (one(label)) }
    };
    document(&title, &[CSS], &body)
}
