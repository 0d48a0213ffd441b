//! Faults put on the wire on purpose: a frame lost, a bit flipped, an answer late.

use payrig_mdb::{ACK, Address, NAK, RET, Word};
use payrig_units::Micros;
use payrig_wire::{Source, Transmission};
use serde::{Deserialize, Serialize};

/// Which frames a fault is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrameKind {
    /// Every frame.
    #[default]
    Any,
    /// ACK.
    Ack,
    /// NAK or RET.
    Refusal,
    /// A command or a data block.
    Block,
}

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// The frame never reaches the wire.
    Lose,
    /// The frame is on the wire, but the other side does not hear it.
    Deaf,
    /// One bit of one word is turned over: word index (the last word when there are fewer) and bit
    /// (0-7 data, 8 mode bit).
    Flip {
        /// Word, from 0.
        word: u8,
        /// Bit, 0 to 8.
        bit: u8,
    },
    /// The frame starts later by this.
    Late {
        /// Microseconds.
        by: Micros,
    },
    /// The pauses between its words are this long.
    Slow {
        /// Microseconds.
        gap: Micros,
    },
}

/// A fault and when it strikes.
///
/// ```
/// use payrig_bench::{Fault, FaultInjector, FaultKind, FrameKind};
/// use payrig_mdb::{Address, changer};
/// use payrig_units::Micros;
/// use payrig_wire::{Source, Transmission};
///
/// // The second command to the changer is lost.
/// let mut faults = FaultInjector::default();
/// faults.add(Fault {
///     kind: FaultKind::Lose,
///     from: Source::Master,
///     frame: FrameKind::Block,
///     address: Some(Address::CHANGER),
///     skip: 1,
///     count: 1,
/// });
/// let words: Vec<_> = changer::Command::Poll.emit().master_words().collect();
/// let poll = Transmission::Words { at: Micros::ZERO, words, gap: Micros::ZERO };
/// let on_the_wire = [(); 3].map(|()| faults.pass(Source::Master, poll.clone()).sent.is_some());
/// assert_eq!(on_the_wire, [true, false, true]);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fault {
    /// What goes wrong.
    pub kind: FaultKind,
    /// Whose frames.
    pub from: Source,
    /// Which frames.
    pub frame: FrameKind,
    /// Only in exchanges with this address; any when `None`.
    pub address: Option<Address>,
    /// How many matching frames pass unharmed first.
    pub skip: u32,
    /// How many frames are then hit.
    pub count: u32,
}

/// Holds the faults still to strike, and applies them to what is sent.
#[derive(Clone, Debug, Default)]
pub struct FaultInjector {
    faults: Vec<Fault>,
    speaking_to: Option<Address>,
}

/// What the injector makes of a transmission.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Injected {
    /// What goes on the wire; `None` when nothing does.
    pub sent: Option<Transmission>,
    /// False when the other side does not hear it.
    pub heard: bool,
}

/// What our side hears of a frame that the other end of a port sends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Incoming {
    /// False when our side hears nothing of it.
    pub heard: bool,
    /// A bit is turned in the word that so many words of the frame come before.
    pub flip: Option<(u8, u8)>,
}

impl Fault {
    /// Why a port cannot do this to what this side at its other end sends; `None` when it can.
    #[must_use]
    pub fn impossible_over_a_port(&self, outside: Source) -> Option<&'static str> {
        match self.kind {
            FaultKind::Late { .. } if self.from == outside => Some(
                "what the other end of a link sends cannot be made late: it is on the wire already",
            ),
            FaultKind::Slow { .. } if self.from == outside => Some(
                "the pauses in what the other end of a link sends cannot be made longer: it is on the wire already",
            ),
            _ => None,
        }
    }
}

impl FaultInjector {
    /// What our side hears of a frame from the other end of a port that begins with this word. How
    /// long the frame will be is not known yet: a lone word without mode bit of the master, or with it
    /// of a peripheral, is taken for ACK, NAK or RET where it is one.
    pub fn incoming(&mut self, from: Source, first: Word) -> Incoming {
        let mut incoming = Incoming {
            heard: true,
            flip: None,
        };
        let closes = first.mode == (from == Source::Peripheral);
        let kind = match closes {
            true => frame_kind(&[first]),
            false => FrameKind::Block,
        };
        self.strike_all(from, kind, first, |fault| match fault {
            FaultKind::Lose | FaultKind::Deaf => incoming.heard = false,
            FaultKind::Flip { word, bit } => incoming.flip = Some((word, bit)),
            FaultKind::Late { .. } | FaultKind::Slow { .. } => {}
        });
        incoming
    }

    /// Finds the faults that are meant for a frame, counts them down, and hands each to `strike`.
    fn strike_all(
        &mut self,
        from: Source,
        kind: FrameKind,
        first: Word,
        mut strike: impl FnMut(FaultKind),
    ) {
        if from == Source::Master && first.mode {
            self.speaking_to = Some(Address::of(first.byte));
        }
        if self.faults.is_empty() {
            return;
        }
        for fault in &mut self.faults {
            let meant = fault.from == from
                && (fault.frame == FrameKind::Any || fault.frame == kind)
                && (fault.address.is_none() || fault.address == self.speaking_to);
            if !meant || fault.count == 0 {
                continue;
            }
            if fault.skip > 0 {
                fault.skip -= 1;
                continue;
            }
            fault.count -= 1;
            strike(fault.kind);
        }
        self.faults.retain(|f| f.count > 0);
    }

    /// Adds a fault.
    pub fn add(&mut self, fault: Fault) {
        self.faults.push(fault);
    }

    /// Takes faults away: those in exchanges with this address only, all of them for none.
    pub fn end(&mut self, address: Option<Address>) {
        match address {
            Some(address) => self.faults.retain(|f| f.address != Some(address)),
            None => self.faults.clear(),
        }
    }

    /// Passes a transmission through the faults.
    pub fn pass(&mut self, from: Source, mut sent: Transmission) -> Injected {
        let Transmission::Words { words, .. } = &sent else {
            return Injected {
                sent: Some(sent),
                heard: true,
            };
        };
        let Some(first) = words.first().copied() else {
            return Injected {
                sent: None,
                heard: true,
            };
        };
        let kind = frame_kind(words);
        let mut heard = true;
        let mut lost = false;
        let mut strikes = Vec::new();
        self.strike_all(from, kind, first, |fault| match fault {
            FaultKind::Lose => lost = true,
            FaultKind::Deaf => heard = false,
            other => strikes.push(other),
        });
        for fault in strikes {
            strike(&mut sent, fault);
        }
        Injected {
            sent: (!lost).then_some(sent),
            heard,
        }
    }
}

fn frame_kind(words: &[Word]) -> FrameKind {
    match words {
        [only] if only.byte == ACK => FrameKind::Ack,
        [only] if only.byte == NAK || only.byte == RET => FrameKind::Refusal,
        _ => FrameKind::Block,
    }
}

fn strike(sent: &mut Transmission, kind: FaultKind) {
    let Transmission::Words { at, words, gap } = sent else {
        return;
    };
    match kind {
        FaultKind::Flip { word, bit } => {
            let index = usize::from(word).min(words.len().saturating_sub(1));
            if let Some(hit) = words.get_mut(index) {
                *hit = Word::from_bits(hit.bits() ^ (1 << (bit % 9)));
            }
        }
        FaultKind::Late { by } => *at += by,
        FaultKind::Slow { gap: slow } => *gap = slow,
        FaultKind::Lose | FaultKind::Deaf => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::Block;

    fn command(byte: u8) -> Transmission {
        let words = Block::new(&[byte]).unwrap().master_words().collect();
        Transmission::Words {
            at: Micros(10),
            words,
            gap: Micros(100),
        }
    }

    fn fault(kind: FaultKind) -> Fault {
        Fault {
            kind,
            from: Source::Master,
            frame: FrameKind::Block,
            address: Some(Address::CHANGER),
            skip: 1,
            count: 1,
        }
    }

    #[test]
    fn strikes_the_frame_it_names_and_no_other() {
        let mut injector = FaultInjector::default();
        injector.add(fault(FaultKind::Flip { word: 0, bit: 8 }));
        let clean = |t: Transmission| Injected {
            sent: Some(t),
            heard: true,
        };
        assert_eq!(
            injector.pass(Source::Master, command(0x33)),
            clean(command(0x33))
        );
        assert_eq!(
            injector.pass(Source::Master, command(0x0B)),
            clean(command(0x0B)),
            "skipped"
        );
        let Injected {
            sent: Some(Transmission::Words { words, .. }),
            ..
        } = injector.pass(Source::Master, command(0x0B))
        else {
            panic!("words")
        };
        assert_eq!(words[0], Word::plain(0x0B));
        assert_eq!(
            injector.pass(Source::Master, command(0x0B)),
            clean(command(0x0B)),
            "spent"
        );
    }

    #[test]
    fn a_lost_frame_is_not_sent_and_a_deaf_one_not_heard() {
        let mut injector = FaultInjector::default();
        injector.add(Fault {
            skip: 0,
            ..fault(FaultKind::Lose)
        });
        assert_eq!(injector.pass(Source::Master, command(0x0B)).sent, None);
        injector.add(Fault {
            skip: 0,
            ..fault(FaultKind::Deaf)
        });
        let deaf = injector.pass(Source::Master, command(0x0B));
        assert!(deaf.sent.is_some() && !deaf.heard);
    }

    #[test]
    fn faults_that_are_ended_strike_no_more() {
        let poll_of = |address| Fault {
            address,
            skip: 0,
            count: 9,
            ..fault(FaultKind::Lose)
        };
        let mut injector = FaultInjector::default();
        let lost = |injector: &mut FaultInjector, byte| {
            injector.pass(Source::Master, command(byte)).sent.is_none()
        };
        injector.add(poll_of(Some(Address::CHANGER)));
        injector.add(poll_of(Some(Address::CASHLESS_1)));
        assert!(lost(&mut injector, 0x0B) && lost(&mut injector, 0x12));
        injector.end(Some(Address::CHANGER));
        assert!(!lost(&mut injector, 0x0B) && lost(&mut injector, 0x12));
        injector.add(poll_of(None));
        injector.end(Some(Address::CHANGER));
        assert!(
            lost(&mut injector, 0x0B),
            "one for every address is not the changer's alone"
        );
        injector.end(None);
        assert!(!lost(&mut injector, 0x0B) && !lost(&mut injector, 0x12));
    }
}
