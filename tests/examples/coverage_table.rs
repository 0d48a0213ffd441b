//! Prints the coverage tables for the user's guide:
//! `cargo run -p payrig-tests --example coverage_table > docs/src/coverage-table.md`

fn main() {
    print!("{}", payrig_tests::book::coverage::coverage_table());
}
