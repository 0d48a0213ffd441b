//! `payrig examine device`.

use super::lines::LineArguments;
use super::person::about;
use super::running::{Job, Listed, Tape, list, run_all};
use super::{Common, SEED, answerer, at_peer, in_lock_step, load, try_outputs, unknown};
use crate::ending::Ending;
use crate::lockstep;
use crate::terminal::say;
use crate::{Exit, Failure, Format};
use clap::Args;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::error::{ContextKind, ContextValue};
use payrig_bench::Plan;
use payrig_bench::plan::{DeviceLink, DevicePlan};
use payrig_exam::Selection;
use payrig_exam::device::{self, Kind, Outside, Setup};
use payrig_exam::link::Linked;
use payrig_exam::peer::Peer;
use payrig_exam::person;
use payrig_link::Clock;
use payrig_mdb::cashless::Unit;
use payrig_units::{Micros, words};
use payrig_wire::Source;
use std::ffi::OsStr;
use std::time::SystemTime;

#[derive(Clone, Debug, Args)]
pub(super) struct DeviceArguments {
    #[command(flatten)]
    pub(super) common: Common,
    /// Examine devices of this kind only.
    #[arg(long, value_parser = Kinds)]
    kind: Option<Kind>,
    /// Which of the two card readers of a bus: 1 answers at 10H, 2 at 60H [default: what the rig
    /// says, else 1].
    #[arg(long, value_name = "1|2", value_parser = clap::value_parser!(u8).range(1..=2))]
    unit: Option<u8>,
    #[command(flatten)]
    lines: LineArguments,
}

/// The kinds by their names; what people call them otherwise is told.
#[derive(Clone, Debug)]
struct Kinds;

impl Kinds {
    fn names() -> PossibleValuesParser {
        let names = Kind::ALL.map(|k| PossibleValue::new(k.name()));
        // The name of the pulse bill validator while there was no other pulse device.
        let old = PossibleValue::new("pulse").hide(true);
        PossibleValuesParser::new(names.into_iter().chain([old]))
    }
}

impl TypedValueParser for Kinds {
    type Value = Kind;

    fn parse_ref(
        &self,
        command: &clap::Command,
        argument: Option<&clap::Arg>,
        value: &OsStr,
    ) -> Result<Kind, clap::Error> {
        let names = Self::names().try_map(|name| Kind::named(&name).ok_or("no such kind"));
        names
            .parse_ref(command, argument, value)
            .map_err(|mut error| {
                let known = Kind::ALL.map(Kind::name);
                if let Some(near) = payrig_rig::nearest(&value.to_string_lossy(), &known) {
                    error.insert(
                        ContextKind::SuggestedValue,
                        ContextValue::String(near.to_owned()),
                    );
                }
                error
            })
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        let shown = Kind::ALL.map(|k| PossibleValue::new(k.name()));
        Some(Box::new(shown.into_iter()))
    }
}

/// A device, and where the real one is, if there is one.
type Meant = (Setup, Option<DeviceLink>);

/// Where a device of a rig is, when it is real.
fn where_is(rig: &Plan, device: &DevicePlan) -> Option<DeviceLink> {
    match &device.link {
        Some(link) => link.device_outside().then(|| link.clone()),
        // What is on the bus of a rig whose board is ours.
        None => rig
            .link
            .as_ref()
            .filter(|bus| bus.outside == Source::Peripheral)
            .filter(|_| device.address().is_some())
            .map(|bus| DeviceLink::Bus(bus.clone())),
    }
}

/// Takes the link of the one device that is meant from its rig.
fn real(
    arguments: &mut DeviceArguments,
    rig: Option<&Plan>,
    setups: Vec<Meant>,
) -> Result<Vec<Setup>, Failure> {
    let several = setups.len() > 1;
    if !arguments.common.link.is_given() && !arguments.common.list {
        for (_, link) in &setups {
            match link {
                Some(_) if several => {
                    let text = "the rig has a real device, and one real device is examined at a time: \
                                name its kind with --kind, and which of two card readers with --unit";
                    return Err(Failure::wrong(text.to_owned()));
                }
                Some(DeviceLink::Bus(bus)) => arguments.common.link.or_of(bus),
                Some(DeviceLink::Lines(lines)) => {
                    arguments.common.link.or_on(&lines.port);
                    arguments.lines = LineArguments::of(lines);
                }
                None => {}
            }
        }
    }
    if let (Some(file), Some(rig)) = (&arguments.common.rig, rig)
        && !arguments.common.link.is_given()
        && rig
            .link
            .as_ref()
            .is_some_and(|l| l.outside == Source::Master)
    {
        say!(
            "The emulated devices of {} are examined; its [link], with a board at the other end, is not \
             used.",
            file.display()
        );
    }
    arguments.common.link.examine()?;
    Ok(setups.into_iter().map(|(setup, _)| setup).collect())
}

/// The devices of a rig, or one good device of each kind.
fn setups(arguments: &DeviceArguments, rig: Option<&Plan>) -> Result<Vec<Meant>, Failure> {
    let unit = arguments.unit.map(|unit| match unit {
        2 => Unit::Two,
        _ => Unit::One,
    });
    if let (Some(_), Some(kind)) = (unit, arguments.kind.filter(|k| *k != Kind::Cashless)) {
        let text = format!(
            "--unit says which of two card readers is meant; there is one {kind} only: leave --unit \
             away, or say --kind cashless"
        );
        return Err(Failure::wrong(text));
    }
    let mut setups: Vec<Meant> = match rig {
        None => Kind::ALL.map(|kind| (Setup::good(kind), None)).into(),
        Some(rig) => {
            let meant = |d| Some((Setup::of_rig(rig, d)?, where_is(rig, d)));
            rig.devices.iter().filter_map(meant).collect()
        }
    };
    // A rig calls a recycler a bill-validator with stores, and an acceptor above a hopper by its
    // own name.
    let is = |s: &Setup, kind: Kind| s.kind == kind || rig.is_some() && s.kind.plainer() == kind;
    setups.retain(|(s, _)| arguments.kind.is_none_or(|kind| is(s, kind)));
    if let Some(unit) = unit {
        setups.retain(|(s, _)| s.kind == Kind::Cashless);
        if rig.is_none() {
            for (setup, _) in &mut setups {
                setup.cashless.unit = unit;
            }
        }
        setups.retain(|(s, _)| s.cashless.unit == unit);
        if setups.is_empty() {
            let number = arguments.unit.unwrap_or(1);
            let text = format!(
                "the rig has no such card reader: a [[device]] of kind \"cashless\" says which of the \
                 two it is by unit = {number}"
            );
            return Err(Failure::wrong(text));
        }
    }
    if setups.is_empty() {
        let names = Kind::ALL.map(Kind::name).join(", ");
        let text = format!("the rig has no such device: it needs a [[device]] of one of {names}");
        return Err(Failure::wrong(text));
    }
    Ok(setups)
}

/// The name of a device among the subjects of one run: a second card reader is distinguished from the first.
fn called(setup: &Setup) -> String {
    match (setup.kind, setup.cashless.unit) {
        (Kind::Cashless, Unit::Two) => format!("{}-2", setup.kind.name()),
        (kind, _) => kind.name().to_owned(),
    }
}

/// The names of devices among the subjects of one run, no two alike.
fn subjects(setups: &[Setup]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for setup in setups {
        let name = called(setup);
        let again = (2..).map(|number| format!("{name}-{number}"));
        let mut free = std::iter::once(name.clone()).chain(again);
        names.extend(free.find(|name| !names.contains(name)));
    }
    names
}

/// A device at the other end of a link.
fn examine_outside(arguments: &DeviceArguments, mut setups: Vec<Setup>) -> Result<Exit, Failure> {
    let common = &arguments.common;
    let (Some(setup), true) = (setups.pop(), setups.is_empty()) else {
        let text = "one device is at the other end of the link: name its kind with --kind, and which \
                    of two card readers with --unit";
        return Err(Failure::wrong(text.to_owned()));
    };
    let ending = Ending::listen("the examination")?;
    let stop = ending.stop();
    let (clock, started) = (Clock::starting_now(), SystemTime::now());
    let tape = match common.link.peer() {
        Some(_) => Tape::in_lock_step(Outside::ours(&setup)),
        None => Tape::live(started, Outside::ours(&setup)),
    };
    let (outside, name) = if let Some(address) = common.link.peer() {
        let session = lockstep::start(address, Source::Master, setup.kind.name(), SEED, &ending)?;
        let peer = Peer::new(session);
        let person = at_peer(common, &peer, setup.decimals);
        let outside = match peer.lines_of_device(&setup) {
            Some(lines) => Outside::on_lines(setup.kind, lines, person),
            None => {
                let linked = Linked::new(peer.cable(), Source::Master, Micros::ZERO);
                Outside::new(setup.kind, linked, person)
            }
        };
        (outside.until(&stop), in_lock_step(&peer))
    } else if setup.kind.address().is_some() {
        let Some(opened) =
            common
                .link
                .open(Source::Master, clock, &stop, common.format == Format::Json)?
        else {
            return Ok(Exit::Passed);
        };
        let outside = Outside::new(setup.kind, opened.linked, answerer(common)?);
        (outside.until(&stop), opened.name)
    } else if matches!(setup.kind, Kind::PulseHopper | Kind::PulseCoinHopper) {
        let text = "a real hopper cannot be examined: its motor is not driven over a serial port. \
                    Examine the acceptor above it as --kind pulse-coin-acceptor";
        return Err(Failure::wrong(text.to_owned()));
    } else {
        let port = common.link.port().unwrap_or_default();
        let lines = arguments.lines.open(port, clock)?;
        let outside = Outside::on_lines(setup.kind, lines, answerer(common)?);
        (outside.until(&stop), format!("modem lines of {port}"))
    };
    let outside = outside.recorded_by(tape.recorder());
    let (subject, only) = (called(&setup), common.only(device::short(setup.kind)));
    let plan = match common.link.peer() {
        Some(_) => person::Plan::default(),
        None => device::plan(&setup, only.as_deref()),
    };
    if common.format == Format::Text && common.link.peer().is_none() {
        say!(
            "{}, {} with a person at the device.",
            words::count(plan.0.len(), "check"),
            about(plan.whole_time())
        );
    }
    let outside = match common.unattended {
        true => outside,
        false => outside.expecting(plan),
    };
    let job: Job = Box::new(move |each| {
        let (mut examination, failure) =
            device::examine_outside(&setup, outside, only.as_deref(), each);
        examination.link = name;
        (examination, failure)
    });
    run_all(common, &stop, &tape, 1, std::iter::once((subject, job)))
}

pub(super) fn examine(mut arguments: DeviceArguments) -> Result<Exit, Failure> {
    let rig = load(&arguments.common)?;
    let meant = setups(&arguments, rig.as_ref())?;
    let mut setups = real(&mut arguments, rig.as_ref(), meant)?;
    let (arguments, common) = (&arguments, &arguments.common);
    if let Some(name) = &common.quirk {
        setups.retain(|s| device::quirk(s.kind, name).is_some());
        if setups.is_empty() {
            let kinds = arguments.kind.map_or(Kind::ALL.to_vec(), |k| vec![k]);
            let known: Vec<&str> = kinds
                .into_iter()
                .flat_map(device::quirks)
                .map(|q| q.name)
                .collect();
            return Err(unknown("quirk", name, &known));
        }
        for setup in &mut setups {
            if let Some(quirk) = device::quirk(setup.kind, name) {
                (quirk.apply)(setup);
            }
        }
    }
    let all = |s: &Setup| device::checks(s.kind);
    if !common.only.is_empty() {
        let known: Vec<&str> = setups.iter().flat_map(all).map(|c| c.id).collect();
        common.refuse_unknown(&known)?;
        let selection = Selection::of(common.only(&[]).as_deref());
        setups.retain(|s| all(s).any(|c| selection.wants(c.id)));
    }
    if common.list {
        let listed = |s: &Setup| {
            let subject = match s.cashless.unit {
                Unit::Two if s.kind == Kind::Cashless => format!("{} 2", s.kind),
                _ => s.kind.to_string(),
            };
            let selection = Selection::of(common.only(device::short(s.kind)).as_deref());
            let checks = all(s).filter(move |c| selection.wants(c.id));
            checks.map(move |c| Listed::of(&subject, c))
        };
        list(
            &setups.iter().flat_map(listed).collect::<Vec<_>>(),
            common.format,
        )?;
        return Ok(Exit::Passed);
    }
    let subjects = subjects(&setups);
    try_outputs(common, &subjects)?;
    if common.link.is_given() {
        return examine_outside(arguments, setups);
    }
    let count = setups.len();
    let stop = Ending::listen("the examination")?.stop();
    let jobs = setups.into_iter().zip(subjects).map(|(setup, subject)| {
        let (only, asked) = (common.only(device::short(setup.kind)), stop.clone());
        let job: Job = Box::new(move |each| {
            let examination = device::examine_until(&setup, only.as_deref(), &asked, each);
            (examination, None)
        });
        (subject, job)
    });
    run_all(common, &stop, &Tape::default(), count, jobs)
}
