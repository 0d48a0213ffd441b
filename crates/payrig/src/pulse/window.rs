//! A board's acceptance window on the command line.

use super::input::{LevelName, amount};
use super::{ms, time};
use crate::Failure;
use clap::Args;
use payrig_pulse::{BoardWindow, Level};
use payrig_units::{Decimals, Micros};

/// How a board counts; times are milliseconds unless they say otherwise.
#[derive(Debug, Args)]
pub(crate) struct WindowArguments {
    /// The shortest pulse the board counts, as in 30, 30.5 or 800us.
    #[arg(long, value_name = "MS", value_parser = time)]
    min_width: Micros,
    /// The longest pulse it counts.
    #[arg(long, value_name = "MS", value_parser = time)]
    max_width: Micros,
    /// The shortest pause it sees; pulses closer than that are one to it [default: as
    /// --min-width].
    #[arg(long, value_name = "MS", value_parser = time)]
    min_gap: Option<Micros>,
    /// The pause after which it credits what it has counted.
    #[arg(long, value_name = "MS", value_parser = time, default_value = "300")]
    timeout: Micros,
    /// So many pulses ...
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub(crate) pulses: u32,
    /// ... are worth this amount.
    #[arg(long, value_name = "AMOUNT", default_value = "1.00")]
    per: String,
    /// Pulses that make no whole unit are kept for the next train instead of dropped.
    #[arg(long)]
    carry: bool,
}

impl WindowArguments {
    pub(crate) fn board(
        &self,
        active: LevelName,
        decimals: Decimals,
    ) -> Result<BoardWindow, Failure> {
        let board = BoardWindow {
            active: match active {
                LevelName::High => Level::High,
                LevelName::Low => Level::Low,
            },
            min_on: self.min_width,
            max_on: self.max_width,
            min_off: self.min_gap.unwrap_or(self.min_width),
            train_timeout: self.timeout,
            pulses: self.pulses,
            unit: amount(&self.per, decimals)?,
            carry: self.carry,
        };
        let wrong = |text: &str| Err(Failure::wrong(text.to_owned()));
        if board.min_on > board.max_on {
            return wrong("--min-width is above --max-width: no pulse could count");
        }
        if board.max_on == Micros::ZERO {
            return wrong("--max-width is zero: no pulse could count");
        }
        if board.train_timeout < board.min_off {
            return wrong(
                "--timeout is below --min-gap: a train would be credited before its pause is seen",
            );
        }
        Ok(board)
    }
}

/// The window in words.
pub(crate) fn describe(board: &BoardWindow, decimals: Decimals) -> String {
    let each = match board.pulses {
        1 => format!("a pulse is {}", board.unit.show(decimals)),
        n => format!("{n} pulses are {}", board.unit.show(decimals)),
    };
    let rest = match (board.pulses, board.carry) {
        (1, _) => "",
        (_, true) => "; what makes no whole unit is kept for the next train",
        (_, false) => "; what makes no whole unit is dropped",
    };
    format!(
        "The board counts pulses of {} to {} ms, sees pauses from {} ms on, and credits a train {} ms \
         after its last pulse; {each}{rest}.",
        ms(board.min_on),
        ms(board.max_on),
        ms(board.min_off),
        ms(board.train_timeout),
    )
}
