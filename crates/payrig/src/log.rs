//! The readable log: one line per thing that happened.
//!
//! ```text
//!    seconds  who               words            meaning                           timing
//!   1.285192  board > changer   0B* 0B           POLL                              gap 8.102 ms
//! ```

use crate::style::STYLES;
use payrig_mdb::{Typed, bill};
use payrig_units::{Decimals, Micros, Visible, visible, words};
use payrig_wire::recording::{BlockRecord, Entry, LineRole};
use payrig_wire::{Finding, Source};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

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
            disabled: BTreeSet::new(),
        }
    }

    /// The heading of the columns.
    ///
    /// # Errors
    /// When `out` fails.
    pub(crate) fn heading(&self, mut out: impl Write) -> io::Result<()> {
        let (on, off) = (STYLES.head.render(), STYLES.head.render_reset());
        writeln!(
            out,
            "{on}{:>11}  {:>12}  {:<24} {:<24} meaning{off}",
            "seconds", "since last", "who", "words (* mode bit)"
        )
    }

    /// One entry.
    ///
    /// # Errors
    /// When `out` fails.
    pub(crate) fn entry(&mut self, mut out: impl Write, entry: &Entry) -> io::Result<()> {
        match entry {
            Entry::Block(block) => return self.take_block(out, block),
            Entry::Edge { .. } | Entry::Power { .. } | Entry::Silent { .. } => return Ok(()),
            _ => self.release(&mut out)?,
        }
        match entry {
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
                let meaning = match *uncertainty_us >= held {
                    true => {
                        format!("{meaning}: line held active, this link does not report how long")
                    }
                    false => format!("{meaning}: line held active for {held}"),
                };
                self.last_end.insert(bus.clone(), *end_us);
                let who = on_bus(*source, bus.as_deref(), None);
                line(out, *start_us, who, "", &meaning, "")
            }
            Entry::Garbled {
                source,
                start_us,
                bus,
                ..
            } => {
                let who = on_bus(*source, bus.as_deref(), None);
                line(out, *start_us, who, "??", "garbled word", "")
            }
            Entry::Slept { from_us, to_us } => {
                let text = format!(
                    "this tool did not look for {}: what was on the wires then is left out of the verdict",
                    to_us.since(*from_us)
                );
                line(out, *from_us, "payrig".to_owned(), "", &text, "")
            }
            Entry::Note { at_us, who, text } => {
                let who = visible(who.as_deref().unwrap_or("bench"));
                let (on, off) = (STYLES.dim.render(), STYLES.dim.render_reset());
                writeln!(
                    out,
                    "{} {who:<24} {on}\"{}\"{off}",
                    lead(Some(*at_us), ""),
                    Visible(text)
                )
            }
            Entry::Movement(m) => {
                let amount = m.amount.show(self.decimals);
                let (on, off) = (STYLES.money.render(), STYLES.money.render_reset());
                writeln!(
                    out,
                    "{} {:<24} {on}{amount} from {} to {}{off} ({})",
                    lead(Some(m.at_us), ""),
                    "money",
                    Visible(&m.from),
                    Visible(&m.to),
                    Visible(&m.why)
                )
            }
            Entry::Line(l) => {
                let level = if l.high { "high" } else { "low" };
                let what = match l.role {
                    LineRole::Credit => "credit pulses",
                    LineRole::Inhibit => "holds the acceptor off",
                    LineRole::Motor => "runs the hopper's motor",
                    LineRole::Exit => "the hopper's exit sensor",
                };
                let (on, off) = (STYLES.dim.render(), STYLES.dim.render_reset());
                writeln!(
                    out,
                    "{} {:<24} {on}pulse line, {level}: {what}{off}",
                    lead(Some(l.at_us), ""),
                    Visible(&l.line)
                )
            }
            Entry::Train(t) => {
                let (on, off) = (STYLES.peripheral.render(), STYLES.peripheral.render_reset());
                let text = visible(t.text.as_deref().unwrap_or(""));
                writeln!(
                    out,
                    "{} {on}{:<24}{off} {text}",
                    lead(Some(t.start_us), ""),
                    Visible(&t.line)
                )?;
                write_times(&mut out, "on", &t.widths_us)?;
                write_times(&mut out, "off", &t.gaps_us)
            }
            Entry::Finding(finding) => self.finding(out, finding),
            Entry::Act { at_us, text } => {
                writeln!(
                    out,
                    "{} {:<24} {}",
                    lead(Some(*at_us), ""),
                    "script",
                    Visible(text)
                )
            }
            Entry::Step {
                at_us,
                number,
                text,
                passed,
                why,
            } => {
                let (style, mark) = match passed {
                    Some(true) => (STYLES.pass, "ok"),
                    Some(false) => (STYLES.limit, "NOT SO"),
                    None => (STYLES.head, "done"),
                };
                let (on, off) = (style.render(), style.render_reset());
                let why = why
                    .as_deref()
                    .map(|w| format!(": {}", Visible(w)))
                    .unwrap_or_default();
                let who = format!("script step {number}");
                writeln!(
                    out,
                    "{} {who:<24} {on}{mark}{off}: {}{why}",
                    lead(Some(*at_us), ""),
                    Visible(text)
                )
            }
            Entry::Verdict { .. }
            | Entry::Block(_)
            | Entry::Edge { .. }
            | Entry::Power { .. }
            | Entry::Silent { .. }
            | Entry::Unknown(_) => Ok(()),
        }
    }

    /// The end: what was left out.
    ///
    /// # Errors
    /// When `out` fails.
    pub(crate) fn finish(&mut self, mut out: impl Write) -> io::Result<()> {
        self.release(&mut out)?;
        if self.left_out > 0 {
            let (on, off) = (STYLES.dim.render(), STYLES.dim.render_reset());
            writeln!(
                out,
                "{} {on}{} without news left out; --all shows them{off}",
                lead(None, ""),
                words::count(self.left_out, "exchange")
            )?;
        }
        Ok(())
    }

    fn take_block(&mut self, mut out: impl Write, block: &BlockRecord) -> io::Result<()> {
        let last = self.last_end.insert(block.bus.clone(), block.end_us);
        let gap = last.map(|end| block.start_us.since(end));
        if !self.quiet_polls {
            return write_block(out, block, gap);
        }
        let ours = |(b, _): &(BlockRecord, Option<Micros>)| b.bus == block.bus;
        let held = self.held.iter().filter(|h| ours(h)).count();
        let known = self.disabled.contains(&block.bus);
        let news = News::of(block);
        match (block.source, news, held) {
            (Source::Master, News::Poll, 0) => self.held.push((block.clone(), gap)),
            (Source::Master, News::Poll, _) => {
                self.release(&mut out)?;
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
                self.release(&mut out)?;
                write_block(out, block, gap)?;
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

    fn release(&mut self, out: &mut impl Write) -> io::Result<()> {
        self.held
            .drain(..)
            .try_for_each(|(block, gap)| write_block(&mut *out, &block, gap))
    }

    fn finding(&self, mut out: impl Write, finding: &Finding) -> io::Result<()> {
        let (style, word) = match finding.is_limit() {
            true => (STYLES.limit, "FINDING"),
            false => (STYLES.advice, "advice"),
        };
        let (on, off) = (style.render(), style.render_reset());
        writeln!(
            out,
            "{} {on}{word:<24} {}{off}: {}{}",
            lead(Some(finding.at), ""),
            Visible(&finding.rule),
            Visible(&finding.text),
            Visible(match finding.origin.is_empty() {
                true => String::new(),
                false => format!(" [{}]", section(finding.origin.as_str())),
            }),
        )
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

/// The first two columns: when, and how long since the last block.
fn lead(at: Option<Micros>, since: &str) -> String {
    format!("{:>11}  {since:>12} ", at.map(seconds).unwrap_or_default())
}

/// Who speaks: the board and its devices, or a bridge and what is behind it.
fn on_bus(source: Source, bus: Option<&str>, device: Option<&str>) -> String {
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
    format!(
        "{}{:<24}{}",
        style.render(),
        Visible(text),
        style.render_reset()
    )
}

fn line(
    mut out: impl Write,
    at: Micros,
    who: String,
    words: &str,
    meaning: &str,
    timing: &str,
) -> io::Result<()> {
    writeln!(
        out,
        "{} {who} {words:<24} {meaning}",
        lead(Some(at), timing)
    )
}

/// Lengths of pulses or pauses in milliseconds, ten to a row.
fn write_times(mut out: impl Write, what: &str, times: &[Micros]) -> io::Result<()> {
    let ms = |t: &Micros| format!("{}.{:03}", t.as_us() / 1_000, t.as_us() % 1_000);
    let mut label = format!("{what} (ms)");
    for row in times.chunks(10) {
        let row: Vec<String> = row.iter().map(ms).collect();
        writeln!(
            out,
            "{} {:<24} {label:<9} {}",
            lead(None, ""),
            "",
            row.join(" ")
        )?;
        label.clear();
    }
    Ok(())
}

fn write_block(mut out: impl Write, block: &BlockRecord, gap: Option<Micros>) -> io::Result<()> {
    let words: Vec<String> = block
        .bytes
        .iter()
        .zip(&block.modes)
        .map(|(byte, mode)| format!("{byte:02X}{}", if *mode { "*" } else { "" }))
        .collect();
    let timing = gap.map(|g| g.to_string()).unwrap_or_default();
    let text = block.text();
    let meaning = visible(text.as_deref().or(block.name()).unwrap_or(""));
    let mut rows = words.chunks(8).map(|chunk| chunk.join(" "));
    let first = rows.next().unwrap_or_default();
    let who = on_bus(
        block.source,
        block.bus.as_deref(),
        block.device().as_deref(),
    );
    line(&mut out, block.start_us, who, &first, &meaning, &timing)?;
    for row in rows {
        writeln!(out, "{} {:<24} {row}", lead(None, ""), "")?;
    }
    Ok(())
}
