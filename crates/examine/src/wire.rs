//! What carries words between the tool and its subject: a virtual bus in simulated time, or a port
//! with an outside subject at its other end, whose clock is the time.

use crate::Stop;
use crate::check::Seen;
use crate::remains::STOPPED;
use payrig_link::{
    BlockingPort, Fault, FaultInjector, Heard, Lateness, LinkError, PortEvent, VirtualBus,
};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Finding, Source, Transmission};
use std::borrow::Cow;
use std::collections::VecDeque;
use std::fmt;

/// Words of ours later than meant by more than this are told as the tool's own fault.
const OWN_LATENESS: Micros = Micros::ms(1);

/// How often it is looked whether the examination is to end.
const LOOK_FOR_STOP: Micros = Micros::ms(50);

/// A word of ours that is not on the wire this long after its time never will be.
const SENDING_TIME: Micros = Micros::secs(2);

/// A port as a bench needs it.
pub trait Cable: fmt::Debug {
    /// What messages call it.
    fn name(&self) -> String;

    /// Time.
    fn now(&self) -> Micros;

    /// Hands over something to be sent at its time.
    fn send(&mut self, transmission: Transmission);

    /// The next event; `None` when `until` has come.
    ///
    /// # Errors
    /// When the port is gone.
    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError>;
}

/// A real port, served by the thread of the bench.
pub struct PortCable {
    port: Box<dyn BlockingPort>,
    /// Since when the bench has had the thread.
    awake: Micros,
}

impl PortCable {
    /// Takes a port over.
    #[must_use]
    pub fn new(port: Box<dyn BlockingPort>) -> Self {
        let awake = port.clock().now();
        Self { port, awake }
    }
}

impl fmt::Debug for PortCable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("PortCable").field(&self.port.name()).finish()
    }
}

impl Cable for PortCable {
    fn name(&self) -> String {
        self.port.name().to_owned()
    }

    fn now(&self) -> Micros {
        self.port.clock().now()
    }

    fn send(&mut self, transmission: Transmission) {
        let spent = self.now().since(self.awake);
        self.port.send(transmission, spent);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let event = self.port.wait(until, None);
        self.awake = self.now();
        event
    }
}

/// An outside subject's side of things.
#[derive(Debug)]
pub struct Linked {
    cable: Box<dyn Cable>,
    ours: Source,
    uncertainty: Micros,
    faults: FaultInjector,
    /// What came, for the bench to take.
    heard: VecDeque<Heard>,
    /// Whether the frame of the subject that is on the wire is heard on our side.
    deaf: bool,
    /// We spoke since the subject's last command: a single byte of it is ACK, NAK or RET.
    spoke: bool,
    sent_until: Micros,
    sending: usize,
    notes: Vec<Entry>,
    failure: Option<LinkError>,
    over: bool,
    /// Who may end the examination.
    stop: Option<Stop>,
    /// It was ended in this check.
    stopped: bool,
    ever_heard: bool,
    /// Somebody has opened the other end.
    attached: bool,
    /// When the other end is closed the link is over: nobody waits for it to come back.
    ends_with_it: bool,
    /// How late we spoke in this check, at the worst.
    late_by: Micros,
}

impl Linked {
    /// A port on which the tool is `ours`; times of what is heard may be off by `uncertainty`.
    #[must_use]
    pub fn new(cable: Box<dyn Cable>, ours: Source, uncertainty: Micros) -> Self {
        Self {
            cable,
            ours,
            uncertainty,
            faults: FaultInjector::default(),
            heard: VecDeque::new(),
            deaf: false,
            spoke: false,
            sent_until: Micros::ZERO,
            sending: 0,
            notes: Vec::new(),
            failure: None,
            over: false,
            stop: None,
            stopped: false,
            ever_heard: false,
            attached: false,
            ends_with_it: false,
            late_by: Micros::ZERO,
        }
    }

    /// A link on which no words travel: the subject is on pulse lines.
    pub(crate) fn without_words(cable: Box<dyn Cable>) -> Self {
        Self {
            ever_heard: true,
            ..Self::new(cable, Source::Master, Micros::ZERO)
        }
    }

    /// The same, and the examination ends when it is asked to.
    #[must_use]
    pub fn until(mut self, stop: &Stop) -> Self {
        self.stop = Some(stop.clone());
        self
    }

    /// Who may end the examination.
    pub(crate) fn stop(&self) -> Stop {
        self.stop.clone().unwrap_or_default()
    }

    /// True once the examination is to end.
    pub(crate) fn is_stopped(&self) -> bool {
        self.stop.as_ref().is_some_and(Stop::is_asked)
    }

    /// Time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.cable.now()
    }

    /// How far times may be off, by what was said and by what was seen.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        self.uncertainty
    }

    /// True once the subject was heard.
    #[must_use]
    pub fn ever_heard(&self) -> bool {
        self.ever_heard
    }

    /// True once the link has failed.
    #[must_use]
    pub fn has_failed(&self) -> bool {
        self.failure.is_some()
    }

    /// Why the link failed, if it did.
    pub fn take_failure(&mut self) -> Option<LinkError> {
        self.failure.take()
    }

    /// Waits until somebody has opened the other end, for so long at most. False when nobody has.
    pub fn wait_for_other_end(&mut self, time: Micros) -> bool {
        let until = self.now() + time;
        while !self.attached && !self.ever_heard && !self.over && self.now() < until {
            self.pump(until);
        }
        self.ends_with_it = true;
        self.attached || self.ever_heard
    }

    /// Waits until the subject is heard, for so long at most. False when it is not.
    pub fn listen(&mut self, time: Micros) -> bool {
        let until = self.now() + time;
        while !self.ever_heard && !self.over && self.now() < until {
            self.pump(until);
        }
        self.ever_heard
    }

    /// Lets so much time pass; what is heard is dropped.
    pub(crate) fn let_pass(&mut self, time: Micros) {
        let until = self.now() + time;
        while !self.over && self.now() < until {
            self.pump(until);
        }
        self.heard.clear();
    }

    /// A new check begins: what is left of the one before is dropped.
    fn begin(&mut self) {
        self.faults = FaultInjector::default();
        self.heard.clear();
        self.notes.clear();
        self.deaf = false;
        self.late_by = Micros::ZERO;
        self.stopped = false;
        self.goes_on();
    }

    /// Forgets that a check gave up; not that the link has failed.
    fn goes_on(&mut self) {
        self.over = self.failure.is_some();
    }

    fn transmit(&mut self, sent: Transmission) -> Micros {
        let asked = match &sent {
            Transmission::Words { at, .. } | Transmission::Break { at, .. } => *at,
        };
        let injected = self.faults.pass(self.ours, sent);
        // What the other side must not hear cannot be on the wire.
        let Some(sent) = injected.sent.filter(|_| injected.heard) else {
            return asked;
        };
        if self.over {
            return asked;
        }
        self.sending += match &sent {
            Transmission::Words { words, .. } => words.len(),
            Transmission::Break { .. } => 1,
        };
        self.cable.send(sent);
        asked
    }

    /// Waits until all of ours is on the wire, and says when the last of it ended.
    fn flush(&mut self) -> Micros {
        let by = self.now() + SENDING_TIME;
        while self.sending > 0 && !self.over && self.now() < by {
            self.pump(by);
        }
        self.sending = 0;
        self.sent_until
    }

    /// Takes the next event, until a time.
    fn pump(&mut self, until: Micros) {
        if self.is_stopped() {
            self.note(STOPPED.to_owned());
            self.over = true;
            self.stopped = true;
            return;
        }
        let until = match &self.stop {
            Some(_) => until.min(self.now() + LOOK_FOR_STOP),
            None => until,
        };
        match self.cable.wait(until) {
            Ok(None) => {}
            Ok(Some(event)) => self.event(event),
            Err(error) => self.fail(error),
        }
    }

    fn fail(&mut self, error: LinkError) {
        self.note(format!("the link failed: {error}"));
        self.failure = Some(error);
        self.over = true;
    }

    fn event(&mut self, event: PortEvent) {
        match event {
            PortEvent::Heard(event) => {
                self.ever_heard = true;
                let heard = self.hear(event);
                self.heard.push_back(heard);
            }
            PortEvent::Sent { event, late } => {
                self.sending = self.sending.saturating_sub(1);
                self.sent_until = event.end();
                self.spoke = true;
                self.own_up(event.end(), late);
                self.heard.push_back(Heard {
                    event,
                    reaches_peer: true,
                });
            }
            other => {
                self.note(other.to_string());
                if let PortEvent::Peer { attached, .. } = other {
                    let closed = self.ends_with_it && self.attached && !attached;
                    self.attached = attached;
                    if closed {
                        let port = self.cable.name();
                        self.failure = Some(LinkError::Left { port });
                        self.over = true;
                    }
                }
            }
        }
    }

    /// Puts what is heard through the faults: our side may have to be deaf to it, or to mishear.
    fn hear(&mut self, event: BusEvent) -> Heard {
        let BusEvent::Word(mut word) = event else {
            return Heard {
                event,
                reaches_peer: true,
            };
        };
        self.uncertainty = self.uncertainty.max(word.uncertainty);
        // A device's frame follows ours; a board's begins with an address, or answers ours.
        let follows = std::mem::take(&mut self.spoke);
        if follows || self.ours == Source::Peripheral && word.word.mode {
            let first = Transmission::Words {
                at: word.start,
                words: vec![word.word],
                gap: Micros::ZERO,
            };
            let injected = self.faults.pass(word.source, first);
            self.deaf = !injected.heard || injected.sent.is_none();
            if let Some(Transmission::Words { words, .. }) = injected.sent
                && let Some(first) = words.first()
            {
                word.word = *first;
            }
        }
        Heard {
            event: BusEvent::Word(word),
            reaches_peer: !self.deaf,
        }
    }

    fn own_up(&mut self, at: Micros, late: Lateness) {
        if late.total() <= OWN_LATENESS {
            self.late_by = self.late_by.max(late.total());
            return;
        }
        let text = format!(
            "this tool spoke {} later than it meant to: {} spent in its own code, {} waited for the \
             machine it runs on. What follows from that is not the subject's fault",
            late.total(),
            late.ours,
            late.machine
        );
        self.was_late(at, late.total(), text);
    }

    fn was_late(&mut self, at: Micros, late: Micros, text: String) {
        self.late_by = self.late_by.max(late);
        let mut finding = Finding::advice("own-late", at, text);
        finding.section = Cow::Borrowed("about this tool");
        self.notes.push(Entry::Finding(finding));
    }

    fn note(&mut self, text: String) {
        self.notes.push(Entry::Note {
            at_us: self.cable.now(),
            who: Some("link".to_owned()),
            text,
        });
    }
}

/// The bus of a bench.
#[derive(Debug)]
pub(crate) enum Wire {
    /// In simulated time, with an emulated subject.
    Virtual(VirtualBus),
    /// A port with an outside subject.
    Linked(Box<Linked>),
}

impl Wire {
    /// A virtual bus as both examinations use it.
    pub(crate) fn simulated() -> Self {
        Self::Virtual(VirtualBus::new(1, Micros(60)))
    }

    /// A port, for one check.
    pub(crate) fn linked(mut linked: Linked) -> Self {
        linked.begin();
        Self::Linked(Box::new(linked))
    }

    /// The port back.
    pub(crate) fn into_linked(self) -> Option<Linked> {
        match self {
            Self::Virtual(_) => None,
            Self::Linked(mut linked) => {
                linked.goes_on();
                Some(*linked)
            }
        }
    }

    /// When a bench on it begins.
    pub(crate) fn now(&self) -> Micros {
        match self {
            Self::Virtual(_) => Micros::ZERO,
            Self::Linked(linked) => linked.now(),
        }
    }

    /// How far times may be off.
    pub(crate) fn uncertainty(&self) -> Micros {
        match self {
            Self::Virtual(_) => Micros::ZERO,
            Self::Linked(linked) => linked.uncertainty(),
        }
    }

    /// How late the tool itself spoke in this check, at the worst.
    pub(crate) fn late_by(&self) -> Micros {
        match self {
            Self::Virtual(_) => Micros::ZERO,
            Self::Linked(linked) => linked.late_by,
        }
    }

    /// Places a transmission; when it ends, as far as that is known yet.
    pub(crate) fn transmit(&mut self, source: Source, sent: Transmission) -> Micros {
        match self {
            Self::Virtual(bus) => bus.transmit(source, sent),
            Self::Linked(linked) => linked.transmit(sent),
        }
    }

    /// Places a transmission and, over a port, waits until it is on the wire. When it ended.
    pub(crate) fn say(&mut self, source: Source, sent: Transmission) -> Micros {
        match self {
            Self::Virtual(bus) => bus.transmit(source, sent),
            Self::Linked(linked) => {
                let asked = linked.transmit(sent);
                match linked.sending {
                    0 => asked,
                    _ => linked.flush(),
                }
            }
        }
    }

    /// When there is something to take: for a port, at once or nobody knows when.
    pub(crate) fn next(&self) -> Micros {
        match self {
            Self::Virtual(bus) => bus.next(),
            Self::Linked(linked) if linked.heard.is_empty() => Micros::NEVER,
            Self::Linked(_) => Micros::ZERO,
        }
    }

    /// Lets time pass until `to` (over a port also less, when something comes). The time then.
    pub(crate) fn reach(&mut self, to: Micros) -> Micros {
        match self {
            Self::Virtual(_) => to,
            // Nothing will come any more: the check is let run out.
            Self::Linked(linked) if linked.over => to,
            Self::Linked(linked) => {
                if linked.heard.is_empty() {
                    linked.pump(to);
                }
                linked.now()
            }
        }
    }

    /// The next event that is complete by `now`.
    pub(crate) fn pop(&mut self, now: Micros) -> Option<Heard> {
        match self {
            Self::Virtual(bus) => bus.pop(now),
            Self::Linked(linked) => linked.heard.pop_front(),
        }
    }

    /// Puts a fault on it.
    pub(crate) fn add_fault(&mut self, fault: Fault) {
        match self {
            Self::Virtual(bus) => bus.add_fault(fault),
            Self::Linked(linked) => linked.faults.add(fault),
        }
    }

    /// What is worth knowing about the link since this was last asked.
    pub(crate) fn take_notes(&mut self) -> Vec<Entry> {
        match self {
            Self::Virtual(_) => Vec::new(),
            Self::Linked(linked) => std::mem::take(&mut linked.notes),
        }
    }

    /// The link, or another port beside it, has failed.
    pub(crate) fn fail(&mut self, error: LinkError) {
        if let Self::Linked(linked) = self {
            linked.fail(error);
        }
    }

    /// The tool was late on a line beside the bus.
    pub(crate) fn was_late(&mut self, at: Micros, late: Micros, text: String) {
        if let Self::Linked(linked) = self {
            linked.was_late(at, late, text);
        }
    }

    /// From now on time passes without being waited for, and nothing is said.
    pub(crate) fn give_up(&mut self) {
        if let Self::Linked(linked) = self {
            linked.over = true;
        }
    }

    /// True when nothing will come any more.
    pub(crate) fn is_over(&self) -> bool {
        matches!(self, Self::Linked(linked) if linked.over)
    }

    /// How a check ended in truth that the link or whoever ends examinations did not let end.
    pub(crate) fn broken_off(&self) -> Option<Seen> {
        let Self::Linked(linked) = self else {
            return None;
        };
        match &linked.failure {
            Some(error) => Some(Seen::cannot_tell(format!(
                "the link failed before the check was over: {error}"
            ))),
            None => linked.stopped.then(|| Seen::skipped(STOPPED)),
        }
    }
}
