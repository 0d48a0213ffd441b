//! `payrig pulse listen`.

use super::input::LevelName;
use super::which::{Answers, AskArguments};
use super::{header, time};
use crate::ending::Ending;
use crate::linked::cautions;
use crate::terminal::say;
use crate::{Exit, Failure, Format};
use clap::{Args, ValueEnum};
use payrig_link::open::LinesToOpen;
use payrig_link::{Clock, InLine, ModemEvent, ModemLines, ModemPort, Waker};
use payrig_pulse::{
    LineSetup, LineWatch, Profile, PulseFinding, Question, Train, TrainReader, identify,
};
use payrig_units::{Decimals, Micros, Money, words};

/// Arguments of `payrig pulse listen`.
#[derive(Debug, Args)]
pub(crate) struct ListenArguments {
    /// The serial port whose modem line the credit line is on.
    port: String,
    /// The modem line.
    #[arg(long = "in", value_enum, default_value_t = LineName::Cts)]
    input: LineName,
    /// How long to listen.
    #[arg(long = "for", value_name = "TIME", value_parser = time, default_value = "60s")]
    time: Micros,
    /// The credit line is high while the modem line is asserted (RS-232 levels); without this it is
    /// low then (logic levels, or an optocoupler).
    #[arg(long)]
    asserted_high: bool,
    /// Level of the credit line during a pulse.
    #[arg(long, value_enum, default_value_t = LevelName::Low)]
    active: LevelName,
    #[command(flatten)]
    ask: AskArguments,
    /// Decimals of amounts.
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(0..=4))]
    decimals: u8,
    /// How to write the answers; times in JSON are in microseconds, amounts in minor units.
    #[arg(long, value_enum, default_value_t)]
    pub(super) format: Format,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum LineName {
    Cts,
    Dsr,
    Dcd,
    Ri,
}

impl LineName {
    const fn line(self) -> InLine {
        match self {
            Self::Cts => InLine::Cts,
            Self::Dsr => InLine::Dsr,
            Self::Dcd => InLine::Dcd,
            Self::Ri => InLine::Ri,
        }
    }
}

/// Trains of one live line, as they end.
#[derive(Debug)]
struct Live {
    reader: TrainReader,
    watch: LineWatch,
    findings: Vec<PulseFinding>,
    /// How far the edges of the train going on may be off.
    uncertainty: Micros,
}

impl Live {
    fn new(profile: &Profile, line: &str, high: bool) -> Self {
        let mut live = Self {
            reader: TrainReader::new(LineSetup::of(profile, line)),
            watch: LineWatch::new(profile, line),
            findings: Vec::new(),
            uncertainty: Micros::ZERO,
        };
        live.reader.start_level(Micros::ZERO, high);
        live.watch.start_level(Micros::ZERO, high);
        live
    }

    /// What is known of a train: the edges are as far off as the worst of them.
    fn ended(&mut self, train: Option<Train>) -> Option<Train> {
        let mut train = train?;
        train.uncertainty = std::mem::take(&mut self.uncertainty);
        Some(train)
    }

    fn event(&mut self, event: ModemEvent) -> Option<Train> {
        let ModemEvent::Seen {
            edge, uncertainty, ..
        } = event
        else {
            return None;
        };
        self.findings.extend(self.watch.edge(edge.at, edge.high));
        let train = self.reader.edge(edge.at, edge.high);
        let train = self.ended(train);
        self.uncertainty = self.uncertainty.max(uncertainty);
        train
    }

    fn idle(&mut self, now: Micros) -> Option<Train> {
        self.findings.extend(self.watch.idle(now));
        let train = self.reader.idle(now);
        self.ended(train)
    }

    fn next_deadline(&self) -> Micros {
        self.reader.next_deadline().min(self.watch.next_deadline())
    }

    fn finish(&mut self, now: Micros) -> Vec<Train> {
        let mut trains = self.reader.finish(now);
        if !self.watch.has_moved() {
            trains.clear();
        }
        self.findings.extend(self.watch.finish(now));
        for train in &mut trains {
            train.uncertainty = self.uncertainty;
        }
        trains
    }
}

pub(super) fn listen(arguments: &ListenArguments) -> Result<Exit, Failure> {
    let decimals = Decimals(arguments.decimals);
    // Whatever is wrong with the amounts is reported before hardware is touched.
    arguments.ask.profiles(arguments.active.level(), decimals)?;
    arguments.ask.amounts(decimals)?;
    header(decimals)?;
    cautions();
    let port = lines(arguments).open()?;
    let ending = Ending::listen("listening")?;
    let (exit, _) = listen_on(arguments, port, &ending)?;
    Ok(exit)
}

fn lines(arguments: &ListenArguments) -> LinesToOpen<'_> {
    LinesToOpen {
        port: &arguments.port,
        clock: Clock::starting_now(),
        asserted_is_high: arguments.asserted_high,
        watch: vec![arguments.input.line()],
        reconnect: None,
    }
}

/// Listens; gives the pulses that were heard, too.
fn listen_on(
    arguments: &ListenArguments,
    mut port: ModemPort<impl ModemLines>,
    ending: &Ending,
) -> Result<(Exit, usize), Failure> {
    let decimals = Decimals(arguments.decimals);
    let (board, profiles) = arguments.ask.profiles(arguments.active.level(), decimals)?;
    let fed = arguments.ask.amounts(decimals)?;
    let input = arguments.input.line();
    let high = port.levels()?.first().is_none_or(|(_, high)| *high);
    let Some(first) = profiles.first() else {
        return Err(Failure::wrong("there are no pulse profiles".to_owned()));
    };
    let name = input.to_string();
    let mut live = Live::new(first, &name, high);
    if arguments.format == Format::Text {
        say!(
            "Listening to {name} of {} for {}; the line is {} now. Feed something.",
            arguments.port,
            arguments.time,
            if high { "high" } else { "low" }
        );
    }
    let mut answers = Answers::new(arguments.format);
    let (mut count, mut pulses) = (0, 0);
    let mut answer = |answers: &mut Answers, live: &mut Live, train: Option<Train>| {
        for finding in live.findings.drain(..) {
            answers.line(&name, &finding)?;
        }
        if let Some(train) = &train {
            count += 1;
            pulses += train.count();
            let question = Question {
                train,
                fed: of_train(&fed, count),
                profiles: &profiles,
                board: board.as_ref(),
                decimals,
            };
            answers.train(count, &question, &identify(&question))?;
        }
        answers.flush()
    };
    let waker = Waker::new()?;
    ending.wakes(waker.clone());
    let mut end = arguments.time;
    loop {
        let until = live.next_deadline().min(end);
        let event = port.wait(until, Some(&waker))?;
        let now = port.clock().now();
        if ending.is_asked().is_some() {
            end = end.min(now);
        }
        let over = event.is_none() && now >= end;
        let train = match event {
            Some(ModemEvent::Watching(how)) => {
                if arguments.format == Format::Text {
                    say!("How edges are seen: {how}.");
                }
                None
            }
            Some(event) => live.event(event),
            None => live.idle(now.min(end)),
        };
        answer(&mut answers, &mut live, train)?;
        if over {
            break;
        }
    }
    if let Some(seen) = port.seen().filter(|_| arguments.format == Format::Text) {
        say!(
            "{}; their times are known to within {} for half of them, {} for 99 of 100, {} for \
             all. What an adapter adds on its own is not in that.",
            words::count(seen.count, "edge"),
            seen.p50,
            seen.p99,
            seen.most
        );
    }
    for train in live.finish(end) {
        answer(&mut answers, &mut live, Some(train))?;
    }
    answer(&mut answers, &mut live, None)?;
    Ok((answers.end(count, board.as_ref())?, pulses))
}

/// What was fed for a train, counted from 1: the one amount, or that train's own.
fn of_train(fed: &[Money], count: u64) -> Option<Money> {
    match fed {
        [one] => Some(*one),
        several => {
            let place = usize::try_from(count).ok()?.checked_sub(1)?;
            several.get(place).copied()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;
    use payrig_link::OutLine;
    use std::io;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        arguments: ListenArguments,
    }

    /// A line that pulses by the number of looks at it, so that no pulse is missed however slow the
    /// machine is: three pulses of 60 looks, then rest.
    struct Looks(u32);

    impl ModemLines for Looks {
        fn name(&self) -> &str {
            "looks"
        }
        fn set(&mut self, _: OutLine, _: bool) -> io::Result<()> {
            Ok(())
        }
        fn get(&mut self, line: InLine) -> io::Result<bool> {
            assert_eq!(line, InLine::Dsr);
            self.0 += 1;
            Ok((100..460).contains(&self.0) && (self.0 / 60).is_multiple_of(2))
        }
    }

    fn listen_to(
        arguments: &ListenArguments,
        modem: impl ModemLines,
    ) -> Result<(Exit, usize), Failure> {
        let port = ModemPort::new(modem, lines(arguments).options());
        listen_on(arguments, port, &Ending::default())
    }

    fn arguments(time: &str) -> ListenArguments {
        let all = [
            "x", "port", "--in", "dsr", "--format", "json", "--for", time,
        ];
        Line::parse_from(all).arguments
    }

    #[test]
    fn a_live_train_is_answered() {
        // Its times are those of the machine; its count is certain.
        let (_, pulses) = listen_to(&arguments("1500ms"), Looks(0)).unwrap();
        assert_eq!(pulses, 3);
    }

    #[test]
    fn a_dead_line_falls_short() {
        struct Dead;
        impl ModemLines for Dead {
            fn name(&self) -> &str {
                "dead"
            }
            fn set(&mut self, _: OutLine, _: bool) -> io::Result<()> {
                Ok(())
            }
            fn get(&mut self, _: InLine) -> io::Result<bool> {
                Ok(false)
            }
        }
        let heard = listen_to(&arguments("30ms"), Dead).unwrap();
        assert_eq!(heard, (Exit::FellShort, 0));
    }

    #[test]
    fn the_worst_edge_of_a_train_is_its_uncertainty() {
        let mut live = Live::new(&Profile::short(), "DSR", true);
        let edge = |at, high, uncertainty| ModemEvent::Seen {
            line: InLine::Dsr,
            edge: payrig_wire::Edge {
                at: Micros::ms(at),
                high,
            },
            uncertainty: Micros(uncertainty),
        };
        for (at, high, off) in [(10, false, 125), (60, true, 900), (110, false, 130)] {
            assert_eq!(live.event(edge(at, high, off)), None);
        }
        live.event(edge(160, true, 125));
        let due = live.next_deadline();
        assert_eq!(live.idle(due), None);
        let train = live.idle(Micros::secs(1)).unwrap();
        assert_eq!((train.count(), train.uncertainty), (2, Micros(900)));
    }

    #[test]
    fn one_amount_is_for_all_trains_several_are_in_order() {
        assert_eq!(of_train(&[], 1), None);
        assert_eq!(of_train(&[Money(5)], 9), Some(Money(5)));
        assert_eq!(of_train(&[Money(5), Money(7)], 2), Some(Money(7)));
        assert_eq!(of_train(&[Money(5), Money(7)], 3), None);
    }
}
