//! A reader for captures as lists of transitions, just enough for these tests.

use payrig_pulse::Edge;
use payrig_units::Micros;
use std::path::PathBuf;

/// Reads a file of `captures/` at the workspace root.
pub(crate) fn file(name: &str) -> String {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../..");
    let path = root.join("captures").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// The first level and the edges after it.
pub(crate) fn edges(csv: &str) -> (bool, Vec<Edge>) {
    let mut edges: Vec<Edge> = csv
        .lines()
        .skip(1)
        .map(|row| {
            let (time, level) = row.split_once(',').unwrap();
            let (seconds, fraction) = time.split_once('.').unwrap();
            let us =
                seconds.parse::<u64>().unwrap() * 1_000_000 + fraction[..6].parse::<u64>().unwrap();
            Edge {
                at: Micros(us),
                high: level.trim() == "1",
            }
        })
        .collect();
    let first = edges.remove(0);
    (first.high, edges)
}
