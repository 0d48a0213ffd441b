//! The readable log: one line per thing that happened.
//!
//! ```text
//!    seconds  who               words            meaning                           timing
//!   1.285192  board > changer   0B* 0B           POLL                              gap 8.102 ms
//! ```

use crate::advice;
use crate::style::STYLES;
use anstyle::Style;
use payrig_mdb::{Typed, bill};
use payrig_units::{Decimals, Micros, Visible, visible, words};
use payrig_wire::Source;
use payrig_wire::recording::{BlockRecord, Entry, LineRole};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

/// What of a log is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Show {
    /// What the script and the person do, what displays show, what is found.
    Steps,
    /// Where money goes, and nothing else.
    Money,
    /// Everything, what is on the wires too.
    #[default]
    All,
}

impl Show {
    /// True for an entry that is shown.
    fn wants(self, entry: &Entry) -> bool {
        match self {
            Self::All => true,
            Self::Money => matches!(entry, Entry::Movement(_)),
            Self::Steps => matches!(
                entry,
                Entry::Step { .. }
                    | Entry::Act { .. }
                    | Entry::Note { .. }
                    | Entry::Finding(_)
                    | Entry::Slept { .. }
            ),
        }
    }
}

/// Narrower than this there is no room for every column: the words follow what they mean.
const WIDE: usize = 120;

/// How wide the columns are.
#[derive(Clone, Copy, Debug)]
struct Layout {
    /// Of the terminal; nothing where lines may be as long as they are.
    width: Option<usize>,
}

impl Layout {
    fn is_narrow(self) -> bool {
        self.width.is_some_and(|width| width < WIDE)
    }

    /// Of the second column, who.
    fn who(self) -> usize {
        if self.is_narrow() { 22 } else { 24 }
    }

    /// Up to what is said.
    fn indent(self, words: bool) -> usize {
        match (self.is_narrow(), words) {
            (true, _) => 11 + 2 + self.who() + 1,
            (false, true) => 26 + self.who() + 1 + 25,
            (false, false) => 26 + self.who() + 1,
        }
    }

    /// A line of the log: when, how long since the last block, who, its words, what it is; `style` is that
    /// of who speaks, and of the text where nobody does.
    fn row(self, out: &mut dyn Write, row: &Row) -> io::Result<()> {
        let when = row.at.map(seconds).unwrap_or_default();
        let who = &row.who;
        let (on, off) = (row.who_style.render(), row.who_style.render_reset());
        let pad = " ".repeat(
            self.who()
                .saturating_sub(textwrap::core::display_width(who)),
        );
        let words = row.words.join(" ");
        let (mut head, text) = match self.is_narrow() {
            true => {
                let head = format!("{when:>11}  {on}{who}{off}{pad} ");
                let text = match (row.text.is_empty(), words.is_empty()) {
                    (_, true) => row.text.clone(),
                    (true, false) => words,
                    (false, false) => format!("{} ({words})", row.text),
                };
                (head, text)
            }
            false => {
                let since = &row.since;
                let mut head = format!("{when:>11}  {since:>12} {on}{who}{off}{pad} ");
                if let Some(first) = row.words.first() {
                    head.push_str(&format!("{first:<24} "));
                } else if row.is_block {
                    head.push_str(&" ".repeat(25));
                }
                (head, row.text.clone())
            }
        };
        let indent = self.indent(row.is_block);
        let (on, off) = (row.text_style.render(), row.text_style.render_reset());
        let lines: Vec<String> = match self.width {
            Some(width) => {
                // A long name takes room from the first line.
                let over = textwrap::core::display_width(who).saturating_sub(self.who());
                let over = " ".repeat(over);
                let options = textwrap::Options::new(width.saturating_sub(indent).max(24))
                    .initial_indent(&over)
                    .word_splitter(textwrap::WordSplitter::NoHyphenation)
                    .break_words(false);
                let mut lines: Vec<String> = textwrap::wrap(&text, options)
                    .iter()
                    .map(ToString::to_string)
                    .collect();
                if let Some(first) = lines.first_mut() {
                    *first = first.trim_start().to_owned();
                }
                lines
            }
            None => vec![text],
        };
        for line in &lines {
            writeln!(out, "{head}{on}{line}{off}")?;
            head = " ".repeat(indent);
        }
        if !self.is_narrow() {
            for more in row.words.iter().skip(1) {
                writeln!(out, "{:26}{:<24} {more}", "", "")?;
            }
        }
        Ok(())
    }
}

/// What stands in a line of the log.
#[derive(Default)]
struct Row {
    at: Option<Micros>,
    since: String,
    who: String,
    who_style: Style,
    /// Words of a block, eight to a piece.
    words: Vec<String>,
    /// It has a column of words, though it may be empty.
    is_block: bool,
    text: String,
    text_style: Style,
}

/// Writes log lines.
pub(crate) struct TextLog {
    decimals: Decimals,
    /// End of the last block on each bus; the board's own has no name.
    last_end: BTreeMap<Option<String>, Micros>,
    /// Leave out POLLs that were answered with ACK, unless something was found in them.
    quiet_polls: bool,
    /// Held back until it is known whether the answer is a plain ACK.
    held: Vec<(BlockRecord, Option<Micros>)>,
    left_out: u64,
    show: Show,
    layout: Layout,
    /// Buses whose validator said VALIDATOR DISABLED last.
    disabled: BTreeSet<Option<String>>,
}

impl TextLog {
    /// A log whose amounts have so many decimals. With `quiet_polls`, exchanges in which a device
    /// had nothing to say are counted instead of shown.
    #[must_use]
    pub(crate) fn new(decimals: Decimals, quiet_polls: bool) -> Self {
        Self {
            decimals,
            last_end: BTreeMap::new(),
            quiet_polls,
            held: Vec::new(),
            left_out: 0,
            show: Show::All,
            layout: Layout { width: None },
            disabled: BTreeSet::new(),
        }
    }

    /// The same, of which this is shown.
    #[must_use]
    pub(crate) const fn showing(mut self, show: Show) -> Self {
        self.show = show;
        self
    }

    /// The same, wrapped at the width of a terminal, where there is one.
    #[must_use]
    pub(crate) const fn within(mut self, width: Option<usize>) -> Self {
        self.layout = Layout { width };
        self
    }

    /// The heading of the columns.
    ///
    /// # Errors
    /// When `out` fails.
    pub(crate) fn heading(&self, mut out: impl Write) -> io::Result<()> {
        let (on, off) = (STYLES.head.render(), STYLES.head.render_reset());
        let words = if self.show == Show::All {
            "words (* mode bit)"
        } else {
            ""
        };
        match self.layout.is_narrow() {
            true if words.is_empty() => {
                writeln!(out, "{on}{:>11}  {:<22} what{off}", "seconds", "who")
            }
            true => writeln!(
                out,
                "{on}{:>11}  {:<22} meaning (words, * mode bit){off}",
                "seconds", "who"
            ),
            false => writeln!(
                out,
                "{on}{:>11}  {:>12}  {:<24} {words:<24} meaning{off}",
                "seconds", "since last", "who"
            ),
        }
    }

    /// One entry.
    ///
    /// # Errors
    /// When `out` fails.
    pub(crate) fn entry(&mut self, mut out: impl Write, entry: &Entry) -> io::Result<()> {
        if !self.show.wants(entry) {
            return Ok(());
        }
        let out: &mut dyn Write = &mut out;
        match entry {
            Entry::Block(block) => return self.take_block(out, block),
            Entry::Edge { .. } | Entry::Power { .. } | Entry::Silent { .. } => return Ok(()),
            _ => self.release(out)?,
        }
        let row = match entry {
            Entry::Break {
                source,
                start_us,
                end_us,
                bus,
                uncertainty_us,
            } => {
                let held = end_us.since(*start_us);
                let meaning = match source {
                    Source::Master if held >= Micros::ms(100) => "BUS RESET",
                    _ => "BREAK",
                };
                // A coding that does not report how long shows that by its uncertainty.
                let text = match *uncertainty_us >= held {
                    true => {
                        format!("{meaning}: line held active, this link does not report how long")
                    }
                    false => format!("{meaning}: line held active for {held}"),
                };
                self.last_end.insert(bus.clone(), *end_us);
                let (who_style, who) = on_bus(*source, bus.as_deref(), None);
                Row {
                    at: Some(*start_us),
                    who,
                    who_style,
                    is_block: true,
                    text,
                    ..Row::default()
                }
            }
            Entry::Garbled {
                source,
                start_us,
                bus,
                ..
            } => {
                let (who_style, who) = on_bus(*source, bus.as_deref(), None);
                Row {
                    at: Some(*start_us),
                    who,
                    who_style,
                    is_block: true,
                    words: vec!["??".to_owned()],
                    text: "garbled word".to_owned(),
                    ..Row::default()
                }
            }
            Entry::Slept { from_us, to_us } => Row {
                at: Some(*from_us),
                who: "payrig".to_owned(),
                text: format!(
                    "this tool did not look for {}: what was on the wires then is left out of the verdict",
                    to_us.since(*from_us)
                ),
                ..Row::default()
            },
            Entry::Note { at_us, who, text } => Row {
                at: Some(*at_us),
                who: visible(who.as_deref().unwrap_or("bench")).to_string(),
                text: format!("\"{}\"", Visible(text)),
                text_style: STYLES.dim,
                ..Row::default()
            },
            Entry::Movement(m) => Row {
                at: Some(m.at_us),
                who: "money".to_owned(),
                text: format!(
                    "{} from {} to {} ({})",
                    m.amount.show(self.decimals),
                    Visible(&m.from),
                    Visible(&m.to),
                    Visible(&m.why)
                ),
                text_style: STYLES.money,
                ..Row::default()
            },
            Entry::Line(l) => {
                let level = if l.high { "high" } else { "low" };
                let what = match l.role {
                    LineRole::Credit => "credit pulses",
                    LineRole::Inhibit => "holds the acceptor off",
                    LineRole::Motor => "runs the hopper's motor",
                    LineRole::Exit => "the hopper's exit sensor",
                };
                Row {
                    who: Visible(&l.line).to_string(),
                    text: format!("pulse line, {level}: {what}"),
                    text_style: STYLES.dim,
                    ..Row::default()
                }
            }
            Entry::Train(t) => {
                let text = visible(t.text.as_deref().unwrap_or(""));
                let row = Row {
                    at: Some(t.start_us),
                    who: Visible(&t.line).to_string(),
                    who_style: STYLES.peripheral,
                    text: text.to_string(),
                    ..Row::default()
                };
                self.layout.row(out, &row)?;
                self.times(out, "on", &t.widths_us)?;
                return self.times(out, "off", &t.gaps_us);
            }
            Entry::Finding(finding) => {
                let (who_style, word) = match finding.is_limit() {
                    true => (STYLES.limit, "FINDING"),
                    false => (STYLES.advice, "advice"),
                };
                let origin = match finding.origin.is_empty() {
                    true => String::new(),
                    false => format!(" [{}]", section(finding.origin.as_str())),
                };
                let text = advice::beside(&finding.text, advice::of_finding(finding));
                let (rule, text) = (Visible(&finding.rule), Visible(&text));
                Row {
                    at: Some(finding.at),
                    who: word.to_owned(),
                    who_style,
                    text: format!("{rule}: {text}{}", Visible(origin)),
                    ..Row::default()
                }
            }
            Entry::Act { at_us, text } => Row {
                at: Some(*at_us),
                who: "script".to_owned(),
                text: Visible(text).to_string(),
                ..Row::default()
            },
            Entry::Step {
                at_us,
                number,
                text,
                passed,
                why,
            } => {
                let (text_style, mark) = match passed {
                    Some(true) => (STYLES.pass, "ok"),
                    Some(false) => (STYLES.limit, "NOT SO"),
                    None => (STYLES.head, "done"),
                };
                let why = why
                    .as_deref()
                    .map(|w| format!(": {}", Visible(w)))
                    .unwrap_or_default();
                Row {
                    at: Some(*at_us),
                    who: format!("script step {number}"),
                    text: format!("{mark}: {}{why}", Visible(text)),
                    text_style,
                    ..Row::default()
                }
            }
            Entry::Verdict { .. }
            | Entry::Block(_)
            | Entry::Edge { .. }
            | Entry::Power { .. }
            | Entry::Silent { .. }
            | Entry::Unknown(_) => return Ok(()),
        };
        self.layout.row(out, &row)
    }

    /// Lengths of pulses or pauses in milliseconds, ten to a row.
    fn times(&self, out: &mut dyn Write, what: &str, times: &[Micros]) -> io::Result<()> {
        let ms = |t: &Micros| format!("{}.{:03}", t.as_us() / 1_000, t.as_us() % 1_000);
        let label = format!("{what} (ms)");
        for (number, row) in times.chunks(10).enumerate() {
            let row: Vec<String> = row.iter().map(ms).collect();
            let label = if number == 0 { label.as_str() } else { "" };
            let row = Row {
                text: format!("{label:<9} {}", row.join(" ")),
                ..Row::default()
            };
            self.layout.row(out, &row)?;
        }
        Ok(())
    }

    /// The end: what was left out.
    ///
    /// # Errors
    /// When `out` fails.
    pub(crate) fn finish(&mut self, mut out: impl Write) -> io::Result<()> {
        let out: &mut dyn Write = &mut out;
        self.release(out)?;
        if self.left_out > 0 {
            let row = Row {
                text: format!(
                    "{} without news left out; --all shows them",
                    words::count(self.left_out, "exchange")
                ),
                text_style: STYLES.dim,
                ..Row::default()
            };
            self.layout.row(out, &row)?;
        }
        Ok(())
    }

    fn take_block(&mut self, out: &mut dyn Write, block: &BlockRecord) -> io::Result<()> {
        let last = self.last_end.insert(block.bus.clone(), block.end_us);
        let gap = last.map(|end| block.start_us.since(end));
        if !self.quiet_polls {
            return write_block(self.layout, out, block, gap);
        }
        let ours = |(b, _): &(BlockRecord, Option<Micros>)| b.bus == block.bus;
        let held = self.held.iter().filter(|h| ours(h)).count();
        let known = self.disabled.contains(&block.bus);
        let news = News::of(block);
        match (block.source, news, held) {
            (Source::Master, News::Poll, 0) => self.held.push((block.clone(), gap)),
            (Source::Master, News::Poll, _) => {
                self.release(out)?;
                self.held.push((block.clone(), gap));
            }
            (Source::Peripheral, News::Ack, 1) => {
                self.held.retain(|h| !ours(h));
                self.left_out += 1;
            }
            // Said at each POLL as long as it holds (MDB/ICP 4.3, section 6.3, 33H): news once.
            (Source::Peripheral, News::Disabled, 1) if known => {
                self.held.push((block.clone(), gap));
            }
            (Source::Master, News::Ack, 2) => {
                self.held.retain(|h| !ours(h));
                self.left_out += 1;
            }
            _ => {
                self.release(out)?;
                write_block(self.layout, out, block, gap)?;
            }
        }
        if block.source == Source::Peripheral {
            match news {
                News::Ack => false,
                News::Disabled => self.disabled.insert(block.bus.clone()),
                News::Poll | News::Other => self.disabled.remove(&block.bus),
            };
        }
        Ok(())
    }

    fn release(&mut self, out: &mut dyn Write) -> io::Result<()> {
        let layout = self.layout;
        self.held
            .drain(..)
            .try_for_each(|(block, gap)| write_block(layout, &mut *out, &block, gap))
    }
}

/// What a block is to somebody who wants news only.
#[derive(Clone, Copy, PartialEq, Eq)]
enum News {
    Poll,
    Ack,
    /// The validator is disabled, and nothing else.
    Disabled,
    Other,
}

impl News {
    fn of(block: &BlockRecord) -> Self {
        match block.message() {
            Some(Typed::Ack) => Self::Ack,
            Some(Typed::OtherCommand(command)) if command.is_poll() => Self::Poll,
            Some(typed) if typed.is_poll() => Self::Poll,
            Some(Typed::BillResponse(bill::Response::Poll(reports)))
                if matches!(reports.as_slice(), [bill::Report::ValidatorDisabled]) =>
            {
                Self::Disabled
            }
            _ => Self::Other,
        }
    }
}

/// `MDB/ICP 4.3, 3.2` for a section of the standard; other sources as they are.
pub(crate) fn section(section: &str) -> String {
    let is_section =
        section.starts_with(|c: char| c.is_ascii_digit()) || section.starts_with("App");
    if is_section {
        format!("MDB/ICP 4.3, {section}")
    } else {
        section.to_owned()
    }
}

/// Seconds with six decimals, without unit.
pub(crate) fn seconds(at: Micros) -> String {
    format!("{}.{:06}", at.as_us() / 1_000_000, at.as_us() % 1_000_000)
}

/// Who speaks: the board and its devices, or a bridge and what is behind it.
fn on_bus(source: Source, bus: Option<&str>, device: Option<&str>) -> (Style, String) {
    let master = bus.unwrap_or("board");
    let (style, text) = match source {
        Source::Master => {
            let all = device.unwrap_or("all");
            (STYLES.board, format!("{master} > {all}"))
        }
        Source::Peripheral => {
            let device = device.unwrap_or("device");
            (STYLES.peripheral, format!("{device} > {master}"))
        }
    };
    (style, Visible(text).to_string())
}

fn write_block(
    layout: Layout,
    out: &mut dyn Write,
    block: &BlockRecord,
    gap: Option<Micros>,
) -> io::Result<()> {
    let words: Vec<String> = block
        .bytes
        .iter()
        .zip(&block.modes)
        .map(|(byte, mode)| format!("{byte:02X}{}", if *mode { "*" } else { "" }))
        .collect();
    let text = block.text();
    let meaning = visible(text.as_deref().or(block.name()).unwrap_or(""));
    let device = block.device();
    let (who_style, who) = on_bus(block.source, block.bus.as_deref(), device.as_deref());
    let row = Row {
        at: Some(block.start_us),
        since: gap.map(|g| g.to_string()).unwrap_or_default(),
        who,
        who_style,
        words: words.chunks(8).map(|chunk| chunk.join(" ")).collect(),
        is_block: true,
        text: meaning.to_string(),
        ..Row::default()
    };
    layout.row(out, &row)
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_wire::recording::MovementRecord;

    fn movement(why: &str) -> Entry {
        Entry::Movement(MovementRecord {
            at_us: Micros::secs(3),
            word_at_us: None,
            from: payrig_units::Place::Customer,
            to: payrig_units::Place::Tube("changer".to_owned(), 2),
            amount: payrig_units::Money(25),
            why: why.to_owned(),
        })
    }

    fn written(show: Show, width: Option<usize>, entry: &Entry) -> String {
        let mut out = Vec::new();
        let mut log = TextLog::new(Decimals(2), true).showing(show).within(width);
        log.entry(&mut out, entry).unwrap();
        anstream::adapter::strip_str(std::str::from_utf8(&out).unwrap()).to_string()
    }

    #[test]
    fn lines_end_at_the_width_and_no_word_is_broken() {
        let why = "a coin of a type that is long to tell of, and longer still, was put in";
        for width in [60, 80, 100, 140] {
            let text = written(Show::All, Some(width), &movement(why));
            assert!(
                text.lines().all(|line| line.chars().count() <= width),
                "{width}: {text}"
            );
            let words: Vec<&str> = text.split_whitespace().collect();
            assert!(words.join(" ").contains(why), "{width}: {text}");
        }
        let text = written(Show::All, None, &movement(why));
        assert_eq!(text.lines().count(), 1, "{text}");
    }

    #[test]
    fn what_is_shown_is_what_was_asked_for() {
        let note = Entry::Note {
            at_us: Micros::ZERO,
            who: Some("display".to_owned()),
            text: "0.25".to_owned(),
        };
        let step = Entry::Step {
            at_us: Micros::ZERO,
            number: 1,
            text: "sold".to_owned(),
            passed: Some(true),
            why: None,
        };
        let shown = |show, entry: &Entry| !written(show, Some(80), entry).is_empty();
        let money = movement("a coin");
        assert!(shown(Show::Steps, &note) && shown(Show::Steps, &step));
        assert!(!shown(Show::Steps, &money) && shown(Show::Money, &money));
        assert!(!shown(Show::Money, &note) && !shown(Show::Money, &step));
        assert!(
            [&note, &step, &money]
                .into_iter()
                .all(|entry| shown(Show::All, entry))
        );
    }
}
