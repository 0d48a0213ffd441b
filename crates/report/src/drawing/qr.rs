//! A text as a QR code (ISO/IEC 18004), which a telephone or a scanner at the counter reads.

use maud::{Markup, html};
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write;

/// As many modules must stay white around it (ISO/IEC 18004, from memory).
const QUIET: usize = 4;

/// The modules of a code for a text, row by row, true for dark; `None` for a text that no code holds.
fn modules(text: &str) -> Option<Vec<Vec<bool>>> {
    // A label gets dirty: 15 of 100 modules may be lost.
    let code = QrCode::with_error_correction_level(text, EcLevel::M).ok()?;
    let colors = code.to_colors();
    let dark = |row: &[Color]| row.iter().map(|c| *c == Color::Dark).collect();
    Some(colors.chunks(code.width()).map(dark).collect())
}

/// The code of a text, dark on white whatever the page is like; `None` for a text that no code holds.
pub(crate) fn code(text: &str) -> Option<Markup> {
    let modules = modules(text)?;
    let mut path = String::new();
    for (y, row) in modules.iter().enumerate() {
        for (x, _) in row.iter().enumerate().filter(|(_, dark)| **dark) {
            // Writing to a String does not fail.
            let _ = write!(path, "M{} {}h1v1h-1z", x + QUIET, y + QUIET);
        }
    }
    let side = modules.len() + 2 * QUIET;
    Some(html! {
        svg.code viewBox={ "0 0 " (side) " " (side) } role="img" aria-label={ "code: " (text) }
            shape-rendering="crispEdges" {
            rect width=(side) height=(side) fill="#fff" {}
            path fill="#000" d=(path) {}
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Read by somebody else's reader, from pixels.
    fn read(text: &str) -> String {
        const PIXELS: usize = 5;
        let modules = modules(text).unwrap();
        let side = (modules.len() + 2 * QUIET) * PIXELS;
        let dark = |x: usize, y: usize| {
            let at = |p: usize| (p / PIXELS).checked_sub(QUIET);
            let row = at(y).and_then(|y| modules.get(y));
            row.zip(at(x)).and_then(|(row, x)| row.get(x)).copied() == Some(true)
        };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(side, side, |x, y| {
            if dark(x, y) { 0 } else { 255 }
        });
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1);
        grids[0].decode().unwrap().1
    }

    #[test]
    fn a_reader_reads_what_was_written() {
        for text in [
            "payrig ticket 12; changer; serial 000000004711; not fit; 2026-03-14",
            "\u{fc}ber \u{20ac} \u{786c}\u{5e01}",
        ] {
            assert_eq!(read(text), text);
        }
        assert!(code(&"x".repeat(4_000)).is_none(), "no code is that large");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]
        #[test]
        fn whatever_is_written_on_it(text in "[ -~]{1,120}") {
            prop_assert_eq!(read(&text), text);
        }
    }
}
