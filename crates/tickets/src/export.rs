//! Tickets as a table for a spreadsheet.

use super::Row;
use payrig_units::visible;
use std::io::Write;

/// Signs that begin a formula: `=`, `+`, `-`, `@`, their full-width and small forms (U+FF0B, U+FF0D,
/// U+FF1D, U+FF20, U+FE62, U+FE63, U+FE66, U+FE6B), which some programs take for the same, and the
/// minus sign. Which program takes which: common practice, no source.
const FORMULA: &[char] = &[
    '=', '+', '-', '@', '\u{FF0B}', '\u{FF0D}', '\u{FF1D}', '\u{FF20}', '\u{FE62}', '\u{FE63}',
    '\u{FE66}', '\u{FE6B}', '\u{2212}',
];

/// A text that a spreadsheet takes neither for a formula nor for more than one line: what is hidden in it
/// (controls, tabs, line breaks, byte order marks, zero width) is written out, and one that begins as a
/// formula does, whatever spaces are before it, gets an apostrophe. Serial numbers come from devices, and
/// a device may say anything; references come from customers.
fn cell(text: &str) -> String {
    let text = visible(text);
    match text.trim_start().starts_with(FORMULA) {
        true => format!("'{text}"),
        false => text.into_owned(),
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
        "added local",
        "examined local",
        "customer",
        "notes",
        "void",
        "emulated",
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
        let notes: Vec<&str> = row.notes().collect();
        let later = [
            row.recording_sha256.as_str(),
            &row.added_local,
            &row.examined_local(),
            row.customer(),
            &notes.join(" | "),
            row.void().unwrap_or_default(),
        ];
        record.extend(later.map(cell));
        record.push(if row.is_emulated { "emulated" } else { "" }.to_owned());
        writer.write_record(&record)?;
    }
    writer.flush()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_units::is_hidden;
    use proptest::prelude::*;

    #[test]
    fn no_cell_begins_a_formula_whatever_is_before_it() {
        for sign in FORMULA {
            for before in ["", " ", "\u{A0}", "\u{3000}"] {
                let text = format!("{before}{sign}1+1");
                assert_eq!(cell(&text), format!("'{text}"));
            }
            // What is hidden is shown, and stands before the sign then.
            for hidden in [
                '\t', '\r', '\n', '\0', '\u{FEFF}', '\u{200B}', '\u{2060}', '\u{202E}',
            ] {
                let cell = cell(&format!("{hidden}{sign}1+1"));
                assert!(cell.starts_with('\\'), "{cell}");
            }
        }
        for plain in ["", "4711", "A=B", "old-bill", "Harbour Loop"] {
            assert_eq!(cell(plain), plain);
        }
    }

    proptest! {
        #[test]
        fn any_cell_is_one_line_of_what_can_be_seen(text in any::<String>()) {
            let cell = cell(&text);
            prop_assert!(!cell.contains(is_hidden));
            prop_assert!(!cell.trim_start().starts_with(FORMULA));
        }
    }
}
