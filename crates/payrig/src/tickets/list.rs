//! Tickets as a list.

use super::clean;
use crate::Format;
use crate::style::STYLES;
use crate::terminal;
use payrig_tickets::Row;
use serde_json::json;
use std::io::{self, Write};
use textwrap::core::display_width;

pub(super) fn list(rows: &[Row], format: Format) -> io::Result<()> {
    let mut out = terminal::screen();
    if format == Format::Json {
        for row in rows {
            terminal::json_line(&mut out, &as_json(row))?;
        }
        return out.flush();
    }
    if rows.is_empty() {
        writeln!(out, "no tickets")?;
        return out.flush();
    }
    let head = STYLES.head;
    // Every column is as wide as what is in it, and never narrower than its heading.
    let texts = |row: &Row| {
        let (kind, serial) = (clean(&row.kind), clean(&row.serial));
        [row.added.clone(), kind, serial, row.grade.clone()]
    };
    let headings = ["added", "kind", "serial", "grade"].map(str::to_owned);
    let all: Vec<[String; 4]> = rows.iter().map(texts).collect();
    let mut wide = headings.each_ref().map(|h| display_width(h));
    for cells in &all {
        for (wide, cell) in wide.iter_mut().zip(cells) {
            *wide = (*wide).max(display_width(cell));
        }
    }
    let padded = |cells: &[String; 4]| {
        let mut columns = cells.clone();
        for (cell, wide) in columns.iter_mut().zip(wide) {
            cell.push_str(&" ".repeat(wide.saturating_sub(display_width(cell))));
        }
        columns
    };
    let [added, kind, serial, grade] = padded(&headings);
    writeln!(
        out,
        "{head}{:>6}  {added}  {kind}  {serial}  {grade}  {:>4} {:>4} {:>4} {:>4}  name{head:#}",
        "ticket", "pass", "fail", "?", "skip"
    )?;
    for (row, cells) in rows.iter().zip(&all) {
        let style = match row.grade.as_str() {
            "fit" => STYLES.pass,
            "not fit" => STYLES.limit,
            _ => STYLES.advice,
        };
        let [added, kind, serial, grade] = padded(cells);
        writeln!(
            out,
            "{:>6}  {added}  {kind}  {serial}  {style}{grade}{style:#}  {:>4} {:>4} {:>4} {:>4}  {}",
            row.id,
            row.passed,
            row.failed,
            row.cannot_tell,
            row.skipped,
            clean(&row.name)
        )?;
    }
    out.flush()
}

fn as_json(row: &Row) -> serde_json::Value {
    json!({
        "type": "ticket", "id": row.id, "added": row.added, "examined": row.examined,
        "kind": row.kind, "name": row.name, "maker": row.maker, "serial": row.serial,
        "model": row.model, "version": row.version, "grade": row.grade, "passed": row.passed,
        "failed": row.failed, "cannot_tell": row.cannot_tell, "skipped": row.skipped,
        "recording_sha256": row.recording_sha256,
    })
}
