//! A train against what the board expects: what to change, in plain words.

use super::{Question, credit};
use crate::Verdict;
use crate::judge::judge;
use crate::profile::{Coding, Profile};
use payrig_units::{Money, words};

/// Compares with the board's profile, adding what to change.
pub(super) fn compare(
    question: &Question<'_>,
    board: &Profile,
    fits: &[(&Profile, Verdict)],
    says: &mut Vec<String>,
) -> Option<bool> {
    let train = question.train;
    let verdict = judge(train, board).verdict();
    if verdict == Verdict::Fail {
        says.push(match fits {
            [] => format!(
                "The board counts {} ({}), which does not fit either. If the acceptor has a pulse \
                 setting, set it to {}; if it is set so already, its output is worn, its supply \
                 weak, or the line noisy.",
                board.name,
                board.times(),
                board.name
            ),
            [(sent, _), ..] if (sent.on, sent.off) != (board.on, board.off) => format!(
                "The acceptor sends {} pulses ({}), the board counts {} ones ({}): set the \
                 acceptor to {} pulse, or the board to {}.",
                sent.name,
                sent.times(),
                board.name,
                board.times(),
                board.name,
                sent.name
            ),
            [(sent, _), ..] => format!(
                "The pulses are of profile {}; the board counts {} with a narrower tolerance: \
                 widen it or use {}.",
                sent.name, board.name, sent.name
            ),
        });
    } else if verdict == Verdict::CannotTell {
        says.push(format!(
            "Whether the board's profile {} fits cannot be decided over this link: measure over a \
             better one.",
            board.name
        ));
    }
    let count_right = question
        .fed
        .map(|fed| compare_count(question, board, fed, says));
    match (verdict, count_right) {
        (Verdict::Fail, _) | (_, Some(false)) => Some(false),
        (Verdict::CannotTell, _) => None,
        (Verdict::Pass, _) => {
            says.push(match question.fed {
                Some(fed) => format!(
                    "The board credits {}: nothing to change.",
                    fed.show(question.decimals)
                ),
                None => format!(
                    "The board counts {}, which fits. Feed a known bill to check the pulses per \
                     unit of money.",
                    board.name
                ),
            });
            Some(true)
        }
    }
}

fn compare_count(
    question: &Question<'_>,
    board: &Profile,
    fed: Money,
    says: &mut Vec<String>,
) -> bool {
    let train = question.train;
    let show = |m: Money| m.show(question.decimals);
    let worth = credit(train, board);
    if worth == Some(fed) {
        return true;
    }
    let count = u64::try_from(train.count()).unwrap_or(u64::MAX);
    let Coding::Count { pulses, unit } = &board.coding else {
        says.push(match worth {
            Some(worth) => format!(
                "{} on line {} say {} to the board, but {} was fed: the coin is taught to the \
                 wrong line or width, or its value is set wrong on the board.",
                words::count(count, "pulse"),
                train.line,
                show(worth),
                show(fed)
            ),
            None => format!(
                "The board makes no whole amount of {}.",
                words::count(count, "pulse")
            ),
        });
        return false;
    };
    let units = u64::try_from(fed.0.checked_div(unit.0).unwrap_or(0)).unwrap_or(0);
    if units == 0 || units.checked_mul(unit.0.unsigned_abs()) != Some(fed.0.unsigned_abs()) {
        says.push(format!(
            "{} is no whole number of the board's units of {}: the board cannot credit it. Lower \
             the unit, or do not let the acceptor take it.",
            show(fed),
            show(*unit)
        ));
        return false;
    }
    let per = u64::from(*pulses);
    let expected = units.saturating_mul(per);
    let off_by = if count < expected {
        "missing"
    } else {
        "too many"
    };
    let difference = words::count(count.abs_diff(expected), "pulse");
    let mut text = if count.is_multiple_of(units) {
        let sent = count / units;
        format!(
            "The acceptor sends {} per {}, the board counts {per}: set the acceptor to {}, or the \
             board to {sent}.",
            words::count(sent, "pulse"),
            show(*unit),
            words::count(per, "pulse")
        )
    } else if count > 0 && units.is_multiple_of(count) {
        let each = Money(
            i64::try_from(units / count)
                .unwrap_or(0)
                .saturating_mul(unit.0),
        );
        format!(
            "The acceptor sends 1 pulse per {}, the board counts {per} per {}: set the acceptor to \
             {} per {}. If it is set so already, {difference} went missing: feed it again and see.",
            show(each),
            show(*unit),
            words::count(per, "pulse"),
            show(*unit)
        )
    } else {
        format!(
            "{} fed should be {}, {count} came: {difference} {off_by}. {}",
            show(fed),
            words::count(expected, "pulse"),
            "No setting does that: look for a worn contact, contact bounce, or noise, and feed it \
             again."
        )
    };
    if units == 1 && count.abs_diff(expected) == 1 {
        text.push_str(&format!(
            " It may also be {difference} {off_by}: feed a larger bill to tell which."
        ));
    }
    says.push(text);
    false
}
