//! `--peer`: a program at the other end of a bench, in lock-step.

use crate::Failure;
use crate::ending::Ending;
use payrig_bench::{Bench, Plan};
use payrig_link::LinkError;
use payrig_link::drive::LiveError;
use payrig_link::lockstep::{PeerAddress, PeerLines, Session, Started, run_lockstep};
use payrig_rig::action_as_json;
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use std::io;

/// Starts the peer of a rig; its pulse lines are between the two, where it has any.
///
/// # Errors
/// When it cannot be started, or does not open as it should.
pub(crate) fn open(
    address: &PeerAddress,
    rig: &mut Plan,
    ending: &Ending,
) -> Result<Session, Failure> {
    let outside = rig.link.as_ref().map_or(Source::Master, |l| l.outside);
    let role = match outside {
        Source::Master => "board",
        Source::Peripheral => "devices",
    };
    let session = start(address, outside.other(), role, rig.seed, ending)?;
    if session.has_lines() {
        rig.share_lines_with_peer().map_err(Failure::wrong)?;
    }
    Ok(session)
}

/// Starts a peer that plays a role.
///
/// # Errors
/// As [`open`].
pub(crate) fn start(
    address: &PeerAddress,
    ours: Source,
    role: &str,
    seed: u64,
    ending: &Ending,
) -> Result<Session, Failure> {
    let failed = |error| Failure::Link(LinkError::Peer(error));
    let started = Started::at(address).map_err(failed)?;
    let stop = ending.stop();
    Session::open(started, ours, role, seed, move || stop.is_asked()).map_err(failed)
}

/// Runs a rig with its peer.
pub(crate) fn run(
    session: &mut Session,
    rig: &Plan,
    peer_optional: bool,
    limit: Micros,
    ending: &Ending,
    sink: impl FnMut(&Bench, Entry) -> io::Result<()>,
) -> (Bench, Option<Failure>) {
    let mut bench = Bench::live(rig, &[]);
    if peer_optional {
        bench.peer_optional();
    }
    let decimals = rig.decimals;
    let ran = run_lockstep(
        &mut bench,
        session,
        &PeerLines::of(rig),
        limit,
        || Some(ending.is_asked()?.note()),
        |action| action_as_json(action, decimals),
        sink,
    );
    let failed = ran.err().map(|error| match error {
        LiveError::Link(error) => Failure::Link(error),
        LiveError::Output(error) => Failure::Output(error),
    });
    (bench, failed)
}
