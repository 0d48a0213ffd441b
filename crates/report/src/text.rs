//! The table for a terminal.

use crate::figures;
use crate::words::{EMULATED, identity, plain, section, tally};
use anstyle::{AnsiColor, Color, Style};
use payrig_exam::person::SeenBy;
use payrig_exam::{Cause, CheckResult, Examination, Grade, Outcome, because_of_this};
use std::fmt::Write;
use textwrap::core::display_width;

const fn fg(color: AnsiColor) -> Style {
    Style::new().fg_color(Some(Color::Ansi(color)))
}
const HEAD: Style = Style::new().bold();
const DIM: Style = Style::new().dimmed();

const fn outcome_style(outcome: Outcome) -> Style {
    match outcome {
        Outcome::Pass => fg(AnsiColor::Green),
        Outcome::Fail => fg(AnsiColor::Red).bold(),
        Outcome::CannotTell => fg(AnsiColor::Yellow),
        Outcome::Skipped => DIM,
    }
}

const fn grade_style(grade: Grade) -> Style {
    match grade {
        Grade::Fit => fg(AnsiColor::Green).bold(),
        Grade::FitWithRemarks | Grade::Partial | Grade::OneCheck => fg(AnsiColor::Yellow).bold(),
        Grade::NotFit => fg(AnsiColor::Red).bold(),
    }
}

/// As [`outcome_style`], and a remark looks like one.
fn check_style(check: &CheckResult) -> Style {
    match check.is_remark() {
        true => fg(AnsiColor::Yellow),
        false => outcome_style(check.outcome),
    }
}

/// No real unit: in no colour of a grade.
const NOT_REAL: Style = fg(AnsiColor::Magenta).bold();

fn styled(style: Style, text: &str) -> String {
    format!("{style}{}{style:#}", plain(text))
}

/// One check in one line, as it is printed while an examination runs.
#[must_use]
pub fn line(check: &CheckResult) -> String {
    let outcome = format!("{:<11}", check.words());
    format!(
        "{}  {}: {}",
        styled(check_style(check), &outcome),
        plain(&check.id),
        plain(&seen(check))
    )
}

fn seen(check: &CheckResult) -> String {
    match check.seen_by {
        SeenBy::Wire => check.seen.clone(),
        by => format!("{} ({})", check.seen, by.words()),
    }
}

/// Rows in three columns, the first row being the heading: the first two columns are as wide as
/// their longest entry (at most 34), the third is wrapped. The style is that of the first column.
fn table(rows: &[(Style, [String; 3])], width: usize) -> String {
    let wide = |column: usize| {
        let cells = rows.iter().filter_map(|(_, row)| row.get(column));
        cells.map(|c| display_width(c)).max().unwrap_or(0).min(34)
    };
    let (first, second) = (wide(0), wide(1));
    let indent = " ".repeat(first + second + 4);
    let options = textwrap::Options::new(width.saturating_sub(indent.len()).max(24))
        .word_splitter(textwrap::WordSplitter::NoHyphenation);
    let pad = |text: &str, to: usize| " ".repeat(to.saturating_sub(display_width(text)));
    let mut lines = Vec::new();
    for (style, [a, b, c]) in rows {
        let mut head = format!(
            "{style}{a}{style:#}{}  {b}{}  ",
            pad(a, first),
            pad(b, second)
        );
        if display_width(a) > first {
            // A long name has a line of its own; what follows keeps its column.
            lines.push(format!("{style}{a}{style:#}"));
            head = format!("{}  {b}{}  ", " ".repeat(first), pad(b, second));
        }
        if display_width(b) > second {
            lines.push(head.trim_end().to_owned());
            head.clone_from(&indent);
        }
        for line in textwrap::wrap(c, &options) {
            lines.push(format!("{head}{line}").trim_end().to_owned());
            head.clone_from(&indent);
        }
    }
    lines.join("\n")
}

/// What must be seen, and what to do.
fn expected(check: &CheckResult) -> String {
    let section = section(&check.section);
    let mut text = format!("expected: {} [{section}]", check.expected);
    if !check.advice.is_empty() {
        // Writing to a String cannot fail.
        let _ = write!(text, "\nwhat to do: {}", check.advice);
    }
    text
}

/// A check in the table of all. What failed is said in full where the causes are.
fn check_row(examination: &Examination, check: &CheckResult) -> (Style, [String; 3]) {
    let mut text = seen(check);
    match (check.outcome, examination.because_of(&check.id)) {
        (Outcome::Fail | Outcome::CannotTell, Some(cause)) => {
            let _ = write!(text, "\nbecause of {cause}");
        }
        (Outcome::CannotTell, None) => {
            let _ = write!(text, "\n{}", expected(check));
        }
        _ => {}
    }
    let outcome = check.words().to_owned();
    (
        check_style(check),
        [outcome, plain(&check.id), plain(&text)],
    )
}

/// A cause in full, with the names of what fails because of it.
fn cause(examination: &Examination, number: usize, cause: &Cause, width: usize) -> String {
    let Some(check) = examination.check(&cause.id) else {
        return String::new();
    };
    let head = format!("{number}. ");
    let indent = " ".repeat(head.len());
    let wrap = |text: &str| {
        let options = textwrap::Options::new(width)
            .initial_indent(&indent)
            .subsequent_indent(&indent)
            .word_splitter(textwrap::WordSplitter::NoHyphenation);
        textwrap::fill(&plain(text), options)
    };
    let mut lines = vec![format!("{head}{}", styled(check_style(check), &check.id))];
    let mark = if check.is_remark() { "remark: " } else { "" };
    lines.push(wrap(&format!(
        "{mark}\"{}\" not so: {}",
        check.title,
        seen(check)
    )));
    lines.push(wrap(&expected(check)));
    if let Some(more) = because_of_this(cause) {
        let names: Vec<&str> = cause.all().collect();
        lines.push(wrap(&format!("{more}: {}", names.join(", "))));
    }
    lines.join("\n")
}

/// The whole examination for a terminal `width` columns wide (at least 60 are used), with colours
/// as escape sequences: print it through a stream that takes them out where they do not belong.
#[must_use]
pub fn text_table(examination: &Examination, width: usize) -> String {
    let width = width.clamp(60, 160);
    let mut out = String::new();
    let mut put = |text: String| {
        let _ = writeln!(out, "{text}");
    };
    let subject = &examination.subject;
    let title = match subject.name.as_str() {
        name if name.is_empty() || name == subject.kind => {
            format!("Examination of a {}", subject.kind)
        }
        name => format!("Examination of the {} \"{name}\"", subject.kind),
    };
    put(styled(HEAD, &title));
    let known: Vec<String> = identity(examination)
        .into_iter()
        .map(|(what, value)| format!("{what} {value}"))
        .collect();
    if !known.is_empty() {
        put(plain(&known.join(", ")));
    }
    let date = match examination.date.as_str() {
        "" => "in simulated time",
        date => date,
    };
    put(plain(&format!(
        "{date}, {}; link {}, times to within {}\n",
        examination.tool, examination.link, examination.uncertainty_us
    )));

    let heading = |a: &str, b: &str, c: &str| (HEAD, [a, b, c].map(str::to_owned));
    let mut rows = vec![heading("outcome", "check", "seen")];
    rows.extend(examination.checks.iter().map(|c| check_row(examination, c)));
    put(table(&rows, width));

    let mut rows = vec![heading(
        "measured",
        "allowed",
        "shortest / median / longest",
    )];
    for interval in examination.series() {
        if let Some(f) = figures(&interval.values_us) {
            let limit = interval.allowed();
            let text = format!("{} / {} / {} of {}", f.min, f.median, f.max, f.count);
            rows.push((Style::new(), [plain(&interval.what), limit, text]));
        }
    }
    if rows.len() > 1 {
        put(format!("\n{}", table(&rows, width)));
    }

    let causes = examination.to_mend();
    if !causes.is_empty() {
        put(format!("\n{}", styled(HEAD, "to mend, in this order")));
    }
    for (number, one) in (1..).zip(&causes) {
        put(cause(examination, number, one, width));
    }
    put(String::new());
    if examination.is_emulated() {
        put(styled(NOT_REAL, EMULATED));
    }
    put(format!(
        "{}: {}",
        styled(
            match (examination.is_emulated(), examination.grade) {
                (true, Grade::Fit) => NOT_REAL,
                (_, grade) => grade_style(grade),
            },
            examination.grade_words()
        ),
        tally(examination)
    ));
    for reason in &examination.reasons {
        let options = textwrap::Options::new(width)
            .initial_indent("  - ")
            .subsequent_indent("    ")
            .word_splitter(textwrap::WordSplitter::NoHyphenation);
        put(textwrap::fill(&plain(reason), options));
    }
    if !examination.recording_sha256.is_empty() {
        let hash = format!("recording SHA-256 {}", examination.recording_sha256);
        let options = textwrap::Options::new(width)
            .subsequent_indent("  ")
            .break_words(false);
        put(styled(DIM, &textwrap::fill(&hash, options)));
    }
    out
}
