//! What is on the shelf, as a page for the workbench: every unit with what it falls short in and what to
//! do about it.

use super::{CSS, NO_REAL_UNIT, document, grade_class, grade_sign};
use crate::words::plain;
use maud::{Markup, html};
use payrig_exam::Grade;
use payrig_units::words;

const SHELF: &str = include_str!("shelf.css");

/// A unit on the shelf.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShelfUnit {
    /// The number of its newest ticket.
    pub ticket: i64,
    /// What it is: "changer", and its name where it has one.
    pub unit: String,
    /// Its serial number; empty where it is not known.
    pub serial: String,
    /// Its grade; `None` where its examination cannot be read.
    pub grade: Option<Grade>,
    /// True when no real unit was examined.
    pub is_emulated: bool,
    /// When it was examined, by the site's clock.
    pub examined: String,
    /// The customer's reference; empty where there is none.
    pub customer: String,
    /// How many tickets it has.
    pub visits: usize,
    /// What failed, without what fails because of it.
    pub failed: Vec<ShelfPoint>,
    /// What else is to be known of it.
    pub remarks: Vec<String>,
}

/// A failed check of a unit on the shelf.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShelfPoint {
    /// The check.
    pub check: String,
    /// What was seen.
    pub seen: String,
    /// What to do; may be empty.
    pub advice: String,
    /// What fails because of it, in words.
    pub more: Option<String>,
}

/// What is on the shelf.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shelf {
    /// When the list was made, by the site's clock.
    pub made: String,
    /// Which units were asked for, in words; empty for all.
    pub filter: String,
    /// The units, in order.
    pub units: Vec<ShelfUnit>,
}

fn one(unit: &ShelfUnit) -> Markup {
    let (class, sign, grade) = match unit.grade {
        _ if unit.is_emulated => ("cannot-tell", "\u{2013}", NO_REAL_UNIT),
        Some(grade) => (grade_class(grade), grade_sign(grade), grade.words()),
        None => ("cannot-tell", "?", "cannot be read"),
    };
    html! {
        li.unit.(class) {
            div.who {
                p.grade { span.punch.(class) { (sign) } " " (grade) }
                h2 { (plain(&unit.unit)) }
                p.serial {
                    @if unit.serial.is_empty() { "no serial number" } @else { (plain(&unit.serial)) }
                }
                p.soft {
                    "ticket " (unit.ticket) ", " (plain(&unit.examined))
                    @if unit.visits > 1 { ", " (words::count(unit.visits, "visit")) }
                }
                @if !unit.customer.is_empty() { p.soft { "for " (plain(&unit.customer)) } }
            }
            div.todo {
                @if unit.failed.is_empty() { p.soft { "no check failed" } }
                @else {
                    ol {
                        @for point in &unit.failed {
                            li {
                                span.box {} " " code { (plain(&point.check)) } " " (plain(&point.seen))
                                @if let Some(more) = &point.more { p.soft { (plain(more)) } }
                                @if !point.advice.is_empty() { p.advice { (plain(&point.advice)) } }
                            }
                        }
                    }
                }
                @for remark in &unit.remarks { p.soft { (plain(remark)) } }
            }
        }
    }
}

/// What is on the shelf as one HTML document.
#[must_use]
pub fn shelf_html(shelf: &Shelf) -> String {
    let count = words::count(shelf.units.len(), "unit");
    let body = html! {
        header {
            div.who {
                p.kind { "repair list" }
                h1 { "On the shelf: " (count) }
                p.soft {
                    (plain(&shelf.made))
                    @if !shelf.filter.is_empty() { "; " (plain(&shelf.filter)) }
                }
            }
        }
        ol.shelf { @for unit in &shelf.units { (one(unit)) } }
    };
    document(&format!("repair list: {count}"), &[CSS, SHELF], &body)
}
