//! Reports of an examination, as the command line writes them.

use payrig_exam::{Examination, Outcome};
use payrig_report::{example, html, read_json};
use payrig_tests::cli::{Ran, payrig_in};
use payrig_units::Micros;
use payrig_wire::Finding;
use scraper::{Html, Selector};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

fn page(examination: &Examination) -> Html {
    Html::parse_document(&html(examination))
}

fn all<'a>(page: &'a Html, selector: &str) -> Vec<scraper::ElementRef<'a>> {
    page.select(&Selector::parse(selector).unwrap()).collect()
}

fn text(element: scraper::ElementRef<'_>) -> String {
    element.text().collect()
}

#[test]
fn the_page_is_well_formed_and_lists_every_check() {
    let examination = example();
    let page = page(&examination);
    assert_eq!(page.errors, Vec::<String>::new());
    let rows = all(&page, "ol.checks > li");
    assert_eq!(rows.len(), examination.checks.len());
    for (row, check) in rows.iter().zip(&examination.checks) {
        let text = text(*row);
        for part in [&check.id, &check.title, &check.seen, &check.section] {
            assert!(text.contains(part.as_str()), "{part} in {text}");
        }
    }
    let fell_short =
        |c: &&payrig_exam::CheckResult| matches!(c.outcome, Outcome::Fail | Outcome::CannotTell);
    let cards = all(&page, "article.card");
    let short: Vec<_> = examination.checks.iter().filter(fell_short).collect();
    assert_eq!(cards.len(), short.len());
    for check in short {
        let card = cards
            .iter()
            .find(|c| text(**c).contains(&check.id))
            .unwrap();
        assert!(text(*card).contains(&check.advice), "{}", check.id);
    }
    // Each measured series is drawn, pulses and pauses too, with each of its limits.
    let series = examination.series();
    assert!(series.len() >= 3);
    assert_eq!(all(&page, "svg.histogram").len(), series.len());
    assert_eq!(all(&page, "svg.waveform").len(), 2);
    let limits = series.iter().flat_map(|s| [s.least_us, s.limit_us]);
    let limits = limits.flatten().count();
    assert_eq!(all(&page, "svg.histogram line.limit").len(), limits);
    assert_eq!(
        all(&page, ".movements tbody tr").len(),
        examination.movements.len()
    );
    assert_eq!(
        all(&page, ".balances li").len(),
        examination.balances.len() + 1
    );
    let whole = text(page.root_element());
    for what in [
        "Not fit",
        &examination.recording_sha256,
        "\u{b1} 0.104 ms",
        "Unplug the machine",
        "34 V",
        "Isolate.",
        "Discharge.",
        "qualified people",
        "Local electrical codes",
        "signature",
    ] {
        let found = whole.to_lowercase().contains(&what.to_lowercase());
        assert!(found, "\"{what}\" is missing");
    }
}

#[test]
fn the_page_needs_nothing_from_elsewhere() {
    let page = page(&example());
    for element in all(&page, "*") {
        for (name, value) in element.value().attrs() {
            assert_ne!(name, "src");
            assert!(name != "href" || value.starts_with("#check-"), "{value}");
            assert!(!name.starts_with("on"), "{name}");
        }
    }
    assert!(all(&page, "script, link, img, iframe, object, base").is_empty());
    for style in all(&page, "style") {
        let css = text(style);
        assert!(!css.contains("url(") && !css.contains("@import"));
        assert!(css.contains("prefers-color-scheme: dark") && css.contains("@media print"));
    }
    // Links within the page lead somewhere.
    for link in all(&page, "a[href]") {
        let target = link.value().attr("href").unwrap();
        assert_eq!(all(&page, target).len(), 1, "{target}");
    }
}

#[test]
fn what_a_device_says_stays_text() {
    let mut examination = example();
    let evil = "</style><script>alert(1)</script><img src=x onerror=alert(1)> \" ' & \u{202e}";
    examination.subject.name = evil.to_owned();
    examination.subject.serial = evil.to_owned();
    for check in &mut examination.checks {
        check.seen = evil.to_owned();
        check.id = evil.to_owned();
        check.title = evil.to_owned();
        check.advice = evil.to_owned();
    }
    examination.trains[0].line = evil.to_owned();
    examination.intervals[0].what = evil.to_owned();
    examination.findings[0].text = evil.to_owned();
    examination.balances[0].place = evil.to_owned();
    examination.recording_sha256 = evil.to_owned();
    let page = page(&examination);
    assert_eq!(page.errors, Vec::<String>::new());
    assert!(all(&page, "script, img").is_empty());
    assert!(text(page.root_element()).contains("<script>alert(1)</script>"));
}

#[test]
fn an_empty_examination_is_a_page_too() {
    let mut examination = example();
    examination.checks.clear();
    examination.intervals.clear();
    examination.trains.clear();
    examination.findings.clear();
    examination.movements.clear();
    examination.balances.clear();
    let page = page(&examination);
    assert_eq!(page.errors, Vec::<String>::new());
    assert!(all(&page, "svg, article, table").is_empty());
}

fn run(folder: &Path, arguments: &[&str]) -> Ran {
    payrig_in(folder, arguments)
}

#[test]
fn a_saved_examination_becomes_every_report() {
    let folder = tempfile::tempdir().unwrap();
    let ran = run(folder.path(), &["report", "--example", "--json", "e.json"]);
    assert_eq!(
        (ran.code, ran.out.as_str()),
        (1, "wrote e.json\n"),
        "{}",
        ran.err
    );
    let saved = fs::read(folder.path().join("e.json")).unwrap();
    assert_eq!(read_json(saved.as_slice()).unwrap(), example());

    let arguments = ["report", "e.json", "--html", "e.html", "--junit", "e.xml"];
    let ran = run(folder.path(), &arguments);
    assert_eq!(ran.code, 1, "{}", ran.err);
    let read = |name: &str| fs::read_to_string(folder.path().join(name)).unwrap();
    assert_eq!(read("e.html"), html(&example()));
    let xml = read("e.xml");
    let xml = roxmltree::Document::parse(&xml).unwrap();
    let cases = xml.descendants().filter(|n| n.has_tag_name("testcase"));
    assert_eq!(cases.count(), example().checks.len());

    let ran = run(folder.path(), &["report", "e.json"]);
    assert_eq!(ran.code, 1);
    assert!(
        ran.out
            .contains("not fit: 38 pass, 3 fail, 1 cannot tell, 2 skipped")
    );
    assert!(!ran.out.contains('\u{1b}'), "no colour when nobody looks");
}

#[test]
fn wrong_files_are_told_what_they_lack() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("other.json"), "{\"a\": 1}").unwrap();
    fs::write(
        folder.path().join("torn.json"),
        "{\"format\": \"payrig exam",
    )
    .unwrap();
    for (arguments, says) in [
        (vec!["report", "none.json"], "none.json: cannot be read"),
        (
            vec!["report", "other.json"],
            "other.json: this is JSON of something else",
        ),
        (vec!["report", "torn.json"], "torn.json: line 1"),
        (
            vec!["report", "--example", "--html", "no/such/folder.html"],
            "cannot be written",
        ),
        (vec!["report"], "<FILE>"),
    ] {
        let ran = run(folder.path(), &arguments);
        assert_eq!(ran.code, 2, "{arguments:?}");
        assert!(ran.err.contains(says), "{arguments:?}: {}", ran.err);
    }
}

/// The rows of "Found on the wire": whether each is about payrig itself, and its text.
fn found(examination: &Examination) -> Vec<(bool, String)> {
    let page = page(examination);
    let rows = all(&page, "table.findings tbody tr");
    let own = |r: &scraper::ElementRef<'_>| r.value().classes().any(|c| c == "own");
    rows.into_iter().map(|r| (own(&r), text(r))).collect()
}

/// The tool is the master where a device is examined, and the peripherals where a board is: what it
/// does itself is held against nobody.
#[test]
fn what_payrig_does_itself_is_not_held_against_the_subject() {
    let finding = |rule: &'static str, who: &str| {
        Finding::advice(rule, Micros::ms(1), "seen").of(who.to_owned())
    };
    let of = [
        finding("poll-interval", "changer"),
        finding("poll-recommended", "changer"),
        finding("inter-byte", "master"),
        finding("inter-byte", "changer"),
        finding("silent", "changer"),
        finding("silent", "gateway"),
        finding("cut", "capture"),
    ];
    for (kind, own) in [
        ("changer", [true, true, true, false, false, true]),
        ("board", [false, false, false, true, true, true]),
    ] {
        let mut examination = example();
        examination.subject.kind = kind.to_owned();
        for (finding, own) in of.iter().zip(own) {
            examination.findings = vec![finding.clone()];
            let rows = found(&examination);
            assert_eq!(rows.len(), 1);
            assert_eq!(rows[0].0, own, "{kind}: {finding}");
        }
        // A second reader is not the first, which was asked and is not there.
        examination.subject.kind = "cashless device".to_owned();
        examination.findings = vec![
            finding("silent", "cashless 2"),
            finding("inter-byte", "cashless 2"),
            finding("silent", "cashless 1"),
        ];
        let own: Vec<bool> = found(&examination).iter().map(|(own, _)| *own).collect();
        assert_eq!(own, [false, false, true]);
        // That a capture begins in the middle of a word is of no interest to a customer.
        examination.findings = of[6..].to_vec();
        assert!(found(&examination).is_empty());
    }
}

/// Two limits of one rule are two rows, each with its own worst.
#[test]
fn a_time_that_is_too_short_is_held_against_the_shortest() {
    let mut examination = example();
    examination.subject.kind = "board".to_owned();
    let polled = |limit: u64, measured: u64| {
        let finding = Finding::advice("poll-interval", Micros::ms(1), "polled").of("changer");
        let mut finding = finding.measured(Micros::ms(measured), Micros(1));
        finding.limit = Some(Micros::ms(limit));
        finding
    };
    let all = [(25, 12), (25, 8), (25, 20), (200, 300), (200, 700)];
    examination.findings = all.map(|(l, m)| polled(l, m)).into();
    let rows = found(&examination);
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert!(
        rows[0].1.contains("25.000 ms") && rows[0].1.contains("8.000 ms"),
        "{rows:?}"
    );
    assert!(
        rows[1].1.contains("200.000 ms") && rows[1].1.contains("700.000 ms"),
        "{rows:?}"
    );
}

/// A train is called what it is, whatever it was meant to be.
#[test]
fn a_train_that_is_not_as_set_is_called_so() {
    let caption = |kind: &str, ms: u64| {
        let mut examination = example();
        examination.subject.kind = kind.to_owned();
        let train = examination.trains.first_mut().unwrap();
        train.profile = "short".to_owned();
        train.widths_us = vec![Micros::ms(ms); 3];
        train.gaps_us = vec![Micros::ms(ms); 2];
        examination.trains.truncate(1);
        let page = page(&examination);
        let figure = all(&page, ".trains figure")[0];
        let odd = figure.value().classes().any(|c| c == "odd");
        (odd, text(all(&page, ".trains figcaption")[0]))
    };
    let (odd, right) = caption("pulse bill validator", 50);
    assert!(!odd && right.ends_with(", short"), "{right}");
    let (odd, long) = caption("pulse bill validator", 150);
    assert!(odd && long.ends_with("set to short, but is long"), "{long}");
    let (odd, none) = caption("pulse bill validator", 75);
    assert!(
        odd && none.ends_with("set to short, but is no known profile"),
        "{none}"
    );
    let (odd, sent) = caption("board", 150);
    assert!(!odd && sent.ends_with("sent by payrig"), "{sent}");
}

/// A board's page has pictures of what it is judged by, and of what it was sent.
#[test]
fn the_page_of_a_board_shows_its_times_and_its_pulses() {
    let folder = tempfile::tempdir().unwrap();
    let saved = |check: &str| {
        let arguments = ["examine", "board", "--only", check, "--json", "board.json"];
        let ran = run(folder.path(), &arguments);
        assert_eq!(ran.code, 0, "{} {}", ran.out, ran.err);
        read_json(fs::File::open(folder.path().join("board.json")).unwrap()).unwrap()
    };
    let acknowledging = saved("acknowledges-in-time");
    for what in ["time to acknowledge", "longest pause in a command"] {
        let interval = acknowledging.intervals.iter().find(|i| i.what == what);
        let interval = interval.unwrap_or_else(|| panic!("{what} is not measured"));
        assert!(
            interval.values_us.iter().all(|v| !interval.is_outside(*v)),
            "{what}"
        );
    }
    // A day is on every paper, although its times are simulated.
    assert!(
        acknowledging.date.starts_with("20"),
        "{}",
        acknowledging.date
    );
    let pulsed = saved("pulse-credited");
    let train = pulsed.trains.first().expect("a train was sent");
    assert_eq!(train.widths_us.len() as u64, train.pulses);
    // What it was sent says nothing about the board.
    assert!(
        pulsed
            .series()
            .iter()
            .all(|s| !s.what.starts_with("pulse on"))
    );
}

/// An examination of one check, to be written somewhere.
const ONE_CHECK: [&str; 6] = [
    "examine",
    "device",
    "--kind",
    "changer",
    "--only",
    "coin-values",
];

/// What took an hour to find is not to be lost at its end for a wrong path.
#[test]
fn outputs_are_tried_before_an_examination_begins() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("letter.db"),
        "Dear shop, no database. ".repeat(40),
    )
    .unwrap();
    fs::write(folder.path().join("old.json"), "old").unwrap();
    for wrong in [
        &["--html", "no/such/folder.html"][..],
        &["--junit", "no/such/folder.xml"],
        &["--json", "no/such/folder.json"],
        &["--html", "."],
        &["--html", "one.file", "--junit", "one.file"],
        &["--ticket", "--db", "letter.db"],
        &["--record", "no/such/folder.jsonl"],
    ] {
        let mut arguments = [&ONE_CHECK[..], wrong].concat();
        if !wrong.contains(&"--json") {
            arguments.extend(["--json", "old.json"]);
        }
        let ran = run(folder.path(), &arguments);
        assert_eq!(
            (ran.code, ran.out.as_str()),
            (2, ""),
            "{wrong:?}: {}",
            ran.err
        );
        assert!(ran.err.contains(wrong[wrong.len() - 1]), "{}", ran.err);
        let old = fs::read_to_string(folder.path().join("old.json")).unwrap();
        assert_eq!(
            old, "old",
            "{wrong:?}: nothing was examined, nothing is written over"
        );
    }
    assert!(!folder.path().join("one.file").exists());
}

/// A disk that is full takes nothing, which shows only at the end: the other files are written.
#[cfg(target_os = "linux")]
#[test]
fn an_output_that_fails_at_the_end_takes_no_other_with_it() {
    let folder = tempfile::tempdir().unwrap();
    for full in ["--html", "--junit"] {
        let outputs = [
            full,
            "/dev/full",
            "--json",
            "it.json",
            "--ticket",
            "--db",
            "it.db",
        ];
        let ran = run(folder.path(), &[&ONE_CHECK[..], &outputs].concat());
        assert_eq!(ran.code, 2, "{}", ran.err);
        assert!(ran.out.contains("coin-values"), "{}", ran.out);
        assert!(ran.err.contains("wrote it.json"), "{full}: {}", ran.err);
        assert!(ran.err.contains("ticket "), "{full}: {}", ran.err);
        fs::remove_file(folder.path().join("it.json")).unwrap();
    }
}

/// A headless browser, where there is one.
pub(crate) fn chromium() -> Option<PathBuf> {
    let folders = std::env::var_os("PATH")?;
    std::env::split_paths(&folders)
        .flat_map(|folder| ["chromium", "chromium-browser"].map(|name| folder.join(name)))
        .find(|path| path.is_file())
}

pub(crate) fn browse(browser: &Path, folder: &Path, page: &Path, arguments: &[String]) {
    let profile = tempfile::tempdir().unwrap();
    let output = Command::new(browser)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(arguments)
        .arg(format!("file://{}", page.display()))
        .current_dir(folder)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
}

/// The pages of a PDF file.
pub(crate) fn pages(pdf: &[u8]) -> usize {
    assert!(pdf.starts_with(b"%PDF-"));
    let count = |needle: &[u8]| pdf.windows(needle.len()).filter(|w| *w == needle).count();
    // A page object says "/Type /Page", their list "/Type /Pages".
    count(b"/Type /Page") - count(b"/Type /Pages")
}

#[test]
fn a_browser_shows_it_light_and_dark_and_prints_it_on_two_pages() {
    let Some(browser) = chromium() else {
        // Past the test runner, which hides what a passing test prints.
        let _ = std::io::stderr().write_all(
            b"!!! SKIPPED: a_browser_shows_it_light_and_dark_and_prints_it_on_two_pages: \
              no chromium here (apt-get install chromium)\n",
        );
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("report.html");
    fs::write(&page, html(&example())).unwrap();
    let shot = |name: &str, scheme: &str| {
        let picture = folder.path().join(name);
        let arguments = [
            format!("--blink-settings=preferredColorScheme={scheme}"),
            "--window-size=1000,1400".to_owned(),
            format!("--screenshot={}", picture.display()),
        ];
        browse(&browser, folder.path(), &page, &arguments);
        let picture = fs::read(picture).unwrap();
        assert!(picture.starts_with(b"\x89PNG\r\n\x1a\n"));
        assert!(picture.len() > 20_000, "something is drawn");
        picture
    };
    let (dark, light) = (shot("dark.png", "0"), shot("light.png", "1"));
    assert_ne!(dark, light);
    let examined = |arguments: &[&str]| {
        let all = [&["examine"], arguments, &["--json", "it.json"]].concat();
        let ran = run(folder.path(), &all);
        assert_eq!(ran.code, 0, "{}", ran.err);
        read_json(fs::File::open(folder.path().join("it.json")).unwrap()).unwrap()
    };
    let changer = examined(&["device", "--kind", "changer"]);
    // One that falls short in every fifth check.
    let mut bad = changer.clone();
    for check in bad.checks.iter_mut().step_by(5) {
        check.outcome = Outcome::Fail;
        check.advice = "Have it looked after; if that does not help, replace it.".to_owned();
        bad.reasons.push(format!("{}: {}", check.title, check.seen));
    }
    let papers = [example(), changer, bad, examined(&["board"])];
    for (number, examination) in papers.iter().enumerate() {
        fs::write(&page, html(examination)).unwrap();
        let paper = folder.path().join("report.pdf");
        let arguments = [
            "--no-pdf-header-footer".to_owned(),
            format!("--print-to-pdf={}", paper.display()),
        ];
        browse(&browser, folder.path(), &page, &arguments);
        let pages = pages(&fs::read(paper).unwrap());
        assert!((1..=2).contains(&pages), "paper {number}: {pages} pages");
    }
}
