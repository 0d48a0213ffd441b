//! The table for a terminal.

use crate::figures;
use crate::words::{identity, plain, section, tally};
use anstyle::{AnsiColor, Color, Style};
use payrig_exam::person::SeenBy;
use payrig_exam::{CheckResult, Examination, Grade, Outcome};
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

fn styled(style: Style, text: &str) -> String {
    format!("{style}{}{style:#}", plain(text))
}

/// One check in one line, as it is printed while an examination runs.
#[must_use]
pub fn line(check: &CheckResult) -> String {
    let outcome = format!("{:<11}", check.outcome.words());
    format!(
        "{}  {}: {}",
        styled(outcome_style(check.outcome), &outcome),
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
    let options = textwrap::Options::new(width.saturating_sub(indent.len()).max(24));
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

fn check_row(check: &CheckResult) -> (Style, [String; 3]) {
    let mut text = seen(check);
    if matches!(check.outcome, Outcome::Fail | Outcome::CannotTell) {
        let section = section(&check.section);
        // Writing to a String cannot fail.
        let _ = write!(text, "\nexpected: {} [{section}]", check.expected);
        if !check.advice.is_empty() {
            let _ = write!(text, "\nwhat to do: {}", check.advice);
        }
    }
    let outcome = check.outcome.words().to_owned();
    (
        outcome_style(check.outcome),
        [outcome, plain(&check.id), plain(&text)],
    )
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
    rows.extend(examination.checks.iter().map(check_row));
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

    put(format!(
        "\n{}: {}",
        styled(grade_style(examination.grade), examination.grade.words()),
        tally(examination)
    ));
    for reason in &examination.reasons {
        let options = textwrap::Options::new(width)
            .initial_indent("  - ")
            .subsequent_indent("    ");
        put(textwrap::fill(&plain(reason), options));
    }
    if !examination.recording_sha256.is_empty() {
        let hash = format!("recording SHA-256 {}", examination.recording_sha256);
        put(styled(DIM, &hash));
    }
    out
}
