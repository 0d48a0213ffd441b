//! The user's guide against the code it speaks of.

use payrig_tests::book::{board_map, rules_table};
use payrig_tests::cli::file;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn book(page: &str) -> PathBuf {
    file("docs/src").join(page)
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn the_table_of_rules_is_that_of_the_code() {
    assert!(
        read(&book("rules-table.md")) == rules_table(),
        "docs/src/rules-table.md is behind the rules: \
         cargo run -p payrig-tests --example rules_table > docs/src/rules-table.md"
    );
}

#[test]
fn the_board_map_is_the_one_the_code_draws() {
    assert!(
        read(&book("pulse-board-map.svg")) == board_map::picture(),
        "docs/src/pulse-board-map.svg is behind the code: \
         cargo run -p payrig-tests --example board_map > docs/src/pulse-board-map.svg"
    );
}

/// Every page is in the summary, and every page the summary or another page links to is there.
#[test]
fn pages_and_links_agree() {
    let summary = read(&book("SUMMARY.md"));
    let mut checked = 0;
    for entry in std::fs::read_dir(book("")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.extension().is_none_or(|extension| extension != "md") {
            continue;
        }
        let text = read(&path);
        if name != "SUMMARY.md" {
            let include = format!("{{{{#include {name}}}}}");
            let included = ["rules.md", "coverage.md"]
                .iter()
                .any(|page| read(&book(page)).contains(&include));
            let listed = summary.contains(&format!("({name})"));
            assert!(listed || included, "{name} is not in SUMMARY.md");
        }
        for link in text
            .split("](")
            .skip(1)
            .filter_map(|rest| rest.split(')').next())
        {
            let target = link.split('#').next().unwrap_or_default();
            if target.is_empty() || target.contains("://") {
                continue;
            }
            assert!(
                book(target).exists(),
                "{name} links to {target}, which is not there"
            );
            checked += 1;
        }
    }
    assert!(checked > 10, "only {checked} links were found");
}

/// Every key that is read from a rig is explained on some page.
#[test]
fn every_key_of_a_rig_is_explained() {
    let readers = [
        "string",
        "number",
        "signed",
        "time",
        "money",
        "boolean",
        "boolean_or_none",
        "array",
        "word",
        "table",
        "tables",
    ];
    let folder = file("crates/rig/src");
    let pages = ["rigs.md", "pulses.md", "pulse-bridges.md", "links.md"];
    let pages: String = pages.iter().map(|page| read(&book(page))).collect();
    let mut keys = 0;
    let mut missing = BTreeSet::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.ends_with("tests.rs") || path.is_dir() {
            continue;
        }
        let source = read(&path);
        for (at, _) in source.match_indices("(\"") {
            let before = source[..at].rsplit('.').next().unwrap_or_default();
            if !readers.contains(&before) {
                continue;
            }
            let key = source[at + 2..].split('"').next().unwrap_or_default();
            let forms = [
                format!("`{key}`"),
                format!("`{key} = "),
                format!("\n{key} = "),
                format!(".{key}]"),
                format!("[{key}]"),
            ];
            let explained = forms.iter().any(|form| pages.contains(form));
            if !explained {
                missing.insert(key.to_owned());
            }
            keys += 1;
        }
    }
    assert!(missing.is_empty(), "on no page: {missing:?}");
    assert!(keys > 80, "only {keys} keys were found");
}

/// The rigs of the page on rigs are rigs, where they are whole.
#[test]
fn rigs_of_the_guide_are_read() {
    let page = read(&book("rigs.md"));
    let mut whole = 0;
    for part in page.split("```toml\n").skip(1) {
        let text = part.split("```").next().unwrap_or_default();
        if text.starts_with("[bench]") {
            payrig_rig::parse(Path::new("rigs.md"), text).unwrap();
            whole += 1;
        }
    }
    assert!(whole > 0, "no whole rig on the page");
}
