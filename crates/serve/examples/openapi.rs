//! Prints the description of the verbs over HTTP:
//! `cargo run -p payrig-serve --example openapi > docs/openapi.json`.

fn main() -> Result<(), serde_json::Error> {
    println!(
        "{}",
        serde_json::to_string_pretty(payrig_serve::openapi::document())?
    );
    Ok(())
}
