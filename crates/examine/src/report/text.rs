//! The table for a terminal.

use super::figures;
use super::words::{identity, plain, section, tally};
use crate::{CheckResult, Examination, Grade, Outcome};
use anstyle::{AnsiColor, Color, Style};
use std::fmt::Write;
use tabled::builder::Builder;
use tabled::settings::object::Columns;
use tabled::settings::{Alignment, Modify, Padding, Style as Borders, Width, peaker::Priority};

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
        Grade::FitWithRemarks => fg(AnsiColor::Yellow).bold(),
        Grade::NotFit => fg(AnsiColor::Red).bold(),
    }
}

fn styled(style: Style, text: &str) -> String {
    format!("{}{}{}", style.render(), plain(text), style.render_reset())
}

/// One check in one line, as it is told while an examination runs.
#[must_use]
pub fn line(check: &CheckResult) -> String {
    let outcome = format!("{:<11}", check.outcome.words());
    let person = if check.seen_by_person {
        " (seen by a person)"
    } else {
        ""
    };
    format!(
        "{}  {}: {}{person}",
        styled(outcome_style(check.outcome), &outcome),
        plain(&check.id),
        plain(&check.seen)
    )
}

fn table(rows: Vec<[String; 3]>, width: usize) -> String {
    let mut builder = Builder::default();
    for row in rows {
        builder.push_record(row);
    }
    let mut table = builder.build();
    table
        .with(Borders::blank())
        .with(Padding::new(0, 2, 0, 0))
        .with(Modify::new(Columns::new(..)).with(Alignment::left()))
        .with(
            Width::wrap(width)
                .keep_words(true)
                .priority(Priority::max(true)),
        );
    let lines: Vec<String> = table
        .to_string()
        .lines()
        .map(|l| l.trim_end().to_owned())
        .collect();
    lines.join("\n")
}

/// The whole examination for a terminal `width` columns wide (at least 60 are used), with colours
/// as escape sequences: print it through a stream that takes them out where they do not belong.
#[must_use]
pub fn text_table(examination: &Examination, width: usize) -> String {
    let width = width.clamp(60, 160);
    let mut out = String::new();
    // Writing to a String cannot fail.
    let mut put = |text: String| {
        let _ = writeln!(out, "{text}");
    };
    let subject = &examination.subject;
    put(styled(
        HEAD,
        &format!("Examination of the {} \"{}\"", subject.kind, subject.name),
    ));
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
        "{date}, {}; link {}, times to within {}",
        examination.tool, examination.link, examination.uncertainty_us
    )));
    put(String::new());

    let heading = ["outcome", "check", "seen"].map(|h| styled(HEAD, h));
    let mut rows = vec![heading];
    for check in &examination.checks {
        let mut seen = check.seen.clone();
        if check.seen_by_person {
            seen.push_str(" (seen by a person)");
        }
        if matches!(check.outcome, Outcome::Fail | Outcome::CannotTell) {
            let _ = write!(
                seen,
                "\nexpected: {} [{}]",
                check.expected,
                section(&check.section)
            );
            if !check.advice.is_empty() {
                let _ = write!(seen, "\nwhat to do: {}", check.advice);
            }
        }
        rows.push([
            styled(outcome_style(check.outcome), check.outcome.words()),
            plain(&check.id),
            plain(&seen),
        ]);
    }
    put(table(rows, width));

    let intervals: Vec<_> = examination
        .intervals
        .iter()
        .filter_map(|i| Some((i, figures(&i.values_us)?)))
        .collect();
    if !intervals.is_empty() {
        put(String::new());
        let mut rows =
            vec![["measured", "limit", "shortest / median / longest"].map(|h| styled(HEAD, h))];
        for (interval, f) in intervals {
            let limit = interval.limit_us.map(|l| l.to_string()).unwrap_or_default();
            rows.push([
                plain(&interval.what),
                limit,
                format!("{} / {} / {} of {}", f.min, f.median, f.max, f.count),
            ]);
        }
        put(table(rows, width));
    }

    put(String::new());
    put(format!(
        "{}: {}",
        styled(grade_style(examination.grade), examination.grade.words()),
        tally(examination)
    ));
    for reason in &examination.reasons {
        put(format!("  - {}", plain(reason)));
    }
    if !examination.recording_sha256.is_empty() {
        put(styled(
            DIM,
            &format!("recording SHA-256 {}", examination.recording_sha256),
        ));
    }
    out
}
