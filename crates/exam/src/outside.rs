//! What examinations of outside subjects have in common: what ends them early, and what is done when
//! the tool itself was late.

use crate::evidence::Evidence;
use crate::link::Linked;
use crate::person::SeenBy;
use crate::result::Outcome;
use crate::seen::Seen;
use crate::skip::Skip;
use payrig_units::Micros;

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
        let doubtful = seen.outcome == Outcome::Fail && evidence.late_by > HARMLESS;
        match back {
            // Nobody is asked to do it all over again.
            Some(mut back) if doubtful && tries < TRIES && evidence.seen_by == SeenBy::Wire => {
                let late = evidence.late_by;
                inform(
                    &mut back,
                    &format!("This tool spoke {late} late meanwhile: the check is done again."),
                );
                before = Some(evidence);
                subject = back;
                tries += 1;
            }
            back => {
                if doubtful {
                    let late = evidence.late_by;
                    let text = format!(
                        "{}; this tool itself spoke {late} late meanwhile",
                        seen.text
                    );
                    (seen.outcome, seen.text) = (Outcome::CannotTell, text);
                }
                return Some((seen, evidence, back));
            }
        }
    }
}
