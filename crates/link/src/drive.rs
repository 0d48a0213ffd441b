//! Drives a bench with the wall clock: what it hears comes from ports, what it sends goes to them,
//! and bench time is theirs. A bench without ports runs by the clock alone.
//!
//! ```
//! use payrig_bench::Bench;
//! use payrig_link::ThreadPort;
//! use payrig_link::drive::{LiveError, Ports, run_live};
//! use payrig_units::{Decimals, Micros};
//!
//! let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
//! let mut bench = Bench::new(1, Micros::ZERO, Decimals(2));
//! let mut log = Vec::new();
//! runtime.block_on(async {
//!     let mut ports = Ports::<ThreadPort>::none();
//!     let stop = std::future::ready("seen enough".to_owned());
//!     run_live(&mut bench, &mut ports, Micros::secs(60), stop, |_, entry| {
//!         log.push(entry);
//!         Ok(())
//!     })
//!     .await
//! })?;
//! assert!(bench.ended());
//! assert!(!log.is_empty());
//! # Ok::<(), LiveError>(())
//! ```

use crate::{Clock, ExactTimer, LinkError, ModemEvent, ModemThread, PortEvent, Watch, WordPort};
use payrig_bench::{Bench, BusAt, Outbound};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use std::future::{Future, poll_fn};
use std::io;
use std::pin::{Pin, pin};
use std::task::Poll;
use std::time::Duration;

/// Why a bench on links stopped early. Everything up to then has gone to the sink.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// A link failed.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// The log could not be written.
    #[error("output: {0}")]
    Output(#[from] io::Error),
}

/// The ports of a bench, all on one clock.
#[derive(Debug)]
pub struct Ports<P> {
    /// Bench time.
    pub clock: Clock,
    /// Buses.
    pub buses: Vec<(BusAt, P)>,
    /// Modem lines, by the port's name in the rig.
    pub lines: Vec<(String, ModemThread)>,
}

/// What came.
enum Came {
    Bus(usize, Result<PortEvent, LinkError>),
    Line(usize, Result<ModemEvent, LinkError>),
}

impl Came {
    /// When it happened, where it has a time.
    fn at(&self) -> Option<Micros> {
        match self {
            Self::Bus(_, Ok(PortEvent::Heard(event) | PortEvent::Sent { event, .. })) => {
                Some(event.end())
            }
            Self::Line(_, Ok(ModemEvent::Seen { edge, .. } | ModemEvent::Driven { edge, .. })) => {
                Some(edge.at)
            }
            _ => None,
        }
    }
}

impl<P> Ports<P> {
    /// No ports: a bench that is all emulated, with the wall clock from now on.
    #[must_use]
    pub fn none() -> Self {
        Self {
            clock: Clock::starting_now(),
            buses: Vec::new(),
            lines: Vec::new(),
        }
    }
}

impl<P: WordPort> Ports<P> {
    /// Sends something.
    fn send(&mut self, out: Outbound) -> Result<(), LinkError> {
        tracing::trace!(target: "payrig::port", ?out, "to be sent");
        match out {
            Outbound::Words { bus, sent } => {
                let mut all = self.buses.iter_mut();
                match all.find(|(at, _)| *at == bus) {
                    Some((_, port)) => port.send(sent),
                    None => Ok(()),
                }
            }
            Outbound::Edge { port, line, edge } => {
                let mut all = self.lines.iter_mut();
                match all.find(|(name, _)| *name == port) {
                    Some((_, lines)) => lines.drive(line, edge),
                    None => Ok(()),
                }
            }
            // Nobody at a port can be asked.
            Outbound::Act(_) => Ok(()),
        }
    }

    /// The next thing that comes through any of them. Dropping the future loses nothing.
    async fn receive(&mut self) -> Came {
        type Coming<'a> = Pin<Box<dyn Future<Output = Came> + 'a>>;
        let mut all: Vec<Coming<'_>> = Vec::new();
        for (index, (_, port)) in self.buses.iter_mut().enumerate() {
            all.push(Box::pin(
                async move { Came::Bus(index, port.receive().await) },
            ));
        }
        for (index, (_, lines)) in self.lines.iter_mut().enumerate() {
            all.push(Box::pin(
                async move { Came::Line(index, lines.receive().await) },
            ));
        }
        poll_fn(|context| {
            for coming in &mut all {
                if let Poll::Ready(came) = coming.as_mut().poll(context) {
                    return Poll::Ready(came);
                }
            }
            Poll::Pending
        })
        .await
    }

    /// Hands what came to the bench.
    ///
    /// What was due before it happened comes first, at its own time: that it lay in a queue must not
    /// turn the order around.
    fn take(&self, bench: &mut Bench, came: Came) -> Result<(), LinkError> {
        let at = came.at().unwrap_or_else(|| self.clock.now());
        bench.advance_before(at);
        if bench.ended() {
            return Ok(());
        }
        bench.move_on(self.clock.now());
        match came {
            Came::Bus(index, event) => {
                let Some((bus, _)) = self.buses.get(index) else {
                    return Ok(());
                };
                let event = event?;
                trace_event(bus, &event);
                match event {
                    PortEvent::Heard(event) => bench.heard_on_link(bus, &event),
                    PortEvent::Sent { event, late } => bench.sent_on_link(bus, &event, late),
                    other => bench.link_note(match bus {
                        BusAt::Board => other.to_string(),
                        BusAt::Beside(_) => format!("{bus}: {other}"),
                    }),
                }
            }
            Came::Line(index, event) => {
                let Some((port, _)) = self.lines.get(index) else {
                    return Ok(());
                };
                let event = event?;
                tracing::trace!(target: "payrig::port", port, ?event, "modem line");
                match event {
                    ModemEvent::Seen {
                        line,
                        edge,
                        uncertainty,
                    } => bench.line_seen(port, line, edge, uncertainty),
                    ModemEvent::Driven { line, edge, late } => {
                        bench.line_driven(port, line, edge, late);
                    }
                    ModemEvent::Attached { attached, .. } => bench.lines_attached(port, attached),
                    ModemEvent::Watching(how) => bench.link_note(format!("{port}: {how}")),
                }
            }
        }
        Ok(())
    }

    /// Sends what is left to be sent on lines, and waits until it is done: acceptors are held off.
    async fn park(&mut self, bench: &mut Bench) {
        let mut left = 0;
        while let Some(out) = bench.take_outbound() {
            let edge = matches!(out, Outbound::Edge { .. });
            if self.send(out).is_ok() && edge {
                left += 1;
            }
        }
        while left > 0 {
            match tokio::time::timeout(Duration::from_secs(1), self.receive()).await {
                Ok(Came::Line(_, Ok(ModemEvent::Driven { .. }))) => left -= 1,
                Ok(Came::Bus(_, Err(_)) | Came::Line(_, Err(_))) | Err(_) => return,
                Ok(_) => {}
            }
        }
    }
}

/// What a port reports, at the level at which it helps: words are many.
fn trace_event(bus: &BusAt, event: &PortEvent) {
    match event {
        PortEvent::Sent { late, .. } if late.total() > Micros::ms(1) => {
            tracing::debug!(target: "payrig::port", %bus, ours = %late.ours, machine = %late.machine, "sent late");
        }
        PortEvent::Heard(_) | PortEvent::Sent { .. } => {
            tracing::trace!(target: "payrig::port", %bus, %event);
        }
        PortEvent::Peer { at, attached } => {
            tracing::info!(target: "payrig::port", %bus, %at, attached, "other end");
        }
        PortEvent::Garbage { .. } | PortEvent::Overrun { .. } | PortEvent::Overdue { .. } => {
            tracing::debug!(target: "payrig::port", %bus, %event);
        }
    }
}

/// Whoever is at a bench while it is driven: gives orders, and sees what happens.
///
/// A driver ([`run_attended`], [`crate::pace::run_at_pace`]) asks for orders whenever it waits for something, has
/// them carried out at the bench time at which they come, and lets the attendant look after every turn.
pub trait Attendant {
    /// What is asked for.
    type Order;

    /// The next order, when there is one. Dropping the future loses none.
    fn order(&mut self) -> impl Future<Output = Self::Order>;

    /// Carries it out. Everything that was due before it has happened.
    fn carry_out(&mut self, bench: &mut Bench, order: Self::Order);

    /// Looks at what has happened: takes the events of the bench.
    ///
    /// # Errors
    /// When they cannot be kept; the driver then stops.
    fn look(&mut self, bench: &mut Bench) -> io::Result<()>;
}

/// Somebody who may end the bench, giving the reason, and has what happens written.
struct Onlooker<'a, F, S> {
    stop: Pin<&'a mut F>,
    sink: S,
}

impl<F, S> Attendant for Onlooker<'_, F, S>
where
    F: Future<Output = String>,
    S: FnMut(&Bench, Entry) -> io::Result<()>,
{
    type Order = String;

    async fn order(&mut self) -> String {
        self.stop.as_mut().await
    }

    fn carry_out(&mut self, bench: &mut Bench, why: String) {
        tracing::info!(target: "payrig::run", why, "the run is ended");
        if !bench.ended() {
            bench.link_note(why);
            bench.finish_now();
        }
    }

    fn look(&mut self, bench: &mut Bench) -> io::Result<()> {
        let entries: Vec<Entry> = bench.take_entries().collect();
        entries
            .into_iter()
            .try_for_each(|entry| (self.sink)(bench, entry))
    }
}

/// Runs a bench over its ports until its script has ended, `limit` has passed, or `stop` is ready
/// with the reason for the log. Whichever it is, the verdict carries the bench time at which the run ended.
///
/// # Errors
/// When a port fails or the log cannot be written; the log is complete up to then.
pub async fn run_live<P: WordPort>(
    bench: &mut Bench,
    ports: &mut Ports<P>,
    limit: Micros,
    stop: impl Future<Output = String>,
    sink: impl FnMut(&Bench, Entry) -> io::Result<()>,
) -> Result<(), LiveError> {
    let stop = pin!(stop);
    run_attended(bench, ports, limit, &mut Onlooker { stop, sink }).await
}

/// The same with somebody who gives orders and sees what happens, until the bench has ended or `limit` has
/// passed.
///
/// # Errors
/// As [`run_live`].
pub async fn run_attended<P: WordPort, A: Attendant>(
    bench: &mut Bench,
    ports: &mut Ports<P>,
    limit: Micros,
    attendant: &mut A,
) -> Result<(), LiveError> {
    tracing::info!(
        target: "payrig::run", buses = ports.buses.len(), lines = ports.lines.len(), %limit,
        "a run by the clock begins"
    );
    let mut timer = ExactTimer::new()?;
    let clock = ports.clock;
    let mut watch = Watch::new(clock.now());
    let failed = loop {
        // First what must be on time, then what may take time.
        let mut sent = Ok(());
        while let Some(out) = bench.take_outbound() {
            sent = sent.and_then(|()| ports.send(out));
        }
        if let Err(error) = sent {
            break error;
        }
        attendant.look(bench)?;
        if bench.ended() {
            ports.park(bench).await;
            return Ok(());
        }
        let asleep = clock.now();
        if asleep >= limit {
            bench.move_on(limit);
            bench.finish_now();
            continue;
        }
        let due = bench.next_deadline().min(limit);
        let until = Watch::sleep_until(asleep, due);
        let (mut came, mut waited, mut ordered) = (None, Ok(()), None);
        tokio::select! {
            biased;
            // What has come is older than what is due now.
            heard = ports.receive() => came = Some(heard),
            done = timer.until(clock, until) => waited = done,
            order = attendant.order() => ordered = Some(order),
        }
        waited?;
        let awake = clock.now();
        if let Some((from, to)) = watch.woke(asleep, until, awake) {
            bench.slept(from, to);
        }
        if let Some(came) = came {
            if let Err(error) = ports.take(bench, came) {
                break error;
            }
            bench.advance(clock.now());
        } else if let Some(order) = ordered {
            bench.advance_before(awake);
            bench.move_on(awake);
            attendant.carry_out(bench, order);
        } else if due <= awake {
            // At its own time, however late this comes.
            bench.advance(due);
        }
    };
    tracing::info!(target: "payrig::run", %failed, "the link failed");
    bench.link_note(format!("the link failed: {failed}"));
    bench.finish_now();
    ports.park(bench).await;
    attendant.look(bench)?;
    Err(failed.into())
}
