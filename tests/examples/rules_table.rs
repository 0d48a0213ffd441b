//! Prints the table of rules for the user's guide:
//! `cargo run -p payrig-tests --example rules_table > docs/src/rules-table.md`

#[path = "../book/rules_table.rs"]
mod rules_table;

fn main() {
    print!("{}", rules_table::rules_table());
}
