//! Selections as they stand on the keys of a machine: one, ranges, whole trays.

use payrig_bench::machine::Key;

/// So many selections a machine has at the most.
pub const MOST_SELECTIONS: usize = 1_000;

/// A part of a text such as `A1-A8, B3, C`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Part {
    /// A whole tray, by how its keys begin: `A` or `A*`, `1*`.
    Tray(String),
    /// From one key to another.
    Range(Vec<Key>),
    /// One key.
    One(Key),
}

impl Part {
    /// How much one says of a single selection: the more particular comes later.
    pub(crate) const fn rank(&self) -> u8 {
        match self {
            Self::Tray(_) => 1,
            Self::Range(_) => 2,
            Self::One(_) => 3,
        }
    }

    /// Whether a selection is meant.
    pub(crate) fn has(&self, key: &Key) -> bool {
        match self {
            Self::Tray(begins) => key.tray() == *begins,
            Self::Range(keys) => keys.contains(key),
            Self::One(one) => one == key,
        }
    }
}

/// Reads the parts of a text, which are parted by commas. The error says what is wrong with which.
pub(crate) fn parts(text: &str) -> Result<Vec<Part>, String> {
    let mut all = Vec::new();
    let mut room = MOST_SELECTIONS;
    for word in text.split(',').map(str::trim) {
        let part = part(word, room)?;
        room = match &part {
            Part::Tray(_) => room,
            Part::One(_) => room.saturating_sub(1),
            Part::Range(keys) => room.saturating_sub(keys.len()),
        };
        all.push(part);
    }
    Ok(all)
}

/// Reads keys and ranges, without whole trays.
pub(crate) fn keys(text: &str) -> Result<Vec<Key>, String> {
    let mut all = Vec::new();
    for part in parts(text)? {
        match part {
            Part::Tray(name) => {
                return Err(format!(
                    "\"{name}\" does not say which columns there are: write {name}1-{name}8, say"
                ));
            }
            Part::Range(keys) => all.extend(keys),
            Part::One(key) => all.push(key),
        }
    }
    Ok(all)
}

fn part(word: &str, room: usize) -> Result<Part, String> {
    if let Some(begins) = word.strip_suffix('*') {
        let digits = !begins.is_empty() && begins.bytes().all(|b| b.is_ascii_digit());
        if digits && begins.len() < 5 || is_letters(begins) {
            return Ok(Part::Tray(begins.to_ascii_uppercase()));
        }
    }
    if is_letters(word) {
        return Ok(Part::Tray(word.to_ascii_uppercase()));
    }
    if let Ok(key) = Key::parse(word) {
        return match room {
            0 => Err(too_many(word)),
            _ => Ok(Part::One(key)),
        };
    }
    let ends = word.split_once('-').and_then(|(from, to)| {
        let from = Key::parse(from).ok()?;
        // `A1-8` is `A1-A8`.
        let to = to.trim();
        let short = !to.is_empty() && to.bytes().all(|b| b.is_ascii_digit());
        let to = match short {
            true => Key::new(from.letters(), to).ok()?,
            false => Key::parse(to).ok()?,
        };
        Some((from, to))
    });
    let Some((from, to)) = ends else {
        return Err(format!(
            "\"{word}\" is no selection; expected keys as they stand on the machine (A2, 12), a range \
             (A1-A8, 10-18, A1-E9) or a tray (A, 1*)"
        ));
    };
    let keys = range(&from, &to).ok_or_else(|| {
        format!(
            "\"{word}\" is no range: it goes from a key to a later one of the same form (A1-A8, A1-E9, \
             10-18)"
        )
    })?;
    match keys.count() <= room {
        true => Ok(Part::Range(keys.all())),
        false => Err(too_many(word)),
    }
}

fn too_many(word: &str) -> String {
    format!("\"{word}\" makes more than {MOST_SELECTIONS} selections")
}

fn is_letters(text: &str) -> bool {
    (1..=Key::LETTERS).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphabetic())
}

/// The same columns of some trays.
struct Span {
    trays: Vec<String>,
    columns: std::ops::RangeInclusive<u32>,
    /// `01-09` keeps its zeros; `8-12` has none.
    width: usize,
}

impl Span {
    fn count(&self) -> usize {
        let columns = self.columns.end().saturating_sub(*self.columns.start());
        let columns = usize::try_from(columns).unwrap_or(usize::MAX);
        columns.saturating_add(1).saturating_mul(self.trays.len())
    }

    fn all(&self) -> Vec<Key> {
        let width = self.width;
        let of = |tray: &String| {
            let key = |column: u32| Key::new(tray, &format!("{column:0width$}")).ok();
            self.columns.clone().filter_map(key).collect::<Vec<_>>()
        };
        self.trays.iter().flat_map(of).collect()
    }
}

/// From one key to another: the columns of one tray, or the same columns of several. `None` when it
/// goes backwards or mixes forms.
fn range(from: &Key, to: &Key) -> Option<Span> {
    let trays: Vec<String> = match (from.letters().as_bytes(), to.letters().as_bytes()) {
        (a, b) if a == b => vec![from.letters().to_owned()],
        ([a], [b]) if a < b => (*a..=*b)
            .map(|letter| char::from(letter).to_string())
            .collect(),
        _ => return None,
    };
    let columns = from.column()..=to.column();
    let width = match from.digits().starts_with('0') {
        true => from.digits().len(),
        false => 1,
    };
    (!columns.is_empty()).then_some(Span {
        trays,
        columns,
        width,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn texts(text: &str) -> Result<String, String> {
        let keys = keys(text)?;
        Ok(keys
            .iter()
            .map(Key::to_string)
            .collect::<Vec<_>>()
            .join(" "))
    }

    #[test]
    fn ranges_are_columns_of_a_tray_or_of_several() {
        assert_eq!(texts("A1-A3").unwrap(), "A1 A2 A3");
        assert_eq!(texts("a1-3, c7").unwrap(), "A1 A2 A3 C7");
        assert_eq!(texts("A1-C2").unwrap(), "A1 A2 B1 B2 C1 C2");
        assert_eq!(texts("8-11").unwrap(), "8 9 10 11");
        assert_eq!(texts("01-03").unwrap(), "01 02 03");
        assert_eq!(texts("AB9-AB10").unwrap(), "AB9 AB10");
    }

    #[test]
    fn what_is_no_selection_says_so() {
        for (text, says) in [
            ("", "no selection"),
            ("A1,", "no selection"),
            ("A1-", "no selection"),
            ("A3-A1", "no range"),
            ("C1-A3", "no range"),
            ("A1-AB3", "no range"),
            ("AA1-AB3", "no range"),
            ("A1-Z99", "more than 1000"),
            ("1-9999", "more than 1000"),
            ("A", "which columns"),
            ("crisps", "no selection"),
        ] {
            let error = keys(text).unwrap_err();
            assert!(error.contains(says), "{text}: {error}");
        }
    }

    #[test]
    fn trays_are_named_by_how_their_keys_begin() {
        assert_eq!(
            parts("a, 1*").unwrap(),
            [Part::Tray("A".to_owned()), Part::Tray("1".to_owned())]
        );
        assert!(Part::Tray("1".to_owned()).has(&Key::parse("18").unwrap()));
        assert!(!Part::Tray("1".to_owned()).has(&Key::parse("118").unwrap()));
    }

    proptest! {
        #[test]
        fn any_text_is_selections_or_an_error(text in ".{0,40}") {
            let _ = parts(&text);
        }

        #[test]
        fn texts_like_selections_too(text in "[A-C0-9*, -]{0,16}") {
            if let Ok(keys) = keys(&text) {
                prop_assert!(keys.len() <= MOST_SELECTIONS);
            }
        }

        /// A range is all keys from its first to its last, each once, and read back one by one.
        #[test]
        fn a_range_has_every_key_between_its_ends(
            trays in (0u8..26, 0u8..6), columns in (0u32..90, 0u32..12)
        ) {
            let (first, last) = (trays.0, (trays.0 + trays.1).min(25));
            let name = |n: u8| char::from(b'A' + n);
            let (from, to) = (columns.0, (columns.0 + columns.1).min(99));
            let text = format!("{}{from}-{}{to}", name(first), name(last));
            let all = if first == last && from == to { vec![Key::parse(&text[..text.find('-').unwrap()]).unwrap()] } else { keys(&text).unwrap() };
            let expected = (first..=last).flat_map(|t| (from..=to).map(move |c| format!("{}{c}", name(t))));
            let expected: Vec<Key> = expected.map(|k| Key::parse(&k).unwrap()).collect();
            prop_assert_eq!(&all, &expected);
            let one_by_one: Vec<String> = all.iter().map(Key::to_string).collect();
            prop_assert_eq!(keys(&one_by_one.join(", ")).unwrap(), expected);
        }
    }
}
