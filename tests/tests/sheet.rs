//! The hand-over sheet and the fill on paper, as the command line writes them.

use crate::report::{browse, chromium, pages};
use payrig_exam::{EMULATED, Examination, Grade, Outcome};
use payrig_report::{example, write_json};
use payrig_tests::cli::{Ran, file, payrig_in};
use scraper::{Html, Selector};
use serde_json::Value;
use std::fs::{self, File};
use std::io::Write as _;
use std::path::Path;

fn harbour_loop() -> String {
    file("bench-rigs/harbour-loop.toml").display().to_string()
}

fn run(folder: &Path, arguments: &[&str]) -> Ran {
    let ran = payrig_in(folder, arguments);
    assert!(ran.code < 2, "{arguments:?}: {}", ran.err);
    ran
}

fn save(folder: &Path, name: &str, examination: &Examination) {
    write_json(examination, File::create(folder.join(name)).unwrap()).unwrap();
}

fn of(kind: &str, name: &str, grade: Grade, link: &str) -> Examination {
    let mut examination = example();
    examination.subject.kind = kind.to_owned();
    examination.subject.name = name.to_owned();
    examination.grade = grade;
    examination.link = link.to_owned();
    examination
}

fn page(folder: &Path, name: &str) -> Html {
    let page = Html::parse_document(&fs::read_to_string(folder.join(name)).unwrap());
    assert_eq!(page.errors, Vec::<String>::new());
    page
}

fn texts(page: &Html, selector: &str) -> Vec<String> {
    let selector = Selector::parse(selector).unwrap();
    page.select(&selector).map(|e| e.text().collect()).collect()
}

const PORT: &str = "adapter on an invented port";

/// A sheet of the Harbour Loop machine: a real board and acceptor, an emulated reader, no examination of the changer.
fn sheet(folder: &Path) -> (Html, Value) {
    save(
        folder,
        "board.json",
        &of("board", "board", Grade::NotFit, PORT),
    );
    let mut acceptor = of("pulse bill validator", "old bill", Grade::Fit, PORT);
    for check in &mut acceptor.checks {
        check.outcome = Outcome::Pass;
    }
    save(folder, "acceptor.json", &acceptor);
    save(
        folder,
        "reader.json",
        &of("cashless device", "reader", Grade::Fit, EMULATED),
    );
    let rig = harbour_loop();
    let arguments = [
        "sheet",
        &rig,
        "--examination",
        "board.json",
        "acceptor.json",
        "reader.json",
        "--html",
        "sheet.html",
        "--json",
        "sheet.json",
    ];
    let ran = run(folder, &arguments);
    assert_eq!(
        ran.out, "wrote sheet.html\nwrote sheet.json\n",
        "{}",
        ran.err
    );
    let json = fs::read(folder.join("sheet.json")).unwrap();
    (
        page(folder, "sheet.html"),
        serde_json::from_slice(&json).unwrap(),
    )
}

#[test]
fn everything_that_was_set_is_on_the_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let (page, json) = sheet(folder.path());
    let whole = texts(&page, "body").concat();
    for says in [
        "Harbour Loop 17",
        "Harbour Loop, ferry hall, quay 3",
        "HL-0017",
        "ZZZ board, program 2.4",
        "J. Invented",
        "1 on, 2 off, 3 off, 4 on",
        "medium",
        "1 pulse per 1.00",
        "pulse low, held off while inhibit is high",
        "coins taken",
        "0.05, 0.10, 0.25, 1.00",
        "Sandwich",
        "A1-A9",
        "C7-C9",
        "connectors keyed and seated",
        "ground wire back",
        "interlock",
        "motor count at the board: 45",
        "a cash vend",
        "a card vend",
        "coin return",
        "exact change off after filling",
        "signature",
        "Unplug the machine",
        "34 V",
        &example().recording_sha256,
    ] {
        assert!(whole.contains(says), "{says} is missing");
    }
    // What was measured stands beside what was set.
    let units = json["units"].as_array().unwrap();
    let old = units.iter().find(|u| u["name"] == "old bill").unwrap();
    let setting = |what: &str| {
        let settings = old["settings"].as_array().unwrap();
        settings.iter().find(|s| s["what"] == what).unwrap().clone()
    };
    assert_eq!(setting("pulse")["set"], "100.000 ms");
    assert_eq!(setting("pulse")["seen"], "18.400 ms to 50.200 ms");
    assert_eq!(setting("switches")["seen"], Value::Null);
    assert_eq!(
        old["reported"],
        "ZZZ, EXAMPLE 3, serial 000000004711, version 0102"
    );
    // Every selection is there, once, with both prices.
    let trays = json["prices"].as_array().unwrap();
    assert_eq!(trays.len(), 5);
    let rows: Vec<&Value> = trays
        .iter()
        .flat_map(|t| t["rows"].as_array().unwrap())
        .collect();
    let row = |keys: &str| rows.iter().find(|r| r["keys"] == keys).unwrap();
    assert_eq!(
        (&row("A1-A9")["cash"], &row("A1-A9")["card"]),
        (&125.into(), &135.into())
    );
    assert_eq!(
        (&row("E9")["cash"], &row("E9")["card"]),
        (&300.into(), &275.into())
    );
    assert_eq!(json["fill"]["tubes"].as_array().unwrap().len(), 3);
    assert_eq!(json["schema"], "payrig-sheet");
    assert_eq!(json["rig_sha256"].as_str().unwrap().len(), 64);
}

#[test]
fn what_was_not_examined_is_said_and_an_emulated_unit_is_none() {
    let folder = tempfile::tempdir().unwrap();
    let (page, json) = sheet(folder.path());
    let verdicts = texts(&page, ".verdicts li").join("\n");
    assert!(
        verdicts.contains("Emulated: no real unit was examined"),
        "{verdicts}"
    );
    assert_eq!(
        texts(&page, ".verdicts p.grade.pass").len(),
        1,
        "{verdicts}"
    );
    let not_examined = json["not_examined"].as_array().unwrap();
    let says = |text: &str| {
        not_examined
            .iter()
            .any(|n| n.as_str().unwrap().starts_with(text))
    };
    assert!(says("changer"), "{not_examined:?}");
    assert!(
        says("reader, cashless device: only an emulated one was"),
        "{not_examined:?}"
    );
    assert!(
        says("board, serial 000000004711: 1 check not done"),
        "{not_examined:?}"
    );
    // What an emulated reader said of itself is nobody's serial number.
    let units = json["units"].as_array().unwrap();
    let reader = units.iter().find(|u| u["name"] == "reader").unwrap();
    assert_eq!(reader["reported"], "");
    // Open are the failures of real units, with what to do, and what fails because of them folded under them.
    let open = json["open"].as_array().unwrap();
    assert_eq!(open.len(), 3, "{open:?}");
    assert_eq!(
        open[1]["consequences"],
        serde_json::json!(["answers-within-4-ms"])
    );
    assert!(
        open.iter()
            .all(|o| o["unit"].as_str().unwrap().starts_with("board"))
    );
    let points = texts(&page, ".open li");
    assert_eq!(points.len(), 3);
    assert!(
        points[1].contains("1 more check fails because of this"),
        "{points:?}"
    );
}

#[test]
fn a_machine_without_examinations_has_a_sheet_too() {
    let folder = tempfile::tempdir().unwrap();
    let ran = run(folder.path(), &["sheet", &harbour_loop()]);
    assert_eq!(ran.out, "wrote harbour-loop-sheet.html\n", "{}", ran.err);
    let whole = texts(&page(folder.path(), "harbour-loop-sheet.html"), "body").concat();
    assert!(whole.contains("Nothing was examined.") && whole.contains("Not examined"));
}

/// A recording of a bench that was emulated says nothing of a real unit, and an examination of something else is noticed.
#[test]
fn what_does_not_belong_to_the_machine_is_said() {
    let folder = tempfile::tempdir().unwrap();
    run(
        folder.path(),
        &["run", &harbour_loop(), "--record", "run.jsonl"],
    );
    save(
        folder.path(),
        "other.json",
        &of("pulse hopper", "hopper", Grade::Fit, PORT),
    );
    let rig = harbour_loop();
    let ran = run(
        folder.path(),
        &[
            "sheet",
            &rig,
            "--examination",
            "run.jsonl",
            "--examination",
            "other.json",
            "--json",
            "-",
        ],
    );
    assert!(
        ran.err
            .contains("run.jsonl is a recording of a simulated bench"),
        "{}",
        ran.err
    );
    assert!(
        ran.err
            .contains("other.json is of a pulse hopper, and the rig has none"),
        "{}",
        ran.err
    );
    let json: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(
        json["warnings"].as_array().unwrap().len(),
        3,
        "{}",
        json["warnings"]
    );
    let heard = |unit: &Value| unit["reported"] != "";
    assert!(!json["units"].as_array().unwrap().iter().any(heard));
}

/// The same recording, of a live bench on which nothing was ours: what the devices said and agreed on is there.
#[test]
fn levels_and_options_agreed_on_the_bus_are_on_the_sheet() {
    let folder = tempfile::tempdir().unwrap();
    run(
        folder.path(),
        &["run", &harbour_loop(), "--record", "run.jsonl"],
    );
    let recording = fs::read_to_string(folder.path().join("run.jsonl")).unwrap();
    let (header, rest) = recording.split_once('\n').unwrap();
    let mut header: Value = serde_json::from_str(header).unwrap();
    header["live"] = true.into();
    header["started"] = "2026-03-14T08:26:53Z".into();
    fs::write(
        folder.path().join("real.jsonl"),
        format!("{header}\n{rest}"),
    )
    .unwrap();
    let rig = harbour_loop();
    let ran = run(
        folder.path(),
        &["sheet", &rig, "--examination", "real.jsonl", "--json", "-"],
    );
    let json: Value = serde_json::from_str(&ran.out).unwrap();
    let units = json["units"].as_array().unwrap();
    let seen = |unit: &str, what: &str| {
        let unit = units.iter().find(|u| u["name"] == unit).unwrap();
        let settings = unit["settings"].as_array().unwrap();
        settings.iter().find(|s| s["what"] == what).unwrap()["seen"].clone()
    };
    assert_eq!(seen("changer", "level"), "3");
    assert_eq!(seen("reader", "level"), "2");
    assert_ne!(seen("board", "level to card readers"), Value::Null);
    assert_ne!(seen("old bill", "pulse"), Value::Null);
    let changer = units.iter().find(|u| u["name"] == "changer").unwrap();
    assert!(
        changer["reported"]
            .as_str()
            .unwrap()
            .contains("serial 000000000001"),
        "{changer}"
    );
}

/// What `examine` writes is an examination or its recording: either has a verdict, both have one.
#[test]
fn the_recording_of_an_examination_has_its_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = [
        "examine",
        "device",
        "--kind",
        "changer",
        "--only",
        "coin-values",
        "--json",
        "e.json",
        "--record",
        "e.jsonl",
    ];
    run(folder.path(), &arguments);
    let rig = harbour_loop();
    let verdicts = |files: &[&str]| {
        let arguments = [
            &["sheet", rig.as_str(), "--json", "-", "--examination"],
            files,
        ]
        .concat();
        let ran = run(folder.path(), &arguments);
        let json: Value = serde_json::from_str(&ran.out).unwrap();
        json["verdicts"].as_array().unwrap().clone()
    };
    let saved = &verdicts(&["e.json"])[0];
    let both = verdicts(&["e.jsonl", "e.json", "e.jsonl"]);
    assert_eq!(both.len(), 1, "{both:?}");
    assert_eq!(both[0], *saved);
    let recorded = verdicts(&["e.jsonl"]);
    assert_eq!(recorded.len(), 1, "{recorded:?}");
    for same in ["unit", "grade", "emulated", "recording_sha256"] {
        assert_eq!(recorded[0][same], saved[same], "{same}");
    }
    assert_eq!(recorded[0]["emulated"], true);
}

#[test]
fn texts_of_a_rig_stay_text_on_the_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let evil = "</style><script>alert(1)</script>";
    let rig = fs::read_to_string(harbour_loop()).unwrap();
    let rig = rig
        .replace("Harbour Loop, ferry hall, quay 3", evil)
        .replace("1 on, 2 off, 3 off, 4 on", evil);
    fs::write(folder.path().join("evil.toml"), rig).unwrap();
    let mut examination = of("board", evil, Grade::NotFit, PORT);
    for check in &mut examination.checks {
        (check.seen, check.advice) = (evil.to_owned(), evil.to_owned());
    }
    save(folder.path(), "evil.json", &examination);
    run(
        folder.path(),
        &[
            "sheet",
            "evil.toml",
            "--examination",
            "evil.json",
            "--html",
            "evil.html",
        ],
    );
    run(
        folder.path(),
        &["float", "evil.toml", "--html", "fill.html"],
    );
    for name in ["evil.html", "fill.html"] {
        let page = page(folder.path(), name);
        assert!(texts(&page, "script").is_empty(), "{name}");
        assert!(
            texts(&page, "body")
                .concat()
                .contains("<script>alert(1)</script>"),
            "{name}"
        );
    }
}

#[test]
fn the_fill_is_on_paper_tube_by_tube_with_what_it_buys() {
    let folder = tempfile::tempdir().unwrap();
    let rig = file("bench-rigs/change-in-bills.toml")
        .display()
        .to_string();
    let ran = run(
        folder.path(),
        &["float", &rig, "--sales", "5", "--html", "fill.html"],
    );
    assert_eq!(ran.out, "wrote fill.html\n", "{}", ran.err);
    let page = page(folder.path(), "fill.html");
    let tubes = texts(&page, "table.tubes tbody tr");
    // Two stores of bills, three tubes, and what it is worth.
    assert_eq!(tubes.len(), 6, "{tubes:?}");
    assert!(
        tubes[0].contains("1.00") && tubes[0].contains("bill store"),
        "{tubes:?}"
    );
    let buys = texts(&page, "table.buys tbody tr");
    assert_eq!(buys.len(), 4, "{buys:?}");
    let whole = texts(&page, "body").concat();
    let purpose = "For 5 sales in a row, each of anything and paid with a bill of 1.00, 5.00, 10.00 or 20.00, in any order.";
    assert!(whole.contains(purpose), "{whole}");
    assert!(whole.contains("signature"));
}

#[test]
fn a_browser_prints_sheet_fill_and_label_on_their_pages() {
    let Some(browser) = chromium() else {
        // Past the test runner, which hides what a passing test prints.
        let _ = std::io::stderr().write_all(
            b"!!! SKIPPED: a_browser_prints_sheet_fill_and_label_on_their_pages: \
              no chromium here (apt-get install chromium)\n",
        );
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    sheet(folder.path());
    let rig = harbour_loop();
    run(folder.path(), &["float", &rig, "--html", "fill.html"]);
    run(
        folder.path(),
        &["tickets", "--db", "s.sqlite", "add", "board.json"],
    );
    run(
        folder.path(),
        &["tickets", "--db", "s.sqlite", "add", "acceptor.json"],
    );
    let labels = [
        "tickets",
        "--db",
        "s.sqlite",
        "label",
        "1",
        "2",
        "--html",
        "labels.html",
    ];
    run(folder.path(), &labels);
    for (name, expected) in [("sheet", 1..=2), ("fill", 1..=1), ("labels", 2..=2)] {
        let paper = folder.path().join(format!("{name}.pdf"));
        let arguments = [
            "--no-pdf-header-footer".to_owned(),
            format!("--print-to-pdf={}", paper.display()),
        ];
        let page = folder.path().join(format!("{name}.html"));
        browse(&browser, folder.path(), &page, &arguments);
        let pdf = fs::read(paper).unwrap();
        assert!(
            expected.contains(&pages(&pdf)),
            "{name}: {} pages",
            pages(&pdf)
        );
        if name == "labels" {
            // 62 mm are 175.75 points.
            let wide = pdf.windows(17).any(|w| w.starts_with(b"/MediaBox [0 0 17"));
            assert!(wide, "a label is not 62 mm wide");
        }
    }
    let page = folder.path().join("sheet.html");
    let shot = |scheme: &str| {
        let picture = folder.path().join(format!("sheet-{scheme}.png"));
        let arguments = [
            format!("--blink-settings=preferredColorScheme={scheme}"),
            "--window-size=1000,1400".to_owned(),
            format!("--screenshot={}", picture.display()),
        ];
        browse(&browser, folder.path(), &page, &arguments);
        fs::read(picture).unwrap()
    };
    let (dark, light) = (shot("0"), shot("1"));
    assert!(dark.len() > 20_000 && dark != light);
}
