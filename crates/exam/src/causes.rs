//! Which failed check is the cause of others: what is to be mended first, and what fails because of it.
//!
//! A check is about one matter, and needs others on its way: a check of change needs coins to be credited.
//! Each kind of subject has a list of that ([`Relation`]). A failed check is a consequence of one that failed
//! too and that it needs. What a check needs was in order where the check passed: a failure that is
//! contradicted so explains nothing but itself. Where two need each other, what was seen decides
//! ([`Seen::matter_of`](crate::Seen::matter_of)), and else what explains more.

use crate::result::{Cause, CheckResult, Outcome, Weight};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// How one check hangs on another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tie {
    /// It cannot pass unless the other's matter is in order: where it passes, that is.
    Needs,
    /// It may fail where the other's matter is not in order.
    Suffers,
}

/// What some checks hang on.
#[derive(Clone, Copy, Debug)]
pub struct Relation {
    /// These checks, or all others where none is named.
    pub checks: &'static [&'static str],
    /// How.
    pub tie: Tie,
    /// On the matter of these.
    pub on: &'static [&'static str],
}

/// A result with what only the check knows of it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Told<'a> {
    pub(crate) result: &'a CheckResult,
    /// The check whose matter was seen, where it is another's.
    pub(crate) matter_of: Option<&'static str>,
    /// It got to what it is about.
    pub(crate) reached: bool,
}

/// The causes of what failed, the one to mend first in front: money lost or gained before limits, limits
/// before margins; among those of one weight what explains more.
#[must_use]
pub(crate) fn causes(told: &[Told<'_>], relations: &[Relation]) -> Vec<Cause> {
    Web::of(told, relations).causes()
}

/// How results hang together, by their place in the examination.
struct Web<'a> {
    told: &'a [Told<'a>],
    /// Checks that failed.
    failed: Vec<usize>,
    /// What explains a check that did not pass, beyond doubt.
    because: BTreeMap<usize, BTreeSet<usize>>,
    /// What a failure explains, one step away.
    explains: BTreeMap<usize, BTreeSet<usize>>,
}

impl<'a> Web<'a> {
    fn of(told: &'a [Told<'a>], relations: &[Relation]) -> Self {
        let named = told.iter().enumerate().map(|(i, t)| (&*t.result.id, i));
        let place: BTreeMap<&str, usize> = named.rev().collect();
        let outcome = |i: usize| told.get(i).map(|t| t.result.outcome);
        let fails = |i: &usize| outcome(*i) == Some(Outcome::Fail);
        let failed: Vec<usize> = (0..told.len()).filter(fails).collect();
        let mut needs: BTreeSet<(usize, usize)> = BTreeSet::new();
        let mut suffers = needs.clone();
        for relation in relations {
            let all: Vec<usize> = match relation.checks.is_empty() {
                true => {
                    let one_of_them = |id: &str| relation.on.contains(&id);
                    let others = told.iter().enumerate();
                    let others = others.filter(|(_, t)| !one_of_them(&t.result.id));
                    others.map(|(i, _)| i).collect()
                }
                false => relation
                    .checks
                    .iter()
                    .filter_map(|id| place.get(id).copied())
                    .collect(),
            };
            for on in relation.on.iter().filter_map(|id| place.get(id).copied()) {
                let pairs = all
                    .iter()
                    .filter(|check| **check != on)
                    .map(|check| (*check, on));
                match relation.tie {
                    Tie::Needs => needs.extend(pairs),
                    Tie::Suffers => suffers.extend(pairs),
                }
            }
        }
        // What a check needs that passed was in order.
        let in_order: BTreeSet<usize> = needs
            .iter()
            .filter(|(check, _)| outcome(*check) == Some(Outcome::Pass))
            .map(|(_, on)| *on)
            .collect();
        let open = |i: usize| matches!(outcome(i), Some(Outcome::Fail | Outcome::CannotTell));
        let mut web = Self {
            told,
            failed,
            because: BTreeMap::new(),
            explains: BTreeMap::new(),
        };
        // The matter that was seen is another's: that one explains it, and not the other way round.
        let elsewhere: BTreeSet<(usize, usize)> = (0..)
            .zip(told)
            .filter_map(|(i, t)| Some((i, *place.get(t.matter_of?)?)))
            .filter(|(i, other)| fails(i) && fails(other))
            .collect();
        let sure = needs
            .iter()
            .filter(|(_, on)| !in_order.contains(on))
            .chain(&elsewhere);
        let sure: BTreeSet<(usize, usize)> = sure.copied().collect();
        for (check, on) in sure.iter().chain(&suffers).copied() {
            let reversed = elsewhere.contains(&(on, check));
            if !open(check) || !fails(&on) || reversed {
                continue;
            }
            web.explains.entry(on).or_default().insert(check);
            if sure.contains(&(check, on)) {
                web.because.entry(check).or_default().insert(on);
            }
        }
        web
    }

    /// All that a failure explains, itself left out unless in a circle.
    fn reach(&self, from: usize) -> BTreeSet<usize> {
        let mut reached = BTreeSet::new();
        let mut next = vec![from];
        while let Some(at) = next.pop() {
            for check in self.explains.get(&at).into_iter().flatten() {
                if reached.insert(*check) {
                    next.push(*check);
                }
            }
        }
        reached
    }

    fn weight(&self, place: usize) -> Weight {
        self.told
            .get(place)
            .map_or(Weight::Rule, |t| t.result.weight)
    }

    fn causes(&self) -> Vec<Cause> {
        let reach: BTreeMap<usize, BTreeSet<usize>> =
            self.failed.iter().map(|i| (*i, self.reach(*i))).collect();
        let reaches =
            |from: usize, to: usize| reach.get(&from).is_some_and(|all| all.contains(&to));
        let twins = |i: usize, j: usize| i != j && reaches(i, j) && reaches(j, i);
        let reached = |i: &usize| self.told.get(*i).is_some_and(|t| t.reached);
        // One that broke off on its way says nothing of its matter, where another failed.
        let some_reached = self.failed.iter().any(reached);
        let mut order: Vec<usize> = self.failed.clone();
        order.sort_by_key(|i| {
            let all = reach
                .get(i)
                .map_or(0, |all| all.iter().filter(|j| *j != i).count());
            let mut sure = self.because.get(i).into_iter().flatten();
            let steps = self.explains.get(i).map_or(0, BTreeSet::len);
            (
                some_reached && !reached(i),
                Reverse(all),
                sure.any(|j| twins(*i, *j)),
                Reverse(steps),
                *i,
            )
        });
        let mut done: BTreeSet<usize> = BTreeSet::new();
        let mut groups: Vec<(usize, BTreeSet<usize>)> = Vec::new();
        for i in order {
            // A cause is explained by nothing but what it explains itself.
            let explained = self
                .failed
                .iter()
                .any(|j| *j != i && reaches(*j, i) && !reaches(i, *j));
            if done.contains(&i) || explained {
                continue;
            }
            if some_reached
                && !reached(&i)
                && let Some((_, group)) = groups.first_mut()
            {
                let more = reach
                    .get(&i)
                    .into_iter()
                    .flatten()
                    .filter(|j| !done.contains(j));
                group.extend(more.copied().chain([i]));
                done.extend(group.iter());
                continue;
            }
            let own = reach
                .get(&i)
                .into_iter()
                .flatten()
                .filter(|j| **j != i && !done.contains(j));
            let own: BTreeSet<usize> = own.copied().collect();
            done.extend(own.iter());
            done.insert(i);
            groups.push((i, own));
        }
        let fails = |i: &usize| self.failed.contains(i);
        let worst = |(i, group): &(usize, BTreeSet<usize>)| {
            let all = group.iter().filter(|j| fails(j)).chain([i]);
            all.map(|j| self.weight(*j)).min().unwrap_or(Weight::Rule)
        };
        groups.sort_by_key(|group| (worst(group), Reverse(group.1.len()), group.0));
        let ids = |all: Vec<&usize>| -> Vec<String> {
            let told = all.into_iter().filter_map(|i| self.told.get(*i));
            told.map(|t| t.result.id.clone()).collect()
        };
        groups
            .iter()
            .map(|group| Cause {
                id: ids(vec![&group.0]).concat(),
                consequences: ids(group.1.iter().filter(|i| fails(i)).collect()),
                undecided: ids(group.1.iter().filter(|i| !fails(i)).collect()),
                weight: worst(group),
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::person::SeenBy;
    use payrig_units::Micros;
    use proptest::prelude::*;

    const IDS: [&str; 6] = ["a", "b", "c", "d", "e", "f"];

    fn result(id: &str, outcome: Outcome, weight: Weight) -> CheckResult {
        CheckResult {
            id: id.to_owned(),
            title: id.to_owned(),
            expected: String::new(),
            section: String::new(),
            outcome,
            weight,
            seen: String::new(),
            advice: String::new(),
            seen_by: SeenBy::Wire,
            from_us: Micros::ZERO,
            to_us: Micros::ZERO,
            skip: None,
        }
    }

    fn found(results: &[CheckResult], relations: &[Relation]) -> Vec<Cause> {
        let told: Vec<Told<'_>> = results
            .iter()
            .map(|result| Told {
                result,
                matter_of: None,
                reached: true,
            })
            .collect();
        causes(&told, relations)
    }

    const NEEDS: &[Relation] = &[
        Relation {
            checks: &["b", "c", "d"],
            tie: Tie::Needs,
            on: &["a"],
        },
        Relation {
            checks: &["d"],
            tie: Tie::Suffers,
            on: &["b"],
        },
    ];

    fn outcomes(outcomes: &[Outcome]) -> Vec<CheckResult> {
        let all = IDS.iter().zip(outcomes);
        all.map(|(id, outcome)| result(id, *outcome, Weight::Rule))
            .collect()
    }

    #[test]
    fn the_cause_is_what_the_others_need_unless_one_of_them_passed() {
        use Outcome::{CannotTell, Fail, Pass};
        let all = found(&outcomes(&[Fail, Fail, CannotTell, Fail]), NEEDS);
        assert_eq!(all.len(), 1, "{all:?}");
        assert_eq!(all[0].id, "a");
        assert_eq!(
            (all[0].consequences.join(" "), all[0].undecided.join(" ")),
            ("b d".into(), "c".into())
        );
        // c needs a, and passed.
        let all = found(&outcomes(&[Fail, Fail, Pass, Fail]), NEEDS);
        let ids: Vec<&str> = all.iter().map(|c| &*c.id).collect();
        assert_eq!(ids, ["b", "a"]);
        assert_eq!(all[0].consequences, ["d"]);
    }

    #[test]
    fn money_comes_before_limits_and_limits_before_margins() {
        let results = [
            result("a", Outcome::Fail, Weight::Advice),
            result("b", Outcome::Fail, Weight::Rule),
            result("c", Outcome::Fail, Weight::Money),
        ];
        let ids: Vec<String> = found(&results, &[]).into_iter().map(|c| c.id).collect();
        assert_eq!(ids, ["c", "b", "a"]);
    }

    #[test]
    fn what_was_seen_decides_between_two_that_need_each_other() {
        let results = outcomes(&[Outcome::Fail, Outcome::Fail]);
        let both = &[
            Relation {
                checks: &["a"],
                tie: Tie::Needs,
                on: &["b"],
            },
            Relation {
                checks: &["b"],
                tie: Tie::Needs,
                on: &["a"],
            },
        ];
        for (matter_of, first) in [(None, "a"), (Some("b"), "b")] {
            let told: Vec<Told<'_>> = results
                .iter()
                .map(|result| Told {
                    result,
                    matter_of: matter_of.filter(|_| result.id == "a"),
                    reached: true,
                })
                .collect();
            let all = causes(&told, both);
            assert_eq!((all.len(), &*all[0].id), (1, first));
        }
    }

    proptest! {
        /// Whatever hangs on what: every failure is in exactly one cause, nothing else is, and no order
        /// of weights is broken.
        #[test]
        fn every_failure_is_in_one_cause(
            ends in prop::collection::vec((0..4usize, 0..3usize), 6),
            ties in prop::collection::vec((0..6usize, 0..6usize, any::<bool>()), 0..20),
        ) {
            const OUTCOMES: [Outcome; 4] =
                [Outcome::Pass, Outcome::Fail, Outcome::CannotTell, Outcome::Skipped];
            const WEIGHTS: [Weight; 3] = [Weight::Money, Weight::Rule, Weight::Advice];
            let results: Vec<CheckResult> = IDS
                .iter()
                .zip(&ends)
                .map(|(id, (o, w))| result(id, OUTCOMES[*o], WEIGHTS[*w]))
                .collect();
            let relations: Vec<Relation> = ties
                .iter()
                .map(|(check, on, needs)| Relation {
                    checks: &IDS[*check..=*check],
                    tie: if *needs { Tie::Needs } else { Tie::Suffers },
                    on: &IDS[*on..=*on],
                })
                .collect();
            let all = found(&results, &relations);
            let mut named: Vec<String> =
                all.iter().flat_map(|c| c.consequences.iter().chain([&c.id]).cloned()).collect();
            named.sort();
            let failed = results.iter().filter(|r| r.outcome == Outcome::Fail);
            let failed: Vec<String> = failed.map(|r| r.id.clone()).collect();
            prop_assert_eq!(named, failed);
            prop_assert!(all.windows(2).all(|w| w[0].weight <= w[1].weight));
            let undecided: Vec<&String> = all.iter().flat_map(|c| &c.undecided).collect();
            let once: BTreeSet<&String> = undecided.iter().copied().collect();
            prop_assert_eq!(once.len(), undecided.len());
        }
    }
}
