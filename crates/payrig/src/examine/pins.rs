//! Modem lines on the command line, by the names that rigs give them.

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use payrig_bench::plan::Pin;

/// A modem line, or none: it is not connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Wired<L>(pub(super) Option<L>);

/// Which of all pins are meant: [`Pin::input`] or [`Pin::output`].
type Way<L> = fn(Pin) -> Option<L>;

fn names<L>(way: Way<L>) -> impl Iterator<Item = PossibleValue> {
    let meant = Pin::ALL
        .into_iter()
        .filter(move |(_, pin)| way(*pin).is_some());
    meant.map(|(name, _)| PossibleValue::new(name))
}

fn named<L>(way: Way<L>, name: &str) -> Option<L> {
    let pin = Pin::ALL.into_iter().find(|(of, _)| *of == name);
    pin.and_then(|(_, pin)| way(pin))
}

/// A line that has to be connected.
pub(super) fn line<L: Clone + Send + Sync + 'static>(
    way: Way<L>,
) -> impl TypedValueParser<Value = L> {
    let parser = PossibleValuesParser::new(names(way));
    parser.try_map(move |name| named(way, &name).ok_or("no such modem line"))
}

/// A line that may be left open.
pub(super) fn open<L: Clone + Send + Sync + 'static>(
    way: Way<L>,
) -> impl TypedValueParser<Value = Wired<L>> {
    let none = PossibleValue::new("none").help("It is not connected: checks of it are left out");
    let parser = PossibleValuesParser::new(names(way).chain([none]));
    parser.map(move |name| Wired(named(way, &name)))
}
