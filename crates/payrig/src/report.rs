//! `payrig report`.

use crate::{Exit, Failure};
use clap::Args;
use payrig_examine::Examination;
use payrig_examine::report::{
    ReportError, example, read_json, text_table, write_html, write_json, write_junit,
};
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Arguments of `payrig report`.
#[derive(Debug, Args)]
pub(crate) struct ReportArguments {
    /// An examination saved as JSON; - reads it from standard input.
    #[arg(required_unless_present = "example", conflicts_with = "example")]
    file: Option<PathBuf>,
    /// Report an invented examination instead, to see what reports look like.
    #[arg(long)]
    example: bool,
    #[command(flatten)]
    outputs: ReportOutputs,
}

/// Where reports go.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct ReportOutputs {
    /// Write one HTML file, to look at or to print and sign.
    #[arg(long, value_name = "FILE")]
    pub(crate) html: Option<PathBuf>,
    /// Write JUnit XML, for build servers.
    #[arg(long, value_name = "FILE")]
    pub(crate) junit: Option<PathBuf>,
    /// Save the examination as JSON; `payrig report` reads it again.
    #[arg(long, value_name = "FILE")]
    pub(crate) json: Option<PathBuf>,
}

type Writer = fn(&Examination, &mut BufWriter<File>) -> Result<(), ReportError>;

impl ReportOutputs {
    /// True when some file is to be written.
    pub(crate) fn any(&self) -> bool {
        self.html.is_some() || self.junit.is_some() || self.json.is_some()
    }

    /// Writes what was asked for, and returns the files written.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub(crate) fn write(&self, examination: &Examination) -> Result<Vec<&Path>, Failure> {
        let jobs: [(&Option<PathBuf>, Writer); 3] = [
            (&self.html, |e, out| write_html(e, out)),
            (&self.junit, |e, out| write_junit(e, out)),
            (&self.json, |e, out| write_json(e, out)),
        ];
        let mut written = Vec::new();
        for (path, writer) in jobs {
            let Some(path) = path else { continue };
            let wrong = |error: &dyn std::fmt::Display| {
                Failure::Wrong(format!("{}: cannot be written: {error}", path.display()))
            };
            let mut out = BufWriter::new(File::create(path).map_err(|e| wrong(&e))?);
            writer(examination, &mut out).map_err(|e| wrong(&e))?;
            out.flush().map_err(|e| wrong(&e))?;
            written.push(path.as_path());
        }
        Ok(written)
    }
}

/// The width of the terminal, 100 where there is none.
pub(crate) fn terminal_width() -> usize {
    terminal_size::terminal_size().map_or(100, |(width, _)| usize::from(width.0))
}

/// Prints the table of an examination.
///
/// # Errors
/// When standard output fails.
pub(crate) fn print_table(examination: &Examination) -> io::Result<()> {
    let mut out = anstream::AutoStream::auto(io::stdout().lock());
    out.write_all(text_table(examination, terminal_width()).as_bytes())?;
    out.flush()
}

pub(crate) fn load(file: &Path) -> Result<Examination, Failure> {
    let wrong =
        |error: &dyn std::fmt::Display| Failure::Wrong(format!("{}: {error}", file.display()));
    if file == Path::new("-") {
        return read_json(io::stdin().lock()).map_err(|e| wrong(&e));
    }
    let opened = File::open(file).map_err(|e| {
        wrong(&format!(
            "cannot be read: {e}; give a file that `payrig examine --json` wrote"
        ))
    })?;
    read_json(BufReader::new(opened)).map_err(|e| wrong(&e))
}

pub(crate) fn report(arguments: &ReportArguments) -> Result<Exit, Failure> {
    let examination = match &arguments.file {
        Some(file) => load(file)?,
        None => example(),
    };
    if arguments.outputs.any() {
        for path in arguments.outputs.write(&examination)? {
            anstream::println!("wrote {}", path.display());
        }
    } else {
        print_table(&examination)?;
    }
    Ok(if examination.passed() {
        Exit::Passed
    } else {
        Exit::FellShort
    })
}
