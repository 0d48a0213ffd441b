//! `payrig pulse`: credit pulses of old acceptors, measured and explained.

mod count;
mod input;
mod listen;
mod map;
mod profiles;
mod which;
mod window;

use crate::lines;
use crate::{Exit, Failure, Format};
use clap::{Args, Subcommand};
use payrig_units::{Decimals, Micros};
use std::io;

/// Arguments of `payrig pulse`.
#[derive(Debug, Args)]
pub(crate) struct PulseArguments {
    #[command(subcommand)]
    command: PulseCommand,
}

#[derive(Debug, Subcommand)]
enum PulseCommand {
    /// Which setting is it? Measures a capture and says what to change.
    Which(which::WhichArguments),
    /// The same from a live line: a modem line of a serial port.
    Listen(listen::ListenArguments),
    /// What will a board count? Applies a board's window to a capture.
    Count(count::CountArguments),
    /// Where are the edges? A map of what a board counts, for every pulse and pause.
    Map(map::MapArguments),
    /// The ready-made profiles.
    Profiles {
        /// How to write them; times in JSON are in microseconds.
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
}

impl PulseArguments {
    /// How it writes what it finds.
    pub(crate) const fn format(&self) -> Format {
        match &self.command {
            PulseCommand::Which(arguments) => arguments.format,
            PulseCommand::Listen(arguments) => arguments.format,
            PulseCommand::Count(arguments) => arguments.format,
            PulseCommand::Map(arguments) => arguments.format,
            PulseCommand::Profiles { format } => *format,
        }
    }
}

/// The first line, where lines are wanted.
fn header(decimals: Decimals) -> io::Result<()> {
    match lines::plain_header() {
        Some(header) => lines::header(&header.money(decimals, None)),
        None => Ok(()),
    }
}

pub(crate) fn pulse(arguments: &PulseArguments) -> Result<Exit, Failure> {
    match &arguments.command {
        PulseCommand::Which(arguments) => which::which(arguments),
        PulseCommand::Listen(arguments) => listen::listen(arguments),
        PulseCommand::Count(arguments) => count::count(arguments),
        PulseCommand::Map(arguments) => map::map(arguments),
        PulseCommand::Profiles { format } => profiles::profiles(*format),
    }
}

/// A time on the command line: `50`, `50ms` and `50.5 ms` are milliseconds, `800us` and `2s` are
/// what they say.
pub(crate) fn time(text: &str) -> Result<Micros, String> {
    let wrong = || {
        format!("\"{text}\" is no time; expected milliseconds, as in 50 or 50.5, or 800us, or 2s")
    };
    let trimmed = text.trim();
    let (number, scale) = match trimmed {
        t if t.ends_with("us") => (t.trim_end_matches("us"), 1_u64),
        t if t.ends_with("ms") => (t.trim_end_matches("ms"), 1_000),
        t if t.ends_with('s') => (t.trim_end_matches('s'), 1_000_000),
        t => (t, 1_000),
    };
    let number = number.trim();
    let (whole, part) = number.split_once('.').unwrap_or((number, ""));
    let digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || !digits(whole) || !digits(part) || part.len() > 6 {
        return Err(wrong());
    }
    let whole: u64 = whole.parse().map_err(|_| wrong())?;
    let mut us = whole.checked_mul(scale).ok_or_else(wrong)?;
    let mut place = scale;
    for digit in part.bytes() {
        if place % 10 != 0 && digit != b'0' {
            return Err(format!("\"{text}\" is finer than a microsecond"));
        }
        place /= 10;
        us = us.saturating_add(u64::from(digit - b'0') * place);
    }
    Ok(Micros(us))
}

/// Milliseconds for people: `50`, `50.5`, `0.8`.
fn ms(time: Micros) -> String {
    let (whole, rest) = (time.as_us() / 1_000, time.as_us() % 1_000);
    if rest == 0 {
        return whole.to_string();
    }
    let text = format!("{whole}.{rest:03}");
    text.trim_end_matches('0').to_owned()
}

fn number(n: usize) -> u64 {
    u64::try_from(n).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_milliseconds_unless_they_say_otherwise() {
        assert_eq!(time("50"), Ok(Micros::ms(50)));
        assert_eq!(time("50.5"), Ok(Micros(50_500)));
        assert_eq!(time("50.5 ms"), Ok(Micros(50_500)));
        assert_eq!(time("800us"), Ok(Micros(800)));
        assert_eq!(time("0.3s"), Ok(Micros::ms(300)));
        for wrong in [
            "",
            "ms",
            "-5",
            "5.x",
            "1e3",
            "5 min",
            "99999999999999999999",
            "0.5us",
        ] {
            assert!(time(wrong).is_err(), "{wrong}");
        }
        assert_eq!(ms(Micros(50_500)), "50.5");
        assert_eq!(ms(Micros::ms(50)), "50");
    }
}
