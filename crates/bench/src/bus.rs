//! A bus of a bench: what carries its words, the faults around that, and the tap on it.

use crate::fault::{Fault, FaultInjector};
use crate::node::Refusal;
use crate::virtual_bus::{Heard, VirtualBus};
use payrig_mdb::Address;
use payrig_units::Micros;
use payrig_wire::analysis::Analyst;
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Source, Transmission};
use std::collections::VecDeque;

/// The number of a bus on its bench. The board's bus is the first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BusId(pub(crate) usize);

impl BusId {
    /// The board's bus.
    pub const BOARD: Self = Self(0);
}

/// A device that its board enables is set up after so many POLLs, the last of them behind that.
const POLLED: u32 = 8;

/// So many POLLs of a device that is never enabled mean that its board has done all it will.
const POLLED_ONLY: u32 = 64;

/// Words of a port come up to this much after they were on the wire, unless the tool was stopped: a
/// block is not over before.
const PATIENCE: Micros = Micros::ms(100);

/// So many events of a port say how long the link holds things up.
const DELAYS: usize = 64;

/// What carries the words.
#[derive(Clone, Debug)]
enum Medium {
    Virtual(VirtualBus),
    Port(PortSide),
}

/// A bus on a port, as the bench sees it.
#[derive(Clone, Debug)]
struct PortSide {
    /// The side at its other end.
    outside: Source,
    /// What is to be sent.
    outbox: VecDeque<Transmission>,
    /// We spoke since the other side's last frame: what comes next begins one.
    spoke: bool,
    /// The frame that is coming in is not heard on our side.
    deaf: bool,
    /// The other side was heard.
    ever_heard: bool,
    /// Turn this bit of the word that so many words follow in the frame that is coming in.
    flip: Option<(u8, u8)>,
    /// How long the link held up what went last, either way.
    delays: VecDeque<Micros>,
}

impl PortSide {
    fn longest_delay(&self) -> Micros {
        self.delays.iter().max().copied().unwrap_or_default()
    }
}

/// What a board outside does to one of our devices, as far as it says that the device is set up.
#[derive(Clone, Debug)]
struct Polls {
    device: String,
    /// The address byte of its POLL.
    byte: u8,
    heard: u32,
    /// So many bytes that come now say what it is to accept.
    accepts: u8,
    /// It may accept something.
    enabled: bool,
    /// It was polled after it was enabled.
    polled_enabled: bool,
}

impl Polls {
    /// COIN TYPE, BILL TYPE and READER are the fifth command of their device; two bytes of the first two
    /// and one of the last say what is accepted (MDB/ICP 4.3, sections 5.3, 6.3 and 7.4).
    fn hear(&mut self, word: payrig_mdb::Word) {
        let first = self.byte & !0b111;
        match (word.mode, word.byte) {
            (true, byte) if byte == self.byte => {
                self.accepts = 0;
                self.heard = self.heard.saturating_add(1);
                self.polled_enabled |= self.enabled;
            }
            (true, byte) if byte == first | 4 => {
                let reader = self.byte == first | 2;
                self.accepts = if reader { 1 } else { 2 };
            }
            (true, _) => self.accepts = 0,
            (false, byte) if self.accepts > 0 => {
                self.accepts -= 1;
                self.enabled |= byte != 0;
            }
            (false, _) => {}
        }
    }

    fn set_up(&self) -> bool {
        self.heard >= POLLED && self.polled_enabled || self.heard >= POLLED_ONLY
    }
}

/// A bus.
#[derive(Clone, Debug)]
pub(crate) struct Bus {
    /// What it is called in the log; none for the board's own.
    pub(crate) name: Option<String>,
    /// The only device on it, for a bus beside the board's.
    pub(crate) serves: Option<String>,
    medium: Medium,
    faults: FaultInjector,
    analyst: Analyst,
    polls: Vec<Polls>,
}

impl Bus {
    /// A virtual bus.
    pub(crate) fn simulated(name: Option<String>, seed: u64, jitter: Micros) -> Self {
        let medium = Medium::Virtual(VirtualBus::new(seed, jitter));
        Self::with(name, medium, Analyst::new())
    }

    /// A bus on a port, with this side at the other end.
    pub(crate) fn on_port(name: Option<String>, outside: Source) -> Self {
        let ours = other_side(outside);
        let medium = Medium::Port(PortSide {
            outside,
            outbox: VecDeque::new(),
            spoke: false,
            deaf: false,
            ever_heard: false,
            flip: None,
            delays: VecDeque::new(),
        });
        let analyst = Analyst::new().speaking_for(Some(ours));
        Self::with(name, medium, analyst.patient(PATIENCE))
    }

    fn with(name: Option<String>, medium: Medium, analyst: Analyst) -> Self {
        Self {
            name,
            serves: None,
            medium,
            faults: FaultInjector::default(),
            analyst,
            polls: Vec::new(),
        }
    }

    /// Counts POLLs of a device by a board outside; `byte` is the address byte of its POLL.
    pub(crate) fn count_polls(&mut self, device: &str, byte: u8) {
        self.polls.push(Polls {
            device: device.to_owned(),
            byte,
            heard: 0,
            accepts: 0,
            enabled: false,
            polled_enabled: false,
        });
    }

    /// Whether a board outside has set a device up; `None` for one it does not poll here.
    pub(crate) fn is_polled(&self, device: &str) -> Option<bool> {
        let polls = self.polls.iter().find(|p| p.device == device)?;
        Some(polls.set_up())
    }

    /// Whether a board outside has set everything up.
    pub(crate) fn all_polled(&self) -> bool {
        self.polls.iter().all(Polls::set_up)
    }

    /// The side at the other end of its port; `None` for a virtual bus.
    pub(crate) fn outside(&self) -> Option<Source> {
        match &self.medium {
            Medium::Virtual(_) => None,
            Medium::Port(port) => Some(port.outside),
        }
    }

    /// What is missing on a bus on a port at whose other end nobody was heard.
    pub(crate) fn silence(&self) -> Option<String> {
        let Medium::Port(port) = &self.medium else {
            return None;
        };
        let who = match port.outside {
            Source::Master => "a board",
            Source::Peripheral => "a device",
        };
        let bus = match &self.name {
            Some(name) => format!("the bus of {name}"),
            None => "the bus".to_owned(),
        };
        let text = format!("nobody was heard at the other end of {bus}: connect {who} there");
        (!port.ever_heard).then_some(text)
    }

    pub(crate) fn analyst(&self) -> &Analyst {
        &self.analyst
    }

    pub(crate) fn analyst_mut(&mut self) -> &mut Analyst {
        &mut self.analyst
    }

    /// Puts a fault on it.
    ///
    /// # Errors
    /// On a port: what the other side says cannot be made late or slow.
    pub(crate) fn inject(&mut self, fault: Fault) -> Result<(), Refusal> {
        if let Medium::Port(port) = &self.medium
            && let Some(why) = fault.impossible_over_a_port(port.outside)
        {
            return Err(Refusal::Link(why));
        }
        self.faults.add(fault);
        Ok(())
    }

    /// Takes faults away: those in exchanges with this address, all for none.
    pub(crate) fn end_faults(&mut self, address: Option<Address>) {
        self.faults.end(address);
    }

    /// Sends something of one side. Returns when it ends, as far as that is known yet.
    pub(crate) fn transmit(&mut self, source: Source, sent: Transmission) -> Micros {
        let port = match &mut self.medium {
            Medium::Virtual(bus) => return bus.transmit_through(&mut self.faults, source, sent),
            Medium::Port(port) => port,
        };
        let asked = match &sent {
            Transmission::Words { at, .. } | Transmission::Break { at, .. } => *at,
        };
        let injected = self.faults.pass(source, sent);
        // What the other side must not hear cannot be on the wire.
        port.outbox.extend(injected.sent.filter(|_| injected.heard));
        asked
    }

    /// The next thing to go out through its port.
    pub(crate) fn take_outbound(&mut self) -> Option<Transmission> {
        match &mut self.medium {
            Medium::Virtual(_) => None,
            Medium::Port(port) => port.outbox.pop_front(),
        }
    }

    /// When something is complete on it, or a block is known to be.
    pub(crate) fn next(&self) -> Micros {
        match &self.medium {
            Medium::Virtual(bus) => bus.next().min(self.analyst.next_deadline()),
            Medium::Port(_) => self.analyst.next_deadline(),
        }
    }

    /// True while a block on it is not complete.
    pub(crate) fn is_open(&self) -> bool {
        self.analyst.next_deadline() != Micros::NEVER
    }

    /// When the block on it began that is not complete.
    pub(crate) fn open_since(&self) -> Option<Micros> {
        self.analyst.open_since()
    }

    /// The next event that is complete by `now`.
    pub(crate) fn pop(&mut self, now: Micros) -> Option<Heard> {
        match &mut self.medium {
            Medium::Virtual(bus) => bus.pop(now),
            Medium::Port(_) => None,
        }
    }

    /// The other end of its port was heard: what our side hears of that.
    pub(crate) fn heard(&mut self, event: BusEvent) -> Heard {
        let BusEvent::Word(word) = event else {
            return Heard {
                event,
                reaches_peer: true,
            };
        };
        if word.source == Source::Master {
            self.polls.iter_mut().for_each(|p| p.hear(word.word));
        }
        let Medium::Port(port) = &mut self.medium else {
            return Heard {
                event,
                reaches_peer: true,
            };
        };
        port.ever_heard = true;
        // A device's frame follows ours; a board's begins with an address, or answers ours.
        let follows = std::mem::take(&mut port.spoke);
        if follows || port.outside == Source::Master && word.word.mode {
            let incoming = self.faults.incoming(port.outside, word.word);
            port.deaf = !incoming.heard;
            port.flip = incoming.flip;
        }
        let mut heard = word;
        if let Some((after, bit)) = port.flip {
            match after {
                0 => {
                    heard.word = payrig_mdb::Word::from_bits(word.word.bits() ^ (1 << (bit % 9)));
                    port.flip = None;
                }
                more => port.flip = Some((more - 1, bit)),
            }
        }
        Heard {
            event: BusEvent::Word(heard),
            reaches_peer: !port.deaf,
        }
    }

    /// Something of ours is on the wire of its port.
    pub(crate) fn sent(&mut self) {
        if let Medium::Port(port) = &mut self.medium {
            port.spoke = true;
        }
    }

    /// For how long the link may hold something up, as it did last.
    pub(crate) fn delay(&self) -> Micros {
        match &self.medium {
            Medium::Port(port) => port.longest_delay(),
            _ => Micros::NEVER,
        }
    }

    /// The link held something up for so long. Its delay now, where that has changed: the longest of
    /// the last few.
    pub(crate) fn delayed(&mut self, by: Micros) -> Option<Micros> {
        let Medium::Port(port) = &mut self.medium else {
            return None;
        };
        let before = port.longest_delay();
        if port.delays.len() == DELAYS {
            port.delays.pop_front();
        }
        port.delays.push_back(by.min(PATIENCE));
        let now = port.longest_delay();
        (now != before).then_some(now)
    }

    /// The tap sees an event, at `now`.
    pub(crate) fn tap(&mut self, now: Micros, event: &BusEvent, entries: &mut Vec<Entry>) {
        if let Medium::Port(_) = self.medium {
            // What belongs to it may come as late.
            let late = now.since(event.end());
            self.analyst.set_patience(late.max(PATIENCE));
        }
        let from = entries.len();
        self.analyst.event_to(event, entries);
        self.name_entries(entries, from);
    }

    /// Nothing happened until `now`.
    pub(crate) fn idle(&mut self, now: Micros, entries: &mut Vec<Entry>) {
        if self.analyst.next_deadline() > now {
            return;
        }
        let from = entries.len();
        self.analyst.idle_to(now, entries);
        self.name_entries(entries, from);
    }

    /// The end of the bench.
    pub(crate) fn finish(&mut self, now: Micros, entries: &mut Vec<Entry>) {
        let from = entries.len();
        entries.extend(self.analyst.finish(now));
        self.name_entries(entries, from);
    }

    fn name_entries(&self, entries: &mut [Entry], from: usize) {
        if let Some(name) = &self.name {
            entries
                .iter_mut()
                .skip(from)
                .for_each(|entry| entry.set_bus(name));
        }
    }
}

/// The side that is not this one.
pub(crate) const fn other_side(side: Source) -> Source {
    match side {
        Source::Master => Source::Peripheral,
        Source::Peripheral => Source::Master,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::{Block, Word};

    /// Whether a device whose POLL has this address byte is set up after these commands.
    fn after(poll: u8, commands: &[&[u8]]) -> bool {
        let mut bus = Bus::on_port(None, Source::Master);
        bus.count_polls("device", poll);
        for (i, command) in commands.iter().enumerate() {
            let block = Block::new(command).unwrap();
            let words: Vec<Word> = block.master_words().collect();
            for (j, word) in words.into_iter().enumerate() {
                let start = Micros::ms(i as u64 * 100 + j as u64 * 2);
                bus.heard(BusEvent::Word(payrig_wire::TimedWord {
                    start,
                    end: start + payrig_wire::WORD_TIME,
                    source: Source::Master,
                    word,
                    uncertainty: Micros::ZERO,
                }));
            }
        }
        bus.all_polled()
    }

    #[test]
    fn a_device_is_set_up_when_it_is_enabled_and_polled() {
        // POLL, the command that accepts nothing, and the one that accepts something.
        let kinds: [(u8, &[u8], &[u8]); 3] = [
            (0x0B, &[0x0C, 0, 0, 0xFF, 0xFF], &[0x0C, 0, 0x0F, 0, 0]),
            (0x33, &[0x34, 0, 0, 0, 0], &[0x34, 0, 0x03, 0, 0]),
            (0x12, &[0x14, 0x00], &[0x14, 0x01]),
        ];
        for (poll, nothing, something) in kinds {
            let poll_only: &[u8] = &[poll];
            let polls = |n: usize| std::iter::repeat_n(poll_only, n);
            let run = |before: &[u8], n: usize, m: usize| {
                let commands: Vec<&[u8]> = polls(n).chain([before]).chain(polls(m)).collect();
                after(poll, &commands)
            };
            assert!(!run(nothing, 20, 20), "{poll:02X}: never enabled");
            assert!(run(nothing, 20, 44), "{poll:02X}: it never will be");
            assert!(!run(something, 20, 0), "{poll:02X}: not polled since");
            assert!(!run(something, 2, 5), "{poll:02X}: too few");
            assert!(run(something, 2, 6), "{poll:02X}");
        }
    }
}
