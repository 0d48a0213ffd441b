//! `payrig examine board`.

use super::acceptor::AcceptorArguments;
use super::person::about;
use super::running::{Job, Listed, Tape, list, run_all};
use super::{Common, SEED, answerer, at_peer, in_lock_step, load, try_outputs, unknown};
use crate::advice;
use crate::ending::Ending;
use crate::lockstep;
use crate::terminal::say;
use crate::{Exit, Failure, Format};
use clap::Args;
use payrig_exam::Selection;
use payrig_exam::board::{self, BoardOutside, BoardSetup, Habits, Kit};
use payrig_exam::link::Linked;
use payrig_exam::peer::Peer;
use payrig_exam::person::Plan;
use payrig_link::Clock;
use payrig_rig::RigError;
use payrig_units::{Micros, words};
use payrig_wire::Source;
use std::time::SystemTime;

#[derive(Clone, Debug, Args)]
pub(super) struct BoardArguments {
    #[command(flatten)]
    pub(super) common: Common,
    #[command(flatten)]
    pulses: AcceptorArguments,
    #[command(flatten)]
    habits: HabitArguments,
    /// What the machine of the rig does not have is taken from the built-in bench, so that no check is
    /// left out for it.
    #[arg(long, requires = "rig")]
    fill: bool,
}

/// Habits of a real board that do not show on the wire.
#[derive(Clone, Debug, Args)]
struct HabitArguments {
    /// For a real board: credit stays after a sale, for another, until the coin return is pressed. What
    /// is not said is found out at the first sale with change.
    #[arg(long)]
    keep_credit: bool,
    /// For a real board: the longest a delivery takes, as in 12s [default: what the rig says, or 15s].
    #[arg(long, value_name = "TIME", value_parser = crate::pulse::time)]
    delivery: Option<Micros>,
}

impl HabitArguments {
    /// What is said here goes before what the rig says.
    fn say(&self, habits: &mut Habits) {
        if self.keep_credit {
            habits.keeps_credit = Some(true);
        }
        if let Some(delivery) = self.delivery {
            habits.delivery = delivery;
        }
    }

    /// Our own board has its habits from its rig.
    fn refuse(&self) -> Result<(), Failure> {
        let given = match (self.keep_credit, self.delivery) {
            (true, _) => ("--keep-credit", "keep-credit = true"),
            (_, Some(_)) => ("--delivery", "motor"),
            _ => return Ok(()),
        };
        let (option, key) = given;
        Err(Failure::wrong(format!(
            "{option} is said of a real board, and no --link is given: for our own write {key} in the \
             [board] of a rig"
        )))
    }
}

/// A delivery takes no longer than this, or the examination would not end (common practice, no source).
const LONGEST: Micros = Micros::secs(300);

pub(super) fn examine(mut arguments: BoardArguments) -> Result<Exit, Failure> {
    let wrong = |error: RigError| Failure::wrong(error);
    let mut setup = match load(&arguments.common)? {
        Some(rig) => {
            let setup = BoardSetup::of_rig(&rig, arguments.fill).map_err(wrong)?;
            if setup.is_outside {
                if let Some(link) = rig.link.as_ref().filter(|l| l.outside == Source::Master) {
                    arguments.common.link.or_of(link);
                }
                arguments.pulses.or_of(&rig);
            } else {
                refuse_link(&arguments.common)?;
            }
            setup
        }
        None => BoardSetup::good().map_err(wrong)?,
    };
    let arguments = &arguments;
    let common = &arguments.common;
    if setup.is_outside && !common.link.is_given() {
        let text = "the board of this rig is outside, and the rig does not say where: give --link, or \
                    write [link] in it";
        return Err(Failure::wrong(text.to_owned()));
    }
    match common.link.is_given() {
        true => arguments.habits.say(&mut setup.habits),
        false => arguments.habits.refuse()?,
    }
    if setup.habits.delivery > LONGEST {
        let text = format!(
            "a delivery of {} is longer than {LONGEST}: see --delivery, or motor in [board]",
            setup.habits.delivery
        );
        return Err(Failure::wrong(text));
    }
    common.link.examine()?;
    arguments.pulses.examine(common.link.port())?;
    if let Some(name) = &common.quirk {
        let Some(quirk) = board::quirk(name) else {
            let known: Vec<&str> = board::quirks().map(|q| q.name).collect();
            return Err(unknown("quirk", name, &known));
        };
        (quirk.apply)(&mut setup);
    }
    let known: Vec<&str> = board::checks().map(|c| c.id).collect();
    common.refuse_unknown(&known)?;
    if let Some(file) = &common.rig {
        if !setup.unused.is_empty() {
            say!(
                "The examination is of the machine of {}. Not used:",
                file.display()
            );
            for what in &setup.unused {
                say!("  {what}");
            }
        }
        if !setup.own.is_empty() {
            say!(
                "The machine of {} does not have, and the examination has its own:",
                file.display()
            );
            for what in &setup.own {
                say!("  {what}");
            }
        }
    }
    let only = common.only(board::SHORT);
    if common.list {
        let kit = Kit::of(&setup);
        let selection = Selection::of(only.as_deref());
        let meant = board::checks().filter(|c| selection.wants(c.id));
        let listed = meant.map(|c| Listed {
            works_from: board::presumed_by(c.id).iter().map(|h| h.name()).collect(),
            title: kit.text(c.title),
            expected: kit.text(c.expected),
            ..Listed::of("board", c)
        });
        list(&listed.collect::<Vec<_>>(), common.format)?;
        return Ok(Exit::Passed);
    }
    try_outputs(common, &["board".to_owned()])?;
    if common.link.is_given() {
        return board_outside(arguments, setup);
    }
    let stop = Ending::listen("the examination")?.stop();
    let asked = stop.clone();
    let job: Job = Box::new(move |each| {
        let examination = board::examine_until(&setup, only.as_deref(), &asked, each);
        (examination, None)
    });
    let tape = Tape::default();
    let jobs = std::iter::once(("board".to_owned(), job));
    run_all(common, &stop, &tape, 1, jobs)
}

/// A rig with our own board leaves nothing for a link to be connected to.
fn refuse_link(common: &Common) -> Result<(), Failure> {
    if !common.link.is_given() {
        return Ok(());
    }
    let text = "the board of this rig is our own, and --link is for a real one: leave one of them out, \
                or give a rig whose [board] has kind = \"outside\"";
    Err(Failure::wrong(text.to_owned()))
}

/// A board at the other end of a link.
fn board_outside(arguments: &BoardArguments, setup: BoardSetup) -> Result<Exit, Failure> {
    let (common, pulses) = (&arguments.common, &arguments.pulses);
    let lines = pulses.name();
    if common.unattended {
        let what = board::preparation(&setup, lines.is_some());
        say!("The board is assumed to be prepared like this: {what}.");
    }
    let (outside, tape, stop, name) = match common.link.peer() {
        Some(address) => {
            let ending = Ending::listen("the examination")?;
            let session = lockstep::start(address, Source::Peripheral, "board", SEED, &ending)?;
            let peer = Peer::new(session);
            let tape = Tape::in_lock_step(BoardOutside::ours(&setup, peer.has_lines()));
            let linked = Linked::new(peer.cable(), Source::Peripheral, Micros::ZERO);
            let linked = linked.until(&ending.stop());
            let person = at_peer(common, &peer, setup.board.decimals);
            let mut outside = BoardOutside::new(linked, person).recorded_by(tape.recorder());
            if peer.has_lines() {
                outside = outside.with_lines(peer.acceptor_lines(&setup), &setup);
            }
            (outside, tape, ending.stop(), in_lock_step(&peer))
        }
        None => {
            // From now on what is put anywhere is removed at the end, however that comes.
            let stop = Ending::listen("the examination")?.stop();
            let (clock, started) = (Clock::starting_now(), SystemTime::now());
            let tape = Tape::live(started, BoardOutside::ours(&setup, lines.is_some()));
            let acceptor = pulses.open(clock, common.link.reconnect())?;
            if acceptor.is_none() && setup.fitted.pulse {
                say!("{}", advice::NO_PULSE_LINES);
            }
            let json = common.format == Format::Json;
            let Some(opened) = common.link.open(Source::Peripheral, clock, &stop, json)? else {
                return Ok(Exit::Passed);
            };
            let mut outside =
                BoardOutside::new(opened.linked, answerer(common)?).recorded_by(tape.recorder());
            if let Some(acceptor) = acceptor {
                outside = outside.with_lines(acceptor, &setup);
            }
            let name = match lines {
                Some(lines) => format!("{}; {lines}", opened.name),
                None => opened.name,
            };
            (outside, tape, stop, name)
        }
    };
    let mut outside = outside;
    let only = common.only(board::SHORT);
    // As the built-in board does them: for a person, who wants to know how long it takes.
    let plan = match common.link.peer() {
        Some(_) => Plan::default(),
        None => board::plan(&setup, only.as_deref()),
    };
    if common.format == Format::Text && common.link.peer().is_none() {
        say!(
            "{}, {} with a person at the board. Ending early (q, or Ctrl-C) keeps what was found.",
            words::count(plan.0.len(), "check"),
            about(plan.whole_time())
        );
    }
    if !common.unattended {
        outside = outside.expecting(plan);
    }
    let job: Job = Box::new(move |each| {
        let (mut examination, failure) =
            board::examine_outside(&setup, outside, only.as_deref(), each);
        examination.link = name;
        (examination, failure)
    });
    let jobs = std::iter::once(("board".to_owned(), job));
    run_all(common, &stop, &tape, 1, jobs)
}
