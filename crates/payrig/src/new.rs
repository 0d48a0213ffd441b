//! `payrig new`: a rig for a machine, from questions at the terminal, a file of answers, or what devices
//! said of themselves.

use crate::json::common::Problem;
use crate::json::written::Line;
use crate::lines;
use crate::outputs::{Files, unwritable, write_whole};
use crate::terminal::{self, put, screen};
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_rig::{Draft, Facts};
use payrig_units::Visible;
use payrig_wire::reading::{ReadOptions, read_file};
use std::fs::OpenOptions;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// What stands behind the first line of a rig: how to go on.
const TRY_IT: &str =
    "\n# Try it: payrig run FILE. Examine the board for it: payrig examine board --rig FILE\n";

/// Arguments of `payrig new`.
#[derive(Debug, Args)]
pub(crate) struct NewArguments {
    /// Where to write the rig; `-` is standard output.
    #[arg(default_value = "machine.toml")]
    file: PathBuf,
    /// Answers in a file, instead of at the terminal: TOML, each question's name with a text.
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// A recording or a logic capture: fills in what devices said of themselves.
    #[arg(long, value_name = "RECORDING|CAPTURE")]
    from: Option<PathBuf>,
    /// Replace the file if it is there.
    #[arg(long)]
    replace: bool,
    /// How to say what was written. With json nothing is asked: answers are in a file.
    #[arg(long, value_enum, default_value_t)]
    pub(crate) format: Format,
}

pub(crate) fn new(arguments: &NewArguments) -> Result<Exit, Failure> {
    let to_screen = arguments.file == Path::new("-");
    let mut files = Files::default();
    files.read("the answers", arguments.answers.as_deref());
    files.read("the recording or capture", arguments.from.as_deref());
    files.write("the rig", Some(&arguments.file))?;
    if !to_screen && !arguments.replace && arguments.file.symlink_metadata().is_ok() {
        return Err(is_there(&arguments.file));
    }
    let mut draft = Draft::of(facts(arguments.from.as_deref())?);
    match &arguments.answers {
        Some(path) => {
            let text = std::fs::read_to_string(path).map_err(|error| {
                Failure::wrong(Problem::of_file(
                    path,
                    format_args!("cannot be read: {error}"),
                ))
            })?;
            let read = draft.read_answers(path, &text);
            read.map_err(Failure::wrong)?;
        }
        None if io::stdin().is_terminal() && !lines::are_wanted() => ask(&mut draft)?,
        None if arguments.from.is_some() => {}
        None => {
            return Err(Failure::wrong(
                "there is no terminal to ask at: give the answers in a file (--answers FILE), or a \
                 recording or capture to begin with (--from FILE); the guide has both under Rigs"
                    .to_owned(),
            ));
        }
    }
    let text = draft.text().map_err(Failure::wrong)?;
    let text = text.replacen('\n', TRY_IT, 1);
    let open = text.lines().filter(|line| line.contains("CHECK")).count();
    let open = open.saturating_sub(1);
    if arguments.format == Format::Json {
        if !to_screen {
            write(&arguments.file, &text, arguments.replace)?;
            terminal::wrote("rig", &arguments.file)?;
        }
        lines::put(&Line::Rig {
            lines: text.lines().count(),
            to_check: open,
            text: to_screen.then_some(text.as_str()),
        })?;
        return Ok(Exit::Passed);
    }
    if to_screen {
        let mut out = screen();
        out.write_all(text.as_bytes())?;
        out.flush()?;
        return Ok(Exit::Passed);
    }
    write(&arguments.file, &text, arguments.replace)?;
    put!(
        "wrote {}: {} lines, {} to check. Next: payrig run {0}",
        Visible(&arguments.file.display().to_string()),
        text.lines().count(),
        match open {
            0 => "none".to_owned(),
            n => n.to_string(),
        }
    )?;
    Ok(Exit::Passed)
}

fn facts(from: Option<&Path>) -> Result<Facts, Failure> {
    let Some(path) = from else {
        return Ok(Facts::default());
    };
    let reading = read_file(path, &ReadOptions::default());
    let reading = reading.map_err(Failure::wrong)?;
    let facts = Facts::of(&reading.entries);
    if facts.is_empty() {
        let advice = "begin recording before the machine is switched on";
        let what = format!("no device says what it is in it: {advice}");
        return Err(Failure::wrong(
            Problem::of_file(path, what).advise(Some(advice)),
        ));
    }
    Ok(facts)
}

fn is_there(path: &Path) -> Failure {
    let text = format!(
        "{} is there already: give another name, or --replace",
        path.display()
    );
    Failure::wrong(
        Problem::of_file(path, "is there already")
            .advise(Some("give another name, or --replace"))
            .shown_as(text),
    )
}

/// Writes the rig whole, and replaces nothing unless that is wanted.
fn write(path: &Path, text: &str, replace: bool) -> Result<(), Failure> {
    let cannot = |error: io::Error| match error.kind() {
        io::ErrorKind::AlreadyExists => is_there(path),
        _ => unwritable(path, &error),
    };
    if replace {
        return write_whole(path, |out| out.write_all(text.as_bytes()));
    }
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .map_err(cannot)?;
    file.write_all(text.as_bytes()).map_err(cannot)?;
    file.sync_all().map_err(cannot)
}

/// Asks at the terminal until nothing is open.
fn ask(draft: &mut Draft) -> Result<(), Failure> {
    let columns = crate::report::terminal_width();
    let how = "A new rig. Return takes what stands in brackets, ? leaves it open and marks it, Ctrl-D ends \
               without a file.";
    for line in textwrap::wrap(how, columns) {
        put!("{line}")?;
    }
    let mut asked = Vec::new();
    while let Some(question) = draft.next(&asked) {
        let number = asked.len() + 1;
        let usual = draft.usual(question);
        put!("")?;
        wrapped("", &format!("{number}. {}", question.ask), columns)?;
        wrapped("   ", question.expected, columns)?;
        loop {
            let mut out = screen();
            match usual.is_empty() {
                true => write!(out, "   > ")?,
                // Room for as much again.
                false if 2 * usual.chars().count() + 10 > columns => {
                    write!(out, "   [{}]\n   > ", Visible(&usual))?;
                }
                false => write!(out, "   [{}] > ", Visible(&usual))?,
            }
            out.flush()?;
            let mut answer = String::new();
            let read = io::stdin().read_line(&mut answer);
            if read.map_err(Failure::Output)? == 0 {
                return Err(Failure::wrong(
                    "ended before the last question: nothing is written".to_owned(),
                ));
            }
            // What is usual is agreed to; what a device said stays its own.
            let answer = match answer.trim() {
                "" if draft.is_known(question) => "",
                "" => usual.as_str(),
                given => given,
            };
            match draft.answer(question, answer) {
                Ok(()) => break,
                Err(why) => wrapped("   ", &why, columns)?,
            }
        }
        asked.push(question.id);
    }
    put!("")?;
    Ok(())
}

/// Lines of a question, behind its number.
fn wrapped(first: &str, text: &str, columns: usize) -> Result<(), Failure> {
    let how = textwrap::Options::new(columns)
        .initial_indent(first)
        .subsequent_indent("   ");
    for line in textwrap::wrap(text, how) {
        put!("{}", Visible(&line))?;
    }
    Ok(())
}
