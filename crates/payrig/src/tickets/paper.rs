//! Tickets on paper: labels, and what is on the shelf.

use super::clean;
use super::list::grade_words;
use super::which::label_text;
use crate::json::tickets::{Line, Unit};
use crate::lines;
use crate::outputs::{Files, write_whole};
use crate::style::STYLES;
use crate::terminal::{self, put, say};
use crate::{Exit, Failure, Format};
use clap::{Args, ValueEnum};
use payrig_exam::Grade;
use payrig_exam::device::Kind;
use payrig_report::{Label, Shelf, ShelfPoint, ShelfUnit, labels_html, shelf_html};
use payrig_tickets::{Day, Row, ShelfFilter, Shelved, Site, Store, StoreError, shelf};
use payrig_units::words;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::str::FromStr;

/// A grade on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum GradeName {
    Fit,
    FitWithRemarks,
    NotFit,
    /// Not examined in full.
    Partial,
    /// One check only.
    OneCheck,
}

impl GradeName {
    const fn grade(self) -> Grade {
        match self {
            Self::Fit => Grade::Fit,
            Self::FitWithRemarks => Grade::FitWithRemarks,
            Self::NotFit => Grade::NotFit,
            Self::Partial => Grade::Partial,
            Self::OneCheck => Grade::OneCheck,
        }
    }
}

/// A kind of unit, as reports call it.
#[derive(Clone, Debug)]
struct KindName(String);

impl FromStr for KindName {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text == "board" {
            return Ok(Self(text.to_owned()));
        }
        Kind::named(text)
            .map(|k| Self(k.to_string()))
            .ok_or_else(|| {
                let names = Kind::ALL.map(Kind::name).join(", ");
                format!("the kinds are board, {names}")
            })
    }
}

fn day(text: &str) -> Result<Day, StoreError> {
    Day::read(text)
}

/// Arguments of `payrig tickets repair`.
#[derive(Debug, Args)]
pub(super) struct RepairArguments {
    /// Only units of this grade; may be given several times.
    #[arg(long, value_enum, value_name = "GRADE")]
    grade: Vec<GradeName>,
    /// Only units of this kind: board, changer, bill-validator, ...
    #[arg(long, value_name = "KIND")]
    kind: Option<KindName>,
    /// Only units examined on this day or later, as 2026-03-14.
    #[arg(long, value_parser = day, value_name = "DAY")]
    since: Option<Day>,
    /// Only units examined on this day or before.
    #[arg(long, value_parser = day, value_name = "DAY")]
    until: Option<Day>,
    /// Emulated units too, which are on no shelf.
    #[arg(long)]
    emulated: bool,
    /// Write one HTML file, to look at or to print.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

impl RepairArguments {
    fn filter(&self) -> ShelfFilter {
        ShelfFilter {
            grades: self.grade.iter().map(|g| g.grade()).collect(),
            kind: self.kind.as_ref().map(|k| k.0.clone()),
            since: self.since,
            until: self.until,
            emulated: self.emulated,
        }
    }
}

/// The filter in words.
fn in_words(filter: &ShelfFilter) -> String {
    let grades: Vec<&str> = filter.grades.iter().map(|g| g.words()).collect();
    let parts = [
        filter.kind.as_ref().map(|kind| format!("{kind} only")),
        (!grades.is_empty()).then(|| grades.join(" or ")),
        filter.since.map(|day| format!("since {day}")),
        filter.until.map(|day| format!("until {day}")),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// What a unit is called: its kind, and its name where that says more.
fn called(row: &Row) -> String {
    match row.kind.contains(&row.name) {
        true => clean(&row.kind),
        false => format!("{} {}", clean(&row.kind), clean(&row.name)),
    }
}

fn remarks(unit: &Shelved) -> Vec<String> {
    let notes = unit.row.notes().map(|note| format!("note: {note}"));
    unit.remark.iter().cloned().chain(notes).collect()
}

fn on_page(unit: &Shelved) -> ShelfUnit {
    let row = &unit.row;
    let failed = unit.failed.iter();
    ShelfUnit {
        ticket: row.id,
        unit: called(row),
        serial: row.serial.clone(),
        grade: unit.grade,
        is_emulated: row.is_emulated,
        examined: row.examined_clock(),
        customer: row.customer().to_owned(),
        visits: unit.visits,
        failed: failed
            .filter(|f| f.because_of.is_none())
            .map(|f| ShelfPoint {
                check: f.id.clone(),
                seen: f.seen.clone(),
                advice: f.advice.clone(),
                more: f.more.clone(),
            })
            .collect(),
        remarks: remarks(unit),
    }
}

fn write_text(units: &[Shelved]) -> io::Result<()> {
    let mut out = terminal::screen();
    let wide = crate::report::terminal_width();
    for unit in units {
        let row = &unit.row;
        let style = match unit.grade {
            Some(Grade::Fit) if !row.is_emulated => STYLES.pass,
            Some(Grade::NotFit) => STYLES.limit,
            _ => STYLES.advice,
        };
        let emulated = if row.is_emulated { "emulated: " } else { "" };
        let serial = match row.serial.as_str() {
            "" => "no serial number".to_owned(),
            serial => format!("serial {}", clean(serial)),
        };
        let customer = match row.customer() {
            "" => String::new(),
            customer => format!(", for {}", clean(customer)),
        };
        writeln!(
            out,
            "{style}{emulated}{}{style:#}  {}, {serial}: ticket {}, {}{customer}",
            grade_words(row),
            called(row),
            row.id,
            row.examined_clock(),
        )?;
        let mut wrapped = |first: &str, text: &str| {
            let options = textwrap::Options::new(wide)
                .initial_indent(first)
                .subsequent_indent("      ");
            textwrap::wrap(&clean(text), options)
                .iter()
                .try_for_each(|line| writeln!(out, "{line}"))
        };
        for failed in unit.failed.iter().filter(|f| f.because_of.is_none()) {
            wrapped("  - ", &format!("{}: {}", failed.id, failed.seen))?;
            if let Some(more) = &failed.more {
                wrapped("    ", more)?;
            }
            if !failed.advice.is_empty() {
                wrapped("    > ", &failed.advice)?;
            }
        }
        for remark in remarks(unit) {
            wrapped("    ", &remark)?;
        }
    }
    if units.is_empty() {
        writeln!(out, "no unit")?;
    }
    out.flush()
}

/// `payrig tickets repair`.
pub(super) fn repair(
    arguments: &RepairArguments,
    format: Format,
    path: &Path,
    site: &Site,
    mut files: Files,
) -> Result<Exit, Failure> {
    files.write("the repair list", arguments.html.as_deref())?;
    let store = Store::open_to_read(path)?;
    let filter = arguments.filter();
    let units = shelf(&store, &filter)?;
    if !filter.emulated {
        let all = shelf(
            &store,
            &ShelfFilter {
                emulated: true,
                ..filter.clone()
            },
        )?;
        let left_out = all.iter().filter(|u| u.row.is_emulated).count();
        if left_out > 0 {
            say!(
                "{} left out, for no real unit was examined: --emulated lists them too.",
                words::count(left_out, "emulated unit")
            );
        }
    }
    if let Some(html) = &arguments.html {
        let page = Shelf {
            made: site.clock_now(),
            filter: in_words(&filter),
            units: units.iter().map(on_page).collect(),
        };
        write_whole(html, |out| out.write_all(shelf_html(&page).as_bytes()))?;
        if format == Format::Text {
            put!(
                "wrote {} to {}",
                words::count(units.len(), "unit"),
                html.display()
            )?;
            return Ok(Exit::Passed);
        }
        terminal::wrote("html", html)?;
    }
    match format {
        Format::Text => write_text(&units)?,
        Format::Json => {
            for unit in &units {
                lines::put(&Line::Unit(Unit::of(unit, remarks(unit))))?;
            }
            lines::flush()?;
        }
    }
    Ok(Exit::Passed)
}

/// Writes the labels of tickets as one HTML file.
///
/// # Errors
/// When there is no such ticket, or the file cannot be written.
pub(super) fn labels(store: &Store, ids: &[i64], html: &Path) -> Result<Exit, Failure> {
    let label = |id: &i64| -> Result<Label, Failure> {
        let ticket = store.get(*id)?;
        let row = &ticket.row;
        Ok(Label {
            ticket: row.id,
            unit: called(row),
            serial: row.serial.clone(),
            grade: Some(ticket.examination.grade),
            is_emulated: row.is_emulated,
            void: row.void().map(str::to_owned),
            examined: row
                .examined_on()
                .map_or_else(|| row.examined_clock(), |day| day.to_string()),
            customer: row.customer().to_owned(),
            code: label_text(row),
        })
    };
    let labels: Vec<Label> = ids.iter().map(label).collect::<Result<_, _>>()?;
    write_whole(html, |out| out.write_all(labels_html(&labels).as_bytes()))?;
    match lines::are_wanted() {
        true => terminal::wrote("labels", html)?,
        false => put!(
            "wrote {} to {}",
            words::count(labels.len(), "label"),
            html.display()
        )?,
    }
    Ok(Exit::Passed)
}
