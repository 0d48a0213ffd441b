//! The picture in docs is the one the example draws.

#[allow(dead_code)]
#[path = "../examples/board_map.rs"]
mod board_map;

#[test]
fn the_board_map_in_docs_is_current() {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../docs/src/pulse-board-map.svg"
    );
    assert_eq!(
        board_map::picture(),
        std::fs::read_to_string(path).unwrap(),
        "run: cargo run -p payrig-pulse --example board_map > docs/src/pulse-board-map.svg"
    );
}
