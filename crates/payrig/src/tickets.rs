//! `payrig tickets`.

mod comparison;
mod list;

use crate::outputs::{Files, write_whole};
use crate::recording::put_elsewhere;
use crate::report::{ReportOutputs, print_table, report_all};
use crate::style::STYLES;
use crate::terminal::{self, put, say, say_in};
use crate::{Exit, Failure, Format};
use clap::{Args, Subcommand};
use comparison::{no_visit_before, other_unit, write_json, write_text};
use list::list;
use payrig_exam::Examination;
use payrig_report::write_json as write_json_report;
use payrig_tickets::{Store, StoreError, compare, default_path, export_csv, same_kind};
use payrig_units::words;
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
        if self.ticket {
            Store::open(&self.path())?;
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
            let id = Store::open(&path)
                .and_then(|mut store| store.add(examination))
                .map_err(|error| not_kept(&error, examination))?;
            say!("ticket {id} in {}", path.display());
            if examination.subject.serial.is_empty() {
                say!(
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
    Failure::Wrong(match kept {
        Ok(file) => format!(
            "{error}. The examination is in {0}: `payrig tickets add {0}` makes a ticket of it",
            file.display()
        ),
        Err(why) => format!("{error}. The examination could not be kept elsewhere: {why}"),
    })
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Wrong(error.to_string())
    }
}

pub(crate) fn tickets(arguments: &TicketsArguments) -> Result<Exit, Failure> {
    let path = arguments.db.clone().unwrap_or_else(default_path);
    let mut files = Files::default();
    files.tickets(&path)?;
    // Alone it lists them.
    let all = What::List {
        serial: None,
        format: Format::default(),
    };
    match arguments.what.as_ref().unwrap_or(&all) {
        What::Add { file } => {
            files.write("the file of tickets", Some(file))?;
            let examination = crate::report::load(file)?;
            let id = Store::open(&path)?.add(&examination)?;
            put!("ticket {id} in {}", path.display())?;
            Ok(Exit::Passed)
        }
        What::List { serial, format } => {
            let rows = Store::open_to_read(&path)?.list(serial.as_deref())?;
            list(&rows, *format)?;
            Ok(Exit::Passed)
        }
        What::Show { ticket, outputs } => {
            outputs.files(&mut files)?;
            let ticket = Store::open_to_read(&path)?.get(*ticket)?;
            if outputs.any() {
                let (written, wrong) = outputs.write(&ticket.examination);
                for path in written {
                    put!("wrote {}", path.display())?;
                }
                report_all(wrong)?;
            } else {
                put!("ticket {}, added {}", ticket.row.id, ticket.row.added)?;
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
                return Err(Failure::Wrong(no_visit_before(&store.get(now)?.row)));
            };
            let (before, now) = (store.get(before)?, store.get(now)?);
            if !same_kind(&before.row.kind, &now.row.kind) {
                return Err(Failure::Wrong(format!(
                    "ticket {} is of a {}, ticket {} of a {}: only two of one kind can be compared",
                    before.row.id,
                    clean(&before.row.kind),
                    now.row.id,
                    clean(&now.row.kind)
                )));
            }
            let comparison = compare(&before.examination, &now.examination);
            if let Some(warning) = other_unit(&before.row, &now.row) {
                say_in(STYLES.limit, format_args!("{warning}"));
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
        What::Export { csv, serial } => {
            files.write("the table", Some(csv))?;
            let rows = Store::open_to_read(&path)?.list(serial.as_deref())?;
            if csv.as_os_str() == "-" {
                export_csv(&rows, terminal::screen()).map_err(|error| match error.into_kind() {
                    csv::ErrorKind::Io(error) => Failure::Output(error),
                    _ => Failure::Wrong("the tickets cannot be written as CSV".to_owned()),
                })?;
            } else {
                write_whole(csv, |out| export_csv(&rows, out))?;
                put!(
                    "wrote {} to {}",
                    words::count(rows.len(), "ticket"),
                    csv.display()
                )?;
            }
            Ok(Exit::Passed)
        }
    }
}

/// A column of text with what a device may have put into it made harmless.
fn clean(text: &str) -> String {
    payrig_units::visible(text).into_owned()
}
