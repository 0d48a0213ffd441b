//! A port with an outside subject at its other end, and what became of it: heard, late, failed, ended.

use super::Cable;
use super::lines::{AcceptorLines, CreditLines};
use crate::Stop;
use crate::recorder::Recorder;
use crate::seen::Seen;
use crate::skip::Skip;
use payrig_link::{LinkError, PortEvent};
use payrig_units::Micros;
use payrig_wire::{BusEvent, Edge, Source, Transmission};

/// How often it is looked whether the examination is to end.
const LOOK_FOR_STOP: Micros = Micros::ms(50);

/// An outside subject's side of things.
#[derive(Debug)]
pub struct Linked {
    cable: Box<dyn Cable>,
    ours: Source,
    /// How far times may be off, by what is known of the port.
    said: Micros,
    /// The same by what was seen in this check, too.
    uncertainty: Micros,
    /// The pulse lines of a board, where they are connected.
    lines: Option<CreditLines>,
    sent_until: Micros,
    /// Words of ours that are not on the wire yet.
    sending: usize,
    /// What is worth knowing about the link since this was last asked.
    notes: Vec<String>,
    failure: Option<LinkError>,
    /// Nothing will come any more: time passes without being waited for.
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
    /// Where what happens is recorded as it happens.
    recorder: Option<Recorder>,
}

impl Linked {
    /// A port on which the tool is `ours`; times of what is heard may be off by `uncertainty`.
    #[must_use]
    pub fn new(cable: Box<dyn Cable>, ours: Source, uncertainty: Micros) -> Self {
        Self {
            cable,
            ours,
            said: uncertainty,
            uncertainty,
            lines: None,
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
            recorder: None,
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

    /// The same, and what happens is recorded as it happens: `each` of an examination is given what is
    /// left, not all of a check.
    #[must_use]
    pub fn recorded_by(mut self, recorder: Recorder) -> Self {
        self.recorder = Some(recorder);
        self
    }

    pub(super) fn recorder(&self) -> Option<&Recorder> {
        self.recorder.as_ref()
    }

    /// The same with the pulse lines of the board; the credit line rests at this level from now on.
    pub(crate) fn connect(&mut self, lines: Box<dyn AcceptorLines>, resting: bool) {
        let lines = CreditLines::new(lines, self.now(), resting);
        self.set_lines(lines);
    }

    /// True when the pulse lines of the board are connected.
    pub(crate) fn has_lines(&self) -> bool {
        self.lines().is_some()
    }

    /// The same, with the pulse lines of the board at its other end.
    pub(super) fn set_lines(&mut self, lines: CreditLines) {
        self.lines = Some(lines);
    }

    pub(super) fn lines(&self) -> Option<&CreditLines> {
        self.lines.as_ref()
    }

    pub(super) fn lines_mut(&mut self) -> Option<&mut CreditLines> {
        self.lines.as_mut()
    }

    /// The port itself.
    pub(crate) fn cable(&self) -> &dyn Cable {
        &*self.cable
    }

    /// The side that the tool plays.
    pub(super) fn ours(&self) -> Source {
        self.ours
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

    /// How far times may be off: by what is known of the port, and by what was seen in this check.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        self.uncertainty
    }

    /// How late the tool itself spoke in this check, at the worst.
    pub(super) fn late_by(&self) -> Micros {
        self.late_by
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
    }

    /// A new check begins: what is left of the one before is dropped.
    pub(super) fn begin(&mut self) {
        self.notes.clear();
        self.late_by = Micros::ZERO;
        self.uncertainty = self.said;
        self.sending = 0;
        self.stopped = false;
        self.goes_on();
    }

    /// Forgets that a check gave up; not that the link has failed.
    pub(super) fn goes_on(&mut self) {
        self.over = self.failure.is_some();
    }

    /// From now on time passes without being waited for, and nothing is said.
    pub(super) fn give_up(&mut self) {
        self.over = true;
    }

    /// True when nothing will come any more.
    pub(super) fn is_over(&self) -> bool {
        self.over
    }

    /// How a check really ended that the link, or whoever ended the examination, cut off.
    pub(super) fn broken_off(&self) -> Option<Seen> {
        match &self.failure {
            Some(error) => Some(Seen::cannot_tell(format!(
                "the link failed before the check was over: {error}"
            ))),
            None => self.stopped.then(|| Seen::skipped(Skip::Stopped)),
        }
    }

    /// Sends words, or a break.
    pub(super) fn send(&mut self, sent: Transmission) {
        if self.over {
            return;
        }
        self.sending += match &sent {
            Transmission::Words { words, .. } => words.len(),
            Transmission::Break { .. } => 1,
        };
        self.cable.send(sent);
    }

    /// True while words of ours are not on the wire.
    pub(super) fn is_sending(&self) -> bool {
        self.sending > 0
    }

    /// Nothing of ours is waited for any more. When the last of it ended.
    pub(super) fn sent(&mut self) -> Micros {
        self.sending = 0;
        self.sent_until
    }

    /// Drives the line that goes out. True when that is done at once: a planned edge is an event when
    /// it was made.
    pub(super) fn drive(&mut self, edge: Edge) -> bool {
        match &mut self.lines {
            Some(lines) if !self.over => lines.drive(edge),
            Some(_) => {}
            None => self.cable.drive(edge),
        }
        self.lines.is_none()
    }

    /// The next edge of a line that comes in.
    pub(super) fn take_edge(&mut self) -> Option<(Edge, Micros)> {
        let (edge, uncertainty) = self.cable.take_edge()?;
        self.uncertainty = self.uncertainty.max(uncertainty);
        Some((edge, uncertainty))
    }

    /// What is worth knowing about the link since this was last asked.
    pub(super) fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    /// Takes the next event, until a time.
    pub(super) fn pump(&mut self, until: Micros) -> Option<PortEvent> {
        if self.is_stopped() {
            self.notes.push(Skip::Stopped.to_string());
            self.over = true;
            self.stopped = true;
            return None;
        }
        let until = match &self.stop {
            Some(_) => until.min(self.now() + LOOK_FOR_STOP),
            None => until,
        };
        match self.cable.wait(until) {
            Ok(event) => {
                if let Some(event) = &event {
                    self.came(event);
                }
                event
            }
            Err(error) => {
                self.fail(error);
                None
            }
        }
    }

    /// The link has failed.
    pub(super) fn fail(&mut self, error: LinkError) {
        self.notes.push(format!("the link failed: {error}"));
        self.failure = Some(error);
        self.over = true;
    }

    /// What an event says of the link.
    fn came(&mut self, event: &PortEvent) {
        match *event {
            PortEvent::Heard(event) => {
                self.ever_heard = true;
                if let BusEvent::Word(word) = event {
                    self.uncertainty = self.uncertainty.max(word.uncertainty);
                }
            }
            PortEvent::Sent { event, late } => {
                self.sending = self.sending.saturating_sub(1);
                self.sent_until = event.end();
                self.was_late(late.total());
            }
            PortEvent::Peer { attached, .. } => {
                let closed = self.ends_with_it && self.attached && !attached;
                self.attached = attached;
                if closed {
                    let port = self.cable.name();
                    self.failure = Some(LinkError::Left { port });
                    self.over = true;
                }
            }
            PortEvent::Overdue { words, .. } => {
                self.sending = self.sending.saturating_sub(words);
            }
            PortEvent::Garbage { .. } | PortEvent::Overrun { .. } => {}
        }
    }

    /// Something of ours was late.
    pub(super) fn was_late(&mut self, late: Micros) {
        self.late_by = self.late_by.max(late);
    }
}
