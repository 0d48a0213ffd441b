//! `payrig pulse map`.

use super::input::LevelName;
use super::window::{WindowArguments, describe};
use super::{header, ms, time};
use crate::json::pulse::{Line, Map, OnMap};
use crate::lines;
use crate::outputs::write_whole;
use crate::terminal;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_pulse::{Profile, SweepPlan, sweep};
use payrig_report::board_map;
use payrig_units::{Decimals, Micros, Visible};
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `payrig pulse map`.
#[derive(Debug, Args)]
pub(crate) struct MapArguments {
    #[command(flatten)]
    window: WindowArguments,
    /// Also write the map as a picture.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// The shortest pulse and pause to try, in ms.
    #[arg(long, value_name = "MS", value_parser = time, default_value = "5")]
    from: Micros,
    /// The longest.
    #[arg(long, value_name = "MS", value_parser = time, default_value = "200")]
    to: Micros,
    /// The step between.
    #[arg(long, value_name = "MS", value_parser = time, default_value = "5")]
    step: Micros,
    /// Pulses in a train [default: five units].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=200))]
    train: Option<u32>,
    /// How far the times of a real acceptor stray, either way, in ms.
    #[arg(long, value_name = "MS", value_parser = time, default_value = "2")]
    jitter: Micros,
    /// How to write it; times in JSON are in microseconds.
    #[arg(long, value_enum, default_value_t)]
    pub(super) format: Format,
}

/// Cells a map may have: more are no picture any more.
const CELLS: u64 = 100;

pub(super) fn map(arguments: &MapArguments) -> Result<Exit, Failure> {
    let decimals = Decimals(2);
    let board = arguments.window.board(LevelName::Low, decimals)?;
    let wrong = |text: String| Err(Failure::wrong(text));
    if arguments.step == Micros::ZERO
        || arguments.to < arguments.from
        || arguments.from == Micros::ZERO
    {
        return wrong("--from and --step must be above zero, and --to not below --from".to_owned());
    }
    let cells = arguments.to.since(arguments.from).as_us() / arguments.step.as_us() + 1;
    if cells > CELLS {
        return wrong(format!(
            "{cells} steps from --from to --to are too many to look at; {CELLS} are the most: make \
             --step larger"
        ));
    }
    let mut plan = SweepPlan::square(arguments.from, arguments.to, arguments.step);
    let five = arguments.window.pulses.saturating_mul(5).min(200);
    plan.pulses = arguments.train.unwrap_or(five);
    plan.jitter = arguments.jitter;
    let map = sweep(&board, &plan);
    let title = format!(
        "A board that counts pulses of {} to {} ms and pauses from {} ms on",
        ms(board.min_on),
        ms(board.max_on),
        ms(board.min_off)
    );
    let profiles = Profile::all();
    if let Some(path) = &arguments.svg {
        let picture = board_map(&map, &title, &profiles);
        write_whole(path, |out| out.write_all(picture.as_bytes()))?;
    }
    let mut out = terminal::buffered();
    if arguments.format == Format::Json {
        header(decimals)?;
        lines::put(&Line::Map(Map {
            board: &board,
            pulses: plan.pulses,
            jitter_us: plan.jitter,
            on_us: &plan.on,
            off_us: &plan.off,
            rows: map
                .rows
                .iter()
                .map(|row| row.iter().map(|(_, outcome)| *outcome).collect())
                .collect(),
            profiles: profiles
                .iter()
                .map(|p| OnMap {
                    name: &p.name,
                    outcome: map.at(p),
                })
                .collect(),
        }))?;
        if let Some(path) = &arguments.svg {
            terminal::wrote("svg", path)?;
        }
        return Ok(Exit::Passed);
    }
    let text = textwrap::fill(&describe(&board, decimals), 100);
    writeln!(out, "{text}\n")?;
    writeln!(out, "{map}")?;
    for profile in &profiles {
        let outcome = match map.at(profile) {
            Some(outcome) => outcome.words(),
            None => "not on this map",
        };
        let name = format!("{} ({})", profile.name, profile.times());
        writeln!(out, "{name:<20} {outcome}")?;
    }
    if let Some(path) = &arguments.svg {
        writeln!(out, "\nPicture: {}", Visible(path.display()))?;
    }
    out.flush()?;
    Ok(Exit::Passed)
}
