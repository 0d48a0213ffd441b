//! `payrig report`.

use crate::json::common::Problem;
use crate::json::examine::Line;
use crate::lines;
use crate::outputs::{Files, can_be_written, reader, write_whole};
use crate::terminal;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_exam::Examination;
use payrig_report::{
    ReportError, example, read_json, text_table, write_html, write_json, write_junit,
};
use std::fs::File;
use std::io::{self, BufWriter, Write};
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
    /// How to write it where no file was asked for.
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
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

    /// The same for one of several subjects: each has files of its own.
    pub(crate) fn of_subject(&self, subject: &str) -> Self {
        let of = |path: &Option<PathBuf>| path.as_deref().map(|path| beside(path, subject));
        Self {
            html: of(&self.html),
            junit: of(&self.junit),
            json: of(&self.json),
        }
    }

    /// Says what will be written.
    ///
    /// # Errors
    /// When one of them would replace another, or something that is read.
    pub(crate) fn files(&self, files: &mut Files) -> Result<(), Failure> {
        files.write("the HTML report", self.html.as_deref())?;
        files.write("the JUnit report", self.junit.as_deref())?;
        files.write("the saved examination", self.json.as_deref())
    }

    /// Looks whether every file can be written, and leaves all as they are: what was found in an hour
    /// is not to be lost at its end for a folder that is not there.
    ///
    /// # Errors
    /// When one cannot be written.
    pub(crate) fn can_be_written(&self) -> Result<(), Failure> {
        let all = [&self.html, &self.junit, &self.json];
        all.into_iter()
            .flatten()
            .try_for_each(|path| can_be_written(path))
    }

    /// The files that are to be written, with what they are.
    fn named(&self) -> [(&'static str, Option<&Path>); 3] {
        [
            ("html", self.html.as_deref()),
            ("junit", self.junit.as_deref()),
            ("json", self.json.as_deref()),
        ]
    }

    /// What a file of these is.
    pub(crate) fn what(&self, path: &Path) -> &'static str {
        let named = self.named();
        let known = named.iter().find(|(_, its)| *its == Some(path));
        known.map_or("report", |(what, _)| what)
    }

    /// Writes what was asked for, and returns the files written and what went wrong: one that cannot
    /// be written keeps none of the others from it.
    pub(crate) fn write(&self, examination: &Examination) -> (Vec<&Path>, Vec<Failure>) {
        let jobs: [(&Option<PathBuf>, Writer); 3] = [
            (&self.html, |e, out| write_html(e, out)),
            (&self.junit, |e, out| write_junit(e, out)),
            (&self.json, |e, out| write_json(e, out)),
        ];
        let (mut written, mut wrong) = (Vec::new(), Vec::new());
        for (path, writer) in jobs {
            let Some(path) = path else { continue };
            match write_whole(path, |out| writer(examination, out)) {
                Ok(()) => written.push(path.as_path()),
                Err(failure) => wrong.push(failure),
            }
        }
        (written, wrong)
    }
}

/// The file of one of several subjects: `report.html` becomes `report-changer.html`.
pub(crate) fn beside(path: &Path, subject: &str) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default();
    let mut name = stem.to_owned();
    name.push("-");
    name.push(subject);
    if let Some(extension) = path.extension() {
        name.push(".");
        name.push(extension);
    }
    path.with_file_name(name)
}

/// All of them are reported; the last is what the program ends with.
///
/// # Errors
/// When there is any.
pub(crate) fn report_all(mut failures: Vec<Failure>) -> Result<(), Failure> {
    let Some(last) = failures.pop() else {
        return Ok(());
    };
    failures.iter().for_each(Failure::tell);
    Err(last)
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
    let mut out = terminal::screen();
    out.write_all(text_table(examination, terminal_width()).as_bytes())?;
    out.flush()
}

/// Writes an examination that is over as lines; of a ticket, with that.
///
/// # Errors
/// When standard output fails.
pub(crate) fn write_lines(examination: &Examination, ticket: Option<Line<'_>>) -> io::Result<()> {
    if let Some(header) = lines::plain_header() {
        lines::header(&header.money(examination.decimals, None))?;
    }
    ticket.iter().try_for_each(lines::put)?;
    let subject = &examination.subject.kind;
    Line::all(subject, examination).try_for_each(|line| lines::put(&line))?;
    lines::flush()
}

pub(crate) fn load(file: &Path) -> Result<Examination, Failure> {
    let wrong = |error: ReportError| {
        let line = match &error {
            ReportError::Json { line, .. } => u64::try_from(*line).ok(),
            _ => None,
        };
        Failure::wrong(Problem::of_file(file, error).in_line(line))
    };
    if file == Path::new("-") {
        return read_json(io::stdin().lock()).map_err(wrong);
    }
    let opened = reader(file).map_err(|e| {
        let advice = "give a file that `payrig examine --json` wrote";
        let problem = Problem::of_file(file, format_args!("cannot be read: {e}; {advice}"));
        Failure::wrong(problem.advise(Some(advice)))
    })?;
    read_json(opened).map_err(wrong)
}

pub(crate) fn report(arguments: &ReportArguments) -> Result<Exit, Failure> {
    let mut files = Files::default();
    files.read(
        "the saved examination that is read",
        arguments.file.as_deref(),
    );
    arguments.outputs.files(&mut files)?;
    let examination = match &arguments.file {
        Some(file) => load(file)?,
        None => example(),
    };
    if arguments.outputs.any() {
        let (written, wrong) = arguments.outputs.write(&examination);
        for path in written {
            terminal::wrote(arguments.outputs.what(path), path)?;
        }
        report_all(wrong)?;
    }
    if arguments.format == Format::Json {
        write_lines(&examination, None)?;
    } else if !arguments.outputs.any() {
        print_table(&examination)?;
    }
    Ok(if examination.passed() {
        Exit::Passed
    } else {
        Exit::FellShort
    })
}
