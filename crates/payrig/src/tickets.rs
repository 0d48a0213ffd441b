//! `payrig tickets`.

mod comparison;
mod list;
mod paper;
mod which;

use crate::advice;
use crate::json::common::{EXAMINE, Named, Problem, TICKETS};
use crate::json::examine::Line as ExamineLine;
use crate::json::tickets::{Kept, Line as TicketLine};
use crate::lines;
use crate::outputs::{Files, write_whole};
use crate::recording::put_elsewhere;
use crate::report::{ReportOutputs, print_table, report_all, write_lines};
use crate::style::STYLES;
use crate::terminal::{self, caution, put, say, say_to_people, warn_in};
use crate::{Exit, Failure, Format};
use clap::{Args, Subcommand};
use comparison::{no_visit_before, other_unit, write_json, write_text};
use list::list;
use paper::RepairArguments;
use payrig_exam::Examination;
use payrig_report::write_json as write_json_report;
use payrig_tickets::{
    Remark, RemarkKind, Site, Store, StoreError, clock, compare, default_path, export_csv,
    same_kind,
};
use payrig_units::words;
use std::io;
use std::path::{Path, PathBuf};
use which::{TicketName, Which};

/// Arguments of `payrig tickets`; without a command it lists all.
#[derive(Debug, Args)]
pub(crate) struct TicketsArguments {
    /// The file of tickets [default: ./payrig-tickets.sqlite where there is one, else
    /// payrig/tickets.sqlite in your data folder].
    #[arg(long, value_name = "FILE", global = true)]
    db: Option<PathBuf>,
    /// The time zone of the site, as in Europe/Lisbon [default: this computer's].
    #[arg(long, value_name = "ZONE", global = true, value_parser = Site::named)]
    zone: Option<Site>,
    /// How to write what was found.
    #[arg(long, value_enum, default_value_t, global = true)]
    pub(crate) format: Format,
    #[command(subcommand)]
    what: Option<What>,
}

#[derive(Debug, Subcommand)]
enum What {
    /// List all tickets, or those of one serial number.
    List {
        /// Only of this serial number; zeros before it may be left away.
        #[arg(long)]
        serial: Option<String>,
    },
    /// Show the examination of a ticket, or write it as a report.
    Show {
        #[command(flatten)]
        which: Which,
        #[command(flatten)]
        outputs: ReportOutputs,
    },
    /// Hold a ticket against the last visit of the same unit: what got worse, what got better.
    Compare {
        #[command(flatten)]
        which: Which,
        /// Hold it against this ticket instead.
        #[arg(long, value_name = "TICKET")]
        with: Option<TicketName>,
    },
    /// List what is on the shelf: the newest ticket of every unit, what failed and what to do about it.
    Repair(RepairArguments),
    /// Write labels to stick to units, 62 mm wide, with a code that a scanner reads.
    Label {
        /// The tickets.
        #[arg(required = true)]
        tickets: Vec<TicketName>,
        /// Write one HTML file, made for printing.
        #[arg(long, value_name = "FILE")]
        html: PathBuf,
    },
    /// Write a note on a ticket.
    Note {
        /// The ticket.
        ticket: TicketName,
        /// What it says.
        text: String,
    },
    /// Write the customer's reference on a ticket: an order, a machine. The last one counts.
    Customer {
        /// The ticket.
        ticket: TicketName,
        /// The reference.
        reference: String,
    },
    /// Make a ticket void: it stays, and counts no more.
    Void {
        /// The ticket.
        ticket: TicketName,
        /// Why.
        reason: String,
    },
    /// Keep a saved examination as a ticket.
    Add {
        /// An examination saved as JSON. One that has a ticket gets no second.
        file: PathBuf,
        #[command(flatten)]
        remarks: RemarkArguments,
    },
    /// Write all tickets as a table for a spreadsheet.
    Export {
        /// Write CSV to this file; - is standard output.
        #[arg(long, value_name = "FILE")]
        csv: PathBuf,
        /// Only of this serial number; zeros before it may be left away.
        #[arg(long)]
        serial: Option<String>,
    },
}

/// What is said of a ticket as it is made.
#[derive(Clone, Debug, Default, Args)]
struct RemarkArguments {
    /// Write this note on the ticket.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Write the customer's reference on the ticket: an order, a machine.
    #[arg(long, value_name = "REFERENCE")]
    customer: Option<String>,
}

impl RemarkArguments {
    fn write(&self, store: &mut Store, id: i64) -> Result<(), StoreError> {
        let all = [
            (RemarkKind::Customer, &self.customer),
            (RemarkKind::Note, &self.note),
        ];
        for (kind, text) in all {
            if let Some(text) = text {
                store.remark(id, kind, text)?;
            }
        }
        Ok(())
    }
}

/// Opens the file of tickets to add to it, and says where it is when it is new.
fn open(path: &Path, site: Option<&Site>) -> Result<Store, StoreError> {
    let store = Store::open(path)?;
    if store.is_new() {
        let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
        say!(
            "Tickets are kept in {}, which is new; --db FILE names another.",
            whole.display()
        );
    }
    Ok(match site {
        Some(site) => store.at(site.clone()),
        None => store,
    })
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
    /// The time zone of the site, as in Europe/Lisbon [default: this computer's].
    #[arg(long, value_name = "ZONE", requires = "ticket", value_parser = Site::named)]
    zone: Option<Site>,
    #[command(flatten)]
    remarks: RemarkArguments,
}

impl TicketOutput {
    fn path(&self) -> PathBuf {
        self.db.clone().unwrap_or_else(default_path)
    }

    /// Says what will be written.
    ///
    /// # Errors
    /// When it is read or written otherwise.
    pub(crate) fn files(&self, files: &mut Files) -> Result<(), Failure> {
        match self.ticket {
            true => files.tickets(&self.path()),
            false => Ok(()),
        }
    }

    /// Looks whether the file of tickets can be written, where one is to be kept.
    ///
    /// # Errors
    /// When it cannot be made or opened, or is something else.
    pub(crate) fn can_be_kept(&self) -> Result<(), Failure> {
        let said = [&self.remarks.note, &self.remarks.customer];
        if self.ticket {
            open(&self.path(), self.zone.as_ref())?;
        } else if said.into_iter().any(Option::is_some) {
            let text = "--note and --customer are written on a ticket: add --ticket";
            return Err(Failure::wrong(text.to_owned()));
        }
        Ok(())
    }

    /// Keeps an examination, where that was asked for, and says so.
    ///
    /// # Errors
    /// When the file of tickets cannot be written: the examination is then in a file that `tickets
    /// add` takes, and the error names it.
    pub(crate) fn keep(&self, examination: &Examination) -> Result<(), Failure> {
        if self.ticket {
            let path = self.path();
            let mut store =
                open(&path, self.zone.as_ref()).map_err(|error| not_kept(&error, examination))?;
            let id = store
                .add(examination)
                .map_err(|error| not_kept(&error, examination))?;
            lines::put(&ExamineLine::Kept(as_kept(id, &path, false)))?;
            say_to_people(format_args!("ticket {id} in {}", path.display()));
            self.remarks.write(&mut store, id)?;
            if examination.subject.serial.is_empty() {
                caution!(
                    "It says no serial number: give it with --serial, so that the next visit of this \
                     unit can be compared with this one."
                );
            }
        }
        Ok(())
    }
}

/// A ticket that its file does not take is kept in one of its own.
fn not_kept(error: &StoreError, examination: &Examination) -> Failure {
    let mut json = Vec::new();
    let kept = write_json_report(examination, &mut json)
        .map_err(|error| error.to_string())
        .and_then(|()| put_elsewhere("ticket.json", &json).map_err(|error| error.to_string()));
    Failure::wrong(match kept {
        Ok(file) => format!(
            "{error}. The examination is in {0}: `payrig tickets add {0}` makes a ticket of it",
            file.display()
        ),
        Err(why) => format!("{error}. The examination could not be kept elsewhere: {why}"),
    })
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        let here = advice::of_tickets(&error);
        Self::wrong(Problem::from(error.to_string()).beside(here))
    }
}

pub(crate) fn tickets(arguments: &TicketsArguments) -> Result<Exit, Failure> {
    let path = arguments.db.clone().unwrap_or_else(default_path);
    let site = arguments.zone.as_ref();
    let mut files = Files::default();
    files.tickets(&path)?;
    // Alone it lists them.
    let all = What::List { serial: None };
    let format = arguments.format;
    match arguments.what.as_ref().unwrap_or(&all) {
        What::Add { file, remarks } => {
            files.write("the file of tickets", Some(file))?;
            let examination = crate::report::load(file)?;
            let mut store = open(&path, site)?;
            let added = store.add_once(&examination)?;
            kept(added.id, &path, added.was_there, format)?;
            remarks.write(&mut store, added.id)?;
            Ok(Exit::Passed)
        }
        What::List { serial } => {
            let rows = Store::open_to_read(&path)?.list(serial.as_deref())?;
            list(&rows, format)?;
            Ok(Exit::Passed)
        }
        What::Show { which, outputs } => {
            outputs.files(&mut files)?;
            let store = Store::open_to_read(&path)?;
            let ticket = store.get(which.find(&store)?)?;
            if outputs.any() {
                let (written, wrong) = outputs.write(&ticket.examination);
                for path in written {
                    terminal::wrote(outputs.what(path), path)?;
                }
                report_all(wrong)?;
            }
            if format == Format::Json {
                let line = ExamineLine::Ticket((&ticket.row).into());
                write_lines(&ticket.examination, Some(line))?;
            } else if !outputs.any() {
                put!(
                    "ticket {}, added {}",
                    ticket.row.id,
                    ticket.row.added_clock()
                )?;
                for remark in &ticket.row.remarks {
                    put!("{}", in_words(remark))?;
                }
                print_table(&ticket.examination)?;
            }
            Ok(Exit::Passed)
        }
        What::Repair(arguments) => {
            let here = site.cloned().unwrap_or_else(Site::of_this_computer);
            paper::repair(arguments, format, &path, &here, files)
        }
        What::Label { tickets, html } => {
            files.write("the labels", Some(html))?;
            let store = Store::open_to_read(&path)?;
            let ids: Vec<i64> = tickets
                .iter()
                .map(|ticket| ticket.find(&store))
                .collect::<Result<_, _>>()?;
            paper::labels(&store, &ids, html)
        }
        What::Note { ticket, text } => remark(arguments, &path, ticket, RemarkKind::Note, text),
        What::Customer { ticket, reference } => {
            remark(arguments, &path, ticket, RemarkKind::Customer, reference)
        }
        What::Void { ticket, reason } => remark(arguments, &path, ticket, RemarkKind::Void, reason),
        What::Compare { which, with } => {
            let store = Store::open_to_read(&path)?;
            let now = which.find(&store)?;
            let before = match with {
                Some(ticket) => Some(ticket.find(&store)?),
                None => store.visit_before(now)?,
            };
            compare_with(&store, now, before, format)
        }
        What::Export { csv, serial } => {
            files.write("the table", Some(csv))?;
            let rows = Store::open_to_read(&path)?.list(serial.as_deref())?;
            if csv.as_os_str() == "-" && format == Format::Json {
                let text =
                    "a table and JSON cannot both go to standard output: name a file with --csv";
                return Err(Failure::wrong(text));
            }
            if csv.as_os_str() == "-" {
                export_csv(&rows, terminal::screen()).map_err(|error| match error.into_kind() {
                    csv::ErrorKind::Io(error) => Failure::Output(error),
                    _ => Failure::wrong("the tickets cannot be written as CSV".to_owned()),
                })?;
            } else {
                write_whole(csv, |out| export_csv(&rows, out))?;
                match format {
                    Format::Json => terminal::wrote("csv", csv)?,
                    Format::Text => put!(
                        "wrote {} to {}",
                        words::count(rows.len(), "ticket"),
                        csv.display()
                    )?,
                }
            }
            Ok(Exit::Passed)
        }
    }
}

fn as_kept(id: i64, db: &Path, was_there: bool) -> Kept {
    Kept {
        ticket: id.to_string(),
        db: db.display().to_string(),
        was_there,
    }
}

/// Says that an examination was kept as a ticket.
fn kept(id: i64, db: &Path, was_there: bool, format: Format) -> io::Result<()> {
    match (format, was_there) {
        (Format::Json, _) => lines::put(&TicketLine::Kept(as_kept(id, db, was_there))),
        (Format::Text, true) => put!("ticket {id} in {}: it was there already", db.display()),
        (Format::Text, false) => put!("ticket {id} in {}", db.display()),
    }
}

impl TicketsArguments {
    /// The schema of what it writes as JSON.
    pub(crate) const fn named(&self) -> Named {
        match self.what {
            Some(What::Show { .. }) => EXAMINE,
            _ => TICKETS,
        }
    }
}

/// Says something of a ticket.
fn remark(
    arguments: &TicketsArguments,
    path: &Path,
    ticket: &TicketName,
    kind: RemarkKind,
    text: &str,
) -> Result<Exit, Failure> {
    let store = Store::open_to_remark(path)?;
    let mut store = match &arguments.zone {
        Some(site) => store.at(site.clone()),
        None => store,
    };
    let id = ticket.find(&store)?;
    store.remark(id, kind, text)?;
    match arguments.format {
        Format::Json => lines::put(&TicketLine::Remark {
            ticket: id.to_string(),
            what: kind.into(),
            text,
        })?,
        Format::Text => put!("{kind} on ticket {id} in {}", path.display())?,
    }
    Ok(Exit::Passed)
}

/// A remark as a line.
fn in_words(remark: &Remark) -> String {
    let at = clock(&remark.added_local, &remark.added);
    format!("{}: {} ({at})", remark.kind, clean(&remark.text))
}

/// Holds a ticket against one before.
fn compare_with(
    store: &Store,
    now: i64,
    before: Option<i64>,
    format: Format,
) -> Result<Exit, Failure> {
    let Some(before) = before else {
        return Err(Failure::wrong(no_visit_before(&store.get(now)?.row)));
    };
    let (before, now) = (store.get(before)?, store.get(now)?);
    if !same_kind(&before.row.kind, &now.row.kind) {
        return Err(Failure::wrong(format!(
            "ticket {} is of a {}, ticket {} of a {}: only two of one kind can be compared",
            before.row.id,
            clean(&before.row.kind),
            now.row.id,
            clean(&now.row.kind)
        )));
    }
    let comparison = compare(&before.examination, &now.examination);
    for row in [&before.row, &now.row] {
        if let Some(why) = row.void() {
            let text = format_args!("ticket {} is void: {}", row.id, clean(why));
            warn_in(STYLES.limit, text);
        }
    }
    if let Some(warning) = other_unit(&before.row, &now.row) {
        warn_in(STYLES.limit, format_args!("{warning}"));
    }
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

/// A column of text with what a device may have put into it made harmless.
fn clean(text: &str) -> String {
    payrig_units::visible(text).into_owned()
}
