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
        (&last["type"], &last["passed"]),
        (&"comparison".into(), &true.into())
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
    assert_eq!(listed[0]["grade"], "one-check");
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
    assert_eq!(kinds.code, 2);
    assert_eq!(kinds.json().len(), 1, "{}", kinds.out);
    assert_eq!(kinds.json()[0]["type"], "error");
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

/// What the shop says of a ticket: a note, the customer's reference, that it is void.
#[test]
fn a_ticket_is_written_on_and_made_void() {
    let shop = shop();
    let run = |arguments: &[&str]| {
        let ran = tickets(shop.path(), arguments);
        assert_eq!(ran.code, 0, "{arguments:?}: {}", ran.err);
        ran.out
    };
    let noted = run(&["note", "2", "tube 1 sticks", "--zone", "Asia/Kolkata"]);
    assert_eq!(noted, "note on ticket 2 in shop.sqlite\n");
    run(&["customer", "2", "order 88"]);
    let listed = run(&["list"]);
    let head = listed.lines().next().unwrap();
    let row = listed
        .lines()
        .find(|line| line.contains("order 88"))
        .unwrap();
    assert_eq!(row.find("order 88"), head.find("customer"), "{listed}");
    let shown = run(&["show", "--serial", "4711"]);
    assert!(shown.starts_with("ticket 2, added 2"), "{shown}");
    assert!(
        shown.contains("note: tube 1 sticks (20") && shown.contains(" +05:30)"),
        "{shown}"
    );
    assert!(shown.contains("customer: order 88 ("), "{shown}");
    run(&["void", "2", "the wrong unit"]);
    let listed = tickets(shop.path(), &["list", "--format", "json"]).json();
    assert_eq!(listed[1]["void"], "the wrong unit");
    assert_eq!(listed[1]["notes"][0], "tube 1 sticks");
    assert_eq!(listed[1]["customer"], "order 88");
    assert!(listed[0]["void"].is_null());
    // What is void is not what is meant by a serial number any more.
    assert!(run(&["show", "--serial", "4711"]).starts_with("ticket 1, "));
    let again = tickets(shop.path(), &["void", "2", "again"]);
    assert_eq!(again.code, 2);
    assert!(
        again.err.contains("void already: the wrong unit"),
        "{}",
        again.err
    );
    for wrong in [
        &["note", "9", "x"][..],
        &["note", "1", " "],
        &["list", "--zone", "Harbour/Loop"],
    ] {
        assert_eq!(tickets(shop.path(), wrong).code, 2, "{wrong:?}");
    }
    // The same file is the same ticket; one that is void is added anew.
    assert_eq!(
        run(&["add", "first.json"]),
        "ticket 1 in shop.sqlite: it was there already\n"
    );
    assert_eq!(run(&["add", "second.json"]), "ticket 3 in shop.sqlite\n");
}

/// A serial number that may be that of several units is said to be.
#[test]
fn a_serial_number_that_is_not_clear_is_not_guessed() {
    let folder = tempfile::tempdir().unwrap();
    let mut examination = example();
    for (kind, serial) in [
        ("changer", "004711"),
        ("bill validator", "004711"),
        ("changer", "04711"),
    ] {
        examination.subject.kind = kind.to_owned();
        examination.subject.serial = serial.to_owned();
        save(folder.path(), "e.json", &examination);
        assert_eq!(tickets(folder.path(), &["add", "e.json"]).code, 0);
    }
    let says = |arguments: &[&str]| {
        let ran = tickets(folder.path(), arguments);
        assert_eq!(ran.code, 2, "{}", ran.out);
        ran.err
    };
    let zeros = says(&["list", "--serial", "4711"]);
    assert!(zeros.contains("may be 004711 or 04711"), "{zeros}");
    let kinds = says(&["compare", "--serial", "004711"]);
    assert!(
        kinds.contains("bill validator of ZZZ (ticket 2), changer of ZZZ (ticket 1)"),
        "{kinds}"
    );
}

/// Where the tickets are is said when their file is made, and not again.
#[test]
fn the_place_of_the_tickets_is_said_the_first_time() {
    let folder = tempfile::tempdir().unwrap();
    save(folder.path(), "e.json", &example());
    let first = tickets(folder.path(), &["add", "e.json"]);
    let place = folder.path().canonicalize().unwrap().join("shop.sqlite");
    assert!(
        first.err.contains(&place.display().to_string()),
        "{}",
        first.err
    );
    assert_eq!(tickets(folder.path(), &["add", "e.json"]).err, "");
    let arguments = [&ONE_CHECK[..], &["--ticket", "--db", "other.sqlite"]].concat();
    let examined = payrig_in(folder.path(), &arguments);
    assert_eq!(
        examined.err.matches("Tickets are kept in ").count(),
        1,
        "{}",
        examined.err
    );
}

const ONE_CHECK: [&str; 6] = [
    "examine",
    "device",
    "--kind",
    "changer",
    "--only",
    "coin-values",
];

/// What is written at once with the ticket, and an emulated unit, which is on no shelf.
#[test]
fn the_repair_list_has_real_units_and_what_to_do_about_them() {
    let shop = shop();
    let arguments = [
        &ONE_CHECK[..],
        &[
            "--ticket",
            "--db",
            "shop.sqlite",
            "--customer",
            "pier 7",
            "--note",
            "for show",
        ],
    ];
    let ran = payrig_in(shop.path(), &arguments.concat());
    assert_eq!(ran.code, 0, "{}", ran.err);
    let lonely = payrig_in(shop.path(), &[&ONE_CHECK[..], &["--note", "lost"]].concat());
    assert_eq!(lonely.code, 2);
    assert!(lonely.err.contains("add --ticket"), "{}", lonely.err);
    let listed = tickets(shop.path(), &["repair", "--format", "json"]);
    assert!(
        listed.err.contains("1 emulated unit left out"),
        "{}",
        listed.err
    );
    let units = listed.json();
    assert_eq!(units.len(), 1, "the newest of its unit");
    assert_eq!(
        (&units[0]["ticket"], &units[0]["visits"]),
        (&"2".into(), &2.into())
    );
    let failed = units[0]["failed"].as_array().unwrap();
    assert_eq!(failed.len(), 4);
    // The one that this test made up has none.
    let advised = failed.iter().filter(|f| f["advice"] != "");
    assert_eq!(advised.count(), 3, "{failed:?}");
    let all = tickets(shop.path(), &["repair", "--emulated"]);
    assert_eq!(all.err, "");
    for says in [
        "emulated: one check only",
        ", for pier 7",
        "note: for show",
        "serial 000000004711",
    ] {
        assert!(all.out.contains(says), "{says}: {}", all.out);
    }
    for (none, says) in [
        (&["repair", "--grade", "fit"][..], "no unit"),
        (&["repair", "--kind", "board"], "no unit"),
        (&["repair", "--since", "2026-03-15"], "no unit"),
        (
            &["repair", "--until", "2026-03-14"],
            "answers-reset: silence",
        ),
        (
            &["repair", "--kind", "changer", "--grade", "not-fit"],
            "answers-reset: silence",
        ),
    ] {
        let ran = tickets(shop.path(), none);
        assert!(ran.out.contains(says), "{none:?}: {}", ran.out);
    }
    for wrong in [["--kind", "toaster"], ["--since", "2026-02-30"]] {
        let ran = tickets(shop.path(), &[&["repair"], &wrong[..]].concat());
        assert_eq!(ran.code, 2, "{wrong:?}");
    }
    let ran = tickets(
        shop.path(),
        &["repair", "--emulated", "--html", "shelf.html"],
    );
    assert_eq!(ran.out, "wrote 2 units to shelf.html\n", "{}", ran.err);
    let page = read_page(shop.path(), "shelf.html");
    assert_eq!(page.errors, Vec::<String>::new());
    let text: String = page.root_element().text().collect();
    for says in [
        "On the shelf: 2 units",
        "Emulated: no real unit was examined",
        "not fit",
        "silence",
    ] {
        assert!(text.contains(says), "{says}: {text}");
    }
}

fn read_page(folder: &Path, name: &str) -> scraper::Html {
    scraper::Html::parse_document(&fs::read_to_string(folder.join(name)).unwrap())
}

/// What a label says leads back to its ticket, and to no other file's.
#[test]
fn a_label_leads_back_to_its_ticket() {
    let shop = shop();
    let ran = tickets(shop.path(), &["label", "2", "1", "--html", "labels.html"]);
    assert_eq!(ran.out, "wrote 2 labels to labels.html\n", "{}", ran.err);
    let page = read_page(shop.path(), "labels.html");
    assert_eq!(page.errors, Vec::<String>::new());
    let all = |selector: &str| {
        let selector = scraper::Selector::parse(selector).unwrap();
        page.select(&selector).collect::<Vec<_>>()
    };
    let labels = all("article.label");
    assert_eq!(labels.len(), 2);
    let text: String = labels[0].text().collect();
    for says in [
        "ticket 2",
        "not fit",
        "changer Harbour Loop, pier 4",
        "000000004711",
        "2026-03-14",
    ] {
        assert!(text.contains(says), "{says}: {text}");
    }
    let code = all("svg.code")[0]
        .value()
        .attr("aria-label")
        .unwrap()
        .to_owned();
    let code = code.strip_prefix("code: ").unwrap();
    assert!(code.starts_with("payrig ticket 2; changer; serial 000000004711; not fit; 2026-03-14"));
    let shown = tickets(shop.path(), &["show", code]);
    assert!(shown.out.starts_with("ticket 2, "), "{}", shown.err);
    let wrong = code.replace("4711", "4712");
    let other = tickets(shop.path(), &["show", &wrong]);
    assert_eq!(other.code, 2);
    assert!(
        other.err.contains("another file of tickets"),
        "{}",
        other.err
    );
    // A void ticket's label says so.
    tickets(shop.path(), &["void", "1", "the wrong unit"]);
    tickets(shop.path(), &["label", "1", "--html", "void.html"]);
    let page = read_page(shop.path(), "void.html");
    let text: String = page.root_element().text().collect();
    assert!(text.contains("void") && !text.contains("not fit"), "{text}");
}

/// Several kinds in one command have a page, a JUnit file and a saved examination each, and a ticket.
#[test]
fn several_kinds_write_a_page_each() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = [
        "examine",
        "device",
        "--only",
        "answers-within-5-ms",
        "--html",
        "out/page.html",
        "--json",
        "out/it.json",
        "--record",
        "out/it.jsonl",
        "--ticket",
        "--db",
        "shop.sqlite",
    ];
    let list = payrig_in(
        folder.path(),
        &["examine", "device", "--list", "--format", "json"],
    );
    let list = list.json();
    let in_most = |id: &str| list.iter().filter(|c| c["id"] == id).count();
    let shared = list
        .iter()
        .map(|c| c["id"].as_str().unwrap())
        .max_by_key(|id| in_most(id));
    let mut arguments = arguments.to_vec();
    arguments[3] = shared.unwrap();
    let missing = payrig_in(folder.path(), &arguments);
    assert_eq!(missing.code, 2, "no such folder");
    fs::create_dir(folder.path().join("out")).unwrap();
    let ran = payrig_in(folder.path(), &arguments);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let kinds: Vec<String> = list
        .iter()
        .filter(|c| c["id"] == arguments[3])
        .map(|c| c["subject"].as_str().unwrap().to_owned())
        .collect();
    assert!(kinds.len() > 2, "{kinds:?}");
    let files: Vec<String> = fs::read_dir(folder.path().join("out"))
        .unwrap()
        .map(|f| f.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(files.len(), 3 * kinds.len(), "{files:?}");
    for kind in &kinds {
        let examination = files
            .iter()
            .filter(|f| f.ends_with(".json"))
            .map(|f| fs::read(folder.path().join("out").join(f)).unwrap())
            .map(|bytes| payrig_report::read_json(bytes.as_slice()).unwrap())
            .find(|e| e.subject.kind == *kind);
        let examination = examination.unwrap_or_else(|| panic!("no file of the {kind}: {files:?}"));
        assert_ne!(examination.recording_sha256, "");
    }
    let listed = tickets(folder.path(), &["list", "--format", "json"]).json();
    assert_eq!(listed.len(), kinds.len());
    assert!(listed.iter().all(|row| row["emulated"] == true));
}

/// What is not fit is not offered to be installed, and neither is what is not there.
#[test]
fn only_what_is_fit_is_offered_to_be_installed() {
    use payrig_exam::Grade;
    for (grade, link, offered) in [
        (Grade::Fit, "adapter", true),
        (Grade::FitWithRemarks, "adapter", true),
        (Grade::NotFit, "adapter", false),
        (Grade::Partial, "adapter", false),
        (Grade::OneCheck, "adapter", false),
        (Grade::Fit, payrig_exam::EMULATED, false),
    ] {
        let mut examination = example();
        (examination.grade, examination.link) = (grade, link.to_owned());
        let page = scraper::Html::parse_document(&payrig_report::html(&examination));
        let boxes = scraper::Selector::parse("ul.boxes li").unwrap();
        let texts = page.select(&boxes).map(|li| li.text().collect::<String>());
        let offers = texts.into_iter().any(|text| text.contains("install"));
        assert_eq!(offers, offered, "{grade:?} {link}");
    }
}
