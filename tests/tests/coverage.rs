//! The coverage tables of the user's guide against the code and its tests.

#[path = "../book/coverage/mod.rs"]
mod coverage;

use std::collections::BTreeMap;
use std::path::Path;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap()
}

fn read(file: &str) -> String {
    let path = root().join(file);
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
    let mut folders = vec![root().join(folder)];
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

/// What the tables call sent is constructed in the sender's sources; what they call not sent, is
/// not answered for here.
#[test]
fn senders_know_what_they_send() {
    let board = sources("crates/controller/src");
    let devices = sources("crates/peripherals/src");
    for table in coverage::tables() {
        for (name, row) in table.rows {
            let variant = row.variant();
            let sender = match row.sent {
                "board" => &board,
                "-" => continue,
                _ => &devices,
            };
            // File messages are made by `payrig_mdb::ftl` for both.
            let known = sender.contains(&format!("::{variant}")) || variant == "Ftl";
            assert!(
                known || table.title.starts_with("File"),
                "{name}: {} says nothing of {variant}",
                row.sent
            );
        }
    }
}
