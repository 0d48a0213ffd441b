//! Two tickets held against each other, in words and as JSON.

use super::clean;
use crate::json::tickets::Line;
use crate::lines;
use crate::style::STYLES;
use crate::terminal;
use payrig_tickets::{Comparison, Drift, Row, Turn};
use payrig_units::words;
use std::io::{self, Write};

/// Why there is nothing to hold a ticket against.
pub(super) fn no_visit_before(row: &Row) -> String {
    let with = "--with TICKET names one to hold it against";
    let id = row.id;
    if row.serial.is_empty() {
        return format!(
            "ticket {id} has no serial number, so that nobody knows its unit's visits before: give the \
             number on the plate when a unit is examined, as --serial NUMBER; {with}"
        );
    }
    format!(
        "ticket {id} is the first of its unit (same serial number, kind and maker): there is no visit \
         before it; {with}"
    )
}

/// The warning where two tickets are of two units, or may be.
pub(super) fn other_unit(before: &Row, now: &Row) -> Option<String> {
    let number = |row: &Row| format!("ticket {}: {}", row.id, clean(&row.serial));
    match (before.serial.is_empty(), now.serial.is_empty()) {
        (false, false) if before.serial.eq_ignore_ascii_case(&now.serial) => None,
        (false, false) => Some(format!(
            "TWO UNITS: the serial numbers differ ({}, {}). What differs below may be from one unit to \
             the other, and says nothing of how either has aged.",
            number(before),
            number(now)
        )),
        _ => {
            let without = if now.serial.is_empty() { now } else { before };
            Some(format!(
                "PERHAPS TWO UNITS: ticket {} has no serial number, so that nobody knows whether both \
                 are of one unit; --serial NUMBER gives it when a unit is examined.",
                without.id
            ))
        }
    }
}

pub(super) fn write_json(before: &Row, now: &Row, comparison: &Comparison) -> io::Result<()> {
    let same_unit = other_unit(before, now).is_none();
    Line::compared((before, now), comparison, same_unit).try_for_each(|line| lines::put(&line))?;
    lines::flush()
}

pub(super) fn write_text(before: &Row, now: &Row, comparison: &Comparison) -> io::Result<()> {
    let mut out = terminal::screen();
    let head = STYLES.head;
    let name = match now.name == now.kind {
        true => String::new(),
        false => format!(" {}", clean(&now.name)),
    };
    writeln!(
        out,
        "{head}{}{name}, serial {}{head:#}",
        clean(&now.kind),
        match now.serial.as_str() {
            "" => "unknown".to_owned(),
            serial => clean(serial),
        }
    )?;
    writeln!(
        out,
        "  before: ticket {}, {}, {}",
        before.id,
        before.added_clock(),
        before.grade
    )?;
    writeln!(
        out,
        "  now:    ticket {}, {}, {}",
        now.id,
        now.added_clock(),
        now.grade
    )?;
    let mut turns = |title: &str, style: anstyle::Style, all: &[Turn]| -> io::Result<()> {
        if all.is_empty() {
            return Ok(());
        }
        writeln!(out, "\n{style}{title}{style:#}")?;
        for t in all {
            let word = |o: Option<payrig_exam::Outcome>| o.map_or("not done", |o| o.words());
            let (then, now) = (word(t.before), word(t.now));
            writeln!(
                out,
                "  {}: {then} -> {now}: {}",
                clean(&t.id),
                clean(&t.seen)
            )?;
        }
        Ok(())
    };
    turns("Worse", STYLES.limit, &comparison.worse)?;
    turns("Better", STYLES.pass, &comparison.better)?;
    turns("Not to be compared", STYLES.dim, &comparison.other)?;
    if !comparison.drifts.is_empty() {
        writeln!(out, "\n{head}Times (median, longest){head:#}")?;
        for d in &comparison.drifts {
            drift(&mut out, d)?;
        }
    }
    writeln!(
        out,
        "\n{} came out as before",
        words::count(comparison.alike, "check")
    )?;
    out.flush()
}

fn drift(mut out: impl Write, d: &Drift) -> io::Result<()> {
    let moved = d.median_moved_us();
    let verdict = match (d.certain, moved) {
        (false, _) => "no drift that can be measured".to_owned(),
        (true, 0..) => format!(
            "{} longer",
            payrig_units::Micros(moved.unsigned_abs() as u64)
        ),
        (true, _) => format!(
            "{} shorter",
            payrig_units::Micros(moved.unsigned_abs() as u64)
        ),
    };
    writeln!(
        out,
        "  {}: {} -> {}, longest {} -> {}: {verdict}",
        clean(&d.what),
        d.before.median,
        d.now.median,
        d.before.max,
        d.now.max
    )
}
