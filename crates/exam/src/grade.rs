//! The verdict on a subject: its grade, and the reasons for it.

use crate::check::Weight;
use crate::result::{CheckResult, Grade, Outcome};
use crate::skip::Skip;
use payrig_units::words;

/// Grade and reasons from results and what each weighs; `one_only` when no other check was asked for.
/// What was not looked at in full is called neither fit nor fit with remarks.
#[must_use]
pub(crate) fn grade<'a>(
    results: impl Iterator<Item = (&'a CheckResult, Weight)>,
    one_only: bool,
) -> (Grade, Vec<String>) {
    let mut grade = Grade::Fit;
    let mut reasons = Vec::new();
    let mut undecided: Vec<Vec<&CheckResult>> = Vec::new();
    let mut not_done = 0usize;
    let mut broke_off = false;
    for (result, weight) in results {
        match (result.outcome, weight) {
            (Outcome::Fail, Weight::Rule) => grade = Grade::NotFit,
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
        if result.outcome == Outcome::Fail {
            reasons.push(result.reason());
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
    if one_only {
        reasons.push("one check only was asked for: it says nothing of all the others".to_owned());
    }
    let grade = match grade {
        Grade::NotFit => Grade::NotFit,
        _ if broke_off => Grade::Partial,
        _ if one_only => Grade::OneCheck,
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
            grade(results.iter().map(|r| (*r, Weight::Rule)), one).0
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
