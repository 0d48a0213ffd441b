//! Bad habits of a board on pulse lines: pulses misheard, an acceptor let in or held off wrongly.

use payrig_units::Micros;
use payrig_wire::Edge;

/// How pulses are misheard. A pulse is a low level, as in the built-in profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mishears {
    /// None is heard.
    All,
    /// None is heard for 3 s after a DISPENSE.
    WhilePaying,
    /// Those too short are taken for good ones.
    Short,
    /// Those too long are taken for good ones.
    Long,
    /// Of a train only the first is heard.
    AllButFirst,
    /// None is heard after a power cut.
    AfterCut,
}

/// Pulses that the board counts after a power cut though nobody sends them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ghosts {
    /// After every cut.
    AfterCut,
    /// After one within a pulse.
    CutWithin,
    /// After one between two pulses.
    CutBetween,
    /// When the line is held as the power comes back.
    Held,
}

/// So many are counted, each of 50 ms, as in the built-in profile.
const GHOSTS: u64 = 6;

impl Ghosts {
    /// The edges of pulses that are counted after a power cut; `cut_within` and `cut_between` say when the
    /// power went, `held` how the line is now that it is back.
    pub(super) fn edges(self, now: Micros, cut: Cut, held: bool) -> Vec<Edge> {
        let counts = match self {
            Self::AfterCut => true,
            Self::CutWithin => cut == Cut::Within,
            Self::CutBetween => cut == Cut::Between,
            Self::Held => held,
        };
        let from = now + Micros::secs(13);
        let pulse = |n: u64| {
            let at = from + GOOD * (2 * n);
            [
                Edge { at, high: false },
                Edge {
                    at: at + GOOD,
                    high: true,
                },
            ]
        };
        match counts {
            true => (0..GHOSTS).flat_map(pulse).collect(),
            false => Vec::new(),
        }
    }
}

/// Where in a train the power went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Cut {
    #[default]
    Elsewhere,
    Within,
    Between,
}

impl Cut {
    /// By the last edge of the line before the power went.
    pub(super) fn at(now: Micros, last: Option<Edge>) -> Self {
        match last {
            Some(edge) if !edge.high => Self::Within,
            Some(edge) if now < edge.at + GOOD => Self::Between,
            _ => Self::Elsewhere,
        }
    }
}

/// How the line that holds the acceptor off is handled wrongly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LetsIn {
    /// The acceptor may take money before the board is set up.
    AtStart,
    /// The acceptor may take money as soon as the board is set up, whatever change there is.
    WithoutChange,
    /// The acceptor is not held off any more once it was let in.
    OnceIn,
    /// It is never let in.
    Never,
    /// The line changes for no reason.
    Chatters,
}

/// A pulse between these is one as it should be.
const SHORT: Micros = Micros::ms(20);
const LONG: Micros = Micros::ms(200);
const GOOD: Micros = Micros::ms(50);

/// Hears pulses, or mishears them.
#[derive(Clone, Debug)]
pub(super) struct Ear {
    how: Option<Mishears>,
    began: Option<Micros>,
    /// When the last pulse that was heard ended.
    last: Option<Micros>,
}

impl Ear {
    pub(super) fn new(how: Option<Mishears>) -> Self {
        Self {
            how,
            began: None,
            last: None,
        }
    }

    /// What the board makes of an edge; `dispensed` is when it last gave a DISPENSE, `cuts` how often its
    /// power went.
    pub(super) fn hear(&mut self, edge: Edge, dispensed: Option<Micros>, cuts: u32) -> Vec<Edge> {
        let (how, at) = match self.how {
            None => return vec![edge],
            Some(how) => (how, edge.at),
        };
        match how {
            Mishears::All => return Vec::new(),
            Mishears::AfterCut => {
                return match cuts {
                    0 => vec![edge],
                    _ => Vec::new(),
                };
            }
            Mishears::WhilePaying => {
                let paying = dispensed.is_some_and(|from| at < from + Micros::secs(3));
                return if paying { Vec::new() } else { vec![edge] };
            }
            _ => {}
        }
        // The others decide once the whole pulse is there.
        if !edge.high {
            self.began = Some(at);
            return Vec::new();
        }
        let Some(began) = self.began.take() else {
            return vec![edge];
        };
        let width = at.since(began);
        let end = match how {
            Mishears::Short if width < SHORT => began + GOOD,
            Mishears::Long if width > LONG => began + GOOD,
            Mishears::AllButFirst => {
                let again = self.last.is_some_and(|last| began < last + Micros::ms(300));
                self.last = Some(at);
                if again {
                    return Vec::new();
                }
                at
            }
            _ => at,
        };
        let edge = |at, high| Edge { at, high };
        vec![edge(began, false), edge(end, true)]
    }
}

/// What becomes of the line that holds the acceptor off. The high level does, as in the built-in
/// profile.
#[derive(Clone, Debug)]
pub(super) struct Gate {
    how: Option<LetsIn>,
    was_in: bool,
    high: bool,
    since: Micros,
}

impl Gate {
    pub(super) fn new(how: Option<LetsIn>) -> Self {
        Self {
            how,
            was_in: false,
            high: true,
            since: Micros::ZERO,
        }
    }

    /// The edge the board puts out instead of this one, if any; `started` says whether it has set
    /// anything up.
    pub(super) fn pass(&mut self, mut edge: Edge, started: bool) -> Option<Edge> {
        match self.how {
            Some(LetsIn::AtStart) if !started => edge.high = false,
            Some(LetsIn::WithoutChange) if started => edge.high = false,
            Some(LetsIn::OnceIn) if self.was_in && edge.high => return None,
            Some(LetsIn::Never) => edge.high = true,
            _ => {}
        }
        self.was_in |= !edge.high;
        (self.high, self.since) = (edge.high, edge.at);
        Some(edge)
    }

    /// An edge the board puts out on its own.
    pub(super) fn own(&mut self, now: Micros, started: bool) -> Option<Edge> {
        let due = match self.how {
            Some(LetsIn::WithoutChange) => started && self.high,
            Some(LetsIn::Chatters) => started && now > self.since + Micros::secs(3),
            _ => false,
        };
        if !due {
            return None;
        }
        (self.high, self.since) = (!self.high, now);
        Some(Edge {
            at: now,
            high: self.high,
        })
    }
}
