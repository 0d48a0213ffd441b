//! Prints the map of what an invented board makes of every pulse width and pause, as an SVG
//! picture (`svg`, the default) or as a table (`table`):
//!
//! `cargo run -p payrig-tests --example board_map > docs/src/pulse-board-map.svg`

use payrig_tests::book::board_map;

fn main() {
    if std::env::args().nth(1).as_deref() == Some("table") {
        print!("{}", board_map::map());
    } else {
        print!("{}", board_map::picture());
    }
}
