//! `payrig tickets`.

use crate::report::{ReportOutputs, print_table};
use crate::style::STYLES;
use crate::{Exit, Failure, Format};
use clap::{Args, Subcommand};
use payrig_examine::Examination;
use payrig_examine::tickets::{
    Comparison, Drift, Row, Store, StoreError, Turn, compare, default_path, export_csv,
};
use payrig_units::words;
use serde_json::json;
use std::fs::File;
use std::io::{self, Write};
use std::path::PathBuf;

/// Arguments of `payrig tickets`; without a command it lists all.
#[derive(Debug, Args)]
pub(crate) struct TicketsArguments {
    /// The file of tickets [default: ./payrig-tickets.sqlite where there is one, else
    /// payrig/tickets.sqlite in your data folder].
    #[arg(long, value_name = "FILE", global = true)]
    db: Option<PathBuf>,
    #[command(subcommand)]
    what: Option<What>,
}

#[derive(Debug, Subcommand)]
enum What {
    /// List all tickets, or those of one serial number.
    List {
        /// Only of this serial number.
        #[arg(long)]
        serial: Option<String>,
        /// How to write them.
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Show the examination of a ticket, or write it as a report.
    Show {
        /// The number of the ticket.
        ticket: i64,
        #[command(flatten)]
        outputs: ReportOutputs,
    },
    /// Hold a ticket against the last visit of the same unit: what got worse, what got better.
    Compare {
        /// The number of the ticket; or a serial number with --serial.
        #[arg(required_unless_present = "serial")]
        ticket: Option<i64>,
        /// The last ticket of this serial number.
        #[arg(long, conflicts_with = "ticket")]
        serial: Option<String>,
        /// Hold it against this ticket instead.
        #[arg(long, value_name = "TICKET")]
        with: Option<i64>,
        /// How to write it.
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Keep a saved examination as a ticket.
    Add {
        /// An examination saved as JSON.
        file: PathBuf,
    },
    /// Write all tickets as a table for a spreadsheet.
    Export {
        /// Write CSV to this file; - is standard output.
        #[arg(long, value_name = "FILE")]
        csv: PathBuf,
        /// Only of this serial number.
        #[arg(long)]
        serial: Option<String>,
    },
}

/// Whether and where an examination is kept as a ticket.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct TicketOutput {
    /// Keep the examination as a ticket, by serial number; `payrig tickets` shows it.
    #[arg(long)]
    ticket: bool,
    /// The file of tickets [default: as for `payrig tickets`].
    #[arg(long, value_name = "FILE", requires = "ticket")]
    db: Option<PathBuf>,
}

impl TicketOutput {
    /// Keeps an examination, where that was asked for, and says so.
    ///
    /// # Errors
    /// When the file of tickets cannot be written.
    pub(crate) fn keep(&self, examination: &Examination) -> Result<(), Failure> {
        if self.ticket {
            let path = self.db.clone().unwrap_or_else(default_path);
            let id = Store::open(&path)?.add(examination)?;
            anstream::eprintln!("ticket {id} in {}", path.display());
            if examination.subject.serial.is_empty() {
                anstream::eprintln!(
                    "It says no serial number: give it with --serial, so that the next visit of this \
                     unit can be compared with this one."
                );
            }
        }
        Ok(())
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Wrong(error.to_string())
    }
}

pub(crate) fn tickets(arguments: &TicketsArguments) -> Result<Exit, Failure> {
    let path = arguments.db.clone().unwrap_or_else(default_path);
    // Alone it lists them.
    let all = What::List {
        serial: None,
        format: Format::default(),
    };
    match arguments.what.as_ref().unwrap_or(&all) {
        What::Add { file } => {
            let examination = crate::report::load(file)?;
            let id = Store::open(&path)?.add(&examination)?;
            anstream::println!("ticket {id} in {}", path.display());
            Ok(Exit::Passed)
        }
        What::List { serial, format } => {
            let rows = Store::open_to_read(&path)?.list(serial.as_deref())?;
            list(&rows, *format)?;
            Ok(Exit::Passed)
        }
        What::Show { ticket, outputs } => {
            let ticket = Store::open_to_read(&path)?.get(*ticket)?;
            if outputs.any() {
                for path in outputs.write(&ticket.examination)? {
                    anstream::println!("wrote {}", path.display());
                }
            } else {
                anstream::println!("ticket {}, added {}", ticket.row.id, ticket.row.added);
                print_table(&ticket.examination)?;
            }
            Ok(Exit::Passed)
        }
        What::Compare {
            ticket,
            serial,
            with,
            format,
        } => {
            let store = Store::open_to_read(&path)?;
            let now = match (ticket, serial) {
                (Some(id), _) => *id,
                (None, serial) => {
                    let serial = serial.as_deref().unwrap_or_default();
                    let last = store.list(Some(serial))?.pop();
                    last.map(|row| row.id).ok_or_else(|| {
                        Failure::Wrong(format!(
                            "there is no ticket of serial number \"{serial}\"; `payrig tickets \
                             list` shows those there are"
                        ))
                    })?
                }
            };
            let before = match with {
                Some(id) => Some(*id),
                None => store.visit_before(now)?,
            };
            let Some(before) = before else {
                return Err(Failure::Wrong(format!(
                    "ticket {now} is the first of its unit (same serial number, kind and maker): \
                     there is no visit before it; --with TICKET names one to hold it against"
                )));
            };
            let (before, now) = (store.get(before)?, store.get(now)?);
            let comparison = compare(&before.examination, &now.examination);
            match format {
                Format::Json => write_json(&before.row, &now.row, &comparison)?,
                Format::Text => write_text(&before.row, &now.row, &comparison)?,
            }
            Ok(if comparison.is_worse() {
                Exit::FellShort
            } else {
                Exit::Passed
            })
        }
        What::Export { csv, serial } => {
            let rows = Store::open_to_read(&path)?.list(serial.as_deref())?;
            let wrong = |error: &dyn std::fmt::Display| {
                Failure::Wrong(format!("{}: cannot be written: {error}", csv.display()))
            };
            if csv.as_os_str() == "-" {
                export_csv(&rows, io::stdout().lock()).map_err(|error| {
                    match error.into_kind() {
                        csv::ErrorKind::Io(error) => Failure::Output(error),
                        _ => Failure::Wrong("the tickets cannot be written as CSV".to_owned()),
                    }
                })?;
            } else {
                let out = File::create(csv).map_err(|e| wrong(&e))?;
                export_csv(&rows, out).map_err(|e| wrong(&e))?;
                anstream::println!(
                    "wrote {} to {}",
                    words::count(rows.len(), "ticket"),
                    csv.display()
                );
            }
            Ok(Exit::Passed)
        }
    }
}

/// A column of text with what a device may have put into it made harmless.
fn clean(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect()
}

fn list(rows: &[Row], format: Format) -> io::Result<()> {
    let mut out = anstream::AutoStream::auto(io::stdout().lock());
    if format == Format::Json {
        for row in rows {
            writeln!(out, "{}", as_json(row))?;
        }
        return out.flush();
    }
    if rows.is_empty() {
        writeln!(out, "no tickets")?;
        return out.flush();
    }
    let head = STYLES.head;
    writeln!(
        out,
        "{head}{:>6}  {:<20}  {:<16}  {:<14}  {:<16}  {:>4} {:>4} {:>4} {:>4}  name{head:#}",
        "ticket", "added", "kind", "serial", "grade", "pass", "fail", "?", "skip"
    )?;
    for row in rows {
        let style = match row.grade.as_str() {
            "fit" => STYLES.pass,
            "not fit" => STYLES.limit,
            _ => STYLES.advice,
        };
        writeln!(
            out,
            "{:>6}  {:<20}  {:<16}  {:<14}  {style}{:<16}{style:#}  {:>4} {:>4} {:>4} {:>4}  {}",
            row.id,
            row.added,
            clean(&row.kind),
            clean(&row.serial),
            row.grade,
            row.passed,
            row.failed,
            row.cannot_tell,
            row.skipped,
            clean(&row.name)
        )?;
    }
    out.flush()
}

fn as_json(row: &Row) -> serde_json::Value {
    json!({
        "type": "ticket", "id": row.id, "added": row.added, "examined": row.examined,
        "kind": row.kind, "name": row.name, "maker": row.maker, "serial": row.serial,
        "model": row.model, "version": row.version, "grade": row.grade, "passed": row.passed,
        "failed": row.failed, "cannot_tell": row.cannot_tell, "skipped": row.skipped,
        "recording_sha256": row.recording_sha256,
    })
}

fn write_json(before: &Row, now: &Row, comparison: &Comparison) -> io::Result<()> {
    let mut out = io::stdout().lock();
    let mut put = |value: serde_json::Value| writeln!(out, "{value}");
    let turns = [
        ("worse", &comparison.worse),
        ("better", &comparison.better),
        ("other", &comparison.other),
    ];
    for (turn, all) in turns {
        for t in all {
            put(
                json!({"type": "turn", "turn": turn, "id": t.id, "before": t.before,
                       "now": t.now, "seen": t.seen}),
            )?;
        }
    }
    for d in &comparison.drifts {
        let of = |f: &payrig_examine::report::Figures| {
            json!({"count": f.count, "min_us": f.min, "median_us": f.median, "p95_us": f.p95,
                   "max_us": f.max})
        };
        put(
            json!({"type": "drift", "what": d.what, "limit_us": d.limit_us, "before": of(&d.before),
                   "now": of(&d.now), "certain": d.certain}),
        )?;
    }
    put(
        json!({"type": "comparison", "before": before.id, "now": now.id,
               "grade_before": comparison.grade.0, "grade_now": comparison.grade.1,
               "worse": comparison.worse.len(), "better": comparison.better.len(),
               "other": comparison.other.len(), "alike": comparison.alike,
               "is_worse": comparison.is_worse()}),
    )?;
    out.flush()
}

fn write_text(before: &Row, now: &Row, comparison: &Comparison) -> io::Result<()> {
    let mut out = anstream::AutoStream::auto(io::stdout().lock());
    let head = STYLES.head;
    let name = match now.name == now.kind {
        true => String::new(),
        false => format!(" {}", clean(&now.name)),
    };
    writeln!(
        out,
        "{head}{}{name}, serial {}{head:#}",
        clean(&now.kind),
        match now.serial.as_str() {
            "" => "unknown".to_owned(),
            serial => clean(serial),
        }
    )?;
    writeln!(
        out,
        "  before: ticket {}, {}, {}",
        before.id, before.added, before.grade
    )?;
    writeln!(
        out,
        "  now:    ticket {}, {}, {}",
        now.id, now.added, now.grade
    )?;
    let mut turns = |title: &str, style: anstyle::Style, all: &[Turn]| -> io::Result<()> {
        if all.is_empty() {
            return Ok(());
        }
        writeln!(out, "\n{style}{title}{style:#}")?;
        for t in all {
            let word = |o: Option<payrig_examine::Outcome>| o.map_or("not done", |o| o.words());
            let (then, now) = (word(t.before), word(t.now));
            writeln!(
                out,
                "  {}: {then} -> {now}: {}",
                clean(&t.id),
                clean(&t.seen)
            )?;
        }
        Ok(())
    };
    turns("Worse", STYLES.limit, &comparison.worse)?;
    turns("Better", STYLES.pass, &comparison.better)?;
    turns("Not to be compared", STYLES.dim, &comparison.other)?;
    if !comparison.drifts.is_empty() {
        writeln!(out, "\n{head}Times (median, longest){head:#}")?;
        for d in &comparison.drifts {
            drift(&mut out, d)?;
        }
    }
    writeln!(
        out,
        "\n{} came out as before",
        words::count(comparison.alike, "check")
    )?;
    out.flush()
}

fn drift(mut out: impl Write, d: &Drift) -> io::Result<()> {
    let moved = d.median_moved_us();
    let verdict = match (d.certain, moved) {
        (false, _) => "no drift that can be told".to_owned(),
        (true, 0..) => format!(
            "{} longer",
            payrig_units::Micros(moved.unsigned_abs() as u64)
        ),
        (true, _) => format!(
            "{} shorter",
            payrig_units::Micros(moved.unsigned_abs() as u64)
        ),
    };
    writeln!(
        out,
        "  {}: {} -> {}, longest {} -> {}: {verdict}",
        clean(&d.what),
        d.before.median,
        d.now.median,
        d.before.max,
        d.now.max
    )
}
