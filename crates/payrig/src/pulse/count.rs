//! `payrig pulse count`.

use super::input::{InputArguments, amount};
use super::window::{WindowArguments, describe};
use super::{header, ms, number, time};
use crate::json::pulse::{self as json, Count, Line, Verdict};
use crate::lines;
use crate::style::STYLES;
use crate::terminal;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_pulse::{BoardCount, BoardPulse, BoardTrain, BoardWindow, Counted};
use payrig_units::{Decimals, Micros, Money, Visible, words};
use std::io::{self, Write};

/// Arguments of `payrig pulse count`.
#[derive(Debug, Args)]
pub(crate) struct CountArguments {
    #[command(flatten)]
    input: InputArguments,
    #[command(flatten)]
    window: WindowArguments,
    /// How far the times of a real acceptor stray, either way, in ms: what lies so near a limit is
    /// named.
    #[arg(long, value_name = "MS", value_parser = time, default_value = "2")]
    margin: Micros,
    /// What was fed in all, as in 5.00, to compare with what is credited.
    #[arg(long, value_name = "AMOUNT")]
    fed: Option<String>,
    /// How to write the count; times in JSON are in microseconds, amounts in minor units.
    #[arg(long, value_enum, default_value_t)]
    pub(super) format: Format,
}

pub(super) fn count(arguments: &CountArguments) -> Result<Exit, Failure> {
    let decimals = arguments.input.decimals();
    let board = arguments.window.board(arguments.input.active, decimals)?;
    let fed = arguments.fed.as_ref().map(|text| amount(text, decimals));
    let fed = fed.transpose()?;
    let mut out = terminal::buffered();
    let in_json = arguments.format == Format::Json;
    match in_json {
        true => header(decimals)?,
        false => {
            let text = textwrap::fill(&describe(&board, decimals), 100);
            writeln!(out, "{text}\n")?;
        }
    }
    let mut total = Total::default();
    for line in arguments.input.lines()? {
        let counted = board.count(&line.edges, line.end, arguments.margin);
        total.add(&counted);
        for (i, train) in counted.trains.iter().enumerate() {
            let place = (number(i) + 1, line.name.as_str());
            if in_json {
                lines::put(&Line::Count(Count::of(place.0, place.1, train)))?;
            } else {
                write_train(&mut out, place, train, &board, decimals)?;
            }
        }
        if !in_json {
            write_gaps(&mut out, &counted, &board)?;
        }
    }
    let passed = total.passed(fed);
    let text = total.text(fed, decimals);
    if in_json {
        lines::put(&Line::Verdict(Verdict {
            passed,
            text,
            settings: None,
            total: Some(total.line(fed)),
        }))?;
    } else {
        let style = if passed { STYLES.pass } else { STYLES.limit };
        let text = textwrap::fill(&text, 100);
        writeln!(out, "{}{text}{}", style.render(), style.render_reset())?;
    }
    out.flush()?;
    Ok(if passed {
        Exit::Passed
    } else {
        Exit::FellShort
    })
}

#[derive(Debug, Default)]
struct Total {
    wire: u64,
    counted: u64,
    dropped: u64,
    near: u64,
    credit: Money,
}

impl Total {
    fn add(&mut self, count: &BoardCount) {
        let pulses = || count.trains.iter().flat_map(|t| &t.pulses);
        self.wire += pulses().map(|p| u64::from(p.on_the_wire)).sum::<u64>();
        self.near += number(pulses().filter(|p| p.near.is_some()).count());
        self.near += number(count.near_gaps.len());
        self.counted += count.counted;
        self.dropped += count.dropped;
        self.credit = self.credit.saturating_add(count.credit);
    }

    /// As JSON has it.
    const fn line(&self, fed: Option<Money>) -> json::Total {
        json::Total {
            on_the_wire: self.wire,
            counted: self.counted,
            dropped: self.dropped,
            near_a_limit: self.near,
            credit: self.credit,
            fed,
        }
    }

    /// Everything that was on the wire is credited; where it is known what was fed, that is.
    fn passed(&self, fed: Option<Money>) -> bool {
        let whole = self.wire > 0 && self.counted == self.wire && self.dropped == 0;
        whole && fed.is_none_or(|fed| fed == self.credit)
    }

    fn text(&self, fed: Option<Money>, decimals: Decimals) -> String {
        if self.wire == 0 {
            return "No pulses: there is nothing to count.".to_owned();
        }
        let mut text = format!(
            "The board counts {} of {} and credits {}",
            self.counted,
            words::count(self.wire, "pulse"),
            self.credit.show(decimals)
        );
        if let Some(fed) = fed {
            let lost = fed.saturating_sub(self.credit);
            text.push_str(&match lost.as_minor() {
                0 => ", which is what was fed".to_owned(),
                1.. => format!(
                    " of {} fed: {} is lost",
                    fed.show(decimals),
                    lost.show(decimals)
                ),
                _ => format!(
                    " though {} was fed: {} too much",
                    fed.show(decimals),
                    Money(lost.as_minor().saturating_neg()).show(decimals)
                ),
            });
        }
        text.push('.');
        if self.dropped > 0 {
            let dropped = words::count(self.dropped, "pulse");
            text.push_str(&format!(" {dropped} made no whole unit and went lost."));
        }
        if self.near > 0 {
            text.push_str(&format!(
                " {} so near a limit that it may come out otherwise next time.",
                match self.near {
                    1 => "One pulse or pause is".to_owned(),
                    n => format!("{n} pulses or pauses are"),
                }
            ));
        }
        text
    }
}

fn write_train(
    mut out: impl Write,
    (train_number, line): (u64, &str),
    train: &BoardTrain,
    board: &BoardWindow,
    decimals: Decimals,
) -> io::Result<()> {
    let (head, off) = (STYLES.head.render(), STYLES.head.render_reset());
    let start = train.pulses.first().map_or(0, |p| p.start.as_us());
    let wire: u64 = train.pulses.iter().map(|p| u64::from(p.on_the_wire)).sum();
    let credit = train.credit.show(decimals);
    writeln!(
        out,
        "{head}Train {train_number} on {} at {}.{:03} s{off}: {} of {} counted, worth {credit}",
        Visible(line),
        start / 1_000_000,
        start % 1_000_000 / 1_000,
        train.counted,
        words::count(wire, "pulse"),
    )?;
    // Like pulses in a row are one line.
    let mut rest = train.pulses.as_slice();
    let mut place = 1;
    while let Some(first) = rest.first() {
        let alike = |p: &&BoardPulse| p.counted == first.counted && p.near == first.near;
        let same = rest.iter().take_while(alike).count();
        let some = rest.get(..same).unwrap_or_default();
        rest = rest.get(same..).unwrap_or_default();
        if first.counted != Counted::Counted || first.near.is_some() {
            let which = match number(same) {
                1 => format!("Pulse {place}"),
                n => format!("Pulses {place} to {}", place + n - 1),
            };
            writeln!(
                out,
                "  {which} ({}): {}",
                widths(some),
                verdict(first, board)
            )?;
        }
        place += number(same);
    }
    if train.left_over > 0 {
        let left = words::count(train.left_over, "pulse");
        let fate = if board.carry {
            "kept for the next train"
        } else {
            "dropped"
        };
        writeln!(out, "  {left} left over, no whole unit: {fate}")?;
    }
    writeln!(out)
}

fn widths(pulses: &[BoardPulse]) -> String {
    let least = pulses.iter().map(|p| p.width).min().unwrap_or_default();
    let most = pulses.iter().map(|p| p.width).max().unwrap_or_default();
    if least == most {
        format!("{} ms", ms(least))
    } else {
        format!("{} to {} ms", ms(least), ms(most))
    }
}

fn verdict(pulse: &BoardPulse, board: &BoardWindow) -> String {
    let mut text = match pulse.counted {
        Counted::Counted => "counted".to_owned(),
        Counted::Merged => format!(
            "{} pulses taken for one: the pauses among them are shorter than {} ms",
            pulse.on_the_wire,
            ms(board.min_off)
        ),
        Counted::TooShort => format!("not seen: shorter than {} ms", ms(board.min_on)),
        Counted::TooLong => format!("refused: longer than {} ms", ms(board.max_on)),
    };
    if let Some(limit) = pulse.near {
        let limit = ms(limit);
        text.push_str(&format!(
            ", but so near the limit of {limit} ms that it may change"
        ));
    }
    text
}

fn write_gaps(mut out: impl Write, count: &BoardCount, board: &BoardWindow) -> io::Result<()> {
    for (at, length) in &count.near_gaps {
        let at = at.as_us();
        let seconds = format!("{}.{:03}", at / 1_000_000, at % 1_000_000 / 1_000);
        let what = if length.abs_diff(board.min_off) < length.abs_diff(board.train_timeout) {
            format!(
                "the shortest pause the board sees ({} ms)",
                ms(board.min_off)
            )
        } else {
            format!(
                "the pause that ends a train ({} ms)",
                ms(board.train_timeout)
            )
        };
        writeln!(
            out,
            "The pause of {} ms at {seconds} s is so near {what} that the count may change.",
            ms(*length)
        )?;
    }
    if !count.near_gaps.is_empty() {
        writeln!(out)?;
    }
    Ok(())
}
