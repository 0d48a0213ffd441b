//! The vending machine of a plan: where it stands, its selections by tray and column, their prices.

use payrig_controller::{CardPrice, Item};
use payrig_units::Money;
use std::collections::BTreeMap;
use std::fmt;

/// The vending machine of a rig: what is known of it besides its devices.
///
/// Tolerant of nothing and complete: whoever examines a machine, fills it or writes down how it was
/// left takes prices and selections from here.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Machine {
    /// Where it stands and whose it is.
    pub about: About,
    /// What it sells, in the order of the rig; numbers and keys are each there once.
    pub selections: Vec<Selection>,
}

/// What somebody wrote down of a machine: free text, each of one line but the notes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct About {
    /// Where it stands.
    pub site: Option<String>,
    /// The asset number of its owner.
    pub asset: Option<String>,
    /// What the machine itself is: make, model, year.
    pub model: Option<String>,
    /// Its board: make, model, version of its program.
    pub board: Option<String>,
    /// Who works on it.
    pub technician: Option<String>,
    /// Anything else; may have several lines.
    pub notes: Option<String>,
}

/// Something for sale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Selection {
    /// The keys that select it, as they stand on the machine.
    pub key: Key,
    /// Its number on the bus, 1 to 65534 (MDB/ICP 4.3, section 7.4.5).
    pub number: u16,
    /// What it is.
    pub name: String,
    /// What it costs in cash.
    pub price: Money,
    /// What it costs on a card.
    pub card: CardPrice,
    /// Its name in EVA-DTS field PA101, for readers that want to know (MDB/ICP 4.3, 7.4.7).
    pub code: Option<String>,
    /// Another column with the same product, tried when this one does not deliver.
    pub instead: Option<u16>,
}

impl Selection {
    /// What it costs on a card on ordinary terms.
    #[must_use]
    pub fn card_price(&self) -> Money {
        self.card.of(self.price)
    }

    /// As our own board sells it.
    #[must_use]
    pub fn item(&self) -> Item {
        Item {
            number: self.number,
            name: self.name.clone(),
            price: self.price,
            card: self.card,
        }
    }
}

impl Machine {
    /// True when something costs another amount on a card than in cash.
    #[must_use]
    pub fn has_two_prices(&self) -> bool {
        self.selections.iter().any(|s| s.card_price() != s.price)
    }

    /// The selection with this number on the bus.
    #[must_use]
    pub fn selection(&self, number: u16) -> Option<&Selection> {
        self.selections.iter().find(|s| s.number == number)
    }

    /// The selection with these keys.
    #[must_use]
    pub fn by_key(&self, key: &Key) -> Option<&Selection> {
        self.selections.iter().find(|s| s.key == *key)
    }

    /// What stands on the machine for an item: its keys, or its number where there is none like it.
    #[must_use]
    pub fn key_of(&self, number: u16) -> String {
        let selection = self.selection(number);
        selection.map_or_else(|| number.to_string(), |s| s.key.to_string())
    }

    /// Its trays, in the order in which their first selection comes.
    #[must_use]
    pub fn trays(&self) -> Vec<Tray<'_>> {
        let mut trays: Vec<Tray<'_>> = Vec::new();
        let mut at: BTreeMap<String, usize> = BTreeMap::new();
        for selection in &self.selections {
            let name = selection.key.tray();
            let known = at.get(&name).and_then(|at| trays.get_mut(*at));
            if let Some(tray) = known {
                tray.selections.push(selection);
                continue;
            }
            at.insert(name.clone(), trays.len());
            trays.push(Tray {
                name,
                selections: vec![selection],
            });
        }
        trays
    }
}

/// The selections whose keys begin alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tray<'a> {
    /// How their keys begin: `A` of `A1` to `A8`, `1` of `10` to `18`; empty where keys are one digit.
    pub name: String,
    /// What is in it, in the order of the rig.
    pub selections: Vec<&'a Selection>,
}

/// The keys of a selection as they stand on a machine: a letter or two and a number of up to three
/// digits (`A2`), or a number of up to five digits (`12`). Letters are kept as capitals, and leading
/// zeros as they are: `01` and `1` are two keys.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key {
    letters: String,
    digits: String,
}

/// How the numbers of items on the bus follow from their keys. The standard leaves them to the maker
/// of the machine (MDB/ICP 4.3, section 7.4.5); these three ways are common practice, no source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Numbering {
    /// The tray's letter counts in hundreds, A being 100: `A2` is 102, `B11` 211, and `12` is 12.
    #[default]
    Hundreds,
    /// The tray's letter counts in tens, A being 10: `A2` is 12. Columns have one digit.
    Tens,
    /// 1, 2, 3 and so on, in the order of the rig.
    InOrder,
}

/// What stands on a machine for its items, for texts about what is done to them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Keys(BTreeMap<u16, Key>);

impl Keys {
    /// Those of a machine.
    #[must_use]
    pub fn of(machine: &Machine) -> Self {
        let selections = machine.selections.iter();
        Self(selections.map(|s| (s.number, s.key.clone())).collect())
    }

    /// An item in a text: by its keys where they are other than its number.
    #[must_use]
    pub fn item(&self, number: u16) -> String {
        match self
            .0
            .get(&number)
            .filter(|key| **key != Key::of_number(number))
        {
            Some(key) => key.to_string(),
            None => format!("item {number}"),
        }
    }

    /// What is pressed for an item: its keys, or its number where none are known.
    #[must_use]
    pub fn key(&self, number: u16) -> String {
        let key = self.0.get(&number).map(Key::to_string);
        key.unwrap_or_else(|| number.to_string())
    }

    /// Several items in a text.
    #[must_use]
    pub fn items(&self, numbers: &[u16]) -> String {
        let plain = |number: &u16| {
            self.0
                .get(number)
                .is_none_or(|k| *k == Key::of_number(*number))
        };
        let word = if numbers.iter().all(plain) {
            "items "
        } else {
            ""
        };
        let one = |number: &u16| match self.0.get(number) {
            Some(key) => key.to_string(),
            None => number.to_string(),
        };
        let all: Vec<String> = numbers.iter().map(one).collect();
        format!("{word}{}", all.join(", "))
    }
}

/// Why something is no [`Key`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeyError;

impl fmt::Display for KeyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("keys as they stand on the machine, as in \"A2\" or \"12\"")
    }
}

impl std::error::Error for KeyError {}

impl Key {
    /// The most letters a key has.
    pub const LETTERS: usize = 2;

    /// The most digits a key has: with letters before them, and without.
    pub const DIGITS: [usize; 2] = [3, 5];

    /// The key of these letters and digits.
    ///
    /// # Errors
    /// When they are none.
    pub fn new(letters: &str, digits: &str) -> Result<Self, KeyError> {
        let [after_letters, alone] = Self::DIGITS;
        let most = if letters.is_empty() {
            alone
        } else {
            after_letters
        };
        let good = letters.len() <= Self::LETTERS
            && letters.bytes().all(|b| b.is_ascii_alphabetic())
            && (1..=most).contains(&digits.len())
            && digits.bytes().all(|b| b.is_ascii_digit());
        match good {
            true => Ok(Self {
                letters: letters.to_ascii_uppercase(),
                digits: digits.to_owned(),
            }),
            false => Err(KeyError),
        }
    }

    /// Reads a key; blanks around it do not count.
    ///
    /// # Errors
    /// When the text is no key.
    pub fn parse(text: &str) -> Result<Self, KeyError> {
        let text = text.trim();
        let letters = text.bytes().take_while(u8::is_ascii_alphabetic).count();
        let (letters, digits) = text.split_at_checked(letters).ok_or(KeyError)?;
        Self::new(letters, digits)
    }

    /// The key of an item that is known by its number only.
    #[must_use]
    pub fn of_number(number: u16) -> Self {
        Self {
            letters: String::new(),
            digits: number.to_string(),
        }
    }

    /// Its letters, as capitals; none for a key of digits.
    #[must_use]
    pub fn letters(&self) -> &str {
        &self.letters
    }

    /// Its digits.
    #[must_use]
    pub fn digits(&self) -> &str {
        &self.digits
    }

    /// The number that its digits are.
    #[must_use]
    pub fn column(&self) -> u32 {
        self.digits.parse().unwrap_or(u32::MAX)
    }

    /// How keys of its tray begin: its letters, or without letters all digits but the last.
    #[must_use]
    pub fn tray(&self) -> String {
        if !self.letters.is_empty() {
            return self.letters.clone();
        }
        let last = self.digits.len().saturating_sub(1);
        self.digits.get(..last).unwrap_or_default().to_owned()
    }

    /// The number on the bus of the selection with this key, which is the one `at` this place (from
    /// 0) of the machine. `None` when none from 1 to 65534 follows.
    #[must_use]
    pub fn number(&self, numbering: Numbering, at: usize) -> Option<u16> {
        let tray = self.letters.bytes().fold(0_u32, |sum, letter| {
            sum * 26 + u32::from(letter.saturating_sub(b'A')) + 1
        });
        let column = self.column();
        let number = match numbering {
            Numbering::InOrder => u32::try_from(at).ok()?.checked_add(1)?,
            _ if tray == 0 => column,
            Numbering::Hundreds if column < 100 => tray * 100 + column,
            Numbering::Tens if column < 10 => tray * 10 + column,
            _ => return None,
        };
        let number = u16::try_from(number).ok()?;
        (1..u16::MAX).contains(&number).then_some(number)
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.letters, self.digits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(text: &str) -> Key {
        Key::parse(text).unwrap()
    }

    #[test]
    fn keys_are_read_as_they_stand_on_the_machine() {
        assert_eq!(key(" a2 ").to_string(), "A2");
        assert_eq!(key("01").to_string(), "01");
        assert_ne!(key("01"), key("1"));
        assert_eq!(key("AB123").tray(), "AB");
        assert_eq!(key("12").tray(), "1");
        assert_eq!(key("7").tray(), "");
        for text in ["", "A", "2A", "ABC1", "A1234", "123456", "A-1", "Ä1", "1 2"] {
            assert_eq!(Key::parse(text), Err(KeyError), "{text}");
        }
    }

    #[test]
    fn numbers_follow_from_keys() {
        let hundreds = |text| key(text).number(Numbering::Hundreds, 6);
        assert_eq!(hundreds("A2"), Some(102));
        assert_eq!(hundreds("B11"), Some(211));
        assert_eq!(hundreds("Z99"), Some(2_699));
        assert_eq!(hundreds("AA1"), Some(2_701));
        assert_eq!(hundreds("12"), Some(12));
        assert_eq!(hundreds("A100"), None);
        assert_eq!(hundreds("0"), None);
        assert_eq!(hundreds("65535"), None);
        let tens = |text| key(text).number(Numbering::Tens, 6);
        assert_eq!(tens("A2"), Some(12));
        assert_eq!(tens("A10"), None);
        assert_eq!(key("A2").number(Numbering::InOrder, 6), Some(7));
    }
}
