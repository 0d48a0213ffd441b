//! The controller's mailbox for transfers between peripherals (MDB/ICP 4.3, section 2.6.2).
//!
//! The router forwards by the addresses in the messages and understands no file. Per address, one
//! message at a time is under way; one that was refused five times ends its transfer with
//! RETRY/DENY to both sides.

use super::{ATTEMPTS, Message, RETRY_NEVER};
use crate::Address;
use alloc::collections::{BTreeMap, BTreeSet, VecDeque};

/// What became of a message that a peripheral sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Routed {
    /// It waits for its destination.
    Forwarded(Address),
    /// It is for the controller itself.
    ForController,
    /// Its destination does not take part: the sender is sent RETRY/DENY.
    Denied,
}

#[derive(Clone, Copy, Debug)]
struct Mail {
    from: Address,
    message: Message,
}

/// Mail between peripherals.
#[derive(Clone, Debug, Default)]
pub struct Router {
    members: BTreeSet<Address>,
    boxes: BTreeMap<Address, VecDeque<Mail>>,
    refusals: BTreeMap<Address, u8>,
    /// Sender and receiver of transfers under way.
    sessions: BTreeSet<(Address, Address)>,
    /// Those of them that began with REQ TO SEND: their blocks are asked for one by one.
    pulled: BTreeSet<(Address, Address)>,
}

impl Router {
    /// Nobody takes part yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The device at `address` is active and supports the file transport layer.
    pub fn join(&mut self, address: Address) {
        self.members.insert(address);
    }

    /// The device is gone: its mail is dropped, and the other side of its transfers is sent
    /// RETRY/DENY.
    pub fn leave(&mut self, address: Address) {
        self.members.remove(&address);
        self.refusals.remove(&address);
        let mut peers: BTreeSet<Address> = self
            .boxes
            .remove(&address)
            .into_iter()
            .flatten()
            .map(|mail| mail.from)
            .collect();
        for (sender, receiver) in &self.sessions {
            if *sender == address {
                peers.insert(*receiver);
            } else if *receiver == address {
                peers.insert(*sender);
            }
        }
        for peer in peers {
            self.end(address, peer);
            self.send_never(peer, address);
        }
    }

    /// The device at `from` sent `message` (as a response).
    pub fn receive(&mut self, from: Address, message: &Message) -> Routed {
        let to = message.dest();
        if to == Address::VMC {
            return Routed::ForController;
        }
        if !self.members.contains(&to) {
            self.send_never(from, to);
            return Routed::Denied;
        }
        match message {
            Message::ReqToSend { .. } => {
                self.sessions.insert((from, to));
                self.pulled.insert((from, to));
            }
            Message::ReqToRcv { .. } => {
                self.sessions.insert((to, from));
            }
            // The other side has given up, or never began.
            Message::SendBlock { .. } if !self.sessions.contains(&(from, to)) => {
                let told = self.boxes.get(&from).into_iter().flatten();
                let mut told = told.filter(|mail| mail.from == to);
                if !told.any(|mail| matches!(mail.message, Message::RetryDeny { .. })) {
                    self.send_never(from, to);
                }
                return Routed::Denied;
            }
            Message::RetryDeny { .. } => self.end(from, to),
            _ => {}
        }
        self.put(to, from, *message);
        Routed::Forwarded(to)
    }

    /// The controller's own mail to a peripheral.
    pub fn post(&mut self, to: Address, message: Message) {
        self.put(to, Address::VMC, message);
    }

    /// What to send to `address` next, as a command; the same until it is [`Self::delivered`] or
    /// given up.
    #[must_use]
    pub fn next(&self, address: Address) -> Option<Message> {
        Some(self.boxes.get(&address)?.front()?.message)
    }

    /// The device at `address` acknowledged or answered what [`Self::next`] said.
    pub fn delivered(&mut self, address: Address) {
        self.refusals.remove(&address);
        let Some(mail) = self.boxes.get_mut(&address).and_then(VecDeque::pop_front) else {
            return;
        };
        if let Message::SendBlock { block, data, .. } = mail.message {
            let session = (mail.from, address);
            if data.is_empty() || block == u8::MAX {
                self.sessions.remove(&session);
                self.pulled.remove(&session);
            } else if self.pulled.contains(&session) {
                let again = Message::OkToSend {
                    dest: mail.from,
                    src: address,
                };
                self.put(mail.from, address, again);
            }
        }
    }

    /// The device at `address` answered what [`Self::next`] said with a NAK, or not at all. The
    /// fifth time ends the transfer.
    pub fn refused(&mut self, address: Address) {
        let Some(mail) = self.boxes.get(&address).and_then(|b| b.front()).copied() else {
            return;
        };
        let count = self.refusals.entry(address).or_default();
        *count += 1;
        if *count < ATTEMPTS {
            return;
        }
        self.refusals.remove(&address);
        if let Some(waiting) = self.boxes.get_mut(&address) {
            waiting.pop_front();
        }
        if matches!(mail.message, Message::RetryDeny { .. }) {
            return;
        }
        self.end(mail.from, address);
        self.send_never(address, mail.from);
        self.send_never(mail.from, address);
    }

    /// Drops what is left of the transfer between two devices.
    fn end(&mut self, a: Address, b: Address) {
        for session in [(a, b), (b, a)] {
            self.sessions.remove(&session);
            self.pulled.remove(&session);
        }
        for (to, from) in [(a, b), (b, a)] {
            if let Some(waiting) = self.boxes.get_mut(&to) {
                waiting.retain(|mail| mail.from != from);
            }
        }
    }

    fn send_never(&mut self, to: Address, about: Address) {
        let never = Message::RetryDeny {
            dest: to,
            src: about,
            delay: RETRY_NEVER,
        };
        self.put(to, about, never);
    }

    fn put(&mut self, to: Address, from: Address, message: Message) {
        if to != Address::VMC {
            let mail = Mail { from, message };
            self.boxes.entry(to).or_default().push_back(mail);
        }
    }
}
