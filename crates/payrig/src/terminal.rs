//! What goes to a terminal. The one place that knows of readers who go away, of lines for scripts, and
//! of characters that act instead of being read.

use crate::json::common::Line;
use crate::lines;
use payrig_units::Visible;
use std::fmt;
use std::io::{self, IsTerminal, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

pub(crate) use crate::lines::{Screen, json_line, screen};

/// Says something on standard error, a line or more, and as a line of JSON on standard output where
/// those are wanted. Whatever of it would act on a terminal is written out; nobody has to be there to read it.
macro_rules! say {
    ($($words:tt)*) => { $crate::terminal::say_line(format_args!($($words)*)) };
}

/// The same, of what should be known.
macro_rules! caution {
    ($($words:tt)*) => { $crate::terminal::warn_line(format_args!($($words)*)) };
}

/// Writes a line to standard output. Styles and names are the caller's to make visible.
macro_rules! put {
    ($($words:tt)*) => {
        <_ as std::io::Write>::write_fmt(
            &mut $crate::terminal::screen(),
            format_args!("{}\n", format_args!($($words)*)),
        )
    };
}

pub(crate) use {caution, put, say};

/// The width of the terminal that standard output is; nothing where it is none, or is told to be.
pub(crate) fn width() -> Option<usize> {
    if !io::stdout().is_terminal() {
        return None;
    }
    terminal_size::terminal_size().map(|(width, _)| usize::from(width.0).max(40))
}

/// The same, written in large pieces: it is to be flushed.
pub(crate) fn buffered() -> io::BufWriter<Screen<anstream::AutoStream<io::Stdout>>> {
    io::BufWriter::new(screen())
}

/// [`say!`].
pub(crate) fn say_line(text: fmt::Arguments<'_>) {
    lines::tell(|| Line::Notice {
        text: text.to_string(),
    });
    say_in(anstyle::Style::new(), text);
}

/// [`caution!`].
pub(crate) fn warn_line(text: fmt::Arguments<'_>) {
    warn_in(anstyle::Style::new(), text);
}

/// The same in a style.
pub(crate) fn warn_in(style: anstyle::Style, text: fmt::Arguments<'_>) {
    lines::tell(|| Line::Warning(text.to_string().into()));
    say_in(style, text);
}

/// Says that a file was written: on standard output, or on standard error where that has other things.
pub(crate) fn wrote(what: &'static str, file: &Path) -> io::Result<()> {
    match lines::are_wanted() {
        true => lines::put(&Line::wrote(what, file)),
        false => put!("wrote {}", file.display()),
    }
}

/// To people only: as JSON it is said otherwise.
pub(crate) fn say_to_people(text: fmt::Arguments<'_>) {
    say_in(anstyle::Style::new(), text);
}

fn say_in(style: anstyle::Style, text: fmt::Arguments<'_>) {
    let text = text.to_string();
    let width = message_width();
    let mut out = anstream::stderr().lock();
    if UNDER_WAY.swap(false, Ordering::Relaxed) {
        let _ = write!(out, "\r\u{1b}[K");
    }
    for line in text.split('\n') {
        let line = Visible(line).to_string();
        for line in folded(&line, width) {
            // Where nobody listens nothing is lost.
            let _ = writeln!(out, "{style}{line}{style:#}");
        }
    }
}

/// Something that is under way stands on the last line of standard error, to be written over.
static UNDER_WAY: AtomicBool = AtomicBool::new(false);

/// Shows what is under way on one line, which the next message takes away; nothing where standard error is
/// no terminal.
pub(crate) fn under_way(text: &str) {
    let Some(width) = message_width().filter(|_| !lines::are_wanted()) else {
        return;
    };
    let text = Visible(text).to_string();
    let text: String = text.chars().take(width.saturating_sub(1)).collect();
    let mut out = anstream::stderr().lock();
    let _ = write!(out, "\r\u{1b}[K{text}").and_then(|()| out.flush());
    UNDER_WAY.store(true, Ordering::Relaxed);
}

/// Throws away what was typed and not read yet, the beginning of a line included.
pub(crate) fn forget_keys() {
    #[cfg(unix)]
    if io::stdin().is_terminal() {
        let queue = rustix::termios::QueueSelector::IFlush;
        // Where that cannot be done, the line is taken for an answer, and a person sees it.
        let _ = rustix::termios::tcflush(io::stdin(), queue);
    }
}

/// The width of the terminal that standard error is, if it is one.
fn message_width() -> Option<usize> {
    let stderr = io::stderr();
    if !stderr.is_terminal() {
        return None;
    }
    terminal_size::terminal_size_of(stderr).map(|(width, _)| usize::from(width.0).max(40))
}

/// A line, wrapped at a width where there is one: what follows stands under what it begins with.
pub(crate) fn folded(line: &str, width: Option<usize>) -> Vec<String> {
    let Some(width) = width.filter(|width| textwrap::core::display_width(line) > *width) else {
        return vec![line.to_owned()];
    };
    let indent: String = line.chars().take_while(|c| *c == ' ').collect();
    let options = textwrap::Options::new(width)
        .subsequent_indent(&indent)
        .word_splitter(textwrap::WordSplitter::NoHyphenation)
        .break_words(false);
    textwrap::wrap(line, options)
        .iter()
        .map(ToString::to_string)
        .collect()
}
