use super::*;
use payrig_exam::{Examination, Grade, Outcome};
use payrig_report::example;
use payrig_units::Micros;
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

fn place() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop").join("tickets.sqlite");
    (folder, path)
}

fn of(serial: &str) -> Examination {
    let mut examination = example();
    examination.subject.serial = serial.to_owned();
    examination
}

#[test]
fn what_is_added_is_there_after_closing() {
    let (_folder, path) = place();
    let examination = of("4711");
    let id = Store::open(&path).unwrap().add(&examination).unwrap();
    assert_eq!(id, 1);
    assert_eq!(Store::open(&path).unwrap().add(&of("4712")).unwrap(), 2);
    let store = Store::open_to_read(&path).unwrap();
    let ticket = store.get(1).unwrap();
    assert_eq!(ticket.examination, examination);
    assert_eq!((ticket.row.passed, ticket.row.failed), (38, 3));
    assert_eq!((ticket.row.cannot_tell, ticket.row.skipped), (1, 2));
    assert_eq!(ticket.row.grade, "not fit");
    assert_eq!(ticket.row.added.len(), "2026-03-14T08:26:53Z".len());
    assert_eq!(store.list(None).unwrap().len(), 2);
    assert_eq!(store.list(Some(" 4712")).unwrap()[0].id, 2);
    assert!(store.list(Some("0")).unwrap().is_empty());
    assert!(matches!(store.get(3), Err(StoreError::NoTicket(3))));
}

#[test]
fn the_visit_before_is_of_the_same_unit() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap();
    let mut other_kind = of("a1");
    other_kind.subject.kind = "bill validator".to_owned();
    let mut other_maker = of("a1");
    other_maker.subject.maker = "YYY".to_owned();
    let all = [
        of("a1"),
        of("b2"),
        other_kind,
        other_maker,
        of("A1 "),
        of(""),
        of(""),
    ];
    for (i, examination) in all.iter().enumerate() {
        assert_eq!(store.add(examination).unwrap(), i as i64 + 1);
    }
    assert_eq!(store.visit_before(1).unwrap(), None);
    assert_eq!(store.visit_before(3).unwrap(), None, "another kind");
    assert_eq!(store.visit_before(4).unwrap(), None, "another maker");
    assert_eq!(store.visit_before(5).unwrap(), Some(1));
    assert_eq!(
        store.visit_before(7).unwrap(),
        None,
        "no serial number, no unit"
    );
    assert!(matches!(
        store.visit_before(9),
        Err(StoreError::NoTicket(9))
    ));
}

/// Tickets of older versions stay as they are: their unit is found all the same.
#[test]
fn a_unit_is_the_same_though_its_kind_was_once_called_otherwise() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap();
    let kinds = [
        "pulse acceptor",
        "pulse coin acceptor",
        "pulse bill validator",
        "pulse acceptor",
    ];
    for kind in kinds {
        let mut examination = of("HL-7");
        examination.subject.kind = kind.to_owned();
        store.add(&examination).unwrap();
    }
    assert_eq!(store.visit_before(2).unwrap(), None, "another kind");
    assert_eq!(store.visit_before(3).unwrap(), Some(1));
    // An old report that is added late is of the same unit too.
    assert_eq!(store.visit_before(4).unwrap(), Some(3));
    let (then, now) = (store.get(1).unwrap(), store.get(3).unwrap());
    assert_eq!(then.row.kind, "pulse acceptor", "it was not changed");
    let comparison = compare(&then.examination, &now.examination);
    assert_eq!(comparison.alike, now.examination.checks.len());
}

#[test]
fn a_ticket_is_neither_changed_nor_removed() {
    let (_folder, path) = place();
    Store::open(&path).unwrap().add(&example()).unwrap();
    let connection = Connection::open(&path).unwrap();
    for statement in ["DELETE FROM ticket", "UPDATE ticket SET grade = 'fit'"] {
        let error = connection.execute(statement, []).unwrap_err().to_string();
        assert!(error.contains("never"), "{error}");
    }
    assert_eq!(
        Store::open(&path).unwrap().list(None).unwrap()[0].grade,
        "not fit"
    );
}

#[test]
fn two_shops_hands_at_once_lose_nothing() {
    let (_folder, path) = place();
    std::thread::scope(|scope| {
        for hand in 0..4 {
            let path = &path;
            scope.spawn(move || {
                for n in 0..5 {
                    let serial = format!("{hand}-{n}");
                    Store::open(path).unwrap().add(&of(&serial)).unwrap();
                }
            });
        }
    });
    let rows = Store::open_to_read(&path).unwrap().list(None).unwrap();
    let mut serials: Vec<_> = rows.iter().map(|r| r.serial.as_str()).collect();
    serials.sort_unstable();
    serials.dedup();
    assert_eq!(serials.len(), 20);
}

#[test]
fn files_that_are_something_else_are_left_alone() {
    let (folder, path) = place();
    assert!(matches!(
        Store::open_to_read(&path),
        Err(StoreError::Missing(_))
    ));

    let text = folder.path().join("letter.txt");
    std::fs::write(&text, "Dear shop, this is no database at all. ".repeat(40)).unwrap();
    let before = std::fs::read(&text).unwrap();
    assert!(matches!(
        Store::open(&text),
        Err(StoreError::NotADatabase(_))
    ));
    assert!(matches!(
        Store::open_to_read(&text),
        Err(StoreError::NotADatabase(_))
    ));
    assert_eq!(std::fs::read(&text).unwrap(), before);

    let foreign = folder.path().join("other.sqlite");
    let connection = Connection::open(&foreign).unwrap();
    connection
        .execute_batch("CREATE TABLE birds (name TEXT)")
        .unwrap();
    drop(connection);
    assert!(matches!(Store::open(&foreign), Err(StoreError::Foreign(_))));

    let newer = folder.path().join("newer.sqlite");
    Store::open(&newer).unwrap();
    let connection = Connection::open(&newer).unwrap();
    connection.pragma_update(None, "user_version", 9).unwrap();
    drop(connection);
    let error = Store::open(&newer).unwrap_err();
    assert!(matches!(error, StoreError::Version { found: 9, .. }));
    assert!(error.to_string().contains("use a newer payrig"));

    let in_a_file = text.join("tickets.sqlite");
    assert!(matches!(
        Store::open(&in_a_file),
        Err(StoreError::Access { .. })
    ));
    assert!(matches!(
        Store::open(folder.path()),
        Err(StoreError::Access { .. })
    ));
}

#[test]
fn a_locked_file_is_said_to_be_locked() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap();
    store.add(&example()).unwrap();
    let connection = Connection::open(&path).unwrap();
    connection.execute_batch("BEGIN EXCLUSIVE").unwrap();
    let error = store.add(&example()).unwrap_err();
    assert!(matches!(error, StoreError::Locked(_)), "{error}");
    connection.execute_batch("ROLLBACK").unwrap();
    assert_eq!(
        store.add(&example()).unwrap(),
        2,
        "and can be written again"
    );
}

#[test]
fn a_damaged_ticket_is_named() {
    let (_folder, path) = place();
    Store::open(&path).unwrap().add(&example()).unwrap();
    let connection = Connection::open(&path).unwrap();
    connection
        .execute_batch("DROP TRIGGER ticket_unchanged; UPDATE ticket SET examination = '{'")
        .unwrap();
    drop(connection);
    let store = Store::open_to_read(&path).unwrap();
    assert!(matches!(
        store.get(1),
        Err(StoreError::Damaged { id: 1, .. })
    ));
    assert_eq!(
        store.list(None).unwrap().len(),
        1,
        "its columns can still be read"
    );
}

#[test]
fn a_unit_compared_with_itself_is_as_before() {
    let comparison = compare(&example(), &example());
    assert_eq!(comparison.alike, example().checks.len());
    assert!(comparison.worse.is_empty() && comparison.better.is_empty());
    assert!(comparison.other.is_empty() && !comparison.is_worse());
    assert!(
        comparison
            .drifts
            .iter()
            .all(|d| !d.certain && d.median_moved_us() == 0)
    );
    // Three intervals, and the pulses and pauses of one line.
    assert_eq!(comparison.drifts.len(), 5);
}

#[test]
fn worse_better_and_drift_are_told_apart() {
    let before = example();
    let mut now = example();
    let set = |examination: &mut Examination, id: &str, outcome| {
        let check = examination.checks.iter_mut().find(|c| c.id == id);
        check.unwrap().outcome = outcome;
    };
    set(&mut now, "answers-reset", Outcome::Fail);
    set(&mut now, "tube-0-pays", Outcome::CannotTell);
    set(&mut now, "tube-1-pays", Outcome::Pass);
    set(&mut now, "pauses-within-1-ms", Outcome::Fail);
    set(&mut now, "setup-level", Outcome::Skipped);
    now.checks.retain(|c| c.id != "case-intact");
    now.grade = Grade::Fit;
    for value in &mut now.intervals[0].values_us {
        *value += Micros(209);
    }
    for value in &mut now.intervals[1].values_us {
        *value += Micros(208);
    }
    let comparison = compare(&before, &now);
    let ids = |turns: &[Turn]| turns.iter().map(|t| t.id.clone()).collect::<Vec<_>>();
    assert_eq!(
        ids(&comparison.worse),
        ["answers-reset", "pauses-within-1-ms", "tube-0-pays"]
    );
    assert_eq!(ids(&comparison.better), ["tube-1-pays"]);
    assert_eq!(ids(&comparison.other), ["setup-level", "case-intact"]);
    assert_eq!(comparison.alike, before.checks.len() - 6);
    assert!(comparison.is_worse());
    // Both measurements may be off by 104 us: 208 us may be nothing, 209 us is a drift.
    let certain: Vec<_> = comparison.drifts.iter().map(|d| d.certain).collect();
    assert_eq!(certain, [true, false, false, false, false]);
    assert_eq!(comparison.drifts[0].median_moved_us(), 209);
    let back = compare(&now, &before);
    assert_eq!(back.drifts[0].median_moved_us(), -209);
    assert!(back.is_worse(), "the grade is worse again");
}

#[test]
fn a_spreadsheet_gets_every_ticket_and_no_formula() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap();
    let mut sly = of("=HYPERLINK(\"x\")");
    sly.subject.name = "quoted \"name\", with comma\nand line".to_owned();
    store.add(&of("4711")).unwrap();
    store.add(&sly).unwrap();
    let mut out = Vec::new();
    export_csv(&store.list(None).unwrap(), &mut out).unwrap();
    let mut reader = csv::Reader::from_reader(out.as_slice());
    let heads = reader.headers().unwrap().clone();
    let column = |name: &str| heads.iter().position(|h| h == name).unwrap();
    let records: Vec<_> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), 2);
    assert_eq!(&records[0][column("serial")], "4711");
    assert_eq!(&records[1][column("serial")], "'=HYPERLINK(\"x\")");
    assert_eq!(
        &records[1][column("name")],
        "quoted \"name\", with comma\\nand line"
    );
    assert_eq!(&records[0][column("passed")], "38");
}

/// Names that SQLite takes for no file: what was kept under them would be gone.
#[test]
fn a_database_that_is_no_file_is_refused() {
    for name in ["", ":memory:", "file::memory:", "file:x?mode=memory"] {
        for opened in [
            Store::open(Path::new(name)),
            Store::open_to_read(Path::new(name)),
        ] {
            let error = opened.unwrap_err();
            let refused = matches!(error, StoreError::NoFile(_) | StoreError::Missing(_));
            assert!(refused, "{name}: {error}");
        }
        assert!(
            matches!(Store::open(Path::new(name)), Err(StoreError::NoFile(_))),
            "{name}"
        );
    }
}
