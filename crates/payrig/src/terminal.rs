//! What goes to a terminal. The one place that knows of readers who go away, of lines for scripts, and
//! of characters that act instead of being read.

use payrig_units::{Visible, is_hidden};
use serde::Serialize;
use std::fmt;
use std::io::{self, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};

/// Says something on standard error, a line or more. Whatever of it would act on a terminal is written
/// out; nobody has to be there to read it.
macro_rules! say {
    ($($words:tt)*) => { $crate::terminal::say_line(format_args!($($words)*)) };
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

pub(crate) use {put, say};

/// Standard output. A reader that goes away has seen enough: what is written after that is dropped,
/// and whoever writes goes on to the end.
#[derive(Debug)]
pub(crate) struct Screen<W> {
    out: W,
    gone: bool,
}

/// Standard output, with its colours where it has any.
pub(crate) fn screen() -> Screen<anstream::AutoStream<io::Stdout>> {
    Screen::on(anstream::AutoStream::auto(io::stdout()))
}

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

impl<W: Write> Screen<W> {
    pub(crate) const fn on(out: W) -> Self {
        Self { out, gone: false }
    }

    fn unless_gone<T>(&mut self, whole: T, result: io::Result<T>) -> io::Result<T> {
        match result {
            Err(error) if reader_is_gone(&error) => {
                self.gone = true;
                Ok(whole)
            }
            result => result,
        }
    }
}

/// A pipe that nobody reads any more, or a terminal that was hung up (EIO).
fn reader_is_gone(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::BrokenPipe || cfg!(unix) && error.raw_os_error() == Some(5)
}

impl<W: Write> Write for Screen<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.gone {
            return Ok(bytes.len());
        }
        let result = self.out.write(bytes);
        self.unless_gone(bytes.len(), result)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.gone {
            return Ok(());
        }
        let result = self.out.flush();
        self.unless_gone((), result)
    }
}

/// [`say!`].
pub(crate) fn say_line(text: fmt::Arguments<'_>) {
    say_in(anstyle::Style::new(), text);
}

/// The same in a style.
pub(crate) fn say_in(style: anstyle::Style, text: fmt::Arguments<'_>) {
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
    let Some(width) = message_width() else {
        return;
    };
    let text = Visible(text).to_string();
    let text: String = text.chars().take(width.saturating_sub(1)).collect();
    let mut out = anstream::stderr().lock();
    let _ = write!(out, "\r\u{1b}[K{text}").and_then(|()| out.flush());
    UNDER_WAY.store(true, Ordering::Relaxed);
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

/// A line for scripts: one JSON object. What would act on a terminal is written as JSON writes
/// control characters, which reads back as the same text.
pub(crate) fn json_line(mut out: impl Write, value: &impl Serialize) -> io::Result<()> {
    let mut text = serde_json::to_string(value)?;
    if text.bytes().any(|b| !(0x20..0x7F).contains(&b)) && text.contains(is_hidden) {
        let mut visible = String::with_capacity(text.len() + 16);
        for c in text.chars() {
            match is_hidden(c) {
                true => {
                    let mut units = [0; 2];
                    for unit in c.encode_utf16(&mut units) {
                        visible.push_str(&format!("\\u{unit:04x}"));
                    }
                }
                false => visible.push(c),
            }
        }
        text = visible;
    }
    text.push('\n');
    out.write_all(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Takes so many bytes, then nobody reads any more.
    struct Reader(usize);

    impl Write for Reader {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let taken = bytes.len().min(self.0);
            self.0 -= taken;
            match taken {
                0 => Err(io::ErrorKind::BrokenPipe.into()),
                taken => Ok(taken),
            }
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_reader_that_goes_away_is_no_failure_and_a_full_disk_is() {
        let mut screen = Screen::on(Reader(3));
        for _ in 0..4 {
            screen.write_all(b"12345").unwrap();
            screen.flush().unwrap();
        }
        struct Full;
        impl Write for Full {
            fn write(&mut self, _: &[u8]) -> io::Result<usize> {
                Err(io::ErrorKind::StorageFull.into())
            }
            fn flush(&mut self) -> io::Result<()> {
                Ok(())
            }
        }
        assert!(Screen::on(Full).write_all(b"1").is_err());
    }

    #[test]
    fn lines_for_scripts_hide_nothing_and_read_back_the_same() {
        let hostile = "a\u{1b}[2J\u{7f}\u{9b}\u{202e}\u{feff}\u{e0041}é\n";
        let mut out = Vec::new();
        json_line(&mut out, &hostile).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(
            text.chars().filter(|c| is_hidden(*c)).collect::<String>(),
            "\n"
        );
        assert_eq!(serde_json::from_str::<String>(&text).unwrap(), hostile);
    }
}
