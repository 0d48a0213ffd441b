//! Tickets as a table for a spreadsheet.

use super::Row;
use std::io::Write;

/// A text a spreadsheet will not take for a formula: one that begins with `=`, `+`, `-`, `@`, a tab
/// or a return gets an apostrophe before it. Serial numbers come from devices, and a device may say
/// anything.
fn cell(text: &str) -> String {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r') => format!("'{text}"),
        _ => text.to_owned(),
    }
}

/// Writes tickets as CSV with a heading, one line each.
///
/// # Errors
/// When `out` fails.
pub fn export_csv(rows: &[Row], out: impl Write) -> csv::Result<()> {
    let mut writer = csv::Writer::from_writer(out);
    writer.write_record([
        "ticket",
        "added",
        "examined",
        "kind",
        "name",
        "maker",
        "serial",
        "model",
        "version",
        "grade",
        "passed",
        "failed",
        "cannot tell",
        "skipped",
        "recording sha256",
    ])?;
    for row in rows {
        let texts = [
            &row.added,
            &row.examined,
            &row.kind,
            &row.name,
            &row.maker,
            &row.serial,
            &row.model,
            &row.version,
            &row.grade,
        ];
        let numbers = [row.passed, row.failed, row.cannot_tell, row.skipped];
        let mut record = vec![row.id.to_string()];
        record.extend(texts.into_iter().map(|t| cell(t)));
        record.extend(numbers.map(|n| n.to_string()));
        record.push(cell(&row.recording_sha256));
        writer.write_record(&record)?;
    }
    writer.flush()?;
    Ok(())
}
