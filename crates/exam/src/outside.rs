//! What examinations of outside subjects have in common: what ends them early, and what is done when
//! the tool itself was late.

use crate::evidence::Evidence;
use crate::link::Linked;
use crate::person::SeenBy;
use crate::result::Outcome;
use crate::seen::{Broken, Seen};
use crate::skip::Skip;
use payrig_units::Micros;
use payrig_wire::RuleName;
use std::fmt;

/// How often a check is done that fails while the tool itself is late.
const TRIES: u32 = 3;

/// Lateness of the tool that nobody minds: an ACK is due after 5 ms (section 2.2), and the tool means
/// to give it after 0.6 ms; a board waits for answers longer than that (Appendix 3, section 2).
const HARMLESS: Micros = Micros::ms(3);

/// Broken times are the subject's own, however the tool was held up, where there are at least so many: a board
/// that took its peripherals for lost looks for them every 10 s (section 2.4.3), and what a check measures lasts
/// less than a minute.
const MANY: usize = 20;

/// And so many for each time that the tool was held up: who got no answer repeats the command at once, until the
/// non-response time is over (section 2.2), and does so with each of a few peripherals.
const FOR_EACH: usize = 10;

/// Speaking late counts once more for each of these: a command that is repeated for as long is repeated four
/// times, once in 5 ms and its own length.
const LATE_ONCE_MORE: Micros = Micros::ms(25);

/// Not looking counts once more for each of these. What was broken meanwhile is not among what was measured;
/// what follows from it may be.
const SLEPT_ONCE_MORE: Micros = Micros::ms(100);

/// True for times that were broken so often that it does not matter how often the tool was held up: they are at
/// least half of what was measured, and many more than any good subject breaks for that.
fn outweighs(broken: Broken, held_up: usize) -> bool {
    broken.times >= MANY
        && broken.times >= FOR_EACH.saturating_mul(held_up)
        && broken.times >= broken.of.saturating_sub(broken.times)
}

/// How often the tool was held up, for long as for often.
fn times_held_up(evidence: &Evidence) -> usize {
    let own = |rule: &RuleName| matches!(rule, RuleName::OwnLate | RuleName::Slept);
    let times = evidence.findings.iter().filter(|f| own(&f.rule)).count();
    let whole = |time: Micros, of: Micros| usize::try_from(time.as_us() / of.as_us());
    // Each as late as the latest.
    let late = whole(evidence.late_by, LATE_ONCE_MORE).unwrap_or(usize::MAX);
    let slept = whole(evidence.slept, SLEPT_ONCE_MORE).unwrap_or(usize::MAX);
    times
        .max(1)
        .saturating_mul(late.saturating_add(1))
        .saturating_add(slept)
}

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

/// Runs a check with a subject that is lent to it. Where it fails and the tool itself was held up
/// meanwhile, it is done again, unless a person or the link ended it; where that never goes well, nobody
/// knows whose fault it was, unless what was broken was broken so often that it cannot be the tool's. `None`
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
        let outweighs = outweighs(seen.broken, times_held_up(&evidence));
        if let Some(before) = before.take() {
            evidence.follow(before);
        }
        let held_up = HeldUp::of(&evidence);
        // What was ended before its end judged nothing, and whoever ended it wants no more of it.
        let ended = evidence.over.as_ref().is_some_and(|o| o.skip.is_some());
        let failed = !ended && seen.outcome == Outcome::Fail;
        let doubtful = failed && held_up.is_some() && !outweighs;
        // What the tool slept through may be what could not be seen.
        let unseen = !ended && seen.outcome == Outcome::CannotTell && evidence.slept > Micros::ZERO;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_broken_times_outweigh_a_stall_and_a_few_do_not() {
        let outweighs = |times, of, held_up| outweighs(Broken { times, of }, held_up);
        assert!(outweighs(20, 20, 1) && outweighs(20, 40, 2) && outweighs(600, 1_000, 60));
        // A few, fewer than half of them, and a tool that is held up all the time.
        assert!(!outweighs(19, 19, 1) && !outweighs(20, 41, 1));
        assert!(!outweighs(20, 20, 3) && !outweighs(600, 1_000, 61));
        assert!(!outweighs(0, 0, 0));
    }
}
