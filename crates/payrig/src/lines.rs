//! Standard output with `--format json`: lines, whole, one after another, whoever writes them. The first is
//! a header; what is to be told before there is one waits for it.

use crate::json::common::{Ended, Header, Line, Named, Problem};
use payrig_units::is_hidden;
use serde::Serialize;
use std::io::{self, BufWriter, Write};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

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

/// The lines of this process.
struct Lines {
    named: Named,
    out: BufWriter<Screen<io::Stdout>>,
    begun: bool,
    /// To be written behind the header.
    waiting: Vec<Line>,
}

static LINES: OnceLock<Mutex<Lines>> = OnceLock::new();

/// From now on this process writes lines of this schema.
pub(crate) fn write_lines(named: Named) {
    let lines = Lines {
        named,
        out: BufWriter::new(Screen::on(io::stdout())),
        begun: false,
        waiting: Vec::new(),
    };
    // One process runs one command.
    let _ = LINES.set(Mutex::new(lines));
}

/// True when it does.
pub(crate) fn are_wanted() -> bool {
    LINES.get().is_some()
}

fn lines() -> Option<MutexGuard<'static, Lines>> {
    let lines = LINES.get()?;
    Some(lines.lock().unwrap_or_else(PoisonError::into_inner))
}

impl Lines {
    fn begin(&mut self, header: &impl Serialize) -> io::Result<()> {
        if std::mem::replace(&mut self.begun, true) {
            return Ok(());
        }
        json_line(&mut self.out, header)?;
        for line in std::mem::take(&mut self.waiting) {
            json_line(&mut self.out, &line)?;
        }
        self.out.flush()
    }

    fn begun(&mut self) -> io::Result<()> {
        self.begin(&Header::of(self.named))
    }
}

/// Writes the first line.
///
/// # Errors
/// When standard output cannot be written.
pub(crate) fn header(header: &impl Serialize) -> io::Result<()> {
    lines().map_or(Ok(()), |mut lines| lines.begin(header))
}

/// The first line where nothing more is to be said than schema and version.
pub(crate) fn plain_header() -> Option<Header> {
    lines().map(|lines| Header::of(lines.named))
}

/// Writes a line; the header goes before it. It is shown with what follows, or by [`flush`].
///
/// # Errors
/// When standard output cannot be written.
pub(crate) fn put(line: &impl Serialize) -> io::Result<()> {
    let Some(mut lines) = lines() else {
        return Ok(());
    };
    lines.begun()?;
    json_line(&mut lines.out, line)
}

/// Shows what was written.
///
/// # Errors
/// When standard output cannot be written.
pub(crate) fn flush() -> io::Result<()> {
    lines().map_or(Ok(()), |mut lines| lines.out.flush())
}

/// Tells something at once, or as soon as the header is there. Where nobody listens nothing is lost.
pub(crate) fn tell(line: impl FnOnce() -> Line) {
    let Some(mut lines) = lines() else {
        return;
    };
    let line = line();
    match lines.begun {
        false => lines.waiting.push(line),
        true => {
            let _ = json_line(&mut lines.out, &line).and_then(|()| lines.out.flush());
        }
    }
}

/// An error.
pub(crate) fn error(problem: &Problem) {
    tell(|| Line::Error(problem.clone()));
}

/// The last line.
pub(crate) fn end(exit: u8, ended: Ended) {
    let _ = put(&Line::End { exit, ended }).and_then(|()| flush());
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
