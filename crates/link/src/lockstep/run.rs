//! A whole bench in lock-step with a peer.

use super::session::{Answer, Happened, Session};
use crate::LinkError;
use crate::drive::LiveError;
use crate::pace::{Pace, Paced, SLICE, order_at_hand};
use payrig_bench::action::Action;
use payrig_bench::plan::{DeviceLink, Pin};
use payrig_bench::{Bench, BusAt, Outbound, Plan};
use payrig_units::Micros;
use payrig_wire::port::{InLine, OutLine};
use payrig_wire::recording::Entry;
use serde_json::Value;
use std::io;

/// A pulse line between a bench and its peer, as each of the two knows it.
#[derive(Clone, Debug)]
struct PeerLineAt {
    port: String,
    pin: Pin,
    device: String,
    line: String,
}

/// The pulse lines between a bench and its peer.
#[derive(Clone, Debug, Default)]
pub struct PeerLines(Vec<PeerLineAt>);

impl PeerLines {
    /// Those of a plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        let mut lines = Vec::new();
        for device in &plan.devices {
            let Some(DeviceLink::Lines(link)) = &device.link else {
                continue;
            };
            lines.extend(link.wires.iter().map(|(line, pin)| PeerLineAt {
                port: link.port.clone(),
                pin: *pin,
                device: device.name.clone(),
                line: line.clone(),
            }));
        }
        Self(lines)
    }

    fn driven(&self, port: &str, out: OutLine) -> Option<&PeerLineAt> {
        let mut all = self.0.iter();
        all.find(|at| at.port == port && at.pin == Pin::Out(out))
    }

    fn pin_of(&self, device: &str, line: &str) -> Option<(&str, Pin)> {
        let mut all = self.0.iter();
        let at = all.find(|at| at.device == device && at.line == line)?;
        Some((&at.port, at.pin))
    }

    fn driven_by_us(&self, device: &str, line: &str) -> Option<(&str, OutLine)> {
        let (port, pin) = self.pin_of(device, line)?;
        Some((port, pin.output()?))
    }

    fn watched(&self, device: &str, line: &str) -> Option<(&str, InLine)> {
        let (port, pin) = self.pin_of(device, line)?;
        Some((port, pin.input()?))
    }
}

/// Runs a bench whose board's bus, and whose pulse lines, are between it and a peer, as fast as both can go:
/// until its script has ended, `limit` has passed, or `stop` gives a reason for the log. `describe` makes JSON
/// of an action that is done at the peer.
///
/// # Errors
/// When the peer fails or the log cannot be written; the log is complete up to then.
pub fn run_lockstep(
    bench: &mut Bench,
    session: &mut Session,
    lines: &PeerLines,
    limit: Micros,
    mut stop: impl FnMut() -> Option<String>,
    describe: impl Fn(&Action) -> Option<Value>,
    mut sink: impl FnMut(&Bench, Entry) -> io::Result<()>,
) -> Result<(), LiveError> {
    tracing::info!(target: "payrig::run", peer = session.name(), %limit, "a run in lock-step begins");
    let mut drain = |bench: &mut Bench| -> io::Result<()> {
        while let Some(entry) = bench.take_entry() {
            sink(bench, entry)?;
        }
        Ok(())
    };
    loop {
        let stepped = send(bench, session, lines, &describe).and_then(|()| {
            if bench.ended() {
                return Ok(true);
            }
            if let Some(why) = stop() {
                bench.link_note(why);
                bench.finish_now();
                return Ok(false);
            }
            if !step(bench, session, lines, limit)? {
                bench.move_on(limit);
                bench.finish_now();
            }
            Ok(false)
        });
        match stepped {
            Ok(ended) => {
                drain(bench)?;
                if ended {
                    return Ok(());
                }
            }
            Err(error) => {
                tracing::info!(target: "payrig::run", %error, "the peer failed");
                bench.link_note(format!("the link failed: {error}"));
                bench.finish_now();
                drain(bench)?;
                return Err(error.into());
            }
        }
    }
}

/// Runs a bench and its peer as an attendant says: as far as it asks for, and then both stand. The wall clock
/// means nothing to either.
///
/// # Errors
/// When the peer fails or the attendant cannot keep what happens; the bench has ended then.
pub async fn run_lockstep_attended<A: Paced>(
    bench: &mut Bench,
    session: &mut Session,
    lines: &PeerLines,
    describe: impl Fn(&Action) -> Option<Value>,
    attendant: &mut A,
) -> Result<(), LiveError> {
    loop {
        let failed = match send(bench, session, lines, &describe) {
            Ok(()) => {
                attendant.look(bench)?;
                if bench.ended() {
                    return Ok(());
                }
                let to = match attendant.pace(bench) {
                    Pace::Until(to) => to,
                    Pace::Real { .. } => bench.now(),
                };
                if to <= bench.now() {
                    let order = attendant.order().await;
                    attendant.carry_out(bench, order);
                    continue;
                }
                let done = go_on(bench, session, lines, to, &describe, attendant)?;
                match order_at_hand(attendant).await {
                    Some(order) => attendant.carry_out(bench, order),
                    None => tokio::task::yield_now().await,
                }
                done
            }
            Err(error) => Err(error),
        };
        if let Err(error) = failed {
            tracing::info!(target: "payrig::run", %error, "the peer failed");
            bench.link_note(format!("the link failed: {error}"));
            bench.finish_now();
            attendant.look(bench)?;
            return Err(error.into());
        }
    }
}

/// Lets a slice of what happens until `to` happen. The outer error is the attendant's, the inner one the peer's.
fn go_on<A: Paced>(
    bench: &mut Bench,
    session: &mut Session,
    lines: &PeerLines,
    to: Micros,
    describe: impl Fn(&Action) -> Option<Value>,
    attendant: &mut A,
) -> io::Result<Result<(), LinkError>> {
    for _ in 0..SLICE {
        let stepped =
            send(bench, session, lines, &describe).and_then(|()| step(bench, session, lines, to));
        match stepped {
            Err(error) => return Ok(Err(error)),
            Ok(false) => {
                bench.move_on(to);
                break;
            }
            Ok(true) => attendant.look(bench)?,
        }
        if bench.ended() || attendant.pace(bench) != Pace::Until(to) {
            break;
        }
    }
    Ok(Ok(()))
}

/// What is to go out goes to the peer.
fn send(
    bench: &mut Bench,
    session: &mut Session,
    lines: &PeerLines,
    describe: impl Fn(&Action) -> Option<Value>,
) -> Result<(), LinkError> {
    while let Some(out) = bench.take_outbound() {
        match out {
            Outbound::Words { sent, .. } => session.send(sent),
            Outbound::Edge { port, line, edge } => {
                if let Some(at) = lines.driven(&port, line) {
                    session.drive(&at.device, &at.line, edge);
                }
            }
            Outbound::Act(action) => {
                let done = match describe(&action) {
                    Some(json) => session.act(&[json])?.pop(),
                    None => None,
                };
                let why = match done {
                    Some(Answer::Done(_)) => None,
                    Some(Answer::Cannot(why)) => Some(why),
                    None => Some(String::new()),
                };
                bench.acted_outside(&action, why.as_deref());
            }
        }
    }
    Ok(())
}

/// Goes on to the next thing that happens; false when nothing does before `limit`, to which the peer has
/// come then.
fn step(
    bench: &mut Bench,
    session: &mut Session,
    lines: &PeerLines,
    limit: Micros,
) -> Result<bool, LinkError> {
    let due = bench.next_deadline().min(limit);
    let Some(happened) = session.step(due)? else {
        let any = bench.next_deadline() <= due;
        if any {
            bench.advance(due);
        }
        return Ok(any);
    };
    let at = session.now();
    bench.advance_before(at);
    if bench.ended() {
        return Ok(true);
    }
    bench.move_on(at);
    match happened {
        Happened::Bus(crate::PortEvent::Heard(event)) => {
            bench.heard_on_link(&BusAt::Board, &event);
        }
        Happened::Bus(crate::PortEvent::Sent { event, late }) => {
            bench.sent_on_link(&BusAt::Board, &event, late);
        }
        Happened::Bus(other) => bench.link_note(other.to_string()),
        Happened::Driven { device, line, edge } => {
            if let Some((port, out)) = lines.driven_by_us(&device, &line) {
                bench.line_driven(port, out, edge, Micros::ZERO);
            }
        }
        Happened::Seen { device, line, edge } => match lines.watched(&device, &line) {
            Some((port, pin)) => bench.line_seen(port, pin, edge, Micros::ZERO),
            None => bench.link_note(format!(
                "the peer moved line {line} of {device}, which this bench does not have"
            )),
        },
    }
    // What was waited for may be so by that.
    bench.advance(at);
    Ok(true)
}
