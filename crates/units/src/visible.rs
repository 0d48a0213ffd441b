//! Text from outside (a wire, a capture, a rig, somebody's recording) on its way to a terminal or a
//! page: whatever would act instead of being read is written out. The one place that does so.

use crate::prelude::*;
use alloc::borrow::Cow;
use core::fmt;

/// True for a character that acts on a terminal, turns the direction of what follows, or cannot be
/// seen: controls (C0, DEL, C1), separators of lines and paragraphs, marks and overrides of
/// direction, zero width and other ignorable characters, and tags. List: Unicode 16, categories Cc,
/// Zl and Zp, and `Default_Ignorable_Code_Point`; from memory.
#[must_use]
pub const fn is_hidden(c: char) -> bool {
    matches!(c,
        '\0'..='\x1F'
        | '\x7F'..='\u{9F}'
        | '\u{AD}'
        | '\u{34F}'
        | '\u{61C}'
        | '\u{115F}'..='\u{1160}'
        | '\u{17B4}'..='\u{17B5}'
        | '\u{180B}'..='\u{180F}'
        | '\u{200B}'..='\u{200F}'
        | '\u{2028}'..='\u{202E}'
        | '\u{2060}'..='\u{206F}'
        | '\u{3164}'
        | '\u{FE00}'..='\u{FE0F}'
        | '\u{FEFF}'
        | '\u{FFA0}'
        | '\u{FFF0}'..='\u{FFFB}'
        | '\u{1BCA0}'..='\u{1BCA3}'
        | '\u{1D173}'..='\u{1D17A}'
        | '\u{E0000}'..='\u{E0FFF}'
    )
}

/// The text with everything hidden written out: `\n`, `\t`, `\x1B`, `\u{202E}`. It is one line, and
/// the same text where nothing is hidden.
#[must_use]
pub fn visible(text: &str) -> Cow<'_, str> {
    match text.contains(is_hidden) {
        false => Cow::Borrowed(text),
        true => Cow::Owned(Visible(text).to_string()),
    }
}

/// The same as [`visible`], of anything that can be shown, without a text in between.
///
/// ```
/// use payrig_units::Visible;
///
/// assert_eq!(Visible("cash\u{1B}[2J").to_string(), "cash\\x1B[2J");
/// ```
#[derive(Clone, Copy, Debug)]
pub struct Visible<T>(pub T);

impl<T: fmt::Display> fmt::Display for Visible<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        use fmt::Write;
        // Padding is counted in what is shown.
        match (f.width(), f.precision()) {
            (None, None) => write!(Through(f), "{}", self.0),
            _ => f.pad(&visible(&self.0.to_string())),
        }
    }
}

/// Writes on what can be seen as it is, and the rest written out.
struct Through<'a, 'b>(&'a mut fmt::Formatter<'b>);

impl fmt::Write for Through<'_, '_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        let mut rest = text;
        while let Some((at, c)) = rest.char_indices().find(|(_, c)| is_hidden(*c)) {
            let (before, from) = rest.split_at(at);
            self.0.write_str(before)?;
            match c {
                '\n' => self.0.write_str("\\n")?,
                '\r' => self.0.write_str("\\r")?,
                '\t' => self.0.write_str("\\t")?,
                '\0'..='\x7F' => write!(self.0, "\\x{:02X}", u32::from(c))?,
                _ => write!(self.0, "\\u{{{:X}}}", u32::from(c))?,
            }
            rest = from.get(c.len_utf8()..).unwrap_or_default();
        }
        self.0.write_str(rest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_acts_on_a_terminal_is_written_out() {
        for (hostile, shown) in [
            ("\x1B]0;title\x07", "\\x1B]0;title\\x07"),
            ("\u{9B}2J", "\\u{9B}2J"),
            ("a\r\nb\tc", "a\\r\\nb\\tc"),
            ("abc\u{202E}321", "abc\\u{202E}321"),
            ("\u{2066}x\u{2069}", "\\u{2066}x\\u{2069}"),
            ("1\u{200B}0\u{FEFF}", "1\\u{200B}0\\u{FEFF}"),
            ("\u{E0041}\x7F", "\\u{E0041}\\x7F"),
        ] {
            assert_eq!(visible(hostile), shown);
            assert_eq!(Visible(hostile).to_string(), shown);
        }
        for plain in ["", "Kaffee 1,20 €", "コーヒー", "\\x1B", "é👍"] {
            assert!(matches!(visible(plain), Cow::Borrowed(text) if text == plain));
        }
        assert_eq!(format!("{:>6}|", Visible("a\x07")), " a\\x07|");
    }

    proptest! {
        #[test]
        fn any_text_is_one_line_that_hides_nothing(text in any::<String>()) {
            let shown = visible(&text);
            prop_assert!(!shown.contains(is_hidden));
            prop_assert_eq!(Visible(&text).to_string(), shown.as_ref());
            prop_assert_eq!(visible(&shown), shown.clone());
            let kept: String = text.chars().filter(|c| !is_hidden(*c)).collect();
            // Whatever can be seen is still there, in its order.
            let mut left = shown.chars();
            prop_assert!(kept.chars().all(|c| left.any(|s| s == c)));
        }
    }
}
