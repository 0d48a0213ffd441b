//! The side of a bench that is on ports: what is to go out, and what has come in.

use super::Bench;
use crate::action::Action;
use crate::bus::{BusId, other_side};
use crate::node::Input;
use crate::plan::{DeviceLink, DevicePlan, Kind, Pin, Plan};
use payrig_units::{Amount, Micros, Money, Movement, Place};
use payrig_wire::analysis::{Books, Counted, breach};
use payrig_wire::port::{InLine, Lateness, OutLine};
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Edge, Finding, Origin, RuleName, Transmission};
use std::fmt;

/// A bus of a rig that runs over a port.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum BusAt {
    /// The board's.
    Board,
    /// One beside it, by the name of the bridge or of the device that has the port for itself.
    Beside(String),
}

impl fmt::Display for BusAt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Board => f.write_str("bus"),
            Self::Beside(name) => write!(f, "bus of {name}"),
        }
    }
}

/// The level of a modem line as the bench begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineLevel {
    /// The port.
    pub port: String,
    /// Which line.
    pub line: InLine,
    /// The level of the pulse line that is on it, true for high.
    pub high: bool,
}

/// What is to go out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outbound {
    /// Words, or a break.
    Words {
        /// On which bus.
        bus: BusAt,
        /// What, at its time.
        sent: Transmission,
    },
    /// An edge of a pulse line.
    Edge {
        /// On which port.
        port: String,
        /// On which of its lines.
        line: OutLine,
        /// The edge, at its time.
        edge: Edge,
    },
    /// Something that is done at whoever is at the other end of a link in lock-step, who is asked to do it;
    /// answered with [`acted_outside`](Bench::acted_outside).
    Act(Action),
}

/// How late something of ours may be before it is reported: as long as a pause inside a block may be
/// (MDB/ICP 4.3, section 3.2).
pub const OWN_LATENESS: Micros = Micros::ms(1);

/// After a stall the thread of a port may need so long itself to read what had piled up.
const PILE_READ: Micros = Micros::ms(50);

/// What had piled up while the driver did not look comes without a pause: the first word after one
/// (MDB/ICP 4.3, section 3.2: 1 ms at the most inside a block) is new.
const PILE_PAUSE: Micros = Micros::ms(1);

/// A bus reset in a pile is known when it is over, the longest that a link tells of after so long (the
/// standard's lasts 100 ms, section 2.2). Whether it belongs to the pile is decided by when it began;
/// until then nothing says that the pile has been read.
const LONGEST_BREAK: Micros = Micros::secs(10);

/// A stretch in which the driver did not look.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stall {
    from: Micros,
    /// Until when, with what of the pile has come so far.
    until: Micros,
    /// Something of the pile has come.
    reading: bool,
}

impl Stall {
    /// How long there may be nothing before what comes is not of the pile.
    const fn pause(self) -> Micros {
        match self.reading {
            true => PILE_PAUSE,
            false => PILE_READ,
        }
    }
}

/// One of our devices whose money is reported to a board outside.
#[derive(Clone, Debug)]
pub(crate) struct ReportedOutside {
    device: String,
    /// By pulses, which can be held against the money.
    by_pulses: bool,
}

impl ReportedOutside {
    pub(crate) fn of(rig: &Plan) -> Vec<Self> {
        let reported = |d: &DevicePlan| {
            let by_lines = matches!(d.link, Some(DeviceLink::Lines(_)));
            let hopper = match &d.kind {
                Kind::Pulse(rig) => rig.hopper().is_some(),
                _ => false,
            };
            d.is_for_outside_board().then(|| Self {
                device: d.name.clone(),
                by_pulses: by_lines && !hopper,
            })
        };
        rig.devices.iter().filter_map(reported).collect()
    }
}

impl Bench {
    /// Everything that is outside is made known, with the levels of its lines.
    pub(crate) fn set_up_lines(&mut self, levels: &[LineLevel]) {
        for known in levels {
            let pin = Pin::In(known.line);
            self.wiring.level(&known.port, pin, known.high);
        }
        let inputs: Vec<(String, String, bool, bool)> = self
            .wiring
            .inputs()
            .map(|(port, pin, end)| {
                let known = levels.iter().find(|l| l.port == port && l.line == pin);
                let high = known.map_or(end.rest, |l| l.high);
                (
                    end.device.to_owned(),
                    end.line.to_owned(),
                    end.outside,
                    high,
                )
            })
            .collect();
        for (device, line, outside, high) in inputs {
            if outside {
                self.level(&device, &line, high);
            } else {
                let edge = Edge {
                    at: Micros::ZERO,
                    high,
                };
                self.log_edge(&device, &line, edge, Micros::ZERO);
                self.edge_to_nodes(None, &device, &line, edge, Micros::ZERO);
            }
        }
    }

    /// Reports what somebody who connects real acceptors or boards must know.
    pub(crate) fn caution(&mut self) {
        for (device, text) in self.wiring.cautions() {
            self.note(Some(device), text);
        }
    }

    /// The next thing that is to go out through a port.
    pub fn take_outbound(&mut self) -> Option<Outbound> {
        for bus in &mut self.buses {
            if let Some(sent) = bus.take_outbound() {
                let bus = match &bus.name {
                    None => BusAt::Board,
                    Some(name) => BusAt::Beside(name.clone()),
                };
                return Some(Outbound::Words { bus, sent });
            }
        }
        self.outbound.pop_front()
    }

    /// An edge goes out through a port, if its line is on one.
    pub(crate) fn send_edge(&mut self, device: &str, line: &str, edge: Edge) -> bool {
        let Some((port, out)) = self.wiring.out(device, line) else {
            return false;
        };
        let (port, line) = (port.to_owned(), out);
        self.outbound.push_back(Outbound::Edge { port, line, edge });
        true
    }

    fn bus_at(&self, at: &BusAt) -> Option<BusId> {
        let wanted = match at {
            BusAt::Board => None,
            BusAt::Beside(name) => Some(name),
        };
        let mut all = self.buses.iter();
        all.position(|bus| bus.name.as_ref() == wanted).map(BusId)
    }

    /// The other end of a bus was heard, at the time that the bench has come to.
    pub fn heard_on_link(&mut self, at: &BusAt, event: &BusEvent) {
        let Some(id) = self.bus_at(at) else { return };
        let Some(bus) = self.buses.get_mut(id.0) else {
            return;
        };
        let outside = bus.outside();
        let heard = bus.heard(*event);
        let piled_up = self.piled_up(event);
        self.tap(id, event, heard.reaches_peer);
        if let BusEvent::Word(word) = event {
            self.delayed(id, word.uncertainty);
        }
        // Nobody waits any more for an answer to what piled up, and who did not hear an answer asks
        // again.
        if heard.reaches_peer && !piled_up && outside == Some(source_of(event)) {
            self.hear(id, &heard.event);
        }
        self.collect();
    }

    /// Something of ours is on the wire of a bus.
    pub fn sent_on_link(&mut self, at: &BusAt, event: &BusEvent, late: Lateness) {
        let Some(id) = self.bus_at(at) else { return };
        if let Some(bus) = self.buses.get_mut(id.0) {
            bus.sent();
        }
        self.tap(id, event, true);
        self.delayed(id, late.total());
        if late.total() > OWN_LATENESS {
            let text = format!(
                "this tool spoke {} later than it meant to: {} spent in its own code, {} waited for \
                 the machine it runs on. What follows from that is not the other side's fault",
                late.total(),
                late.ours,
                late.machine
            );
            self.own_late(text);
        }
    }

    /// A link has held something up by so much that the bench hears next: whoever waits for it on that bus
    /// waits longer from now on.
    pub fn held_up(&mut self, at: &BusAt, by: Micros) {
        let Some(id) = self.bus_at(at) else { return };
        if self.buses.get(id.0).is_some_and(|bus| by > bus.delay()) {
            self.delayed(id, by);
        }
    }

    /// Whoever waits for something on a bus waits longer, by what the link was seen to hold up.
    fn delayed(&mut self, id: BusId, by: Micros) {
        let Some(bus) = self.buses.get_mut(id.0) else {
            return;
        };
        let outside = bus.outside();
        if let (Some(delay), Some(outside)) = (bus.delayed(by), outside) {
            self.reach_side(id, other_side(outside), &Input::LinkDelay(delay));
            self.collect();
        }
    }

    /// The driver did not look from `from` until `to`: it was stopped, or the machine was busy. What
    /// had piled up on ports by then is read now, with times that mean nothing; it is logged, left
    /// out of the verdict, and answered by nobody. The stretch ends with the last of it.
    pub fn slept(&mut self, from: Micros, to: Micros) {
        if self.ended {
            return;
        }
        let read = |stall: Stall| stall.until + stall.pause() + PILE_PAUSE < from;
        if self.stall.is_some_and(read) {
            self.end_stall();
        }
        self.mark_slept(from, to);
        let from = self.stall.map_or(from, |stall| stall.from);
        self.stall = Some(Stall {
            from,
            until: to,
            reading: false,
        });
    }

    /// True for what had piled up while the driver did not look.
    fn piled_up(&mut self, event: &BusEvent) -> bool {
        let Some(mut stall) = self.stall else {
            return false;
        };
        if event.start() > stall.until + stall.pause() {
            self.end_stall();
            return false;
        }
        if event.end() > stall.until {
            self.mark_slept(stall.until, event.end());
            stall.until = event.end();
            stall.reading = true;
        }
        self.stall = Some(stall);
        true
    }

    fn mark_slept(&mut self, from: Micros, to: Micros) {
        for bus in self.buses.iter_mut().filter(|b| b.outside().is_some()) {
            bus.analyst_mut().slept(from, to);
        }
        self.pulses.slept(from, to);
    }

    /// When nothing can come any more that had piled up.
    pub(crate) fn stall_over(&self) -> Micros {
        match self.stall {
            Some(stall) => stall.until + stall.pause() + LONGEST_BREAK,
            None => Micros::NEVER,
        }
    }

    pub(crate) fn end_stall(&mut self) {
        let Some(stall) = self.stall.take() else {
            return;
        };
        for entry in payrig_wire::analysis::slept(stall.from, stall.until) {
            match entry {
                Entry::Finding(finding) => self.report(finding),
                other => self.pending.push(other),
            }
        }
    }

    /// A modem line changed; how far its time may be off.
    pub fn line_seen(&mut self, port: &str, line: InLine, edge: Edge, uncertainty: Micros) {
        self.wiring.moved(port, Pin::In(line), edge.high);
        let Some(end) = self.wiring.far_end(port, Pin::In(line)) else {
            return;
        };
        let (device, own) = (end.device.to_owned(), end.line.to_owned());
        self.log_edge(&device, &own, edge, uncertainty);
        self.edge_to_nodes(None, &device, &own, edge, uncertainty);
        self.collect();
    }

    /// A modem line was driven, so late.
    pub fn line_driven(&mut self, port: &str, line: OutLine, edge: Edge, late: Micros) {
        let Some(end) = self.wiring.far_end(port, Pin::Out(line)) else {
            return;
        };
        let (device, own) = (end.device.to_owned(), end.line.to_owned());
        self.log_edge(&device, &own, edge, Micros::ZERO);
        if late > OWN_LATENESS {
            let text = format!(
                "this tool moved {device} {own} ({line} of {port}) {late} later than it meant to. \
                 What follows from that is not the other side's fault"
            );
            self.own_late(text);
        }
        self.measured();
    }

    /// The adapter of pulse lines is gone, or back.
    pub fn lines_attached(&mut self, port: &str, attached: bool) {
        let text = match attached {
            true => format!("{port} is back; its lines are driven as they should be"),
            false => format!(
                "{port} is gone: nothing on its lines is seen or driven until it is back, and money \
                 that a real acceptor takes meanwhile is counted by nobody"
            ),
        };
        self.link_note(text);
    }

    /// True for what is done at a peer in lock-step, which can be asked.
    pub(crate) fn is_done_outside(&self, action: &Action) -> bool {
        self.asks_outside
            && match action.device() {
                None => self.board.is_none(),
                Some(device) => self.wiring.outside_place(device).is_some(),
            }
    }

    /// What a peer in lock-step was asked to do is done; or why it cannot be, which is a step of the script
    /// that failed.
    pub fn acted_outside(&mut self, action: &Action, refused: Option<&str>) {
        let Some(why) = refused else { return };
        let what = action.text_at(self.decimals, &self.keys);
        let text = match why {
            "" => format!("{what}: the peer cannot do that"),
            why => format!("{what}: the peer cannot do that: {why}"),
        };
        self.report(breach(RuleName::Script, Origin::Script, self.now, text));
        self.collect();
    }

    /// Reports that this tool itself was late, in plain words.
    pub fn own_late(&mut self, text: String) {
        self.report(Finding::advice(RuleName::OwnLate, self.now, text).from_origin(Origin::Tool));
    }

    /// Something about a link worth knowing.
    pub fn link_note(&mut self, text: String) {
        self.note(Some("link".to_owned()), text);
    }

    /// Money of a real acceptor: by the pulses that were counted.
    pub(crate) fn book_counted(&mut self) {
        for (device, counted) in self.pulses.take_counted() {
            let Some(place) = self.wiring.outside_place(&device) else {
                continue;
            };
            if counted.refused > 0 {
                let text = format!(
                    "{} of its pulses are of no width of its profile and are not booked: if they are \
                     money, it took more than the books say",
                    counted.refused
                );
                self.note(Some(device.clone()), text);
            }
            if !counted.amount.is_zero() {
                self.book(as_counted(place, &counted));
            }
        }
    }

    /// Claims about devices that are outside: the money is where they say it is.
    pub(crate) fn as_reported(&self, claim: &Movement) -> Vec<Movement> {
        if !self.wiring.any_outside() {
            return Vec::new();
        }
        let on_link = self
            .bus(BusId::BOARD)
            .is_some_and(|b| b.outside().is_some());
        // What is counted by pulses, or reported to a bridge, is booked from there.
        let place = |device: &str| {
            let by_report = on_link && self.books.account_of(device) == device;
            let by_pulses = self.pulses.has_credit(device);
            self.wiring
                .outside_place(device)
                .filter(|_| by_report && !by_pulses)
        };
        Books::as_reported(claim, place)
    }

    /// Whatever is real is left so that it takes nothing.
    pub(crate) fn hold_off_what_is_real(&mut self) {
        let at = self.now;
        let all: Vec<(String, String, bool)> = self
            .wiring
            .inhibits()
            .map(|(device, line, high)| (device.to_owned(), line.to_owned(), high))
            .collect();
        for (device, line, high) in all {
            self.send_edge(&device, &line, Edge { at, high });
        }
    }

    /// True when the account of a device is reported to a board outside, and not to ours.
    pub(crate) fn is_reported_outside(&self, account: &str) -> bool {
        let mut all = self.reported_outside.iter();
        all.any(|t| self.books.account_of(&t.device) == account)
    }

    /// What was reported to boards outside, against the money.
    pub(crate) fn settle_reported_outside(&mut self) {
        for outside in self.reported_outside.clone() {
            let device = &outside.device;
            let root = self.books.account_of(device).to_owned();
            let real = self.books.real(&root);
            let show = |m: Money| -> Amount { m.show(self.decimals) };
            if !outside.by_pulses {
                let text = format!(
                    "{root} took {} (less what it gave back); what the board outside made of it, only \
                     that board can say",
                    show(real)
                );
                self.note(Some("books".to_owned()), text);
                continue;
            }
            let said = self.pulses.reported(device);
            if real == said {
                let text = format!(
                    "{root} took {}, and the pulses of {device} said as much; what the board outside \
                     made of them, only that board can say",
                    show(real)
                );
                self.note(Some("books".to_owned()), text);
                continue;
            }
            let missing = real.saturating_sub(said);
            let what = match missing > Money::ZERO {
                true => format!("{} was taken and not reported", show(missing)),
                false => format!("{} was reported that never came in", show(-missing)),
            };
            let text = format!(
                "{root}: took {}, the pulses of {device} to the board outside said {}: {what}",
                show(real),
                show(said)
            );
            self.report(breach(RuleName::Money, Origin::Ledger, self.now, text));
        }
    }

    /// An edge of a pulse line, for the log and for those who measure.
    pub(crate) fn log_edge(&mut self, name: &str, line: &str, edge: Edge, uncertainty: Micros) {
        self.pulses.edge(name, line, edge, uncertainty);
        let line = format!("{name} {line}");
        self.pending.push(Entry::Edge {
            line,
            at_us: edge.at,
            high: edge.high,
            uncertainty_us: uncertainty,
        });
    }

    /// An edge reaches everybody on its line but the one who made it: the device it belongs to, and
    /// whoever counts it, which is the bridge it is behind or else the board.
    pub(crate) fn edge_to_nodes(
        &mut self,
        from: Option<usize>,
        device: &str,
        line: &str,
        edge: Edge,
        uncertainty: Micros,
    ) {
        let input = Input::Edge {
            device,
            line,
            edge,
            uncertainty,
        };
        for node in self.on_line(device).into_iter().flatten() {
            if Some(node) != from {
                self.input(node, &input);
            }
        }
    }

    /// The level of a line that its device, or somebody outside, drives, as the bench begins.
    pub(crate) fn level(&mut self, device: &str, line: &str, high: bool) {
        self.pulses.level(device, line, high);
        let input = Input::Level {
            device,
            line,
            at: Micros::ZERO,
            high,
        };
        if let [_, Some(counter)] = self.on_line(device) {
            self.input(counter, &input);
        }
    }
}

fn source_of(event: &BusEvent) -> payrig_wire::Source {
    match *event {
        BusEvent::Word(word) => word.source,
        BusEvent::Break { source, .. } | BusEvent::Garbled { source, .. } => source,
    }
}

fn as_counted(place: Place, counted: &Counted) -> Movement {
    let plural = if counted.pulses == 1 { "" } else { "s" };
    Movement {
        from: Place::Customer,
        to: place,
        amount: counted.amount,
        why: format!(
            "{} pulse{plural} counted, edges known to {}: it is outside, and its money is not seen",
            counted.pulses, counted.uncertainty
        ),
    }
}
