//! The coverage tables of the user's guide: every message of sections 2.6, 5, 6 and 7 that the code
//! knows, who sends it, who acts on it, and what tests it.
//!
//! The rows come from matches over the enums of the messages: a variant without a row does not
//! compile. Each row has a sample in the standard's bytes, which must be read as that variant; its
//! name is the one the code gives it. That the tests exist is checked by `tests/tests/coverage`, and that
//! messages are sent as the rows say is heard there on the virtual bus.

mod bill;
mod cashless;
mod changer;
mod ftl;

/// What a row says of its message.
#[derive(Debug)]
pub struct Row {
    /// As the standard writes it.
    pub code: &'static str,
    /// Its bytes in hexadecimal; for a response, those of the command before it and `;`.
    pub sample: &'static str,
    /// Where the standard has it.
    pub section: &'static str,
    /// Who sends it; `-` where nobody here does: it is typed only.
    pub sent: &'static str,
    /// Who acts on it, beyond reading and showing it; `-` where nobody here does.
    pub understood: &'static str,
    /// Folder and name of tests.
    pub tests: &'static [&'static str],
    /// The pattern of its variant.
    pattern: &'static str,
}

impl Row {
    /// The name of its variant: the innermost of the pattern.
    #[must_use]
    pub fn variant(&self) -> &'static str {
        let last = self.pattern.rsplit("::").next().unwrap_or_default();
        let end = last.find(|c: char| !c.is_ascii_alphanumeric());
        last.get(..end.unwrap_or(last.len())).unwrap_or_default()
    }
}

/// A row.
const fn row(
    code: &'static str,
    sample: &'static str,
    section: &'static str,
    sent: &'static str,
    understood: &'static str,
    tests: &'static [&'static str],
) -> Row {
    Row {
        code,
        sample,
        section,
        sent,
        understood,
        tests,
        pattern: "",
    }
}

/// Rows of one kind, and the names the code gives them.
#[derive(Debug)]
pub struct Table {
    /// What they are, with the section.
    pub title: &'static str,
    /// Names and rows, as the standard lists them.
    pub rows: Vec<(String, Row)>,
}

/// `rows!(Type, read; pattern => row(...), ...)`: the rows, with the name of what `read` makes of
/// each sample. A variant of the type that no pattern covers does not compile; a sample that is
/// read as another variant than the row's panics.
macro_rules! rows {
    ($type:ty, $read:expr; $($pattern:pat => $row:expr),+ $(,)?) => {{
        // Never called: its match has to be exhaustive.
        let _: fn(&$type) = |message| match message {
            $($pattern => {}),+
        };
        let read: fn(&str) -> $type = $read;
        vec![$({
            let row = super::Row {
                pattern: stringify!($pattern),
                ..$row
            };
            let message = read(row.sample);
            assert!(
                matches!(&message, $pattern),
                "{} is read as {message:?}",
                row.sample
            );
            (message.name().to_owned(), row)
        }),+]
    }};
}
use rows;

/// Bytes of a sample: of the command, and of the answer where there is one.
fn bytes(sample: &str) -> (Vec<u8>, Vec<u8>) {
    let read = |text: &str| -> Vec<u8> {
        text.split_whitespace()
            .map(|byte| u8::from_str_radix(byte, 16).expect("a byte in hexadecimal"))
            .collect()
    };
    match sample.split_once(';') {
        Some((command, answer)) => (read(command), read(answer)),
        None => (read(sample), Vec::new()),
    }
}

/// All tables, in the order of the standard.
///
/// # Panics
/// When a sample is not read as the variant of its row.
#[must_use]
pub fn tables() -> Vec<Table> {
    let mut all = vec![ftl::messages()];
    all.extend(changer::tables());
    all.extend(bill::tables());
    all.extend(cashless::tables());
    all
}

/// `docs/src/coverage-table.md`.
///
/// # Panics
/// As [`tables`].
#[must_use]
pub fn coverage_table() -> String {
    let mut page = String::from(
        "<!-- Made by: cargo run -p payrig-tests --example coverage_table > docs/src/coverage-table.md -->\n",
    );
    for table in tables() {
        page.push_str(&format!(
            "\n### {}\n\n| Code | Name | Section | Sent by | Acted on by | Tested by |\n|---|---|---|---|---|---|\n",
            table.title
        ));
        for (name, row) in table.rows {
            // Messages that have rows of their own.
            let name = match row.variant() {
                "Ftl" => "file transport layer",
                "Poll" if row.code.starts_with("to") => "the reports below",
                _ => &name,
            };
            let tests: Vec<String> = row.tests.iter().map(|t| short(t)).collect();
            page.push_str(&format!(
                "| {} | {name} | {} | {} | {} | {} |\n",
                row.code,
                row.section,
                if row.sent == "-" {
                    "typed only"
                } else {
                    row.sent
                },
                row.understood,
                tests.join(", ")
            ));
        }
    }
    page
}

/// `crates/mdb/src/bill level_1` as `` `level_1` (mdb/bill) ``.
fn short(test: &str) -> String {
    let (folder, name) = test.split_once(' ').unwrap_or(("", test));
    let folder = folder.replace("crates/", "").replace("/src", "");
    format!("`{name}` ({})", folder.replace("tests/tests", "tests"))
}
