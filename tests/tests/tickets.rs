//! A shop's tickets, as the command line keeps them.

use payrig_exam::{Examination, Outcome};
use payrig_report::{example, write_json};
use payrig_tests::cli::{Ran, payrig_in};
use std::fs::{self, File};
use std::path::Path;
use tempfile::TempDir;

fn save(folder: &Path, name: &str, examination: &Examination) {
    write_json(examination, File::create(folder.join(name)).unwrap()).unwrap();
}

fn tickets(folder: &Path, arguments: &[&str]) -> Ran {
    let all = [&["tickets", "--db", "shop.sqlite"], arguments].concat();
    payrig_in(folder, &all)
}

/// A shop with two visits of one changer, the second worse.
fn shop() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut first = example();
    let reset = |e: &mut Examination| {
        let check = e
            .checks
            .iter_mut()
            .find(|c| c.id == "answers-reset")
            .unwrap();
        check.outcome = Outcome::Fail;
        check.seen = "silence".to_owned();
    };
    save(folder.path(), "first.json", &first);
    reset(&mut first);
    save(folder.path(), "second.json", &first);
    for (i, name) in ["first.json", "second.json"].iter().enumerate() {
        let ran = tickets(folder.path(), &["add", name]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        assert_eq!(ran.out, format!("ticket {} in shop.sqlite\n", i + 1));
    }
    folder
}

#[test]
fn tickets_are_listed_and_shown() {
    let shop = shop();
    let listed = tickets(shop.path(), &["list", "--format", "json"]).json();
    assert_eq!(listed.len(), 2);
    assert_eq!(listed[1]["serial"], "000000004711");
    assert_eq!(listed[1]["failed"], 4);
    let text = tickets(shop.path(), &["list", "--serial", "000000004711"]).out;
    assert_eq!(text.matches("000000004711").count(), 2, "{text}");
    let none = tickets(shop.path(), &["list", "--serial", "1"]);
    assert_eq!((none.code, none.out.as_str()), (0, "no tickets\n"));
    let shown = tickets(shop.path(), &["show", "2"]);
    assert!(shown.out.starts_with("ticket 2, added 2"), "{}", shown.out);
    assert!(shown.out.contains("silence"));
    let ran = tickets(shop.path(), &["show", "1", "--html", "one.html"]);
    assert_eq!(ran.out, "wrote one.html\n", "{}", ran.err);
    let page = fs::read_to_string(shop.path().join("one.html")).unwrap();
    assert_eq!(page, payrig_report::html(&example()));
}

#[test]
fn a_unit_is_held_against_its_last_visit() {
    let shop = shop();
    for by in [
        &["compare", "2"][..],
        &["compare", "--serial", "000000004711"],
    ] {
        let ran = tickets(shop.path(), by);
        assert_eq!(ran.code, 1, "worse: {}", ran.err);
        assert!(
            ran.out.contains("answers-reset: pass -> fail: silence"),
            "{}",
            ran.out
        );
        assert!(
            ran.out.contains("answer time: 1.775 ms -> 1.775 ms"),
            "{}",
            ran.out
        );
    }
    let back = tickets(
        shop.path(),
        &["compare", "1", "--with", "2", "--format", "json"],
    );
    assert_eq!(back.code, 0);
    let lines = back.json();
    assert_eq!(lines[0]["turn"], "better");
    let last = lines.last().unwrap();
    assert_eq!(
        (&last["type"], &last["is_worse"]),
        (&"comparison".into(), &false.into())
    );
    let first = tickets(shop.path(), &["compare", "1"]);
    assert_eq!(first.code, 2);
    assert!(first.err.contains("the first of its unit"), "{}", first.err);
}

#[test]
fn tickets_go_to_a_spreadsheet() {
    let shop = shop();
    let ran = tickets(shop.path(), &["export", "--csv", "all.csv"]);
    assert_eq!(ran.out, "wrote 2 tickets to all.csv\n", "{}", ran.err);
    let mut reader = csv::Reader::from_path(shop.path().join("all.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 2);
    assert!(rows[0].iter().any(|cell| cell == "000000004711"));
    let piped = tickets(shop.path(), &["export", "--csv", "-"]).out;
    assert_eq!(
        piped,
        fs::read_to_string(shop.path().join("all.csv")).unwrap()
    );
}

#[test]
fn a_file_that_is_none_of_ours_is_named_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let missing = tickets(folder.path(), &["list"]);
    assert_eq!(missing.code, 2);
    assert!(
        missing.err.contains("shop.sqlite: there is no such file"),
        "{}",
        missing.err
    );
    assert!(
        !folder.path().join("shop.sqlite").exists(),
        "looking makes no file"
    );
    let letter = "Dear shop, this is a letter and no database. ".repeat(40);
    fs::write(folder.path().join("shop.sqlite"), &letter).unwrap();
    save(folder.path(), "e.json", &example());
    for arguments in [&["list"][..], &["show", "1"], &["add", "e.json"]] {
        let ran = tickets(folder.path(), arguments);
        assert_eq!(ran.code, 2, "{arguments:?}");
        assert!(ran.err.contains("not an SQLite database"), "{}", ran.err);
    }
    assert_eq!(
        fs::read_to_string(folder.path().join("shop.sqlite")).unwrap(),
        letter
    );
}

#[test]
fn an_examination_is_kept_as_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    for _ in 0..2 {
        let arguments = [
            "examine",
            "device",
            "--unattended",
            "--kind",
            "changer",
            "--only",
            "answers-reset",
            "--ticket",
            "--db",
            "shop.sqlite",
        ];
        let mut arguments = arguments.to_vec();
        let list = payrig_in(
            folder.path(),
            &["examine", "device", "--list", "--format", "json"],
        );
        let first = list.json()[0]["id"].as_str().unwrap().to_owned();
        arguments[6] = &first;
        let ran = payrig_in(folder.path(), &arguments);
        assert_eq!(ran.code, 0, "{}", ran.err);
        assert!(ran.err.contains("in shop.sqlite"), "{}", ran.err);
    }
    let ran = tickets(folder.path(), &["compare", "2"]);
    assert_eq!(ran.code, 0, "as before: {}{}", ran.out, ran.err);
    // One check says nothing of all the others, on paper as little as in the file.
    let listed = tickets(folder.path(), &["list", "--format", "json"]).json();
    assert_eq!(listed[0]["grade"], "one check only");
    let shown = tickets(folder.path(), &["show", "1", "--html", "one.html"]);
    assert_eq!(shown.code, 0, "{}", shown.err);
    let page = fs::read_to_string(folder.path().join("one.html")).unwrap();
    assert!(page.contains("one check only"));
}

/// An acceptor on pulse lines cannot say who it is: its plate does, by way of the shop.
#[test]
fn a_unit_that_says_no_serial_number_is_given_one() {
    let folder = tempfile::tempdir().unwrap();
    let examine = |more: &[&str]| {
        let kind = ["examine", "device", "--kind", "pulse-bill-validator"];
        let keep = ["--only", "line-moves", "--ticket", "--db", "shop.sqlite"];
        let ran = payrig_in(folder.path(), &[&kind[..], &keep, more].concat());
        assert_eq!(ran.code, 0, "{}", ran.err);
        ran.err
    };
    assert!(examine(&[]).contains("give it with --serial"));
    for _ in 0..2 {
        assert!(!examine(&["--serial", "HL-0017"]).contains("--serial"));
    }
    let listed = tickets(folder.path(), &[]);
    assert_eq!(listed.out.matches("HL-0017").count(), 2, "{}", listed.out);
    let compared = tickets(folder.path(), &["compare", "3"]);
    assert_eq!(compared.code, 0, "{} {}", compared.out, compared.err);
    // One that says its own is believed less than the plate, and that is reported.
    let ran = payrig_in(
        folder.path(),
        &[
            "examine", "device", "--kind", "changer", "--serial", "HL-0018",
        ],
    );
    assert!(ran.err.contains("--serial says HL-0018"), "{}", ran.err);
    let all = payrig_in(folder.path(), &["examine", "device", "--serial", "HL-0018"]);
    assert!(all.err.contains("name it with --kind"), "{}", all.err);
}

/// Every column of the list begins where its heading does, however long the names in it are.
#[test]
fn the_list_keeps_its_columns() {
    let folder = tempfile::tempdir().unwrap();
    let mut examination = example();
    for (kind, serial) in [
        ("changer", "1"),
        (
            "pulse coin acceptor with a hopper",
            "000000004711-HARBOUR-LOOP",
        ),
    ] {
        examination.subject.kind = kind.to_owned();
        examination.subject.serial = serial.to_owned();
        examination.subject.name = "NAME".to_owned();
        save(folder.path(), "e.json", &examination);
        assert_eq!(tickets(folder.path(), &["add", "e.json"]).code, 0);
    }
    let listed = tickets(folder.path(), &["list"]).out;
    let mut lines = listed.lines();
    let head = lines.next().unwrap();
    for (number, line) in lines.enumerate() {
        let at = |what: &str| line.find(what);
        assert_eq!(at("not fit"), head.find("grade"), "{listed}");
        assert_eq!(at("NAME"), head.find("name"), "{listed}");
        let kind = ["changer", "pulse coin acceptor"][number];
        assert_eq!(at(kind), head.find("kind"), "{listed}");
    }
}

#[test]
fn what_is_not_one_unit_is_not_compared_without_a_word() {
    let folder = tempfile::tempdir().unwrap();
    let mut examination = example();
    for (kind, serial) in [
        ("changer", "000000004711"),
        ("changer", "000000004712"),
        ("bill validator", "000000004711"),
        ("changer", ""),
    ] {
        examination.subject.kind = kind.to_owned();
        examination.subject.serial = serial.to_owned();
        save(folder.path(), "e.json", &examination);
        assert_eq!(tickets(folder.path(), &["add", "e.json"]).code, 0);
    }
    let compare = |now: &str, with: &str| {
        let arguments = ["compare", now, "--with", with, "--format", "json"];
        tickets(folder.path(), &arguments)
    };
    let same = |ran: &Ran| ran.json().last().unwrap()["same_unit"].clone();
    let kinds = compare("3", "1");
    assert_eq!((kinds.code, kinds.out.as_str()), (2, ""));
    let says = "ticket 1 is of a changer, ticket 3 of a bill validator";
    assert!(kinds.err.contains(says), "{}", kinds.err);
    let serials = compare("2", "1");
    assert_eq!(serials.code, 0, "{}", serials.err);
    assert!(serials.err.starts_with("TWO UNITS: "), "{}", serials.err);
    assert_eq!(same(&serials), false);
    let unknown = compare("4", "1");
    assert!(unknown.err.contains("ticket 4 has no serial number"));
    assert_eq!(same(&unknown), false);
    let one = compare("1", "1");
    assert_eq!((one.err.as_str(), same(&one)), ("", true.into()));
    // There may have been visits before: nobody knows.
    let first = tickets(folder.path(), &["compare", "4"]);
    assert_eq!(first.code, 2);
    assert!(first.err.contains("has no serial number"), "{}", first.err);
    assert!(first.err.contains("--serial NUMBER"), "{}", first.err);
    assert!(!first.err.contains("first of its unit"), "{}", first.err);
}
