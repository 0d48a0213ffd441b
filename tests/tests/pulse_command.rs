//! `payrig pulse` as a technician uses it, on captures with known content.

use payrig_tests::cli::{Ran, file, payrig, payrig_in};
use serde_json::Value;
use std::fs;

fn capture(name: &str) -> String {
    file(&format!("captures/{name}"))
        .to_str()
        .unwrap()
        .to_owned()
}

fn pulse(arguments: &[&str]) -> Ran {
    let mut all = vec!["pulse"];
    all.extend(arguments);
    payrig(&all)
}

fn of_type<'a>(lines: &'a [Value], kind: &str) -> Vec<&'a Value> {
    lines.iter().filter(|l| l["type"] == kind).collect()
}

/// Known: short, short, short, long, long, 38 ms pulses, 22 ms pauses, short.
#[test]
fn which_names_the_settings_of_the_known_trains() {
    for name in ["pulses-1.vcd", "pulses-1.csv", "noisy-1.vcd"] {
        let ran = pulse(&["which", &capture(name), "--format", "json"]);
        let lines = ran.json();
        let fits: Vec<Vec<&str>> = of_type(&lines, "setting")
            .iter()
            .map(|t| {
                let fits = t["fits"].as_array().unwrap().iter();
                fits.map(|f| f["profile"].as_str().unwrap()).collect()
            })
            .collect();
        let (short, long) = (vec!["short"], vec!["long"]);
        let expected = [
            &short,
            &short,
            &short,
            &long,
            &long,
            &vec![],
            &vec![],
            &short,
        ];
        assert_eq!(fits, expected.map(Clone::clone), "{name}");
        assert_eq!(ran.code, 1, "two trains fit nothing");
    }
}

#[test]
fn which_says_what_to_change_in_plain_words() {
    let file = capture("pulses-1.vcd");
    let ran = pulse(&["which", &file, "--board", "short", "--fed", "5.00"]);
    let text = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for sentence in [
        "The board credits 5.00: nothing to change.",
        "The acceptor sends 2 pulses per 1.00, the board counts 1: set the acceptor to 1 pulse, or the board to 2.",
        "The acceptor sends long pulses (150/150 ms), the board counts short ones (50/50 ms): set the acceptor to short pulse, or the board to long.",
        "1 of 8 trains are what a board set to short (50/50 ms) expects; 7 not.",
    ] {
        assert!(text.contains(sentence), "{sentence}\n{text}");
    }
    assert_eq!(ran.code, 1);
}

#[test]
fn which_passes_when_the_board_agrees() {
    let folder = tempfile::tempdir().unwrap();
    // Five pulses of 50 ms.
    let mut text = String::from("Time [s],credit\n0.000000,1\n");
    for n in 0..5 {
        let on = 1_000_000 + n * 100_000;
        text += &format!("{}.{:06},0\n", on / 1_000_000, on % 1_000_000);
        let off = on + 50_000;
        text += &format!("{}.{:06},1\n", off / 1_000_000, off % 1_000_000);
    }
    text += "3.000000,1\n";
    fs::write(folder.path().join("five.csv"), text).unwrap();
    let ran = payrig_in(
        folder.path(),
        &[
            "pulse", "which", "five.csv", "--board", "short", "--fed", "5.00",
        ],
    );
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let ran = payrig_in(
        folder.path(),
        &[
            "pulse", "which", "five.csv", "--board", "short", "--pulses", "5", "--per", "5.00",
            "--fed", "5.00",
        ],
    );
    assert_eq!(ran.code, 0, "{}", ran.out);
    let ran = payrig_in(
        folder.path(),
        &["pulse", "which", "five.csv", "--board", "60/45"],
    );
    assert_eq!(ran.code, 0, "{}", ran.out);
    assert!(
        ran.out
            .contains("2 profiles fit: short (50/50 ms), 60/45 ms (60/45 ms). Feed a known bill"),
        "{}",
        ran.out
    );
    // The same line, but at rest.
    fs::write(
        folder.path().join("dead.csv"),
        "Time [s],credit\n0.0,1\n3.0,1\n",
    )
    .unwrap();
    let ran = payrig_in(folder.path(), &["pulse", "which", "dead.csv"]);
    assert_eq!(ran.code, 1);
    for word in [
        "never moves",
        "common ground",
        "pull-up",
        "polarity",
        "inhibit",
    ] {
        assert!(ran.out.contains(word), "{word}: {}", ran.out);
    }
}

#[test]
fn count_applies_the_window_of_a_board() {
    let file = capture("pulses-1.vcd");
    let window = [
        "--min-width",
        "30",
        "--max-width",
        "120",
        "--format",
        "json",
    ];
    let ran = pulse(&[&["count", file.as_str()][..], &window].concat());
    let lines = ran.json();
    let counted: Vec<u64> = of_type(&lines, "count")
        .iter()
        .map(|t| t["counted"].as_u64().unwrap())
        .collect();
    // Long pulses are refused; pauses of 22 ms are not seen, so three pulses are one too long.
    assert_eq!(counted, [1, 5, 10, 0, 0, 2, 0, 20]);
    let verdict = lines.last().unwrap();
    assert_eq!(
        (&verdict["on_the_wire"], &verdict["counted"]),
        (&47.into(), &38.into())
    );
    assert_eq!(verdict["credit"], 3_800);
    assert_eq!(ran.code, 1);
    let all = [
        "--min-width",
        "30",
        "--max-width",
        "200",
        "--min-gap",
        "20",
        "--timeout",
        "200",
    ];
    let ran = pulse(&[&["count", file.as_str(), "--fed", "47.00"][..], &all].concat());
    assert_eq!(ran.code, 0, "{}", ran.out);
    assert!(
        ran.out.contains("credits 47.00, which is what was fed"),
        "{}",
        ran.out
    );
}

#[test]
fn the_map_is_the_same_in_table_json_and_picture() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = [
        "pulse",
        "map",
        "--min-width",
        "30",
        "--max-width",
        "120",
        "--step",
        "10",
        "--from",
        "10",
    ];
    let ran = payrig_in(
        folder.path(),
        &[&arguments[..], &["--svg", "map.svg"]].concat(),
    );
    assert_eq!(ran.code, 0);
    assert!(
        ran.out.contains("long (150/150 ms)    ignored"),
        "{}",
        ran.out
    );
    let svg = fs::read_to_string(folder.path().join("map.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.contains("30 to 120 ms"));
    let json = payrig_in(
        folder.path(),
        &[&arguments[..], &["--format", "json"]].concat(),
    );
    let map = json.json().remove(0);
    let rows = map["rows"].as_array().unwrap();
    let letters: Vec<String> = rows
        .iter()
        .map(|row| {
            let cells = row.as_array().unwrap().iter();
            let letter = |c: &Value| match c.as_str().unwrap() {
                "credited" => '#',
                "miscounted" => 'x',
                "ignored" => '.',
                _ => '?',
            };
            cells.map(letter).collect()
        })
        .collect();
    assert_eq!(letters.len(), 20);
    for row in letters {
        assert!(
            ran.out.lines().any(|l| l.trim_start().ends_with(&row)),
            "{row}"
        );
    }
}

/// The table in the book is what the command beside it prints.
#[test]
fn the_map_in_the_book_is_current() {
    let page = fs::read_to_string(file("docs/src/pulses.md")).unwrap();
    let command = "payrig pulse map --min-width 30 --max-width 120 --from 10 --step 10";
    let (_, rest) = page.split_once(command).unwrap();
    let table = rest.split("```text\n").nth(1).unwrap();
    let table = table.split("```").next().unwrap();
    let arguments: Vec<&str> = command.split(' ').skip(1).collect();
    let ran = payrig(&arguments);
    assert_eq!(ran.out.trim_end(), table.trim_end());
}

#[test]
fn profiles_are_listed() {
    let ran = pulse(&["profiles", "--format", "json"]);
    let names: Vec<String> = ran
        .json()
        .iter()
        .map(|p| p["name"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(names, ["short", "medium", "long"]);
    assert!(pulse(&["profiles"]).out.contains("40 to 60 ms"));
}

#[test]
fn mistakes_say_what_was_expected() {
    let file = capture("pulses-1.vcd");
    let bus = capture("clean-1.vcd");
    let cases: [(&[&str], &str); 8] = [
        (&["which", &file, "--board", "shrot"], "did you mean short?"),
        (
            &["which", &file, "--line", "credti"],
            "did you mean \"credit\"?",
        ),
        (&["which", &bus], "name one with --line"),
        (
            &["which", &file, "--fed", "1.00", "--fed", "2.00"],
            "there are 8 trains",
        ),
        (&["which", "no-such-file.vcd"], "no-such-file.vcd"),
        (
            &["count", &file, "--min-width", "80", "--max-width", "40"],
            "no pulse could count",
        ),
        (
            &["count", &file, "--min-width", "5x", "--max-width", "40"],
            "is no time",
        ),
        (
            &[
                "map",
                "--min-width",
                "30",
                "--max-width",
                "90",
                "--step",
                "1",
            ],
            "make --step larger",
        ),
    ];
    for (arguments, expected) in cases {
        let ran = pulse(arguments);
        assert_eq!(ran.code, 2, "{arguments:?}");
        assert!(ran.err.contains(expected), "{arguments:?}: {}", ran.err);
        assert!(ran.out.is_empty(), "{arguments:?}");
    }
}
