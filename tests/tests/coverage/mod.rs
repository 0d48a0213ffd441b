//! The coverage tables of the user's guide against the code and its tests.

mod bills;
mod cards;
mod changers;
mod heard;
mod transfers;

use payrig_tests::book::coverage;
use payrig_tests::cli::file;
use std::collections::BTreeMap;

fn read(name: &str) -> String {
    let path = file(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn the_coverage_tables_are_those_of_the_code() {
    assert!(
        read("docs/src/coverage-table.md") == coverage::coverage_table(),
        "docs/src/coverage-table.md is behind the code: \
         cargo run -p payrig-tests --example coverage_table > docs/src/coverage-table.md"
    );
}

/// All that stands in the Rust sources of a folder.
fn sources(folder: &str) -> String {
    let mut all = String::new();
    let mut folders = vec![file(folder)];
    while let Some(folder) = folders.pop() {
        let entries = std::fs::read_dir(&folder);
        for entry in entries.unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                all.push_str(&std::fs::read_to_string(path).unwrap());
            }
        }
    }
    all
}

/// True when the source has a test of this name: `#[test]` and attributes, then `fn name(`.
fn has_test(source: &str, name: &str) -> bool {
    let head = format!("fn {name}(");
    source.match_indices(&head).any(|(at, _)| {
        source.get(..at).is_some_and(|before| {
            let attributes = before.rsplit("}\n").next().unwrap_or_default();
            attributes.contains("#[test]")
        })
    })
}

#[test]
fn every_message_has_tests_and_they_exist() {
    let mut folders: BTreeMap<&str, String> = BTreeMap::new();
    let mut rows = 0;
    for table in coverage::tables() {
        for (name, row) in table.rows {
            assert!(!row.tests.is_empty(), "{}: {name} has no test", table.title);
            for test in row.tests {
                let (folder, test) = test.split_once(' ').expect("folder and name");
                let source = folders.entry(folder).or_insert_with(|| sources(folder));
                assert!(has_test(source, test), "{name}: no test {test} in {folder}");
            }
            rows += 1;
        }
    }
    assert!(rows > 150, "only {rows} messages");
    assert!(!has_test("#[test]\nfn a() {}\n\nfn b() {}\n", "b"));
    assert!(has_test("#[test]\n#[ignore]\nfn a() {}\n", "a"));
}

/// What the tables say is sent has been heard on the virtual bus, said by whom they say, and taken by
/// the other side; and nothing that they say is not sent has been.
#[test]
fn what_the_tables_say_is_said_on_the_bus() {
    let mut heard = heard::Heard::default();
    changers::all(&mut heard);
    bills::all(&mut heard);
    cards::all(&mut heard);
    transfers::all(&mut heard);
    let mut wrong: Vec<String> = Vec::new();
    let mut rows = 0;
    for table in coverage::tables() {
        for key in heard::keys(table.title) {
            for (name, row) in &table.rows {
                let name = match row.variant() {
                    "Ftl" => "FTL",
                    "Poll" if row.code.starts_with("to") => "REPORTS",
                    _ => name,
                };
                let line = format!("{key}: {name}");
                rows += 1;
                if heard.knows(&line) == (row.sent == "-") {
                    wrong.push(format!("{line}, sent by {}", row.sent));
                }
                if row.sent != "-" && heard.is_answered(&line) == (row.understood == "-") {
                    wrong.push(format!("{line}, acted on by {}", row.understood));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(rows > 200, "only {rows} rows");
}
