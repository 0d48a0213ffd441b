//! With each misbehaviour of the built-in board and devices, the check that is about it is the first that a
//! reader sees.

use crate::board::{self, BoardSetup};
use crate::causes::{Relation, Tie};
use crate::device::{self, Kind, Setup};
use crate::result::{Examination, Outcome};
use payrig_units::Micros;
use std::sync::Mutex;

/// Runs jobs on all processors, and gives back what they complain of.
fn in_parallel<J: Sync>(
    jobs: &[J],
    complains: impl Fn(&J) -> Option<String> + Sync,
) -> Vec<String> {
    let (next, wrong) = (Mutex::new(jobs.iter()), Mutex::new(Vec::new()));
    let threads = std::thread::available_parallelism().map_or(2, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let Some(job) = next.lock().unwrap().next() else {
                        break;
                    };
                    if let Some(what) = complains(job) {
                        wrong.lock().unwrap().push(what);
                    }
                }
            });
        }
    });
    wrong.into_inner().unwrap()
}

/// What is wrong with the causes of an examination, where this check is about the only misbehaviour.
fn complaint(examination: &Examination, about: &str) -> Option<String> {
    let first = examination.causes.first()?;
    let shown: Vec<String> = examination
        .causes
        .iter()
        .map(|c| format!("{} ({})", c.id, c.consequences.len()))
        .collect();
    (first.id != about).then(|| format!("{about} is hidden by {}", shown.join(", ")))
}

/// Checks that a row ties to this one, and itself.
fn tied(relations: &[Relation], id: &str) -> String {
    let mut all = vec![id];
    for relation in relations.iter().filter(|r| !r.checks.is_empty()) {
        if relation.on.contains(&id) {
            all.extend(relation.checks);
        }
        if relation.checks.contains(&id) {
            all.extend(relation.on);
        }
    }
    // And of what clears those the first two of each row.
    let clearing = relations
        .iter()
        .filter(|r| r.tie == Tie::Needs && r.on.iter().any(|on| all.contains(on)));
    let clearing: Vec<&str> = clearing
        .flat_map(|r| r.checks.iter().take(2).copied())
        .collect();
    all.extend(clearing);
    all.join(",")
}

/// With all checks, or with those only that a row ties to it.
fn board_shows_the_cause(all: bool) {
    let good = BoardSetup::good().unwrap();
    let checks: Vec<_> = board::checks().collect();
    let wrong = in_parallel(&checks, |check| {
        let mut bad = good.clone();
        (check.quirk.apply)(&mut bad);
        let only = (!all).then(|| tied(board::RELATIONS, check.id));
        let examination = board::examine(&bad, only.as_deref(), |_, _| {});
        let wrong = complaint(&examination, check.id);
        wrong.map(|what| format!("{}: {what}", check.quirk.name))
    });
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn devices_show_the_cause(all: bool) {
    let kinds = Kind::ALL.into_iter();
    let jobs: Vec<_> = kinds
        .flat_map(|kind| device::checks(kind).map(move |c| (kind, c)))
        .collect();
    let wrong = in_parallel(&jobs, |(kind, check)| {
        let mut bad = Setup::good(*kind);
        (check.quirk.apply)(&mut bad);
        let only = (!all).then(|| tied(device::RELATIONS, check.id));
        let examination = device::examine(&bad, only.as_deref(), |_, _| {});
        let wrong = complaint(&examination, check.id);
        wrong.map(|what| format!("{kind} {}: {what}", check.quirk.name))
    });
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn with_each_quirk_of_the_board_its_own_check_comes_first() {
    board_shows_the_cause(false);
}

#[test]
fn with_each_quirk_of_a_device_its_own_check_comes_first() {
    devices_show_the_cause(false);
}

#[test]
#[ignore = "all checks with each quirk: some five minutes"]
fn with_each_quirk_of_the_board_its_own_check_comes_first_of_all() {
    board_shows_the_cause(true);
}

#[test]
#[ignore = "all checks with each quirk: some minutes"]
fn with_each_quirk_of_a_device_its_own_check_comes_first_of_all() {
    devices_show_the_cause(true);
}

/// A row that names a check that is gone ties nothing.
#[test]
fn rows_name_checks_that_exist() {
    let boards: Vec<&str> = board::checks().map(|c| c.id).collect();
    let devices: Vec<&str> = Kind::ALL
        .into_iter()
        .flat_map(device::checks)
        .map(|c| c.id)
        .collect();
    for (relations, known) in [(board::RELATIONS, boards), (device::RELATIONS, devices)] {
        for id in relations.iter().flat_map(|r| r.on.iter().chain(r.checks)) {
            assert!(known.contains(id), "no check {id}");
        }
    }
}

/// How many quirks are found by the first of these checks that fails, and which is found by none.
fn found<J: Sync>(jobs: &[J], finds: impl Fn(&J) -> Option<String> + Sync) -> (usize, Vec<String>) {
    let missed = in_parallel(jobs, finds);
    (jobs.len() - missed.len(), missed)
}

/// The short examination finds as much as is written in the guide, and takes as long.
#[test]
fn the_short_examination_of_a_board_finds_what_is_said() {
    let good = BoardSetup::good().unwrap();
    let short: Vec<_> = board::SHORT
        .iter()
        .map(|id| board::checks().find(|c| c.id == *id).unwrap())
        .collect();
    assert_eq!(short.len(), 20);
    let checks: Vec<_> = board::checks().collect();
    let (count, missed) = found(&checks, |check| {
        let mut bad = good.clone();
        (check.quirk.apply)(&mut bad);
        let fails = |c: &&&board::BoardCheck| board::run_check(c, &bad).0.outcome == Outcome::Fail;
        short
            .iter()
            .find(fails)
            .is_none()
            .then(|| check.quirk.name.to_owned())
    });
    assert!(
        count >= 70,
        "{count} of {} found; not {}",
        checks.len(),
        missed.join(" ")
    );
    let plan = board::plan(&good, Some(&board::SHORT.join(",")));
    let time = plan.whole_time();
    assert!(time < Micros::secs(600), "{time}: {plan:#?}");
}

#[test]
fn the_short_examination_of_a_device_finds_what_is_said() {
    for (kind, least) in [
        (Kind::Changer, 26),
        (Kind::BillValidator, 28),
        (Kind::BillRecycler, 31),
        (Kind::Cashless, 26),
        (Kind::PulseBill, 15),
        (Kind::PulseCoin, 15),
        (Kind::PulseCard, 16),
        (Kind::PulseHopper, 9),
        (Kind::PulseCoinHopper, 22),
    ] {
        let short: Vec<_> = device::checks(kind)
            .filter(|c| device::short(kind).contains(&c.id))
            .collect();
        let known = device::short(kind).iter().filter(|id| {
            Kind::ALL
                .into_iter()
                .flat_map(device::checks)
                .any(|c| c.id == **id)
        });
        assert_eq!(known.count(), device::short(kind).len(), "{kind}");
        assert!(short.len() <= 12 && device::short(kind).len() <= 12);
        let checks: Vec<_> = device::checks(kind).collect();
        let (count, missed) = found(&checks, |check| {
            let mut bad = Setup::good(kind);
            (check.quirk.apply)(&mut bad);
            let fails =
                |c: &&&device::DeviceCheck| device::run_check(c, &bad).0.outcome == Outcome::Fail;
            short
                .iter()
                .find(fails)
                .is_none()
                .then(|| check.quirk.name.to_owned())
        });
        assert!(
            count >= least,
            "{kind}: {count} of {}; not {}",
            checks.len(),
            missed.join(" ")
        );
    }
}
