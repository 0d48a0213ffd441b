//! Bus events in, log entries out: blocks with their meaning, and findings. The same analyst looks
//! at a running bench, at a capture and at a recording.

use super::approvals::Approvals;
use crate::recording::{BlockRecord, Entry};
use crate::{BusEvent, Finding, Monitor, Observed, Origin, RuleName, Severity, Source, WireBlock};
use payrig_mdb::Address;
use payrig_mdb::{Decoded, Dialogue};
use payrig_units::Micros;

/// Decodes and judges a bus.
#[derive(Clone, Debug)]
pub struct Analyst {
    monitor: Monitor,
    dialogue: Dialogue,
    approvals: Approvals,
    /// The side this tool speaks for on a real link.
    ours: Option<Source>,
    limits: u64,
    advice: u64,
    blocks: u64,
    /// Emptied and filled again; kept for its room.
    scratch: Observed,
}

impl Analyst {
    /// Of a bus seen from its first word.
    #[must_use]
    pub fn new() -> Self {
        Self::with(Monitor::new())
    }

    /// Of a capture that starts at `start`, perhaps in the middle of a block.
    #[must_use]
    pub fn of_capture(start: Micros) -> Self {
        Self::with(Monitor::of_capture(start))
    }

    fn with(monitor: Monitor) -> Self {
        Self {
            monitor,
            dialogue: Dialogue::new(),
            approvals: Approvals::default(),
            ours: None,
            limits: 0,
            advice: 0,
            blocks: 0,
            scratch: Observed::default(),
        }
    }

    /// On a real link this tool speaks for one side: a limit which that side breaks is this tool's
    /// own fault. It is reported, and not held against what is on the other end; nor is what it leaves of a
    /// block of the other side by speaking into it.
    #[must_use]
    pub fn speaking_for(mut self, ours: Option<Source>) -> Self {
        self.ours = ours;
        self.monitor = self.monitor.speaking_for(ours);
        self
    }

    /// On a link whose words come up to `by` after they were on the wire, a silence is only known
    /// that much later: [`idle`](Self::idle) waits for it. Words are put together by their own times
    /// whatever the patience.
    #[must_use]
    pub fn patient(mut self, by: Micros) -> Self {
        self.monitor = self.monitor.patient(by);
        self
    }

    /// From now on words come up to `by` late: see [`patient`](Self::patient).
    pub fn set_patience(&mut self, by: Micros) {
        self.monitor.set_patience(by);
    }

    /// This tool did not look between `from` and `to`, when it had read what had piled up. Whatever
    /// overlaps this stretch, and whatever answers something in it, is not judged. To be called
    /// before the first word read after it is given, and before [`idle`](Self::idle).
    pub fn slept(&mut self, from: Micros, to: Micros) {
        self.monitor.slept(from, to);
    }

    /// A device is kept silent on purpose, by a script or a person, from `from` until `until`: that it
    /// does not answer is reported as asked for.
    pub fn silenced(&mut self, device: Address, from: Micros, until: Micros) {
        self.monitor.silenced(device, from, until);
    }

    /// The next event, in order of time.
    pub fn event(&mut self, event: &BusEvent) -> Vec<Entry> {
        let mut entries = Vec::new();
        self.event_to(event, &mut entries);
        entries
    }

    /// The same, and what became known is added to `entries`.
    pub fn event_to(&mut self, event: &BusEvent, entries: &mut Vec<Entry>) {
        let mut observed = std::mem::take(&mut self.scratch);
        self.monitor.push_to(event, &mut observed);
        self.entries(observed, entries);
        if let BusEvent::Break { .. } = event {
            self.dialogue.bus_reset();
            self.approvals.bus_reset();
        }
        entries.extend(Entry::of_event(event));
    }

    /// Nothing happened until `now`.
    pub fn idle(&mut self, now: Micros) -> Vec<Entry> {
        let mut entries = Vec::new();
        self.idle_to(now, &mut entries);
        entries
    }

    /// The same, and what became known is added to `entries`.
    pub fn idle_to(&mut self, now: Micros, entries: &mut Vec<Entry>) {
        let mut observed = std::mem::take(&mut self.scratch);
        self.monitor.idle_to(now, &mut observed);
        self.entries(observed, entries);
    }

    /// When [`idle`](Self::idle) has something to say.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        self.monitor.next_deadline()
    }

    /// When the block began that is not complete; `None` where all are.
    #[must_use]
    pub fn open_since(&self) -> Option<Micros> {
        self.monitor.open_since()
    }

    /// The end of the bus.
    pub fn finish(&mut self, end: Micros) -> Vec<Entry> {
        let mut observed = self.monitor.finish(end);
        if self.monitor.is_noise() {
            let text = "not one whole block with its sum and mode bits right was heard: what was on the bus \
                        is noise, or no MDB. Check ground, polarity, the bit rate and which wire is which";
            let finding = Finding::limit(RuleName::NothingRead, end, text);
            observed
                .findings
                .push(finding.from_origin(Origin::CommonPractice));
        }
        let mut entries = Vec::new();
        self.entries(observed, &mut entries);
        entries
    }

    /// Blocks that were whole, with their sum and mode bits right, and heard while this tool looked.
    #[must_use]
    pub fn sound_blocks(&self) -> u64 {
        self.monitor.sound_blocks()
    }

    /// Counts a finding that came from elsewhere (pulses, money, a step of the script).
    pub fn count(&mut self, finding: &Finding) {
        if finding.is_limit() {
            self.limits += 1;
        } else {
            self.advice += 1;
        }
    }

    /// Breaches of limits so far.
    #[must_use]
    pub fn limits(&self) -> u64 {
        self.limits
    }

    /// Advice so far.
    #[must_use]
    pub fn advice(&self) -> u64 {
        self.advice
    }

    /// Blocks so far.
    #[must_use]
    pub fn blocks(&self) -> u64 {
        self.blocks
    }

    fn entries(&mut self, mut observed: Observed, entries: &mut Vec<Entry>) {
        for block in observed.blocks.drain(..) {
            self.blocks += 1;
            let decoded = self.decode(&block);
            let approved = self.approvals.look(&decoded, block.start);
            entries.push(Entry::Block(BlockRecord::of(&block).meaning(decoded)));
            observed.findings.extend(approved);
            self.monitor.recycle(block);
        }
        for mut finding in observed.findings.drain(..) {
            self.charge_ourselves(&mut finding);
            self.count(&finding);
            entries.push(Entry::Finding(finding));
        }
        self.scratch = observed;
    }

    /// A limit that our own side broke is reported, and held against nobody.
    fn charge_ourselves(&self, finding: &mut Finding) {
        let (Some(ours), Some(who)) = (self.ours, &finding.who) else {
            return;
        };
        if finding.is_limit() && who.side() == ours {
            finding.severity = Severity::Advice;
            finding.text = format!("this tool itself, not the other side: {}", finding.text);
        }
    }

    fn decode(&mut self, block: &WireBlock) -> Decoded {
        match block.source {
            Source::Master => match block.master_frame() {
                Ok(frame) => self.dialogue.master(&frame),
                Err(_) => block.with_bytes(|bytes| self.dialogue.master_bytes(bytes)),
            },
            Source::Peripheral => match block.peripheral_frame() {
                Ok(frame) => self.dialogue.peripheral(&frame),
                Err(_) => block.with_bytes(|bytes| self.dialogue.peripheral_bytes(bytes)),
            },
        }
    }
}

impl Default for Analyst {
    fn default() -> Self {
        Self::new()
    }
}
