//! Advice is about what was seen: where more came than is right, nothing is lost, and the other way round.

use std::cmp::Ordering;

/// Words of advice for too little.
const LOSS: [&str; 8] = [
    " lost",
    " lose",
    "short-changed",
    "refused",
    " eats ",
    "disappears",
    "pay for nothing",
    "in part",
];

/// Words of advice for too much.
const GAIN: [&str; 6] = [
    "makes money",
    "make money",
    "pays twice",
    "given away",
    "given back",
    "brings spent money back",
];

/// What is advised where more was seen than is right, and the check's own advice is for too little.
const MORE: &str = "More is credited, reported or paid than is right: see what is counted twice, and what each \
     report is worth.";

/// What is advised where less was seen, and the check's own advice is for too much.
const LESS: &str = "Less is credited, reported or paid than is right: see what is not counted, and what each report \
     is worth.";

/// Where one advice has a sentence for each way.
const EACH: [(&str, Ordering); 2] = [
    ("Where more ", Ordering::Greater),
    ("Where less ", Ordering::Less),
];

/// The advice of a check for what it saw: of both ways the one that was, and nothing that speaks of the other.
pub(crate) fn about(advice: &str, beyond: Option<Ordering>) -> String {
    let Some(beyond) = beyond else {
        return advice.to_owned();
    };
    let starts = EACH.map(|(start, way)| (advice.find(start), way));
    if let [(Some(more), _), (Some(less), _)] = starts {
        let (from, to) = match beyond {
            Ordering::Greater => (more, less),
            _ => (less, advice.len()),
        };
        let sentence = advice.get(from..to).unwrap_or(advice).trim();
        // "Where more came back, a noisy bus makes money": it did.
        let rest = sentence.split_once(", ").map_or(sentence, |(_, rest)| rest);
        let mut letters = rest.chars();
        let first = letters
            .next()
            .map(|c| c.to_uppercase().to_string())
            .unwrap_or_default();
        return format!("{first}{}", letters.as_str());
    }
    let speaks = |of: &[&str]| of.iter().any(|word| advice.contains(word));
    match beyond {
        Ordering::Greater if speaks(&LOSS) => MORE.to_owned(),
        Ordering::Less if speaks(&GAIN) => LESS.to_owned(),
        _ => advice.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{Check, Seen};
    use crate::{board, device};
    use payrig_units::Micros;
    use proptest::prelude::*;

    fn advised<B, S>(check: &Check<B, S>, seen: i64, right: i64) -> String {
        let text = format!("{seen} of {right}");
        let seen = Seen::fail(text).beside(seen, right);
        check.result(seen, Micros::ZERO, Micros::ZERO).advice
    }

    /// Whatever check, whatever numbers: too much is never called lost, too little never a gift.
    fn contradicts(advice: &str, seen: i64, right: i64) -> bool {
        let wrong: &[&str] = match seen.cmp(&right) {
            Ordering::Greater => &LOSS,
            Ordering::Less => &GAIN,
            Ordering::Equal => &[],
        };
        wrong.iter().any(|word| advice.contains(word))
    }

    proptest! {
        #[test]
        fn advice_never_contradicts_what_was_seen(seen in 0..2_000i64, right in 0..2_000i64) {
            let boards = board::checks().map(|c| (c.id, advised(c, seen, right)));
            let kinds = device::Kind::ALL.into_iter().flat_map(device::checks);
            let devices = kinds.map(|c| (c.id, advised(c, seen, right)));
            for (id, advice) in boards.chain(devices) {
                prop_assert!(!advice.is_empty(), "{}", id);
                prop_assert!(!contradicts(&advice, seen, right), "{} {} of {}: {}", id, seen, right, advice);
            }
        }
    }

    /// 5 fed, 5 stacked, 10 reported is not "bills are lost".
    #[test]
    fn bills_reported_twice_are_not_lost() {
        let mut checks = device::checks(device::Kind::BillValidator);
        let check = checks.find(|c| c.id == "bills-in-a-row").unwrap();
        for (quirk, lost) in [
            ("duplicate-report-after-ack", false),
            ("loses-every-third-bill", true),
        ] {
            let mut setup = device::Setup::good(device::Kind::BillValidator);
            (device::quirk(device::Kind::BillValidator, quirk)
                .unwrap()
                .apply)(&mut setup);
            let (seen, _) = device::run_check(check, &setup);
            let advice = check.result(seen, Micros::ZERO, Micros::ZERO).advice;
            assert_eq!(advice.contains("lost"), lost, "{quirk}: {advice}");
        }
    }

    #[test]
    fn of_two_ways_the_one_is_said_that_was_seen() {
        let both =
            "Where more came back, noise makes money: check sums. Where less did, coins are lost.";
        assert_eq!(
            about(both, Some(Ordering::Greater)),
            "Noise makes money: check sums."
        );
        assert_eq!(about(both, Some(Ordering::Less)), "Coins are lost.");
        assert_eq!(about(both, None), both);
    }
}
