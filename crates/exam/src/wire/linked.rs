//! A port with an outside subject at its other end, and what became of it: heard, late, failed, ended.

use super::Cable;
use crate::Stop;
use crate::skip::Skip;
use payrig_bench::{FaultInjector, Heard};
use payrig_link::{Lateness, LinkError, PortEvent};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Finding, Origin, RuleName, Source, Transmission};
use std::collections::VecDeque;

/// What of ours is later than meant by more than this is told as the tool's own fault.
const OWN_LATENESS: Micros = Micros::ms(1);

/// How often it is looked whether the examination is to end.
const LOOK_FOR_STOP: Micros = Micros::ms(50);

/// A word of ours that is not on the wire this long after its time never will be.
const SENDING_TIME: Micros = Micros::secs(2);

/// An outside subject's side of things.
#[derive(Debug)]
pub struct Linked {
    cable: Box<dyn Cable>,
    ours: Source,
    uncertainty: Micros,
    pub(super) faults: FaultInjector,
    /// What came, for the bench to take.
    pub(super) heard: VecDeque<Heard>,
    /// Whether the frame of the subject that is on the wire is heard on our side.
    deaf: bool,
    /// We spoke since the subject's last command: a single byte of it is ACK, NAK or RET.
    spoke: bool,
    sent_until: Micros,
    pub(super) sending: usize,
    pub(super) notes: Vec<Entry>,
    pub(super) failure: Option<LinkError>,
    pub(super) over: bool,
    /// Who may end the examination.
    stop: Option<Stop>,
    /// It was ended in this check.
    pub(super) stopped: bool,
    ever_heard: bool,
    /// Somebody has opened the other end.
    attached: bool,
    /// When the other end is closed the link is over: nobody waits for it to come back.
    ends_with_it: bool,
    /// How late we spoke in this check, at the worst.
    pub(super) late_by: Micros,
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
    pub(super) fn begin(&mut self) {
        self.faults = FaultInjector::default();
        self.heard.clear();
        self.notes.clear();
        self.deaf = false;
        self.late_by = Micros::ZERO;
        self.stopped = false;
        self.goes_on();
    }

    /// Forgets that a check gave up; not that the link has failed.
    pub(super) fn goes_on(&mut self) {
        self.over = self.failure.is_some();
    }

    pub(super) fn transmit(&mut self, sent: Transmission) -> Micros {
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
    pub(super) fn flush(&mut self) -> Micros {
        let by = self.now() + SENDING_TIME;
        while self.sending > 0 && !self.over && self.now() < by {
            self.pump(by);
        }
        self.sending = 0;
        self.sent_until
    }

    /// Takes the next event, until a time.
    pub(super) fn pump(&mut self, until: Micros) {
        if self.is_stopped() {
            self.note(Skip::Stopped.to_string());
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

    pub(super) fn fail(&mut self, error: LinkError) {
        self.note(format!("the link failed: {error}"));
        self.failure = Some(error);
        self.over = true;
    }

    pub(super) fn event(&mut self, event: PortEvent) {
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
    pub(super) fn hear(&mut self, event: BusEvent) -> Heard {
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

    pub(super) fn own_up(&mut self, at: Micros, late: Lateness) {
        self.was_late(at, late.total(), || {
            format!(
                "this tool spoke {} later than it meant to: {} spent in its own code, {} waited for the \
                 machine it runs on. What follows from that is not the subject's fault",
                late.total(),
                late.ours,
                late.machine
            )
        });
    }

    /// Something of ours was late; `text` tells it, where it is worth telling.
    pub(super) fn was_late(&mut self, at: Micros, late: Micros, text: impl FnOnce() -> String) {
        self.late_by = self.late_by.max(late);
        if late > OWN_LATENESS {
            let finding = Finding::advice(RuleName::OwnLate, at, text()).from_origin(Origin::Tool);
            self.notes.push(Entry::Finding(finding));
        }
    }

    pub(super) fn note(&mut self, text: String) {
        self.notes.push(Entry::Note {
            at_us: self.cable.now(),
            who: Some("link".to_owned()),
            text,
        });
    }
}
