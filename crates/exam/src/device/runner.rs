//! How an examination is done: each check on an emulated device of its own, or all of them on one at
//! the other end of a port.

use super::relations::RELATIONS;
use super::setup::ByHand;
use super::{Bench, DeviceCheck, Kind, Outside, Setup, checks};
use crate::Stop;
use crate::evidence::Evidence;
use crate::gather;
use crate::outside::{Course, attempts};
use crate::person::{Expected, Plan};
use crate::result::{CheckResult, Examination, Subject};
use crate::seen::Seen;
use crate::selection::Selection;
use crate::skip::Skip;
use payrig_link::LinkError;
use payrig_units::Micros;
use payrig_wire::recording::Entry;

/// Runs one check on a fresh bench.
#[must_use]
pub fn run_check(check: &DeviceCheck, setup: &Setup) -> (Seen, Option<Evidence>) {
    let setup = check.arranged(setup);
    let Some(mut bench) = Bench::new(&setup) else {
        let text = "the rig's device contradicts itself: running the rig says how";
        return (Seen::cannot_tell(text), None);
    };
    let seen = (check.run)(&mut bench).unwrap_or_else(|early| early);
    (seen, Some(bench.finish()))
}

/// Examines an emulated device; `only` picks checks by names and patterns, with commas between
/// ([`Selection`](crate::Selection)). `each` is given every result as
/// it comes.
#[must_use]
pub fn examine(
    setup: &Setup,
    only: Option<&str>,
    each: impl FnMut(&CheckResult, &[Entry]),
) -> Examination {
    examine_until(setup, only, &Stop::default(), each)
}

/// As [`examine`]; once `stop` is asked for, the checks that are left are skipped.
#[must_use]
pub fn examine_until(
    setup: &Setup,
    only: Option<&str>,
    stop: &Stop,
    each: impl FnMut(&CheckResult, &[Entry]),
) -> Examination {
    gather::examine(
        checks(setup.kind),
        RELATIONS,
        only,
        stop,
        |check| run_check(check, setup),
        each,
        (subject(setup), setup.decimals),
    )
}

/// What the checks will take with a device outside: as they do with an emulated one, which they are run on.
#[must_use]
pub fn plan(setup: &Setup, only: Option<&str>) -> Plan {
    let selection = Selection::of(only);
    let expected = |check: &'static DeviceCheck| {
        let (_, evidence) = run_check(check, setup);
        let (questions, time) = evidence.map_or((0, Micros::ZERO), |e| (e.questions, e.now));
        Expected {
            id: check.id,
            title: check.title,
            questions,
            time,
        }
    };
    let wanted = checks(setup.kind).filter(|c| selection.wants(c.id));
    Plan(wanted.map(expected).collect())
}

/// Examines a device at the other end of a port. One port, and one device, serve all checks, in the
/// port's time. When the link fails the checks that are left are skipped: the examination is whole
/// up to then, and the error says what happened.
#[must_use]
pub fn examine_outside(
    setup: &Setup,
    mut outside: Outside,
    only: Option<&str>,
    each: impl FnMut(&CheckResult, &[Entry]),
) -> (Examination, Option<LinkError>) {
    let stop = outside.linked().stop();
    let plan = outside.take_plan();
    let mut lent = Some(outside);
    let mut course = Course::default();
    let run = |check: &DeviceCheck| {
        let Some(mut outside) = lent.take() else {
            return (Seen::skipped(Skip::LinkGone), None);
        };
        if let Some(progress) = plan.at(check.id) {
            outside.begins(&progress);
        }
        if let Some(why) = course.blocked_by(outside.linked()) {
            lent = Some(outside);
            return (Seen::skipped(why), None);
        }
        let needs = match check.arrange {
            None => Some(ByHand::Nothing),
            Some(_) => setup.by_hand(&check.arranged(setup)),
        };
        let Some(by_hand) = needs else {
            lent = Some(outside);
            let text = "needs a device that is set up for it: done with emulated devices only";
            return (Seen::skipped(Skip::EmulatedOnly(text.into())), None);
        };
        outside.check_begins();
        let attempted = attempts(outside, Outside::inform, |outside| {
            let mut bench = Bench::outside(setup, outside);
            let seen = match by_hand {
                ByHand::Nothing => (check.run)(&mut bench),
                ByHand::SlowReader(time) => bench.with_a_slow_reader(time, check.run),
            };
            let seen = seen.unwrap_or_else(|early| early);
            let (evidence, back) = bench.end();
            Some((seen, evidence, back))
        });
        let Some((seen, evidence, back)) = attempted else {
            return (Seen::skipped(Skip::LinkGone), None);
        };
        course.done(&evidence);
        lent = back;
        (seen, Some(evidence))
    };
    let subject = Subject {
        kind: setup.kind.to_string(),
        ..Subject::default()
    };
    let checks = checks(setup.kind);
    let mut examination = gather::examine(
        checks,
        RELATIONS,
        only,
        &stop,
        run,
        each,
        (subject, setup.decimals),
    );
    let mut failure = None;
    if let Some(mut outside) = lent {
        let identity = outside.identity();
        examination.subject = Subject {
            kind: setup.kind.to_string(),
            // It has no name on this bench: its model serves.
            name: identity.model.clone(),
            ..identity
        };
        failure = outside.linked().take_failure();
    }
    (examination, failure)
}

/// What the rig says of the device; for an emulated one that is what it says of itself.
fn subject(setup: &Setup) -> Subject {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end().to_owned();
    let version = |v: [u8; 2]| format!("{:X}.{:02X}", v[0], v[1]);
    let mut subject = Subject {
        kind: setup.kind.to_string(),
        ..Subject::default()
    };
    match setup.kind {
        Kind::Changer => {
            let c = &setup.changer;
            (subject.name, subject.maker) = (c.name.clone(), c.maker.clone());
            (subject.serial, subject.model) = (c.serial.clone(), c.model.clone());
            subject.version = version(c.version);
        }
        Kind::BillValidator | Kind::BillRecycler => {
            let id = &setup.bill.identification;
            subject.name = setup.bill.name.clone();
            (subject.maker, subject.serial) = (text(&id.manufacturer), text(&id.serial));
            subject.model = text(&id.model);
            subject.version = version(id.version);
        }
        Kind::Cashless => {
            let id = &setup.cashless.id;
            subject.name = setup.cashless.name.clone();
            (subject.maker, subject.serial) = (text(&id.maker), text(&id.serial));
            subject.model = text(&id.model);
            subject.version = version(id.version);
        }
        Kind::PulseBill => subject.name.clone_from(&setup.pulse.bill.name),
        Kind::PulseCoin | Kind::PulseCoinHopper => {
            subject.name.clone_from(&setup.pulse.coin.name);
        }
        Kind::PulseHopper => subject.name.clone_from(&setup.pulse.hopper.name),
        Kind::PulseCard => subject.name.clone_from(&setup.pulse.card.name),
    }
    subject
}
