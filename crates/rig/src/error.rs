//! Errors that point into a rig file.

use std::fmt;
use std::path::PathBuf;

/// What is wrong with a rig, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RigError {
    /// The file, or the name of the embedded rig.
    pub file: PathBuf,
    /// Line, from 1; 0 when the error is about the file as a whole.
    pub line: usize,
    /// What is wrong and what was expected.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
}

impl fmt::Display for RigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
        }
        write!(f, ": {}", self.message)?;
        match &self.hint {
            Some(hint) => write!(f, "\n  {hint}"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for RigError {}

/// What people call things, and what files and commands call them.
const MEANT: &[(&str, &[&str])] = &[
    (
        "cashless",
        &["card", "reader", "nfc", "contactless", "payment"],
    ),
    (
        "bill-validator",
        &["bill", "note", "banknote", "validator", "stacker"],
    ),
    ("bill-recycler", &["recycler"]),
    ("changer", &["coin", "coins", "change", "tubes"]),
    ("device", &["devices", "peripheral", "peripherals"]),
    (
        "item",
        &["items", "selection", "selections", "product", "products"],
    ),
    ("board", &["vmc", "controller", "machine"]),
];

/// What is meant by a word, or by one with hyphens whose parts are such words: `card-reader`.
fn meant<'a>(word: &str, candidates: &[&'a str]) -> Option<&'a str> {
    let word = word.to_lowercase();
    let parts: Vec<&str> = word
        .split(['-', '_', ' '])
        .filter(|part| !part.is_empty())
        .collect();
    let known = |names: &&[&str]| parts.iter().filter(|part| names.contains(part)).count();
    let best = MEANT
        .iter()
        .filter_map(|(name, names)| {
            let candidate = candidates.iter().find(|c| *c == name)?;
            let count = known(names);
            // Each part is one of its words, or its own name.
            let all = parts
                .iter()
                .all(|part| names.contains(part) || name.split('-').any(|n| n == *part));
            (count > 0 && all).then_some((count, *candidate))
        })
        .max_by_key(|(count, _)| *count);
    best.map(|(_, candidate)| candidate)
}

/// The candidate that is meant by `word`, or is most like it, when one is near enough.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: &[&'a str]) -> Option<&'a str> {
    let like = candidates
        .iter()
        .map(|c| (strsim::damerau_levenshtein(word, c), *c))
        .filter(|(distance, c)| *distance <= 2.max(c.len() / 3))
        .min();
    // A slip of the key is nearer than what is meant.
    match like {
        Some((..=1, candidate)) => Some(candidate),
        like => meant(word, candidates).or(like.map(|(_, candidate)| candidate)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_the_one_that_is_meant() {
        const KINDS: &[&str] = &[
            "changer",
            "bill-validator",
            "bill-recycler",
            "cashless",
            "pulse-bill-validator",
        ];
        for (word, near) in [
            ("card-reader", "cashless"),
            ("card_reader", "cashless"),
            ("reader", "cashless"),
            ("bill", "bill-validator"),
            ("note validator", "bill-validator"),
            ("recycler", "bill-recycler"),
            ("coin-changer", "changer"),
            ("coins", "changer"),
            ("chnager", "changer"),
            ("cashles", "cashless"),
        ] {
            assert_eq!(nearest(word, KINDS), Some(near), "{word}");
        }
        assert_eq!(
            nearest("devices", &["device", "board", "link"]),
            Some("device")
        );
        assert_eq!(nearest("tea-kettle", KINDS), None);
    }
}
