//! Tickets as a list.

use super::clean;
use crate::Format;
use crate::json::tickets::Line;
use crate::lines;
use crate::style::STYLES;
use crate::terminal;
use payrig_tickets::Row;
use std::io::{self, Write};
use textwrap::core::display_width;

pub(super) fn list(rows: &[Row], format: Format) -> io::Result<()> {
    let mut out = terminal::screen();
    if format == Format::Json {
        for row in rows {
            lines::put(&Line::Ticket(row.into()))?;
        }
        return lines::flush();
    }
    if rows.is_empty() {
        writeln!(out, "no tickets")?;
        return out.flush();
    }
    let head = STYLES.head;
    // Every column is as wide as what is in it, and never narrower than its heading. That of references
    // is there where there is one.
    let referred = rows.iter().any(|row| !row.customer().is_empty());
    let texts = |row: &Row| {
        let (kind, serial) = (clean(&row.kind), clean(&row.serial));
        let mut cells = vec![row.added_clock(), kind, serial, standing(row)];
        cells.extend(referred.then(|| clean(row.customer())));
        cells
    };
    let mut headings = ["added", "kind", "serial", "grade"]
        .map(str::to_owned)
        .to_vec();
    headings.extend(referred.then(|| "customer".to_owned()));
    let all: Vec<Vec<String>> = rows.iter().map(texts).collect();
    let mut wide: Vec<usize> = headings.iter().map(|h| display_width(h)).collect();
    for cells in &all {
        for (wide, cell) in wide.iter_mut().zip(cells) {
            *wide = (*wide).max(display_width(cell));
        }
    }
    let padded = |cells: &[String], grade: anstyle::Style| {
        let pad = |(number, (cell, wide)): (usize, (&String, &usize))| {
            let style = if number == GRADE {
                grade
            } else {
                anstyle::Style::new()
            };
            let space = " ".repeat(wide.saturating_sub(display_width(cell)));
            format!("{style}{cell}{style:#}{space}")
        };
        let columns: Vec<String> = cells.iter().zip(&wide).enumerate().map(pad).collect();
        columns.join("  ")
    };
    writeln!(
        out,
        "{head}{:>6}  {}  {:>4} {:>4} {:>4} {:>4}  name{head:#}",
        "ticket",
        padded(&headings, anstyle::Style::new()),
        "pass",
        "fail",
        "?",
        "skip"
    )?;
    for (row, cells) in rows.iter().zip(&all) {
        let style = match row.grade.as_str() {
            _ if row.void().is_some() => STYLES.dim,
            "not fit" => STYLES.limit,
            "fit" if !row.is_emulated => STYLES.pass,
            _ => STYLES.advice,
        };
        writeln!(
            out,
            "{:>6}  {}  {:>4} {:>4} {:>4} {:>4}  {}",
            row.id,
            padded(cells, style),
            row.passed,
            row.failed,
            row.cannot_tell,
            row.skipped,
            clean(&row.name)
        )?;
    }
    out.flush()
}

/// The column of grades.
const GRADE: usize = 3;

/// A ticket's grade in words. No real unit was examined in an emulated one, so that is never called fit.
pub(super) fn grade_words(row: &Row) -> &str {
    match row.grade.as_str() {
        "fit" if row.is_emulated => "nothing failed",
        "fit with remarks" if row.is_emulated => "nothing failed, with remarks",
        grade => grade,
    }
}

/// A ticket's grade, and why it does not count for a real unit where it does not.
fn standing(row: &Row) -> String {
    match (row.void(), row.is_emulated) {
        (Some(_), _) => format!("void: {}", grade_words(row)),
        (None, true) => format!("emulated: {}", grade_words(row)),
        (None, false) => row.grade.clone(),
    }
}
