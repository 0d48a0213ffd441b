//! A board for tests.

use payrig_controller::{BoardConfig, Expected, ExpectedKind, Item};
use payrig_units::Money;

/// The board of the invented route "Harbour Loop" with these peripherals, by name and kind: crisps
/// (11) for 0.65 and a sandwich (12) for 1.25.
#[must_use]
pub fn board(expected: &[(&str, ExpectedKind)]) -> BoardConfig {
    let expected = expected.iter().map(|(name, kind)| Expected {
        name: (*name).to_owned(),
        kind: kind.clone(),
    });
    BoardConfig {
        items: vec![item(11, "Crisps", 65), item(12, "Sandwich", 125)],
        expected: expected.collect(),
        ..BoardConfig::default()
    }
}

/// Something for sale.
#[must_use]
pub fn item(number: u16, name: &str, minor: i64) -> Item {
    Item::new(number, name, Money(minor))
}
