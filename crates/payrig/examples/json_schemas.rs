//! Writes the JSON Schemas of all that payrig writes as JSON into a folder:
//! `cargo run -p payrig --example json_schemas docs/src/schema`

use std::fs;
use std::path::PathBuf;

fn main() -> std::io::Result<()> {
    let folder = std::env::args_os().nth(1).map(PathBuf::from);
    let folder = folder.unwrap_or_else(|| PathBuf::from("docs/src/schema"));
    for document in payrig::json::documents() {
        fs::write(folder.join(document.file()), document.text())?;
    }
    Ok(())
}
