//! The verdict on a subject: its grade, and the reasons for it.

use crate::result::{Cause, CheckResult, Grade, Outcome, Weight};
use crate::skip::Skip;
use payrig_units::words;

/// What a cause has for consequences: "28 more checks fail because of this, 12 cannot tell"; nothing
/// where it has none.
#[must_use]
pub fn because_of_this(cause: &Cause) -> Option<String> {
    let more = |n: usize| match n {
        1 => "1 more check fails".to_owned(),
        n => format!("{n} more checks fail"),
    };
    let tell = |n: usize| match n {
        1 => "1 cannot tell".to_owned(),
        n => format!("{n} cannot tell"),
    };
    match (cause.consequences.len(), cause.undecided.len()) {
        (0, 0) => None,
        (0, n) => Some(format!("{} because of this", tell(n))),
        (n, 0) => Some(format!("{} because of this", more(n))),
        (n, m) => Some(format!("{} because of this, {}", more(n), tell(m))),
    }
}

/// Grade and reasons from results, their causes, and what was not asked for.
/// What was not looked at in full is called neither fit nor fit with remarks.
#[must_use]
pub(crate) fn grade(
    results: &[CheckResult],
    causes: &[Cause],
    left_out: &[String],
) -> (Grade, Vec<String>) {
    let mut grade = Grade::Fit;
    let mut reasons: Vec<String> = causes
        .iter()
        .filter_map(|cause| {
            let reason = results.iter().find(|r| r.id == cause.id)?.reason();
            Some(match because_of_this(cause) {
                Some(more) => format!("{reason}. {more}"),
                None => reason,
            })
        })
        .collect();
    let explained = |result: &CheckResult| causes.iter().any(|c| c.undecided.contains(&result.id));
    let mut undecided: Vec<Vec<&CheckResult>> = Vec::new();
    let mut not_done = 0usize;
    let mut broke_off = false;
    for result in results {
        match (result.outcome, result.weight) {
            (Outcome::Fail, Weight::Money | Weight::Rule) => grade = Grade::NotFit,
            (Outcome::Fail, Weight::Advice) | (Outcome::CannotTell, _) => {
                if grade == Grade::Fit {
                    grade = Grade::FitWithRemarks;
                }
            }
            (Outcome::Skipped, _) => {
                let missing = result.skip.as_ref().filter(|skip| skip.is_missing());
                not_done += usize::from(missing.is_some());
                broke_off |= missing.is_some_and(Skip::breaks_off);
                continue;
            }
            (Outcome::Pass, _) => continue,
        }
        broke_off |= result.skip.as_ref().is_some_and(Skip::breaks_off);
        if result.outcome == Outcome::Fail || explained(result) {
            continue;
        }
        match undecided
            .iter_mut()
            .find(|all| all.iter().any(|r| r.seen == result.seen))
        {
            Some(all) => all.push(result),
            None => undecided.push(vec![result]),
        }
    }
    // Those of one cause are one reason.
    reasons.extend(undecided.into_iter().filter_map(|all| {
        let first = all.first()?;
        Some(match all.len() {
            1 => first.reason(),
            n => format!("{} undecided: {}", words::count(n, "check"), first.seen),
        })
    }));
    if not_done > 0 {
        if grade == Grade::Fit {
            grade = Grade::FitWithRemarks;
        }
        reasons.push(format!(
            "{} {} not done: each says what was missing",
            words::count(not_done, "check"),
            if not_done == 1 { "was" } else { "were" }
        ));
    }
    if broke_off {
        reasons.push(
            "it broke off before its last check: examine it again, in full, before it is used"
                .to_owned(),
        );
    }
    let one_only = results.len() == 1 && !left_out.is_empty();
    if one_only {
        reasons.push("one check only was asked for: it says nothing of all the others".to_owned());
    } else if !left_out.is_empty() {
        reasons.push(format!(
            "{} of {} were asked for: it says nothing of the others",
            results.len(),
            words::count(results.len() + left_out.len(), "check")
        ));
    }
    let grade = match grade {
        Grade::NotFit => Grade::NotFit,
        _ if broke_off => Grade::Partial,
        _ if one_only => Grade::OneCheck,
        _ if !left_out.is_empty() => Grade::Partial,
        grade => grade,
    };
    (grade, reasons)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::person::SeenBy;
    use payrig_units::Micros;

    #[test]
    fn what_was_not_looked_at_in_full_is_called_neither_fit_nor_fit_with_remarks() {
        let result = |outcome, seen: &str, skip| CheckResult {
            id: "a".to_owned(),
            title: "a".to_owned(),
            expected: String::new(),
            section: String::new(),
            outcome,
            weight: Weight::Rule,
            seen: seen.to_owned(),
            advice: String::new(),
            seen_by: SeenBy::Wire,
            from_us: Micros::ZERO,
            to_us: Micros::ZERO,
            skip,
        };
        let good = result(Outcome::Pass, "all", None);
        let bad = result(Outcome::Fail, "silence", None);
        let grade = |results: &[&CheckResult], one| {
            let results: Vec<CheckResult> = results.iter().map(|r| (*r).clone()).collect();
            let left_out = if one {
                vec!["b".to_owned()]
            } else {
                Vec::new()
            };
            grade(&results, &[], &left_out).0
        };
        for (outcome, why) in [
            (Outcome::Skipped, Skip::Stopped),
            (Outcome::CannotTell, Skip::Stopped),
            (Outcome::Skipped, Skip::LinkGone),
            (Outcome::Skipped, Skip::NeverAnswered),
        ] {
            let broken = result(outcome, &why.to_string(), Some(why.clone()));
            assert_eq!(grade(&[&good, &broken], false), Grade::Partial, "{why}");
            assert_eq!(grade(&[&bad, &broken], false), Grade::NotFit, "{why}");
        }
        // Nobody was there: that is known beforehand, and a remark.
        let alone = Skip::NeedsPerson("press selection 11".to_owned());
        let alone = result(Outcome::Skipped, &alone.to_string(), Some(alone.clone()));
        assert_eq!(grade(&[&good, &alone], false), Grade::FitWithRemarks);
        let lacks = Skip::from("no escrow");
        let lacks = result(Outcome::Skipped, &lacks.to_string(), Some(lacks.clone()));
        assert_eq!(grade(&[&good, &lacks], false), Grade::Fit);
        assert_eq!(grade(&[&good], false), Grade::Fit);
        assert_eq!(grade(&[&good], true), Grade::OneCheck);
        assert_eq!(grade(&[&bad], true), Grade::NotFit);
    }
}
