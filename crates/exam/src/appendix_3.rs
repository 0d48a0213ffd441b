//! Holds the table of the documentation against the checks: Appendix 3 of MDB/ICP 4.3, check by
//! check.

use crate::device::Kind;
use crate::{board, device};
use std::collections::{BTreeMap, BTreeSet};

const PAGE: &str = include_str!("../../../docs/src/best-practices.md");

/// The names in a cell, each in backquotes.
fn names(cell: &str) -> impl Iterator<Item = &str> {
    cell.split('`').skip(1).step_by(2)
}

/// The rows of the page: recommendation, board, device.
fn rows() -> Vec<[&'static str; 3]> {
    let cells = |line: &'static str| {
        let inner = line.strip_prefix('|')?.strip_suffix('|')?;
        let mut cells = inner.split('|').map(str::trim);
        Some([cells.next()?, cells.next()?, cells.next()?])
    };
    let rows = PAGE.lines().filter_map(cells);
    rows.filter(|[first, ..]| *first != "Recommendation" && !first.starts_with("---"))
        .collect()
}

fn sections() -> [BTreeMap<&'static str, &'static str>; 2] {
    let board = board::checks().map(|c| (c.id, c.section)).collect();
    let kinds = Kind::ALL.into_iter();
    let devices = kinds.flat_map(device::checks).map(|c| (c.id, c.section));
    [board, devices.collect()]
}

#[test]
fn every_check_in_the_table_exists() {
    let [board, devices] = sections();
    let rows = rows();
    assert!(rows.len() > 45, "{}", rows.len());
    for [what, of_board, of_devices] in rows {
        for (cell, known) in [(of_board, &board), (of_devices, &devices)] {
            for name in names(cell) {
                assert!(known.contains_key(name), "{what}: no check {name}");
            }
        }
        assert!(!of_board.is_empty(), "{what}: no check, and no reason");
    }
}

#[test]
fn every_check_of_appendix_3_is_in_the_table() {
    let [board, devices] = sections();
    let named: [BTreeSet<&str>; 2] =
        [1, 2].map(|column| rows().iter().flat_map(|row| names(row[column])).collect());
    for (checks, named) in [(board, &named[0]), (devices, &named[1])] {
        for (id, _) in checks.iter().filter(|(_, s)| s.contains("Appendix 3")) {
            assert!(
                named.contains(id),
                "{id} cites Appendix 3 and is not in the table"
            );
        }
    }
}
