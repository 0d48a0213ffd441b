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

use crate::order::{InOrder, Next};
use crate::{Clock, ExactTimer, LinkError, ModemEvent, ModemThread, PortEvent, Watch, WordPort};
use payrig_bench::{Bench, BusAt, Outbound};
use payrig_units::Micros;
use payrig_wire::BusEvent;
use payrig_wire::recording::Entry;
use std::future::{Future, poll_fn};
use std::io;
use std::pin::{Pin, pin};
use std::task::Poll;
use std::time::Duration;
use tokio::task::unconstrained;

/// After so much that is done without a pause, whoever is to end the run is asked.
const TURNS: u32 = 64;

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
            Self::Bus(_, Ok(event)) => Some(event.at()),
            Self::Line(_, Ok(event)) => event.at(),
            Self::Bus(_, Err(_)) | Self::Line(_, Err(_)) => None,
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

    /// True when something that happened by `by` may not have been reported yet.
    fn may_still_come(&self, by: Micros) -> bool {
        self.buses.iter().any(|(_, port)| port.may_still_come(by))
            || self.lines.iter().any(|(_, lines)| lines.may_still_come(by))
    }

    /// Puts what has come in its place. Who waits for it waits as much longer as it may have been held up.
    fn came(&self, bench: &mut Bench, order: &mut InOrder<Came>, came: Came) {
        if let Came::Bus(index, Ok(event)) = &came
            && let Some((bus, _)) = self.buses.get(*index)
        {
            match event {
                PortEvent::Heard(BusEvent::Word(word)) => bench.held_up(bus, word.uncertainty),
                PortEvent::Sent { late, .. } => bench.held_up(bus, late.total()),
                _ => {}
            }
        }
        let at = match &came {
            // The last of a port.
            Came::Bus(_, Err(_)) | Came::Line(_, Err(_)) => self.clock.now(),
            _ => came.at().unwrap_or_default(),
        };
        order.came(at, came);
    }

    /// All that has come by now, without waiting. True when there was something.
    async fn all_that_came(&mut self, bench: &mut Bench, order: &mut InOrder<Came>) -> bool {
        let mut any = false;
        // A task that has done much would be told that nothing has come.
        while let Some(came) = now_or_never(unconstrained(self.receive())).await {
            let over = matches!(came, Came::Bus(_, Err(_)) | Came::Line(_, Err(_)));
            self.came(bench, order, came);
            any = true;
            if over {
                break;
            }
        }
        any
    }

    /// Hands what came to the bench, which has done by then what was due before.
    fn take(&self, bench: &mut Bench, came: Came) -> Result<(), LinkError> {
        let at = came.at().unwrap_or_default();
        bench.move_on(at);
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
        bench.advance(at);
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

/// What a future gives, if it has it already.
async fn now_or_never<T>(future: impl Future<Output = T>) -> Option<T> {
    let mut future = pin!(future);
    poll_fn(|context| match future.as_mut().poll(context) {
        Poll::Ready(out) => Poll::Ready(Some(out)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
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
    let (mut order, mut turns) = (InOrder::default(), 0_u32);
    // An order, and when it came.
    let mut asked: Option<(Micros, A::Order)> = None;
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
        ports.all_that_came(bench, &mut order).await;
        let asleep = clock.now();
        let due = bench.next_deadline().min(limit);
        let asked_at = asked.as_ref().map_or(Micros::NEVER, |(at, _)| *at);
        let next = order.next(asleep, due.min(asked_at), |by| ports.may_still_come(by));
        let wake = match next {
            Next::Sleep(until) => Watch::sleep_until(asleep, until),
            _ => asleep,
        };
        if wake <= asleep
            && let Some((from, to)) = watch.woke(asleep, asleep, asleep)
        {
            bench.slept(from, to);
        }
        let (mut came, mut waited, mut ordered) = (None, Ok(()), None);
        match next {
            Next::Sleep(_) => tokio::select! {
                biased;
                heard = ports.receive() => came = Some(heard),
                done = timer.until(clock, wake) => waited = done,
                order = attendant.order(), if asked.is_none() => ordered = Some(order),
            },
            Next::HeldUp(from, to) => bench.slept(from, to),
            Next::Take(came) => {
                if let Err(error) = ports.take(bench, came) {
                    break error;
                }
            }
            // It came between the two looks.
            Next::Due(_) if ports.all_that_came(bench, &mut order).await => {}
            Next::Due(at) if at < due => {
                bench.move_on(at);
                if let Some((_, order)) = asked.take() {
                    attendant.carry_out(bench, order);
                }
            }
            Next::Due(_) if due == limit => {
                bench.move_on(limit);
                bench.finish_now();
            }
            // At its own time, however late this comes.
            Next::Due(due) => bench.advance(due),
        }
        turns += 1;
        if turns.is_multiple_of(TURNS) {
            tokio::select! {
                biased;
                order = attendant.order(), if asked.is_none() && ordered.is_none() => {
                    ordered = Some(order);
                }
                () = tokio::task::yield_now() => {}
            }
        }
        waited?;
        if wake > asleep
            && let Some((from, to)) = watch.woke(asleep, wake, clock.now())
        {
            bench.slept(from, to);
        }
        if let Some(came) = came {
            ports.came(bench, &mut order, came);
        }
        if let Some(order) = ordered {
            asked = Some((clock.now(), order));
        }
    };
    tracing::info!(target: "payrig::run", %failed, "the link failed");
    bench.link_note(format!("the link failed: {failed}"));
    bench.finish_now();
    ports.park(bench).await;
    attendant.look(bench)?;
    Err(failed.into())
}

#[cfg(test)]
mod tests;
