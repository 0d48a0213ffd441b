use super::*;
use payrig_exam::{CheckResult, Examination, Grade, Outcome};
use proptest::prelude::*;

fn saved(examination: &Examination) -> Vec<u8> {
    let mut bytes = Vec::new();
    write_json(examination, &mut bytes).unwrap();
    bytes
}

#[test]
fn what_is_saved_is_read_again() {
    let mut examination = example();
    assert_eq!(
        read_json(saved(&examination).as_slice()).unwrap(),
        examination
    );
    examination.subject.name = "\u{1b}[31m \"quoted\" \u{0} ü 硬币".to_owned();
    let mut marked = b"\xEF\xBB\xBF".to_vec();
    marked.extend(saved(&examination));
    assert_eq!(read_json(marked.as_slice()).unwrap(), examination);
}

#[test]
fn what_is_no_examination_is_told_apart() {
    let error = |text: &str| read_json(text.as_bytes()).unwrap_err().to_string();
    assert!(error("").contains("line 1"), "{}", error(""));
    assert!(error("{\"format\": ").contains("expected a file that payrig wrote"));
    assert!(error("{}").contains("names no schema"));
    assert!(error("{\"format\": \"something else\"}").contains("something else"));
    let text = String::from_utf8(saved(&example())).unwrap();
    let newer = text.replacen("\"version\": 2", "\"version\": 3", 1);
    assert!(error(&newer).contains("version 3"), "{newer}");
    assert!(error(&newer).contains("use a newer payrig"));
    let torn: String = text.chars().take(text.len() / 2).collect();
    assert!(error(&torn).contains("line "));
    let spoiled = text.replacen("\"outcome\": \"pass\"", "\"outcome\": \"perhaps\"", 1);
    assert!(error(&spoiled).contains("perhaps"), "{}", error(&spoiled));
}

#[test]
fn junit_has_one_case_per_check_and_counts_them() {
    let examination = example();
    let mut xml = Vec::new();
    write_junit(&examination, &mut xml).unwrap();
    let xml = String::from_utf8(xml).unwrap();
    let document = roxmltree::Document::parse(&xml).unwrap();
    let suite = document
        .descendants()
        .find(|n| n.has_tag_name("testsuite"))
        .unwrap();
    let number = |name: &str| suite.attribute(name).unwrap().parse::<usize>().unwrap();
    assert_eq!(number("tests"), examination.checks.len());
    assert_eq!(number("failures"), examination.count(Outcome::Fail));
    let neither = examination.count(Outcome::CannotTell) + examination.count(Outcome::Skipped);
    assert_eq!(number("skipped"), neither);
    assert_eq!(
        suite.attribute("timestamp"),
        Some("2026-03-14T09:26:53.000+01:00")
    );
    let cases: Vec<_> = suite
        .children()
        .filter(|n| n.has_tag_name("testcase"))
        .collect();
    for (case, check) in cases.iter().zip(&examination.checks) {
        assert_eq!(case.attribute("name"), Some(check.id.as_str()));
        let has = |tag: &str| case.children().any(|n| n.has_tag_name(tag));
        assert_eq!(
            has("failure"),
            check.outcome == Outcome::Fail,
            "{}",
            check.id
        );
        let skipped = matches!(check.outcome, Outcome::CannotTell | Outcome::Skipped);
        assert_eq!(has("skipped"), skipped, "{}", check.id);
    }
    // Another reader: the library's own.
    let read = quick_junit::Report::deserialize_from_str(&xml).unwrap();
    assert_eq!(read.tests, examination.checks.len());
}

#[test]
fn a_date_that_is_none_is_left_out() {
    let mut examination = example();
    for date in ["", "yesterday"] {
        examination.date = date.to_owned();
        let mut xml = Vec::new();
        write_junit(&examination, &mut xml).unwrap();
        assert!(!String::from_utf8(xml).unwrap().contains("timestamp"));
    }
}

fn without_colour(text: &str) -> String {
    let mut plain = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once("\u{1b}[") {
        plain.push_str(before);
        rest = after.split_once('m').unwrap().1;
    }
    plain + rest
}

#[test]
fn the_table_names_every_check_and_keeps_to_its_width() {
    let examination = example();
    for width in [60, 80, 120] {
        let table = without_colour(&text_table(&examination, width));
        for check in &examination.checks {
            assert!(table.contains(&check.id), "{}", check.id);
        }
        assert!(table.contains("not fit: 38 pass, 3 fail, 1 cannot tell, 2 skipped"));
        let words: Vec<_> = table.split_whitespace().collect();
        assert!(
            words.join(" ").contains("what to do: Open the tube"),
            "{table}"
        );
        let hash = |line: &&str| line.contains("SHA-256") || line.contains("adapter");
        for line in table.lines().filter(|l| !hash(l)) {
            let wide = textwrap::core::display_width(line);
            assert!(wide <= width.max(80), "{wide} of {width}: {line}");
        }
    }
    assert!(line(&examination.checks[9]).contains("answers-within-5-ms: 3 of 1206"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever a device calls itself, it gets no escape sequence to a terminal, no tag into the
    /// page and no control character into XML.
    #[test]
    fn hostile_names_do_no_harm(name in "\\PC{0,8}[\u{0}-\u{1f}<>&\"'\u{202e}]{1,6}\\PC{0,8}") {
        let mut examination = example();
        examination.subject.name.clone_from(&name);
        examination.subject.serial.clone_from(&name);
        examination.checks[3].seen.clone_from(&name);
        examination.checks[3].id.clone_from(&name);
        examination.trains[0].line.clone_from(&name);
        examination.intervals[0].what.clone_from(&name);
        let table = without_colour(&text_table(&examination, 80));
        prop_assert!(!table.contains(|c: char| c.is_control() && c != '\n'));
        prop_assert!(!table.contains(char::from_u32(0x202e).unwrap()));
        let page = html(&examination);
        prop_assert!(!page.contains(|c: char| c.is_control() && c != '\n'));
        // As many tags as without it.
        let tags = |page: &str| page.matches('<').count();
        examination = example();
        examination.subject.name = "a".to_owned();
        examination.subject.serial = "a".to_owned();
        examination.checks[3].seen = "a".to_owned();
        examination.checks[3].id = "a".to_owned();
        examination.trains[0].line = "a".to_owned();
        examination.intervals[0].what = "a".to_owned();
        prop_assert_eq!(tags(&page), tags(&html(&examination)));
        examination.checks[3].id.clone_from(&name);
        let mut xml = Vec::new();
        write_junit(&examination, &mut xml).unwrap();
        let xml = String::from_utf8(xml).unwrap();
        prop_assert!(roxmltree::Document::parse(&xml).is_ok(), "{}", xml);
    }

    #[test]
    fn any_bytes_are_read_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = read_json(bytes.as_slice());
    }
}

/// The verdict and a check's card say the same of it: on paper it is printed once.
#[test]
fn a_reason_with_a_card_of_its_own_is_for_the_screen() {
    let mut examination = example();
    let against = |c: &&CheckResult| matches!(c.outcome, Outcome::Fail | Outcome::CannotTell);
    let reasons: Vec<String> = {
        let checks = examination.checks.iter().filter(against);
        checks.map(CheckResult::reason).collect()
    };
    assert!(reasons.len() >= 2, "{reasons:?}");
    let count = reasons.len();
    examination.reasons = reasons;
    examination.reasons.push("no card tells this".to_owned());
    let mut page = Vec::new();
    write_html(&examination, &mut page).unwrap();
    let page = String::from_utf8(page).unwrap();
    let list = page.split("<ul class=\"reasons\">").nth(1).unwrap();
    let list = list.split("</ul>").next().unwrap();
    assert_eq!(
        list.matches("<li class=\"screen\">").count(),
        count,
        "{list}"
    );
    assert_eq!(list.matches("<li").count(), count + 1, "{list}");
}

/// On screen, on the page and for a build server: what is emulated is never called fit.
#[test]
fn an_emulated_subject_is_never_called_fit() {
    let mut fit = example();
    fit.grade = Grade::Fit;
    fit.reasons.clear();
    for (emulated, link) in [(true, payrig_exam::EMULATED), (false, "/dev/ttyUSB0")] {
        link.clone_into(&mut fit.link);
        let mut junit = Vec::new();
        write_junit(&fit, &mut junit).unwrap();
        for (what, text) in [
            ("screen", without_colour(&text_table(&fit, 80))),
            ("page", html(&fit)),
            ("build server", String::from_utf8(junit).unwrap()),
        ] {
            // The page's style sheet has words of its own.
            let said: String = text
                .split("<style>")
                .map(|part| part.split("</style>").last().unwrap_or(part))
                .collect();
            let words: Vec<&str> = said.split(|c: char| !c.is_alphanumeric()).collect();
            assert_eq!(!words.contains(&"fit"), emulated, "{what}: {text}");
            assert_eq!(
                text.contains("Emulated: no real unit was examined"),
                emulated,
                "{what}"
            );
        }
    }
}
