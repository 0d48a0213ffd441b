//! Reading a TOML table key by key, so that every error names its line, what was expected and the
//! nearest valid name.

use super::error::{RigError, nearest};
use super::limits::{LONGEST_NAME, LONGEST_NOTES, LONGEST_TEXT};
use payrig_units::{Decimals, Micros, Money};
use std::cell::RefCell;
use std::ops::Range;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The text of a rig and its name, for errors.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Text<'a> {
    pub(crate) file: &'a Path,
    pub(crate) text: &'a str,
    /// Where its lines end.
    pub(crate) breaks: &'a [usize],
}

impl Text<'_> {
    /// The line of a byte, from 1.
    pub(crate) fn line(&self, at: usize) -> usize {
        self.breaks.partition_point(|end| *end < at) + 1
    }

    pub(crate) fn error(&self, span: &Range<usize>, message: impl Into<String>) -> RigError {
        RigError {
            file: self.file.to_owned(),
            line: self.line(span.start),
            message: message.into(),
            hint: None,
        }
    }
}

/// A table being read. Every key asked for is remembered; [`Fields::finish`] refuses the others.
pub(crate) struct Fields<'a> {
    pub(crate) text: Text<'a>,
    pub(crate) span: Range<usize>,
    /// How errors name this table: `[[peripheral]]`.
    title: &'a str,
    table: &'a DeTable<'a>,
    known: RefCell<Vec<&'static str>>,
}

type Found<T> = Result<Option<T>, RigError>;

impl<'a> Fields<'a> {
    pub(crate) fn new(
        text: Text<'a>,
        title: &'a str,
        span: Range<usize>,
        table: &'a DeTable<'a>,
    ) -> Self {
        Self {
            text,
            span,
            title,
            table,
            known: RefCell::default(),
        }
    }

    pub(crate) fn get(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.known.borrow_mut().push(key);
        self.table.get(key)
    }

    pub(crate) fn error(&self, message: impl Into<String>) -> RigError {
        self.text.error(&self.span, message)
    }

    /// The error of a value that is not what its key needs.
    pub(crate) fn wrong(
        &self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
        expected: &str,
    ) -> RigError {
        let found = self.text.text.get(value.span()).unwrap_or("?");
        let message = format!("`{key}` is {found}; expected {expected}");
        self.text.error(&value.span(), message)
    }

    /// An error about a value.
    pub(crate) fn at(&self, value: &Spanned<DeValue<'_>>, message: impl Into<String>) -> RigError {
        self.text.error(&value.span(), message)
    }

    /// A text for people, of one line and at most [`LONGEST_TEXT`] characters.
    pub(crate) fn free_text(&self, key: &'static str) -> Found<String> {
        self.prose(key, LONGEST_TEXT, false)
    }

    /// A text for people that may have several lines, of at most [`LONGEST_NOTES`] characters.
    pub(crate) fn notes(&self, key: &'static str) -> Found<String> {
        self.prose(key, LONGEST_NOTES, true)
    }

    fn prose(&self, key: &'static str, most: usize, lines: bool) -> Found<String> {
        let Some(text) = self.string(key)? else {
            return Ok(None);
        };
        let Some(value) = self.table.get(key) else {
            return Ok(None);
        };
        if let Some(fault) = prose_fault(&text, most, lines) {
            return Err(self.at(value, format!("`{key}` {fault}")));
        }
        let text = text.trim();
        Ok((!text.is_empty()).then(|| text.to_owned()))
    }

    /// The value of a key that must be there.
    pub(crate) fn need<T>(
        &self,
        key: &str,
        expected: &str,
        found: Option<T>,
    ) -> Result<T, RigError> {
        found.ok_or_else(|| self.error(format!("{} needs `{key}`: {expected}", self.title)))
    }

    pub(crate) fn string(&self, key: &'static str) -> Found<String> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::String(s) => Ok(Some(s.to_string())),
            _ => Err(self.wrong(key, value, "a text in quotes")),
        }
    }

    /// The line the table begins on.
    pub(crate) fn line(&self) -> usize {
        self.text.line(self.span.start)
    }

    /// A name for people: short, and of letters, digits and a few signs that are the same everywhere.
    pub(crate) fn name(&self, key: &'static str) -> Found<String> {
        let Some(name) = self.string(key)? else {
            return Ok(None);
        };
        let Some(value) = self.table.get(key) else {
            return Ok(None);
        };
        match name_fault(&name) {
            Some(fault) => Err(self.at(value, format!("`{key}` {fault}"))),
            None => Ok(Some(name)),
        }
    }

    pub(crate) fn boolean(&self, key: &'static str) -> Result<bool, RigError> {
        Ok(self.boolean_or_none(key)?.unwrap_or(false))
    }

    pub(crate) fn boolean_or_none(&self, key: &'static str) -> Found<bool> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Boolean(b) => Ok(Some(*b)),
            _ => Err(self.wrong(key, value, "true or false")),
        }
    }

    /// A whole number in a range.
    pub(crate) fn number(&self, key: &'static str, range: Range<u64>) -> Found<u64> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let parsed = match value.get_ref() {
            DeValue::Integer(n) => u64::from_str_radix(n.as_str(), n.radix()).ok(),
            _ => None,
        };
        match parsed {
            Some(n) if range.contains(&n) => Ok(Some(n)),
            _ => {
                let expected = format!(
                    "a whole number from {} to {}",
                    range.start,
                    range.end.saturating_sub(1)
                );
                Err(self.wrong(key, value, &expected))
            }
        }
    }

    /// A whole number in a range; `None` where it is anything else, which the caller then reads.
    pub(crate) fn number_or_none(&self, key: &'static str, range: Range<u64>) -> Option<u64> {
        self.number(key, range).ok().flatten()
    }

    /// A whole number in a range that may go below zero.
    pub(crate) fn signed(&self, key: &'static str, range: Range<i32>) -> Found<i32> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let parsed = match value.get_ref() {
            DeValue::Integer(n) => i32::from_str_radix(n.as_str(), n.radix()).ok(),
            _ => None,
        };
        match parsed {
            Some(n) if range.contains(&n) => Ok(Some(n)),
            _ => {
                let (least, most) = (range.start, range.end.saturating_sub(1));
                Err(self.wrong(
                    key,
                    value,
                    &format!("a whole number from {least} to {most}"),
                ))
            }
        }
    }

    /// A time such as `"125 ms"`, `"2 s"` or `"300 us"`.
    pub(crate) fn time(&self, key: &'static str) -> Found<Micros> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let parsed = match value.get_ref() {
            DeValue::String(s) => parse_time(s),
            _ => None,
        };
        match parsed {
            Some(t) => Ok(Some(t)),
            None => Err(self.wrong(
                key,
                value,
                "a time in quotes, as in \"125 ms\", \"2 s\" or \"300 us\"",
            )),
        }
    }

    /// An amount such as `"1.25"`, zero or more.
    pub(crate) fn money(&self, key: &'static str, decimals: Decimals) -> Found<Money> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        self.money_of(key, value, decimals).map(Some)
    }

    pub(crate) fn money_of(
        &self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
        decimals: Decimals,
    ) -> Result<Money, RigError> {
        let expected = format!(
            "an amount in quotes with at most {} decimals, as in \"{}\"",
            decimals.0,
            Money(125).show(decimals)
        );
        let parsed = match value.get_ref() {
            DeValue::String(s) => Money::parse(s, decimals).ok(),
            _ => None,
        };
        parsed
            .filter(|m| *m >= Money::ZERO)
            .ok_or_else(|| self.wrong(key, value, &expected))
    }

    /// One of a fixed set of words.
    pub(crate) fn word<T: Copy>(&self, key: &'static str, words: &[(&'static str, T)]) -> Found<T> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let names: Vec<&str> = words.iter().map(|(n, _)| *n).collect();
        let found = match value.get_ref() {
            DeValue::String(s) => s.to_string(),
            _ => return Err(self.wrong(key, value, &format!("one of {}", names.join(", ")))),
        };
        if let Some((_, meaning)) = words.iter().find(|(n, _)| *n == found) {
            return Ok(Some(*meaning));
        }
        let mut error = self.wrong(key, value, &format!("one of {}", names.join(", ")));
        error.hint = nearest(&found, &names).map(|n| format!("did you mean \"{n}\"?"));
        Err(error)
    }

    /// The items of an array, none when the key is missing.
    pub(crate) fn array(
        &self,
        key: &'static str,
    ) -> Result<impl Iterator<Item = &'a Spanned<DeValue<'a>>> + use<'a>, RigError> {
        let items: &'a [Spanned<DeValue<'a>>] = match self.get(key) {
            None => &[],
            Some(value) => match value.get_ref() {
                DeValue::Array(items) => items,
                _ => return Err(self.wrong(key, value, "a list in square brackets")),
            },
        };
        Ok(items.iter())
    }

    /// The tables of an array of tables, none when the key is missing.
    pub(crate) fn tables(
        &self,
        key: &'static str,
        title: &'a str,
    ) -> Result<Vec<Fields<'a>>, RigError> {
        let items = self.array(key)?;
        items
            .map(|value| self.as_table(key, title, value))
            .collect()
    }

    /// A table under a key.
    pub(crate) fn table(&self, key: &'static str, title: &'a str) -> Found<Fields<'a>> {
        self.get(key)
            .map(|value| self.as_table(key, title, value))
            .transpose()
    }

    fn as_table(
        &self,
        key: &str,
        title: &'a str,
        value: &'a Spanned<DeValue<'a>>,
    ) -> Result<Fields<'a>, RigError> {
        match value.get_ref() {
            DeValue::Table(table) => Ok(Fields::new(self.text, title, value.span(), table)),
            _ => Err(self.wrong(key, value, "a table")),
        }
    }

    /// Every key of a table whose keys are names.
    pub(crate) fn entries(&self) -> impl Iterator<Item = (&'a str, &'a Spanned<DeValue<'a>>)> {
        let all = self.table.iter();
        all.map(|(key, value)| (key.get_ref().as_ref(), value))
    }

    /// Refuses keys nobody asked for.
    pub(crate) fn finish(&self) -> Result<(), RigError> {
        let known = self.known.borrow();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if !known.contains(&name) {
                let message = format!("{} has no key `{name}`", self.title);
                let mut error = self.text.error(&key.span(), message);
                error.hint = Some(match nearest(name, &known) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("keys it has: {}", known.join(", ")),
                });
                return Err(error);
            }
        }
        Ok(())
    }
}

/// Reads the table that a text in TOML is; `title` is what errors call it.
pub(crate) fn in_toml<T>(
    file: &Path,
    text: &str,
    title: &str,
    read: impl FnOnce(&Fields<'_>) -> Result<T, RigError>,
) -> Result<T, RigError> {
    let breaks: Vec<usize> = text.match_indices('\n').map(|(at, _)| at).collect();
    let source = Text {
        file,
        text,
        breaks: &breaks,
    };
    let root = DeTable::parse(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        source.error(&span, format!("not TOML: {}", error.message()))
    })?;
    let span = root.span();
    read(&Fields::new(source, title, span, root.get_ref()))
}

/// What is wrong with a name, as the end of a sentence.
pub(crate) fn name_fault(name: &str) -> Option<String> {
    let length = name.chars().count();
    if length > LONGEST_NAME {
        return Some(format!(
            "has {length} characters; expected at most {LONGEST_NAME}"
        ));
    }
    let allowed = |c: char| c.is_alphanumeric() || " -_.,/+#&()'".contains(c);
    if let Some(other) = name.chars().find(|c| !allowed(*c)) {
        return Some(format!(
            "has the character {}; expected letters, digits, blanks and - _ . , / + # & ( ) '",
            other.escape_default()
        ));
    }
    (name.trim() != name || name.is_empty())
        .then(|| "is empty, or begins or ends with a blank".to_owned())
}

/// What is wrong with a text for people, as the end of a sentence.
pub(crate) fn prose_fault(text: &str, most: usize, lines: bool) -> Option<String> {
    let length = text.chars().count();
    if length > most {
        return Some(format!("has {length} characters; expected at most {most}"));
    }
    let bad = |c: &char| c.is_control() && !(lines && *c == '\n');
    text.chars().find(bad).map(|other| {
        let other = other.escape_default();
        format!("has the character {other}; expected text of one line")
    })
}

/// Reads `"125 ms"`: a whole number and a unit (us, ms, s, min, h). `None` for anything else.
#[must_use]
pub fn parse_time(text: &str) -> Option<Micros> {
    let text = text.trim();
    let digits = text.len() - text.trim_start_matches(|c: char| c.is_ascii_digit()).len();
    let (number, unit) = text.split_at_checked(digits)?;
    let number: u64 = number.parse().ok()?;
    let unit = match unit.trim() {
        "us" => 1,
        "ms" => 1_000,
        "s" => 1_000_000,
        "min" => 60_000_000,
        "h" => 3_600_000_000,
        _ => return None,
    };
    number.checked_mul(unit).map(Micros)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn times_have_a_unit() {
        assert_eq!(parse_time("125 ms"), Some(Micros::ms(125)));
        assert_eq!(parse_time("2s"), Some(Micros::secs(2)));
        assert_eq!(parse_time("2"), None);
        assert_eq!(parse_time("-2 s"), None);
        assert_eq!(parse_time("99999999999999999999 s"), None);
    }

    proptest! {
        #[test]
        fn any_text_is_a_time_or_none(text in ".*") {
            let _ = parse_time(&text);
        }
    }
}
