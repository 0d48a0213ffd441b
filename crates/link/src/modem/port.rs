//! Credit pulses on modem lines: edges out at their times, edges in with the time they were seen.

use super::kernel::{Kernel, when};
use super::lines::ModemLines;
use super::waiter::{Waiter, Watching, Woken};
use crate::{Clock, Figures, Lengths, LinkError, Looking, Waker};
use payrig_units::Micros;
use payrig_wire::Edge;
use payrig_wire::port::{InLine, OutLine};
use std::collections::{BTreeMap, VecDeque};
use std::io;

/// How often watched lines are looked at, unless told otherwise. A credit pulse of 20 ms, a short
/// one, is seen eighty times.
pub const LOOK_EVERY: Micros = Micros(250);

/// How often they are looked at all the same once the kernel was seen to wake us at edges: it may
/// lose one that follows another too soon.
const LOOK_ANYWAY: Micros = Micros::ms(10);

/// After a wake-up they are looked at as often as without the kernel for so long: contacts bounce.
const ALERT: Micros = Micros::ms(3);

/// A wake-up that comes this much later than its edge does not come.
const OVERDUE: Micros = Micros::ms(50);

/// What happened on a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ModemEvent {
    /// A watched line changed.
    Seen {
        /// Which.
        line: InLine,
        /// Half-way between the last look at the old level and the first at the new one.
        edge: Edge,
        /// Half the time between the two looks.
        uncertainty: Micros,
    },
    /// A line was driven.
    Driven {
        /// Which.
        line: OutLine,
        /// The edge, at the time it was really made.
        edge: Edge,
        /// How late.
        late: Micros,
    },
    /// How edges are seen from now on.
    Watching(Watching),
    /// The adapter is gone, or back. While it is gone no edge is seen and none is made; when it is
    /// back its lines are driven as they should be.
    Attached {
        /// When it was noticed.
        at: Micros,
        /// True when it is back.
        attached: bool,
    },
}

impl ModemEvent {
    /// When it happened, where it has a time.
    #[must_use]
    pub const fn at(&self) -> Option<Micros> {
        match self {
            Self::Seen { edge, .. } | Self::Driven { edge, .. } => Some(edge.at),
            Self::Attached { at, .. } => Some(*at),
            Self::Watching(_) => None,
        }
    }
}

/// Opens a port again; `None` while it is not there.
type Reopen<L> = Box<dyn FnMut() -> Result<Option<L>, LinkError> + Send>;

/// What is done when the adapter vanishes.
struct Patience<L> {
    most: Micros,
    open: Reopen<L>,
    lost_at: Option<Micros>,
}

impl<L> std::fmt::Debug for Patience<L> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Patience({})", self.most)
    }
}

/// How often an adapter that is gone is looked for.
const FIND_EVERY: Micros = Micros::ms(250);

/// What is done with the lines of a port.
#[derive(Clone, Debug)]
pub struct ModemOptions {
    /// Bench time.
    pub clock: Clock,
    /// True when the credit line is high while a modem line is asserted: RS-232 levels. False for
    /// adapters with logic levels, whose lines are active low, and for an optocoupler that pulls
    /// the credit line to ground.
    pub asserted_is_high: bool,
    /// The lines to watch.
    pub watch: Vec<InLine>,
    /// How often to look at them.
    pub look_every: Micros,
}

#[derive(Debug)]
struct Watched {
    line: InLine,
    asserted: Option<bool>,
}

/// The credit lines of a port.
#[derive(Debug)]
pub struct ModemPort<L> {
    lines: L,
    clock: Clock,
    asserted_is_high: bool,
    watched: Vec<Watched>,
    look_every: Micros,
    looked: Micros,
    planned: BTreeMap<(Micros, u64), (OutLine, bool)>,
    count: u64,
    events: VecDeque<ModemEvent>,
    kernel: Kernel,
    /// Since when an edge that was seen waits for the kernel's wake-up.
    missed: Option<Micros>,
    /// Until when lines are looked at often although the kernel wakes us.
    alert: Micros,
    /// How far off the edges that were seen may be.
    seen: Lengths,
    /// How each line is driven.
    driven: BTreeMap<OutLine, bool>,
    patience: Option<Patience<L>>,
    looking: Looking,
}

impl<L: ModemLines> ModemPort<L> {
    /// The lines of a port that was opened.
    pub fn new(lines: L, options: ModemOptions) -> Self {
        let watch = |line| Watched {
            line,
            asserted: None,
        };
        Self {
            lines,
            clock: options.clock,
            asserted_is_high: options.asserted_is_high,
            watched: options.watch.into_iter().map(watch).collect(),
            look_every: options.look_every.max(Micros(50)),
            looked: Micros::ZERO,
            planned: BTreeMap::new(),
            count: 0,
            events: VecDeque::new(),
            kernel: Kernel::NotAsked,
            missed: None,
            alert: Micros::ZERO,
            seen: Lengths::default(),
            driven: BTreeMap::new(),
            patience: None,
            looking: Looking::default(),
        }
    }

    /// The same, with an adapter that is waited for when it vanishes, for `most` each time; `open`
    /// opens it again, and gives `None` while it is not there.
    #[must_use]
    pub fn reopened(
        mut self,
        most: Micros,
        open: impl FnMut() -> Result<Option<L>, LinkError> + Send + 'static,
    ) -> Self {
        self.patience = Some(Patience {
            most,
            open: Box::new(open),
            lost_at: None,
        });
        self
    }

    /// What messages call the port.
    pub fn name(&self) -> &str {
        self.lines.name()
    }

    /// Bench time zero.
    pub const fn clock(&self) -> Clock {
        self.clock
    }

    /// The levels of the watched lines, true for a high credit line: as they are now, before any
    /// edge is reported.
    ///
    /// # Errors
    /// When the port is gone or has no such line.
    pub fn levels(&mut self) -> Result<Vec<(InLine, bool)>, LinkError> {
        if self.watched.iter().any(|w| w.asserted.is_none()) {
            self.look(self.clock.now(), None)
                .map_err(|e| self.failed(e))?;
        }
        let level = |w: &Watched| Some((w.line, w.asserted? == self.asserted_is_high));
        Ok(self.watched.iter().filter_map(level).collect())
    }

    /// Plans an edge on a line we drive.
    pub fn drive(&mut self, line: OutLine, edge: Edge) {
        self.count += 1;
        self.planned
            .insert((edge.at, self.count), (line, edge.high));
    }

    /// How far it has looked, for whoever is not the thread that serves it: a look that is as late as looks
    /// are apart is waited for.
    pub(super) fn looking(&self) -> Looking {
        self.looking.clone()
    }

    /// When the last planned edge is due, if one is.
    pub(super) fn last_planned(&self) -> Option<Micros> {
        self.planned.keys().next_back().map(|(at, _)| *at)
    }

    /// The next event; `None` when `until` has come or `waker` was rung.
    ///
    /// # Errors
    /// When the port is gone or has no such line.
    pub fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<ModemEvent>, LinkError> {
        self.ask_kernel(waker);
        loop {
            self.work_or_lose()?;
            if let Some(event) = self.events.pop_front() {
                return Ok(Some(event));
            }
            let now = self.clock.now();
            if now >= until {
                return Ok(None);
            }
            if self.is_lost() {
                self.looking.has_looked(Micros::ZERO, Micros::NEVER);
                let next = until.min(now + FIND_EVERY);
                let rung =
                    crate::system::pause(self.clock, next, waker).map_err(|e| self.failed(e))?;
                if rung {
                    return Ok(None);
                }
                continue;
            }
            let planned = self
                .planned
                .keys()
                .next()
                .map_or(Micros::NEVER, |(at, _)| *at);
            let next = until.min(planned).min(self.next_look());
            self.looking
                .has_looked(self.looked, self.next_look() + self.look_every);
            let bell = waker.or(self.kernel.bell());
            let rung = crate::system::pause(self.clock, next, bell).map_err(|e| self.failed(e))?;
            if rung && waker.is_some() {
                // Perhaps it was the kernel.
                self.work_or_lose()?;
                return Ok(self.events.pop_front());
            }
        }
    }

    fn is_lost(&self) -> bool {
        self.patience.as_ref().is_some_and(|p| p.lost_at.is_some())
    }

    /// Does what is due; an adapter that vanished is looked for, where that was asked for.
    fn work_or_lose(&mut self) -> Result<(), LinkError> {
        let now = self.clock.now();
        if self.is_lost() {
            return self.look_for_it(now);
        }
        let Err(error) = self.work(now) else {
            return Ok(());
        };
        let error = self.failed(error);
        match &mut self.patience {
            Some(patience) if error.is_vanished() => {
                patience.lost_at = Some(now);
                self.kernel = Kernel::Not;
                self.missed = None;
                let (at, attached) = (now, false);
                let event = ModemEvent::Attached { at, attached };
                self.events.push_back(event);
                Ok(())
            }
            _ => Err(error),
        }
    }

    fn look_for_it(&mut self, now: Micros) -> Result<(), LinkError> {
        let Some(patience) = &mut self.patience else {
            return Ok(());
        };
        // A file may be there before it can be opened.
        if let Ok(Some(lines)) = (patience.open)() {
            patience.lost_at = None;
            self.lines = lines;
            self.kernel = Kernel::NotAsked;
            // What was to be made meanwhile was not; each line is as it should be now.
            while let Some(planned) = self.planned.first_entry() {
                if planned.key().0 > now {
                    break;
                }
                let (line, high) = planned.remove();
                self.driven.insert(line, high == self.asserted_is_high);
            }
            for (line, asserted) in self.driven.clone() {
                self.lines.set(line, asserted).map_err(|e| self.failed(e))?;
            }
            let (at, attached) = (now, true);
            self.events.push_back(ModemEvent::Attached { at, attached });
            return Ok(());
        }
        match patience.lost_at {
            Some(lost) if now.since(lost) >= patience.most => {
                let port = self.lines.name().to_owned();
                Err(LinkError::NotBack { port })
            }
            _ => Ok(()),
        }
    }

    /// Asks the kernel, once, to ring `waker` at each edge.
    fn ask_kernel(&mut self, waker: Option<&Waker>) {
        if !matches!(self.kernel, Kernel::NotAsked) || self.watched.is_empty() {
            return;
        }
        let asked = self.lines.waiter().and_then(|wait| {
            let bell = match waker {
                Some(waker) => waker.clone(),
                None => Waker::new()?,
            };
            let lines = self.watched.iter().map(|w| w.line).collect();
            let waiter = Waiter::start(wait, lines, self.clock, bell.clone())?;
            Ok(Kernel::Asked(waiter, bell))
        });
        match asked {
            Ok(kernel) => self.kernel = kernel,
            Err(error) => self.without_kernel(format!("{error}")),
        }
    }

    fn without_kernel(&mut self, why: String) {
        self.kernel = Kernel::Not;
        let every = self.look_every;
        let watching = Watching::Polled { every, why };
        self.events.push_back(ModemEvent::Watching(watching));
    }

    /// How far off the edges seen so far may be: the jitter of what is seen, in figures.
    #[must_use]
    pub fn seen(&self) -> Option<Figures> {
        self.seen.figures()
    }

    /// Looks at the lines so many times and returns how far apart the looks were: the jitter of what
    /// is seen. Edges in the meantime are kept.
    ///
    /// # Errors
    /// When the port is gone or has no such line.
    pub fn measure(&mut self, looks: usize) -> Result<Option<Figures>, LinkError> {
        let mut apart = Lengths::default();
        let mut last = None;
        for _ in 0..looks {
            let next = self.clock.now() + self.look_every;
            crate::system::pause(self.clock, next, None).map_err(|e| self.failed(e))?;
            self.work(self.clock.now()).map_err(|e| self.failed(e))?;
            if let Some(last) = last.replace(self.looked) {
                apart.add(self.looked.since(last));
            }
        }
        Ok(apart.figures())
    }

    fn failed(&self, error: io::Error) -> LinkError {
        LinkError::from_io(self.lines.name(), "using its modem lines", error)
    }

    fn next_look(&self) -> Micros {
        match self.kernel {
            _ if self.watched.is_empty() => Micros::NEVER,
            Kernel::Wakes(..) if self.looked >= self.alert => {
                self.looked + LOOK_ANYWAY.max(self.look_every)
            }
            _ => self.looked + self.look_every,
        }
    }

    fn work(&mut self, now: Micros) -> io::Result<()> {
        // The levels before anything is driven.
        if self.watched.iter().any(|w| w.asserted.is_none()) {
            self.look(now, None)?;
        }
        self.hear_kernel(now)?;
        while let Some(planned) = self.planned.first_entry() {
            let (at, _) = *planned.key();
            if at > now {
                break;
            }
            let (line, high) = planned.remove();
            let asserted = high == self.asserted_is_high;
            self.driven.insert(line, asserted);
            self.lines.set(line, asserted)?;
            let done = self.clock.now().max(now);
            let late = done.since(at);
            let edge = Edge { at: done, high };
            self.events
                .push_back(ModemEvent::Driven { line, edge, late });
        }
        if now >= self.next_look() {
            let found = self.look(now, None)?;
            self.was_missed(now, found);
        }
        Ok(())
    }

    /// What the kernel has woken us for.
    fn hear_kernel(&mut self, now: Micros) -> io::Result<()> {
        let Some(waiter) = self.kernel.waiter() else {
            return Ok(());
        };
        let woken = waiter.take();
        if let Some(error) = waiter.ended() {
            self.without_kernel(format!("waiting for an edge failed ({error})"));
            return Ok(());
        }
        let Some(last) = woken.last().copied() else {
            return Ok(());
        };
        self.alert = now + ALERT;
        self.missed = None;
        match std::mem::replace(&mut self.kernel, Kernel::Not) {
            Kernel::Asked(waiter, bell) => {
                self.kernel = Kernel::Wakes(waiter, bell);
                let watching = ModemEvent::Watching(Watching::Kernel);
                self.events.push_back(watching);
            }
            other => self.kernel = other,
        }
        // Several wake-ups before one look: the first is nearest to the edge that is seen.
        let first = woken.first().copied().unwrap_or(last);
        self.look(now, Some(first))?;
        Ok(())
    }

    /// A look found an edge. The kernel should have reported it; if it reports none for a
    /// while, it does not wake us, whatever it says.
    fn was_missed(&mut self, now: Micros, found: bool) {
        if self.kernel.waiter().is_none() {
            return;
        }
        match self.missed {
            Some(since) if now.since(since) > OVERDUE => {
                let why = "the port takes the call to wait for an edge, and does not wake at one";
                self.without_kernel(why.to_owned());
            }
            None if found => self.missed = Some(now),
            _ => {}
        }
    }

    /// Looks at the lines; true when one has changed. `woken` is the kernel's word on when.
    fn look(&mut self, now: Micros, woken: Option<Woken>) -> io::Result<bool> {
        let before = self.looked;
        let mut found = false;
        for watched in &mut self.watched {
            let asserted = self.lines.get(watched.line)?;
            let was = watched.asserted.replace(asserted);
            if was.is_some_and(|was| was != asserted) {
                found = true;
                let (at, uncertainty) = when(before, now, woken);
                let high = asserted == self.asserted_is_high;
                self.seen.add(uncertainty);
                self.events.push_back(ModemEvent::Seen {
                    line: watched.line,
                    edge: Edge { at, high },
                    uncertainty,
                });
            }
        }
        self.looked = now;
        Ok(found)
    }
}

#[cfg(test)]
mod tests;
