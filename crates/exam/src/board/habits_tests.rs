//! Boards that are good by the standard and of other habits: none is accused, and what cannot be offered
//! to one is said so.

use super::runner::run_check;
use super::*;
use crate::result::Outcome;
use crate::skip::Skip;
use payrig_units::Micros;
use std::fmt::Write as _;

/// Makes our own board one of another habit.
type Other = (&'static str, &'static [Habit], fn(&mut BoardSetup));

const OTHERS: [Other; 7] = [
    ("keeps credit", &[Habit::AfterSale], |s| {
        s.board.keep_credit = true;
    }),
    ("stacks at once", &[Habit::Escrow], |s| {
        s.board.bills.no_escrow = true;
    }),
    ("holds bills", &[Habit::Escrow], |s| {
        s.board.hold_bills = true;
    }),
    ("level 1", &[Habit::Level], |s| s.board.cashless_level = 1),
    ("level 2", &[Habit::Level], |s| s.board.cashless_level = 2),
    ("slow motors", &[Habit::Delivery], |s| {
        s.board.motor_time = Micros::secs(12);
    }),
    ("several vends", &[], |s| s.board.multi_vend = true),
];

/// What is wrong about a verdict on a good board of these habits, if anything.
fn wrong(check: &BoardCheck, setup: &BoardSetup, others: &[Habit]) -> Option<String> {
    let (seen, _) = run_check(check, setup);
    let presumes = |habit: &Habit| others.contains(habit);
    let right = match (seen.outcome, &seen.skip) {
        (Outcome::Pass, _) => true,
        (Outcome::Skipped, Some(Skip::NotOffered(_))) => presumed_by(check.id).iter().any(presumes),
        _ => false,
    };
    let (outcome, text) = (seen.outcome, seen.text);
    (!right).then(|| format!("{}: {outcome:?} {text}", check.id))
}

#[test]
fn boards_of_other_habits_are_not_accused_by_checks_that_work_from_them() {
    let mut all = Vec::new();
    for (name, habits, make) in OTHERS {
        let mut setup = BoardSetup::good().unwrap();
        make(&mut setup);
        for check in checks() {
            let works_from = |habit: &Habit| habits.contains(habit);
            if presumed_by(check.id).iter().any(works_from) {
                let wrong = wrong(check, &setup, habits);
                all.extend(wrong.map(|what| format!("{name}: {what}")));
            }
        }
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}

/// All checks, also those that should not care. The board outside of `outside_tests` has the others.
#[test]
fn a_board_with_many_other_habits_at_once_is_not_accused_by_any_check() {
    let mut setup = BoardSetup::good().unwrap();
    let mut habits = Vec::new();
    for name in ["keeps credit", "holds bills", "level 1", "several vends"] {
        let (_, own, make) = OTHERS.iter().find(|(own, ..)| *own == name).unwrap();
        make(&mut setup);
        habits.extend_from_slice(own);
    }
    let wrong: Vec<String> = checks()
        .filter_map(|check| wrong(check, &setup, &habits))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn presumptions_are_of_checks_that_there_are_and_stand_in_the_guide() {
    let mut table = String::from("| Check | Works from |\n|---|---|\n");
    for (id, habits) in PRESUMPTIONS {
        assert!(checks().any(|check| check.id == *id), "no check {id}");
        assert!(!habits.is_empty(), "{id}");
        let names: Vec<&str> = habits.iter().map(|habit| habit.name()).collect();
        writeln!(table, "| `{id}` | {} |", names.join(", ")).unwrap();
    }
    let guide = include_str!("../../../../docs/src/habits.md");
    assert!(guide.contains(&table), "docs/src/habits.md lacks\n{table}");
    let once = |id: &str| PRESUMPTIONS.iter().filter(|(own, _)| *own == id).count() == 1;
    assert!(PRESUMPTIONS.iter().all(|(id, _)| once(id)));
}
