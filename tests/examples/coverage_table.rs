//! Prints the coverage tables for the user's guide:
//! `cargo run -p payrig-tests --example coverage_table > docs/src/coverage-table.md`

#[path = "../book/coverage/mod.rs"]
mod coverage;

fn main() {
    print!("{}", coverage::coverage_table());
}
