//! The user's guide against the code it speaks of.

#[path = "../book/rules_table.rs"]
mod rules_table;

use std::path::{Path, PathBuf};

fn book(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../docs/src")
        .join(file)
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn the_table_of_rules_is_that_of_the_code() {
    assert!(
        read(&book("rules-table.md")) == rules_table::rules_table(),
        "docs/src/rules-table.md is behind the rules: \
         cargo run -p payrig-tests --example rules_table > docs/src/rules-table.md"
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
