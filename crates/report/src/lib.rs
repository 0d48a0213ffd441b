//! An examination as others take it: a table for the terminal, JSON, JUnit XML for build servers,
//! and one HTML file to print and sign; what a shop prints of its tickets. All that payrig draws is drawn here.

mod drawing;
mod example;
mod figures;
mod html;
mod json;
mod junit;
mod text;
mod words;

pub use drawing::board_map::board_map;
pub use example::example;
pub use figures::{Figures, figures};
pub use html::{
    Fact, FillBuys, FillPlan, FillTube, Label, OpenPoint, PriceRow, PriceTray, SHEET_SCHEMA,
    SHEET_VERSION, SavedSheet, Setting, Sheet, SheetUnit, SheetVerdict, Shelf, ShelfPoint,
    ShelfUnit, fill_html, html, labels_html, sheet_html, sheet_json, shelf_html, write_html,
};
pub use json::{FORMAT, SCHEMA, SavedExamination, VERSION, read_json, write_json};
pub use junit::write_junit;
pub use text::{line, text_table};

/// A report that could not be written or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The file or stream failed.
    #[error("{0}")]
    Io(#[from] std::io::Error),
    /// Not JSON, or not the JSON of an examination.
    #[error(
        "line {line}, column {column}: not a saved examination: {why}; expected a file that payrig wrote as JSON"
    )]
    Json {
        /// Where.
        line: usize,
        /// Where in the line.
        column: usize,
        /// What the reader says.
        why: String,
    },
    /// JSON of something else.
    #[error(
        "this is JSON of something else ({found}); expected \"schema\": \"{SCHEMA}\", as payrig writes it"
    )]
    Foreign {
        /// What the file says it is.
        found: String,
    },
    /// Written by another version.
    #[error(
        "this examination was saved in version {found} of the format; this payrig reads up to {VERSION}: use a newer payrig"
    )]
    Version {
        /// The file's version.
        found: u64,
    },
    /// The values cannot be written as JSON.
    #[error("the examination cannot be written as JSON: {0}")]
    Unwritable(serde_json::Error),
    /// The values cannot be written as JUnit XML.
    #[error("the examination cannot be written as JUnit XML: {0}")]
    Junit(#[from] quick_junit::SerializeError),
}

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}

#[cfg(test)]
mod tests;
