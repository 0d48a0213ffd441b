//! What examinations of outside subjects have in common: what ends them early, and what is done when
//! the tool itself was late.

use crate::evidence::Evidence;
use crate::link::Linked;
use crate::person::SeenBy;
use crate::result::Outcome;
use crate::seen::Seen;
use crate::skip::Skip;
use payrig_units::Micros;
use std::fmt;

/// How often a check is done that fails while the tool itself is late.
const TRIES: u32 = 3;

/// Lateness of the tool that nobody minds: an ACK is due after 5 ms (section 2.2), and the tool means
/// to give it after 0.6 ms; a board waits for answers longer than that (Appendix 3, section 2).
const HARMLESS: Micros = Micros::ms(3);

/// How far an examination came.
#[derive(Debug, Default)]
pub(crate) struct Course {
    ended: Option<Skip>,
    begun: bool,
}

impl Course {
    /// It ends before its first check, as the person wants.
    pub(crate) fn stop(&mut self) {
        self.ended = Some(Skip::Stopped);
    }

    /// Why no further check is done, if so; otherwise one begins.
    pub(crate) fn blocked_by(&mut self, linked: &Linked) -> Option<Skip> {
        if self.ended.is_none() {
            if linked.has_failed() {
                self.ended = Some(Skip::LinkGone);
            } else if self.begun && !linked.ever_heard() {
                self.ended = Some(Skip::NeverAnswered);
            }
        }
        self.begun = true;
        self.ended.clone()
    }

    /// A check is over.
    pub(crate) fn done(&mut self, evidence: &Evidence) {
        if evidence
            .over
            .as_ref()
            .is_some_and(|o| o.skip == Some(Skip::Stopped))
        {
            self.stop();
        }
    }
}

/// How the tool itself was held up in a check, so that what was seen may not be the subject's fault.
#[derive(Clone, Copy, Debug)]
enum HeldUp {
    /// It spoke so late.
    Late(Micros),
    /// It did not look at its port for so long.
    Slept(Micros),
}

impl HeldUp {
    fn of(evidence: &Evidence) -> Option<Self> {
        if evidence.slept > Micros::ZERO {
            return Some(Self::Slept(evidence.slept));
        }
        (evidence.late_by > HARMLESS).then_some(Self::Late(evidence.late_by))
    }
}

impl fmt::Display for HeldUp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Late(by) => write!(f, "spoke {by} late"),
            Self::Slept(time) => write!(f, "did not look at the link for {time}"),
        }
    }
}

/// Runs a check with a subject that is lent to it. Where it fails and the tool itself spoke late
/// meanwhile, it is done again; where that never goes well, nobody knows whose fault it was. `None`
/// when there is no bench for it.
pub(crate) fn attempts<O>(
    mut subject: O,
    mut inform: impl FnMut(&mut O, &str),
    mut run: impl FnMut(O) -> Option<(Seen, Evidence, Option<O>)>,
) -> Option<(Seen, Evidence, Option<O>)> {
    let mut before: Option<Evidence> = None;
    let mut tries = 1;
    loop {
        let (mut seen, mut evidence, back) = run(subject)?;
        if let Some(before) = before.take() {
            evidence.follow(before);
        }
        let held_up = HeldUp::of(&evidence);
        let doubtful = seen.outcome == Outcome::Fail && held_up.is_some();
        // What the tool slept through may be what could not be seen.
        let unseen = seen.outcome == Outcome::CannotTell && evidence.slept > Micros::ZERO;
        match back {
            // Nobody is asked to do it all over again.
            Some(mut back)
                if (doubtful || unseen) && tries < TRIES && evidence.seen_by == SeenBy::Wire =>
            {
                if let Some(how) = held_up {
                    let text = format!("This tool {how} meanwhile: the check is done again.");
                    inform(&mut back, &text);
                }
                before = Some(evidence);
                subject = back;
                tries += 1;
            }
            back => {
                if let (true, Some(how)) = (doubtful, held_up) {
                    let text = format!("{}; this tool itself {how} meanwhile", seen.text);
                    (seen.outcome, seen.text) = (Outcome::CannotTell, text);
                }
                return Some((seen, evidence, back));
            }
        }
    }
}
