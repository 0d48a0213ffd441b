//! The header is what the library is: made from it, and held to it.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

use std::path::Path;

/// To make it anew: PAYRIG_MAKE_HEADER=1 cargo test -p payrig-mdb-c --test header
#[test]
fn the_header_is_made_from_the_library() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let config = cbindgen::Config::from_file(folder.join("cbindgen.toml")).unwrap();
    let made = cbindgen::Builder::new()
        .with_src(folder.join("src/lib.rs"))
        .with_config(config)
        .generate()
        .unwrap();
    let mut text = Vec::new();
    made.write(&mut text);
    let text = String::from_utf8(text).unwrap();
    let file = folder.join("include/payrig_mdb.h");
    if std::env::var_os("PAYRIG_MAKE_HEADER").is_some() {
        std::fs::write(&file, &text).unwrap();
    }
    let kept = std::fs::read_to_string(&file).unwrap();
    assert!(
        kept == text,
        "include/payrig_mdb.h is not what src/lib.rs makes: see tests/header.rs"
    );
}
