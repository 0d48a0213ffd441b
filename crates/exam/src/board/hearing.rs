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

    /// What the board makes of an edge; `dispensed` is when it last gave a DISPENSE.
    pub(super) fn hear(&mut self, edge: Edge, dispensed: Option<Micros>) -> Vec<Edge> {
        let (how, at) = match self.how {
            None => return vec![edge],
            Some(how) => (how, edge.at),
        };
        match how {
            Mishears::All => return Vec::new(),
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
