//! Telling a bill's report that comes again from a new one (MDB/ICP 4.3, section 2.2 and Appendix
//! 3, section 3, condition 2).
//!
//! A report whose ACK was lost is repeated, with what happened since appended. Two bills cannot
//! come as fast as two POLLs, so the same report at the next answered POLL is the old one. A reset
//! in between does not change that: a validator keeps what was not acknowledged.

use payrig_mdb::bill::Report;
use payrig_units::Micros;

/// A bill takes longer than this from one report to the next of its kind (common practice, no
/// source: a bill is on its way for a second or more).
const WINDOW: Micros = Micros::secs(1);

/// The last answer that brought a bill, until it is certain that its ACK was heard.
#[derive(Clone, Debug, Default)]
pub(super) struct Guard {
    last: Option<(Vec<Report>, Micros)>,
    reset_since: bool,
}

/// What an answer brings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sifted {
    /// What is new.
    pub(super) fresh: Vec<Report>,
    /// Some of it was reported before.
    pub(super) repeated: bool,
}

/// True for what is sent at each POLL as long as it holds (section 6.3, 33H, notes 2).
pub(super) const fn is_condition(report: Report) -> bool {
    matches!(
        report,
        Report::ValidatorBusy
            | Report::ValidatorDisabled
            | Report::DispenserPayoutBusy
            | Report::DispenserBusy
            | Report::DispenserDisabled
            | Report::BillWaiting
    )
}

const fn is_bill(report: &Report) -> bool {
    matches!(report, Report::Bill { .. })
}

/// `all` without the reports of `old` at its beginning; `None` when it does not begin with them.
fn after<'a>(all: &'a [Report], old: &[Report]) -> Option<&'a [Report]> {
    all.strip_prefix(old).filter(|_| !old.is_empty())
}

impl Guard {
    /// POLL was answered without any report: the last one is settled.
    pub(super) fn quiet(&mut self) {
        *self = Self::default();
    }

    /// Takes out of an answer what was reported before.
    pub(super) fn sift(&mut self, now: Micros, answer: &[Report]) -> Sifted {
        let mut said: Vec<Report> = answer
            .iter()
            .copied()
            .filter(|r| !is_condition(*r))
            .collect();
        let just_reset = said.contains(&Report::JustReset);
        said.retain(|r| *r != Report::JustReset);
        if just_reset {
            self.reset_since = true;
        }
        let (mut fresh, mut repeated) = (said.clone(), false);
        let in_time = |at: Micros| self.reset_since || now.since(at) <= WINDOW;
        if let Some((last, _)) = self.last.as_ref().filter(|(_, at)| in_time(*at)) {
            let bills =
                |list: &[Report]| -> Vec<Report> { list.iter().copied().filter(is_bill).collect() };
            if let Some(rest) = after(&said, last) {
                (fresh, repeated) = (rest.to_vec(), true);
            } else if let Some(rest) = after(&bills(&said), &bills(last)) {
                // A reset may drop all but the bills.
                fresh.retain(|r| !is_bill(r));
                fresh.extend(rest);
                repeated = true;
            }
        }
        if said.iter().any(is_bill) {
            self.last = Some((said, now));
            self.reset_since = just_reset;
        } else if !just_reset {
            self.quiet();
        }
        if just_reset {
            fresh.insert(0, Report::JustReset);
        }
        fresh.extend(answer.iter().copied().filter(|r| is_condition(*r)));
        Sifted { fresh, repeated }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::bill::Routing;
    use proptest::prelude::*;

    const STACKED: Report = Report::bill(Routing::Stacked, 0);
    const OTHER: Report = Report::bill(Routing::Stacked, 1);

    fn sift(guard: &mut Guard, ms: u64, answer: &[Report]) -> (Vec<Report>, bool) {
        let Sifted { fresh, repeated } = guard.sift(Micros::ms(ms), answer);
        (fresh, repeated)
    }

    #[test]
    fn the_same_again_is_a_repetition_until_a_quiet_poll_or_a_second() {
        let mut guard = Guard::default();
        assert_eq!(sift(&mut guard, 0, &[STACKED]), (vec![STACKED], false));
        assert_eq!(sift(&mut guard, 30, &[STACKED]), (vec![], true));
        assert_eq!(sift(&mut guard, 200, &[STACKED]), (vec![], true));
        assert_eq!(sift(&mut guard, 1_300, &[STACKED]), (vec![STACKED], false));
        guard.quiet();
        assert_eq!(sift(&mut guard, 1_330, &[STACKED]), (vec![STACKED], false));
        let disabled = [Report::ValidatorDisabled];
        assert_eq!(sift(&mut guard, 1_350, &disabled), (disabled.into(), false));
        assert_eq!(sift(&mut guard, 1_380, &[STACKED]), (vec![STACKED], false));
    }

    #[test]
    fn what_is_appended_is_new_and_conditions_do_not_hide_a_repetition() {
        let mut guard = Guard::default();
        sift(&mut guard, 0, &[STACKED]);
        let more = [STACKED, OTHER, Report::ValidatorDisabled];
        let expected = vec![OTHER, Report::ValidatorDisabled];
        assert_eq!(sift(&mut guard, 30, &more), (expected, true));
        assert_eq!(
            sift(&mut guard, 60, &[STACKED, OTHER]),
            (vec![], true),
            "that ACK was lost as well"
        );
    }

    #[test]
    fn a_reset_in_between_keeps_it_a_repetition() {
        let mut guard = Guard::default();
        sift(&mut guard, 0, &[Report::BillRejected, STACKED]);
        assert_eq!(
            sift(&mut guard, 600, &[Report::JustReset]),
            (vec![Report::JustReset], false)
        );
        assert_eq!(sift(&mut guard, 1_000, &[STACKED]), (vec![], true));
        guard.quiet();
        assert_eq!(sift(&mut guard, 1_100, &[STACKED]), (vec![STACKED], false));
    }

    proptest! {
        /// Nothing is lost or invented: fresh reports are a part of what was said.
        #[test]
        fn fresh_is_a_part_of_the_answer(
            answers in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 1..6), 1..8)
        ) {
            let mut guard = Guard::default();
            for (i, bytes) in answers.iter().enumerate() {
                let answer: Vec<Report> = bytes.iter().map(|b| Report::of(*b)).collect();
                let sifted = guard.sift(Micros::ms(100 * i as u64), &answer);
                prop_assert!(sifted.fresh.len() <= answer.len());
                prop_assert!(sifted.fresh.iter().all(|r| answer.contains(r)));
                prop_assert!(sifted.repeated || i == 0 || sifted.fresh.len() + answer.len() > 0);
                if i == 0 {
                    prop_assert!(!sifted.repeated);
                }
            }
        }
    }
}
