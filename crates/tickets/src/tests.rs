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

/// A file that payrig wrote when tables were of version 1.
fn of_version_1() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("old.sqlite");
    let old = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/version-1.sqlite");
    std::fs::copy(old, &path).unwrap();
    (folder, path)
}

fn version(path: &Path) -> i64 {
    let connection = Connection::open(path).unwrap();
    connection
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap()
}

#[test]
fn an_old_file_is_read_as_it_is_and_brought_up_by_the_first_that_is_written() {
    let (_folder, path) = of_version_1();
    let whole = std::fs::read(&path).unwrap();
    let store = Store::open_to_read(&path).unwrap();
    let old = store.list(None).unwrap();
    let serials: Vec<&str> = old.iter().map(|row| row.serial.as_str()).collect();
    assert_eq!(serials, ["000000000001", "HL-0017", "000000004711"]);
    let emulated: Vec<bool> = old.iter().map(|row| row.is_emulated).collect();
    assert_eq!(emulated, [true, true, false]);
    assert_eq!(old[0].added_clock(), "2026-11-29 14:18:18 UTC");
    let examinations: Vec<_> = (1..=3)
        .map(|id| store.get(id).unwrap().examination)
        .collect();
    assert_eq!(examinations[2].checks, example().checks);
    assert_eq!(store.visit_before(3).unwrap(), None);
    assert_eq!(shelf(&store, &ShelfFilter::default()).unwrap().len(), 1);
    drop(store);
    assert_eq!(
        std::fs::read(&path).unwrap(),
        whole,
        "looking changes nothing"
    );
    assert_eq!(version(&path), 1);

    let mut store = Store::open_to_remark(&path).unwrap();
    store
        .remark(2, RemarkKind::Note, "from the old days")
        .unwrap();
    assert_eq!(version(&path), SCHEMA_VERSION);
    assert!(!store.is_new());
    let again = store.add_once(&examinations[2]).unwrap();
    assert_eq!(
        (again.id, again.was_there),
        (3, true),
        "it has its old ticket"
    );
    assert_eq!(store.add(&of("4712")).unwrap(), 4);
    let now = store.list(None).unwrap();
    assert_eq!(now[1].notes().collect::<Vec<_>>(), ["from the old days"]);
    for (id, (old, now)) in old.iter().zip(&now).enumerate() {
        let mut bare = now.clone();
        bare.remarks.clear();
        assert_eq!(*old, bare, "ticket {} was not changed", id + 1);
        assert_eq!(store.get(old.id).unwrap().examination, examinations[id]);
    }
    assert_ne!(now[3].added_local, "");
    let connection = Connection::open(&path).unwrap();
    for statement in [
        "DELETE FROM ticket",
        "UPDATE remark SET text = 'x'",
        "DELETE FROM remark",
    ] {
        let error = connection.execute(statement, []).unwrap_err().to_string();
        assert!(error.contains("never"), "{error}");
    }
}

/// Several hands may open an old file at once.
#[test]
fn an_old_file_is_brought_up_once() {
    let (_folder, path) = of_version_1();
    std::thread::scope(|scope| {
        for hand in 0..4 {
            let path = &path;
            scope.spawn(move || {
                Store::open(path)
                    .unwrap()
                    .add(&of(&format!("{hand}")))
                    .unwrap()
            });
        }
    });
    assert_eq!(
        Store::open_to_read(&path)
            .unwrap()
            .list(None)
            .unwrap()
            .len(),
        7
    );
}

#[test]
fn one_file_is_one_ticket_until_that_is_void() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap();
    let added = |id, was_there| Added { id, was_there };
    assert_eq!(store.add_once(&of("4711")).unwrap(), added(1, false));
    assert_eq!(store.add_once(&of("4711")).unwrap(), added(1, true));
    let mut other = of("4711");
    other.checks[0].seen = "something else".to_owned();
    assert_eq!(
        store.add_once(&other).unwrap(),
        added(2, false),
        "not the same"
    );
    store.remark(1, RemarkKind::Void, "wrong unit").unwrap();
    assert_eq!(store.add_once(&of("4711")).unwrap(), added(3, false));
    assert_eq!(store.add_once(&of("4711")).unwrap(), added(3, true));
    // One that was examined twice is two.
    assert_eq!(store.add(&of("4711")).unwrap(), 4);
}

#[test]
fn one_file_added_by_several_hands_at_once_is_one_ticket() {
    let (_folder, path) = place();
    Store::open(&path).unwrap();
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| Store::open(&path).unwrap().add_once(&of("4711")).unwrap());
        }
    });
    assert_eq!(
        Store::open_to_read(&path)
            .unwrap()
            .list(None)
            .unwrap()
            .len(),
        1
    );
}

#[test]
fn what_is_said_of_a_ticket_stays_beside_it() {
    let (_folder, path) = place();
    let mut store = Store::open(&path)
        .unwrap()
        .at(Site::named("Asia/Kolkata").unwrap());
    for _ in 0..3 {
        store.add(&of("4711")).unwrap();
    }
    for (id, kind, text) in [
        (2, RemarkKind::Customer, "HL-1"),
        (2, RemarkKind::Note, " keys in the box\n"),
        (2, RemarkKind::Customer, "HL-2"),
        (2, RemarkKind::Note, "tube 1 sticks"),
        (2, RemarkKind::Void, "wrong unit"),
    ] {
        store.remark(id, kind, text).unwrap();
    }
    let wrong = [
        store.remark(2, RemarkKind::Void, "again"),
        store.remark(2, RemarkKind::Note, " "),
        store.remark(9, RemarkKind::Note, "nobody"),
    ];
    assert!(
        matches!(
            &wrong,
            [
                Err(StoreError::Void { id: 2, .. }),
                Err(StoreError::Empty(RemarkKind::Note)),
                Err(StoreError::NoTicket(9))
            ]
        ),
        "{wrong:?}"
    );
    let row = store.get(2).unwrap().row;
    assert_eq!((row.customer(), row.void()), ("HL-2", Some("wrong unit")));
    assert_eq!(
        row.notes().collect::<Vec<_>>(),
        ["keys in the box", "tube 1 sticks"]
    );
    assert_eq!(row, store.list(None).unwrap()[1]);
    assert!(row.added_local.ends_with("+05:30[Asia/Kolkata]"), "{row:?}");
    // 09:26:53 at +01:00.
    assert_eq!(row.examined_clock(), "2026-03-14 13:56:53 +05:30");
    // What is void is no visit.
    assert_eq!(store.visit_before(3).unwrap(), Some(1));
}

#[test]
fn a_serial_number_is_found_without_its_zeros_where_that_is_clear() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap();
    for serial in ["000000004711", "4712", "0004712", "00hl-1", "0", ""] {
        store.add(&of(serial)).unwrap();
    }
    let ids = |serial: &str| {
        let rows = store.list(Some(serial)).unwrap();
        rows.iter().map(|row| row.id).collect::<Vec<_>>()
    };
    assert_eq!(ids("4711"), [1]);
    assert_eq!(ids(" 04711 "), [1]);
    assert_eq!(ids("4712"), [2], "as it is given comes first");
    assert_eq!(ids("0004712"), [3]);
    assert_eq!(ids("HL-1"), [4]);
    assert_eq!(ids("0"), [5]);
    assert_eq!(ids(""), [6]);
    for none in ["711", "47110", "00"] {
        assert!(ids(none).is_empty(), "{none}");
    }
    let error = store.list(Some("04712")).unwrap_err();
    assert_eq!(
        error.to_string(),
        "serial number 04712 may be 4712 or 0004712: give it in full"
    );
}

#[test]
fn the_shelf_has_the_newest_of_every_unit_with_what_to_do() {
    let (_folder, path) = place();
    let mut store = Store::open(&path).unwrap().at(Site::named("UTC").unwrap());
    let mut add = |serial: &str, kind: &str, grade: Grade, day: &str, link: &str| {
        let mut examination = of(serial);
        examination.subject.kind = kind.to_owned();
        examination.grade = grade;
        examination.date = format!("{day}T12:00:00Z");
        examination.link = link.to_owned();
        if grade == Grade::Fit {
            for check in &mut examination.checks {
                check.outcome = Outcome::Pass;
            }
        }
        store.add(&examination).unwrap()
    };
    let port = "adapter on an invented port";
    add("1", "changer", Grade::NotFit, "2026-03-01", port);
    add("2", "changer", Grade::NotFit, "2026-03-02", port);
    add("1", "changer", Grade::Fit, "2026-03-03", port);
    add(
        "1",
        "bill validator",
        Grade::FitWithRemarks,
        "2026-03-04",
        port,
    );
    add("", "changer", Grade::Partial, "2026-03-05", port);
    add("", "changer", Grade::NotFit, "2026-03-06", port);
    let void = add("2", "changer", Grade::Fit, "2026-03-07", port);
    add("1", "changer", Grade::NotFit, "2026-03-08", "virtual bus");
    store
        .remark(void, RemarkKind::Void, "the wrong one")
        .unwrap();
    store.remark(2, RemarkKind::Note, "tube 1 sticks").unwrap();
    let on = |filter: ShelfFilter| {
        let units = shelf(&store, &filter).unwrap();
        units.iter().map(|u| u.row.id).collect::<Vec<_>>()
    };
    let all = ShelfFilter::default();
    assert_eq!(on(all.clone()), [2, 6, 5, 4, 3], "the most pressing first");
    let with = |change: fn(&mut ShelfFilter)| {
        let mut filter = ShelfFilter::default();
        change(&mut filter);
        on(filter)
    };
    assert_eq!(with(|f| f.grades = vec![Grade::NotFit]), [2, 6]);
    assert_eq!(with(|f| f.kind = Some("bill-validator".to_owned())), [4]);
    assert_eq!(with(|f| f.since = Day::read("2026-03-05").ok()), [6, 5]);
    assert_eq!(with(|f| f.until = Day::read("2026-03-03").ok()), [2, 3]);
    // An emulated unit is another than the real one of that serial number.
    assert_eq!(with(|f| f.emulated = true), [2, 6, 8, 5, 4, 3]);
    let units = shelf(&store, &all).unwrap();
    assert_eq!((units[0].visits, units[4].visits), (1, 2));
    let failed: Vec<_> = example()
        .checks
        .into_iter()
        .filter(|c| c.outcome == Outcome::Fail)
        .collect();
    assert_eq!(units[0].failed.len(), failed.len());
    for check in &failed {
        let unit = units[0].failed.iter().find(|f| f.id == check.id).unwrap();
        assert_eq!(unit.advice, check.advice);
    }
    // What to mend first is in front, and what fails because of another stands behind it.
    let order: Vec<(&str, Option<&str>)> = units[0]
        .failed
        .iter()
        .map(|f| (&*f.id, f.because_of.as_deref()))
        .collect();
    let cause = "answers-within-5-ms";
    assert_eq!(
        order,
        [
            ("tube-1-pays", None),
            (cause, None),
            ("answers-within-4-ms", Some(cause))
        ]
    );
    assert!(units[4].failed.is_empty());
}

#[test]
fn a_damaged_ticket_is_on_the_shelf_all_the_same() {
    let (_folder, path) = place();
    Store::open(&path).unwrap().add(&example()).unwrap();
    let connection = Connection::open(&path).unwrap();
    connection
        .execute_batch("DROP TRIGGER ticket_unchanged; UPDATE ticket SET examination = '{'")
        .unwrap();
    let units = shelf(
        &Store::open_to_read(&path).unwrap(),
        &ShelfFilter::default(),
    )
    .unwrap();
    assert_eq!(units.len(), 1);
    assert_eq!(units[0].grade, None);
    let remark = units[0].remark.as_deref().unwrap();
    assert!(remark.contains("cannot be read"), "{remark}");
}

#[test]
fn the_spreadsheet_has_what_was_said_and_no_formula_of_it() {
    let (_folder, path) = place();
    let mut store = Store::open(&path)
        .unwrap()
        .at(Site::named("Europe/Lisbon").unwrap());
    store.add(&of("4711")).unwrap();
    for (kind, text) in [
        (RemarkKind::Customer, "=cmd|'/C calc'!A0"),
        (RemarkKind::Note, "+1"),
        (RemarkKind::Note, "second\nline"),
        (RemarkKind::Void, "@SUM(A1)"),
    ] {
        store.remark(1, kind, text).unwrap();
    }
    let mut out = Vec::new();
    export_csv(&store.list(None).unwrap(), &mut out).unwrap();
    let mut reader = csv::Reader::from_reader(out.as_slice());
    let heads = reader.headers().unwrap().clone();
    let record = reader.records().next().unwrap().unwrap();
    let cell = |name: &str| &record[heads.iter().position(|h| h == name).unwrap()];
    assert_eq!(cell("customer"), "'=cmd|'/C calc'!A0");
    assert_eq!(cell("notes"), "'+1 | second\\nline");
    assert_eq!(cell("void"), "'@SUM(A1)");
    assert_eq!(cell("emulated"), "");
    assert_eq!(
        cell("examined local"),
        "2026-03-14T08:26:53+00:00[Europe/Lisbon]"
    );
    assert_eq!(cell("examined"), "2026-03-14T09:26:53+01:00");
}
