//! One side of a file transfer (MDB/ICP 4.3, sections 2.6.1, 2.6.3 and the diagrams of 2.6.4).
//!
//! The machine knows messages, not wires: the controller's end sends what [`Transfer::next`] says
//! as commands, a peripheral's as responses. Whoever drives it reports what became of it:
//! acknowledged ([`Transfer::delivered`]), refused ([`Transfer::refused`]), or answered
//! ([`Transfer::heard`], which counts as acknowledged).

use super::{ATTEMPTS, Chunk, Control, FileId, MAX_BLOCKS, Message, RETRY_NEVER};
use crate::Address;
use crate::prelude::*;

/// How a transfer ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Every block was sent and acknowledged, or received.
    Complete,
    /// The other side said RETRY/DENY before the first block, with this delay in seconds.
    Denied(u8),
    /// The other side said RETRY/DENY once blocks had passed.
    AbortedByPeer,
    /// This side gave up: five attempts were refused, or the blocks no longer followed each other.
    Aborted,
}

/// A file that does not fit in one session of 256 blocks of 31 bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{bytes} bytes; one session of the file transport layer carries 7936 (section 2.6.3)")]
pub struct TooLong {
    /// Length of the file.
    pub bytes: usize,
}

/// A message that has no place in the transfer at this point; nothing changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0} has no place here")]
pub struct Unexpected(pub Message);

#[derive(Clone, Debug, PartialEq, Eq)]
enum State {
    /// Sender: offers the file. `delivered` once the offer has got through.
    Offering {
        delivered: bool,
    },
    /// Sender: at block number `next` of the file; past its last comes the empty one.
    Sending {
        next: usize,
    },
    /// Receiver: asks for a file. `delivered` once that has got through.
    Asking {
        delivered: bool,
    },
    /// Receiver: says OK TO SEND.
    Accepting,
    /// Receiver: waits for block number `next`.
    Receiving {
        next: usize,
    },
    /// Says RETRY/DENY and is then over.
    Leaving {
        delay: u8,
    },
    Over(Outcome),
}

/// One side of one file transfer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transfer {
    me: Address,
    peer: Address,
    file: FileId,
    control: Control,
    sends: bool,
    /// Sender: the file in chunks. Receiver: not used.
    chunks: Vec<Chunk>,
    /// Receiver: what has arrived.
    received: Vec<u8>,
    /// Receiver: blocks announced or allowed; 0 where that says nothing.
    limit: u8,
    state: State,
    refusals: u8,
}

fn cut(data: &[u8]) -> Result<Vec<Chunk>, TooLong> {
    let chunks: Vec<Chunk> = Chunk::split(data).collect();
    match chunks.len() {
        0..=MAX_BLOCKS => Ok(chunks),
        _ => Err(TooLong { bytes: data.len() }),
    }
}

impl Transfer {
    fn start(me: Address, peer: Address, file: FileId, control: Control, state: State) -> Self {
        Self {
            me,
            peer,
            file,
            control,
            sends: false,
            chunks: Vec::new(),
            received: Vec::new(),
            limit: 0,
            state,
            refusals: 0,
        }
    }

    /// Offers a file to `peer`: REQ TO SEND comes first.
    ///
    /// # Errors
    /// [`TooLong`] for a file of more than 256 blocks.
    pub fn offer(
        me: Address,
        peer: Address,
        file: FileId,
        control: Control,
        data: &[u8],
    ) -> Result<Self, TooLong> {
        let state = State::Offering { delivered: false };
        Ok(Self {
            sends: true,
            chunks: cut(data)?,
            ..Self::start(me, peer, file, control, state)
        })
    }

    /// Asks `peer` for a file of at most `max_length` blocks (0 leaves that open): REQ TO RCV
    /// comes first.
    #[must_use]
    pub fn ask(me: Address, peer: Address, file: FileId, control: Control, max_length: u8) -> Self {
        Self {
            limit: max_length,
            ..Self::start(me, peer, file, control, State::Asking { delivered: false })
        }
    }

    /// Takes up an offer (REQ TO SEND): OK TO SEND comes next. `None` for any other message.
    #[must_use]
    pub fn accept(offer: &Message) -> Option<Self> {
        match *offer {
            Message::ReqToSend {
                dest,
                src,
                file,
                length,
                control,
            } => Some(Self {
                limit: length,
                ..Self::start(dest, src, file, control, State::Accepting)
            }),
            _ => None,
        }
    }

    /// Honours a request (REQ TO RCV) with `data`: the first block comes next. A file with more
    /// blocks than the request allows is denied. `None` for any other message.
    ///
    /// # Errors
    /// [`TooLong`] for a file of more than 256 blocks.
    pub fn honour(request: &Message, data: &[u8]) -> Result<Option<Self>, TooLong> {
        let Message::ReqToRcv {
            dest,
            src,
            file,
            max_length,
            control,
        } = *request
        else {
            return Ok(None);
        };
        let chunks = cut(data)?;
        let state = match max_length != 0 && chunks.len() > usize::from(max_length) {
            true => State::Leaving { delay: RETRY_NEVER },
            false => State::Sending { next: 0 },
        };
        Ok(Some(Self {
            sends: true,
            chunks,
            ..Self::start(dest, src, file, control, state)
        }))
    }

    /// Denies an offer or a request: RETRY/DENY with `delay` comes next. `None` for a message that
    /// asks for nothing.
    #[must_use]
    pub fn deny(message: &Message, delay: u8) -> Option<Self> {
        match *message {
            Message::ReqToSend {
                dest,
                src,
                file,
                control,
                ..
            }
            | Message::ReqToRcv {
                dest,
                src,
                file,
                control,
                ..
            } => Some(Self::start(
                dest,
                src,
                file,
                control,
                State::Leaving { delay },
            )),
            _ => None,
        }
    }

    /// What this side has to say now; `None` while it waits, and when it is over.
    #[must_use]
    pub fn next(&self) -> Option<Message> {
        let (dest, src, file, control) = (self.peer, self.me, self.file, self.control);
        match self.state {
            State::Offering { delivered: false } => Some(Message::ReqToSend {
                dest,
                src,
                file,
                // 256 blocks do not fit the byte; it then counts round to 0. The standard does
                // not say; the last block marks the end (2.6.3).
                length: self.chunks.len() as u8,
                control,
            }),
            State::Asking { delivered: false } => Some(Message::ReqToRcv {
                dest,
                src,
                file,
                max_length: self.limit,
                control,
            }),
            State::Accepting => Some(Message::OkToSend { dest, src }),
            State::Sending { next } => Some(Message::SendBlock {
                dest,
                block: next as u8,
                data: self.chunks.get(next).copied().unwrap_or_default(),
            }),
            State::Leaving { delay } => Some(Message::RetryDeny { dest, src, delay }),
            _ => None,
        }
    }

    /// What [`Self::next`] said was acknowledged.
    pub fn delivered(&mut self) {
        self.refusals = 0;
        self.state = match self.state {
            State::Offering { .. } => State::Offering { delivered: true },
            State::Asking { .. } => State::Asking { delivered: true },
            State::Accepting => State::Receiving { next: 0 },
            State::Sending { next } if next >= self.chunks.len() || next + 1 == MAX_BLOCKS => {
                State::Over(Outcome::Complete)
            }
            State::Sending { next } => State::Sending { next: next + 1 },
            State::Leaving { .. } => State::Over(Outcome::Aborted),
            State::Receiving { .. } | State::Over(_) => return,
        };
    }

    /// What [`Self::next`] said met a NAK or no answer. After five times this side aborts with
    /// RETRY/DENY, and when that is refused as often, it is over.
    pub fn refused(&mut self) {
        if self.next().is_none() {
            return;
        }
        self.refusals += 1;
        if self.refusals >= ATTEMPTS {
            match self.state {
                State::Leaving { .. } => self.state = State::Over(Outcome::Aborted),
                _ => self.abort(),
            }
        }
    }

    /// Gives up: RETRY/DENY "never" comes next, unless it is over already.
    pub fn abort(&mut self) {
        if self.outcome().is_none() {
            self.state = State::Leaving { delay: RETRY_NEVER };
            self.refusals = 0;
        }
    }

    /// The other side said something. A block that was already received (its ACK was lost) is
    /// taken without effect; one out of order makes this side abort.
    ///
    /// # Errors
    /// [`Unexpected`] for a message that has no place at this point.
    pub fn heard(&mut self, message: &Message) -> Result<(), Unexpected> {
        let unexpected = Err(Unexpected(*message));
        if message.dest() != self.me || message.src().is_some_and(|src| src != self.peer) {
            return unexpected;
        }
        match (message, &self.state) {
            (Message::RetryDeny { delay, .. }, state) => {
                self.state = State::Over(match state {
                    // The controller took the last block and could not pass it on.
                    State::Over(Outcome::Complete) if self.sends => Outcome::AbortedByPeer,
                    // Both gave up at the same time.
                    State::Over(outcome) => *outcome,
                    State::Offering { .. } | State::Asking { .. } | State::Accepting => {
                        Outcome::Denied(*delay)
                    }
                    State::Sending { .. } | State::Receiving { .. } => Outcome::AbortedByPeer,
                    State::Leaving { .. } => Outcome::Aborted,
                });
            }
            (Message::OkToSend { .. }, State::Offering { .. }) => {
                self.state = State::Sending { next: 0 };
            }
            // The controller asks for each next block in this way (2.6.4, last diagram).
            (Message::OkToSend { .. }, State::Sending { .. }) => {}
            (Message::SendBlock { block, data, .. }, State::Asking { .. } | State::Accepting) => {
                self.take(0, *block, *data);
            }
            (Message::SendBlock { block, data, .. }, State::Receiving { next }) => {
                self.take(*next, *block, *data);
            }
            // Asked once more, when the last block has gone out at a POLL already.
            (Message::OkToSend { .. }, State::Over(Outcome::Complete)) if self.sends => {}
            // The last block again, because its ACK was lost.
            (Message::SendBlock { .. }, State::Over(Outcome::Complete)) => {}
            _ => return unexpected,
        }
        self.refusals = 0;
        Ok(())
    }

    fn take(&mut self, next: usize, block: u8, data: Chunk) {
        let number = usize::from(block);
        if next > 0 && number + 1 == next {
            return;
        }
        let past_limit = !data.is_empty() && self.limit != 0 && number >= usize::from(self.limit);
        if number != next || past_limit {
            return self.abort();
        }
        self.received.extend(data.bytes());
        self.state = match data.is_empty() || next + 1 == MAX_BLOCKS {
            true => State::Over(Outcome::Complete),
            false => State::Receiving { next: next + 1 },
        };
    }

    /// How it ended; `None` while it goes on.
    #[must_use]
    pub const fn outcome(&self) -> Option<Outcome> {
        match self.state {
            State::Over(outcome) => Some(outcome),
            _ => None,
        }
    }

    /// What has been received so far, in order.
    #[must_use]
    pub fn received(&self) -> &[u8] {
        &self.received
    }

    /// The control byte: whether to reset afterwards, whether the file ends here.
    #[must_use]
    pub const fn control(&self) -> Control {
        self.control
    }
}
