//! Prints the table of rules for the user's guide:
//! `cargo run -p payrig-tests --example rules_table > docs/src/rules-table.md`

fn main() {
    print!("{}", payrig_tests::book::rules_table());
}
