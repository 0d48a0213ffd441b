//! What can be seen of a bench, as typed values: the same for scripts, checks, people and callers
//! from outside.

use payrig_units::{Decimals, Micros, Money, Place, words};
use std::fmt;

/// Something that can be looked at.
///
/// ```
/// use payrig_bench::{Bench, Observation, Observed, Refusal};
/// use payrig_units::{Decimals, Micros, Money, Place};
///
/// let bench = Bench::new(1, Micros::ZERO, Decimals(2));
/// let pocket = Observation::Balance(Place::Customer);
/// assert_eq!(bench.observe(&pocket), Ok(Observed::Amount(Money::ZERO)));
/// assert_eq!(bench.observe(&Observation::Delivered), Ok(Observed::Count(0)));
/// // No board of ours is on this bench.
/// assert_eq!(bench.observe(&Observation::Credit), Err(Refusal::BoardOutside));
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Observation {
    /// The board's cash credit.
    Credit,
    /// What the display shows.
    Display,
    /// The exact-change light.
    ExactChange,
    /// Whether the board can sell: everything it expects is set up.
    BoardReady,
    /// Whether the board has set a device up and polls it.
    Ready(String),
    /// What a place of the ledger holds.
    Balance(Place),
    /// Whether the money that moved last, other than from the supply, went to this place: the coin into
    /// its tube, the bill into the stacker.
    WentTo(Place),
    /// How many items were delivered since the bench began.
    Delivered,
    /// Whether an item of this number was delivered since the bench began.
    Fell(u16),
    /// Whether somebody at the machine saw or heard a text since this was last asked.
    Seen(String),
}

/// What was seen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Observed {
    /// An amount.
    Amount(Money),
    /// A text.
    Text(String),
    /// A number of things.
    Count(u32),
    /// Yes or no.
    Flag(bool),
}

impl Observed {
    /// The flag; false for anything else.
    #[must_use]
    pub fn is_true(&self) -> bool {
        matches!(self, Self::Flag(true))
    }
}

/// An expectation that did not come true: what was expected, and what was seen instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missed {
    /// What was looked at.
    pub what: Observation,
    /// What was seen instead of what was expected.
    pub found: Observed,
    /// What was expected.
    pub wanted: Observed,
    /// How long it was waited for.
    pub waited: Micros,
}

impl Missed {
    /// In plain words.
    #[must_use]
    pub fn text(&self, decimals: Decimals) -> String {
        let show = |seen: &Observed| match seen {
            Observed::Amount(amount) => amount.show(decimals).to_string(),
            Observed::Text(text) => text.clone(),
            Observed::Count(count) => count.to_string(),
            Observed::Flag(flag) => flag.to_string(),
        };
        let (found, wanted) = (show(&self.found), show(&self.wanted));
        let on = self.found.is_true();
        let text = match &self.what {
            Observation::Credit => format!("credit is {found}, not {wanted}"),
            Observation::Display => format!("the display shows \"{found}\""),
            Observation::ExactChange => {
                format!(
                    "the exact-change light is {}",
                    if on { "on" } else { "off" }
                )
            }
            Observation::BoardReady => "the board has not set up every device".to_owned(),
            Observation::Ready(device) => {
                format!("{device} is {}", if on { "set up" } else { "not set up" })
            }
            Observation::Balance(place) => format!("{place} holds {found}, not {wanted}"),
            Observation::WentTo(place) if on => format!("it went to {place}"),
            Observation::WentTo(place) => format!("it did not go to {place}"),
            Observation::Fell(item) if on => format!("item {item} was delivered"),
            Observation::Fell(item) => format!("item {item} was not delivered"),
            Observation::Delivered => match self.found {
                Observed::Count(count) => format!("delivered: {}", words::count(count, "item")),
                _ => format!("delivered: {found}"),
            },
            Observation::Seen(text) => format!("nobody saw \"{text}\""),
        };
        format!("{text} (waited {})", self.waited)
    }
}

impl fmt::Display for Observation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Credit => f.write_str("the credit"),
            Self::Display => f.write_str("the display"),
            Self::ExactChange => f.write_str("the exact-change light"),
            Self::BoardReady => f.write_str("whether the board is ready"),
            Self::Ready(device) => write!(f, "whether {device} is set up"),
            Self::Balance(place) => write!(f, "what {place} holds"),
            Self::WentTo(place) => write!(f, "whether it went to {place}"),
            Self::Delivered => f.write_str("what was delivered"),
            Self::Fell(item) => write!(f, "whether item {item} was delivered"),
            Self::Seen(text) => write!(f, "whether \"{text}\" was seen"),
        }
    }
}
