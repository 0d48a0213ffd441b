//! The board as network manager of the file transport layer (MDB/ICP 4.3, section 2.6.2): it
//! forwards files between peripherals by the addresses in the messages, and is one end of
//! transfers of its own.
//!
//! A message goes out as a command between POLLs and keeps nobody else from being polled. One that
//! meets a NAK, or no answer, is tried five times in all; then the transfer is aborted on both
//! sides.

use crate::drivers::master::Outcome;
use payrig_mdb::ftl::{
    ATTEMPTS, Control, FileError, FileId, Message, Outcome as FileOutcome, ReceivedFile, Routed,
    Router, Station, TooLong,
};
use payrig_mdb::{Address, Block, bill, cashless, changer};
use payrig_units::Micros;
use std::collections::{BTreeMap, BTreeSet};

/// From the end of one file message to the next.
const PACE: Micros = Micros::ms(5);

/// From a refused file message to its repetition.
const AFTER_NAK: Micros = Micros::ms(25);

/// How long the other side of a transfer of the board's own may do nothing: 30 s is the general
/// wait for data (Appendix 3, section 2); a time-out is recommended in 2.6.3.
const PATIENCE: Micros = Micros::secs(30);

/// Why the board cannot begin a transfer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoTransfer {
    /// Not set up, or without the option.
    #[error(
        "{0} has not enabled the file transport layer; wait until it is set up, and see that it offers the option"
    )]
    NotAMember(Address),
    /// See there.
    #[error(transparent)]
    File(#[from] FileError),
}

impl From<TooLong> for NoTransfer {
    fn from(error: TooLong) -> Self {
        Self::File(error.into())
    }
}

/// Whose message is on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sender {
    Board,
    Peripheral,
}

#[derive(Clone, Debug)]
struct Offer {
    file: FileId,
    control: Control,
    data: Vec<u8>,
    tries: u8,
    again: Option<Micros>,
}

/// The board's own dealings with one peripheral.
#[derive(Clone, Debug)]
struct Peer {
    station: Station,
    offer: Option<Offer>,
    progress: Micros,
    /// When its next message may go out; [`Micros::NEVER`] until it has answered something else.
    due: Micros,
}

/// Files between the board and its peripherals, and between peripherals.
#[derive(Clone, Debug)]
pub struct Mailbox {
    router: Router,
    /// Those in whose set-up the option was enabled.
    enabled: BTreeSet<Address>,
    /// Those that take part: enabled, and polled.
    members: BTreeMap<Address, Peer>,
    in_flight: Option<(Address, Sender)>,
    manufacturer: Vec<u8>,
    deny_with: Option<u8>,
    received: Vec<ReceivedFile>,
    notices: Vec<String>,
}

impl Mailbox {
    /// The mailbox of a board whose manufacturer file (00H) holds this: the maker's three letters
    /// first.
    pub(crate) fn new(manufacturer: Vec<u8>) -> Self {
        Self {
            router: Router::new(),
            enabled: BTreeSet::new(),
            members: BTreeMap::new(),
            in_flight: None,
            manufacturer,
            deny_with: None,
            received: Vec::new(),
            notices: Vec::new(),
        }
    }

    fn peer(&mut self, address: Address) -> Result<&mut Peer, NoTransfer> {
        let missing = NoTransfer::NotAMember(address);
        self.members.get_mut(&address).ok_or(missing)
    }

    /// True when the peripheral is set up and the file transport layer is enabled in it.
    #[must_use]
    pub fn takes_part(&self, address: Address) -> bool {
        self.members.contains_key(&address)
    }

    /// Offers a file to a peripheral. When it says "later", the file is offered again then, five
    /// times in all.
    ///
    /// # Errors
    /// When the peripheral does not take part, a transfer with it goes on, or the file has more
    /// than 256 blocks of 31 bytes.
    pub fn offer(
        &mut self,
        now: Micros,
        to: Address,
        file: FileId,
        control: Control,
        data: &[u8],
    ) -> Result<(), NoTransfer> {
        let peer = self.peer(to)?;
        peer.station.offer(to, file, control, data)?;
        peer.progress = now;
        peer.offer = Some(Offer {
            file,
            control,
            data: data.to_vec(),
            tries: 1,
            again: None,
        });
        Ok(())
    }

    /// Asks a peripheral for a file of at most `max_length` blocks (0 leaves that open).
    ///
    /// # Errors
    /// As for [`offer`](Self::offer).
    pub fn ask(
        &mut self,
        now: Micros,
        from: Address,
        file: FileId,
        max_length: u8,
    ) -> Result<(), NoTransfer> {
        let peer = self.peer(from)?;
        peer.station.ask(from, file, max_length)?;
        peer.progress = now;
        Ok(())
    }

    /// Gives up the board's own transfer with a peripheral.
    pub fn abort(&mut self, with: Address) {
        if let Some(peer) = self.members.get_mut(&with) {
            peer.offer = None;
            peer.station.abort();
        }
    }

    /// Denies whatever is offered to the board or asked of it with this retry delay from now on;
    /// `None` ends that. Transfers between peripherals are none of its business.
    pub fn deny_with(&mut self, delay: Option<u8>) {
        self.deny_with = delay;
        for peer in self.members.values_mut() {
            peer.station.deny_with(delay);
        }
    }

    /// How the board's last transfer with a peripheral ended.
    #[must_use]
    pub fn outcome(&self, with: Address) -> Option<FileOutcome> {
        self.members.get(&with)?.station.outcome()
    }

    /// Files that came for the board since the last call.
    pub fn take_received(&mut self) -> Vec<ReceivedFile> {
        std::mem::take(&mut self.received)
    }

    /// True when nothing waits to be sent and no transfer of the board's own goes on.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.in_flight.is_none()
            && self
                .members
                .iter()
                .all(|(a, p)| !p.station.is_busy() && self.router.next(*a).is_none())
    }

    pub(crate) fn take_notices(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notices)
    }

    /// Bus reset or power: nobody takes part any more.
    pub(crate) fn reset(&mut self) {
        let (manufacturer, deny_with) = (std::mem::take(&mut self.manufacturer), self.deny_with);
        let received = std::mem::take(&mut self.received);
        *self = Self {
            deny_with,
            received,
            ..Self::new(manufacturer)
        };
    }

    fn next(&self, address: Address) -> Option<(Message, Sender)> {
        let own = || Some((self.members.get(&address)?.station.next()?, Sender::Board));
        match self.router.next(address) {
            Some(message) => Some((message, Sender::Peripheral)),
            None => own(),
        }
    }

    /// When a message for this peripheral is to go out; [`Micros::NEVER`] when there is none.
    pub(crate) fn due(&self, address: Address) -> Micros {
        match self.members.get(&address) {
            Some(peer) if self.in_flight.is_none() && self.next(address).is_some() => peer.due,
            _ => Micros::NEVER,
        }
    }

    /// The message as a command. It counts as sent.
    pub(crate) fn command(&mut self, address: Address) -> Option<Block> {
        let (message, sender) = self.next(address)?;
        if sender == Sender::Board {
            self.members.get_mut(&address)?.station.say();
        }
        self.in_flight = Some((address, sender));
        Some(message.emit_command(address))
    }

    /// An exchange with a peripheral is over. What is none of the mailbox's business is given
    /// back; a file message in the answer to a POLL is taken out of it and leaves an ACK.
    /// `asked` is the command where it was not the mailbox's own, and no POLL.
    pub(crate) fn sort(
        &mut self,
        now: Micros,
        address: Address,
        asked: Option<&Block>,
        outcome: Outcome,
    ) -> Option<Outcome> {
        if let Some((to, sender)) = self.in_flight.take() {
            if to == address {
                self.sent(now, address, sender, &outcome);
            }
            return None;
        }
        let answered = matches!(outcome, Outcome::Ack | Outcome::Data(_));
        if let Some(peer) = self.members.get_mut(&address).filter(|_| answered) {
            peer.due = peer.due.min(now + PACE);
        }
        if let Some(block) = asked {
            self.watch(address, block, outcome == Outcome::Ack);
        }
        match &outcome {
            Outcome::Data(data) if self.takes_part(address) => {
                match Message::parse_response(data.bytes()) {
                    Ok(message) => {
                        self.heard(now, address, &message);
                        Some(Outcome::Ack)
                    }
                    Err(_) => Some(outcome),
                }
            }
            _ => Some(outcome),
        }
    }

    /// Learns from the set-up sequence who has the option enabled (sections 5.3, 6.3, 7.4.24).
    fn watch(&mut self, address: Address, block: &Block, acknowledged: bool) {
        let bytes = block.bytes();
        let enables = match address {
            Address::CHANGER => match changer::Command::parse(bytes) {
                Ok(changer::Command::FeatureEnable(features)) => {
                    Some(features.contains(changer::Features::FTL))
                }
                Ok(changer::Command::Setup | changer::Command::Reset) => Some(false),
                _ => None,
            },
            Address::BILL_VALIDATOR => match bill::Command::parse(bytes) {
                Ok(bill::Command::FeatureEnable(options)) => {
                    Some(options.contains(bill::Options::FTL))
                }
                Ok(bill::Command::Setup | bill::Command::Reset) => Some(false),
                _ => None,
            },
            _ => match cashless::Command::parse(bytes, &cashless::Mode::default()) {
                Ok(command) => match command.kind {
                    cashless::Kind::EnableOptions(options) => {
                        Some(options.contains(cashless::Options::FTL))
                    }
                    cashless::Kind::SetupConfig(_) | cashless::Kind::Reset => Some(false),
                    _ => None,
                },
                Err(_) => None,
            },
        };
        match enables {
            Some(true) if acknowledged => {
                self.enabled.insert(address);
            }
            Some(false) => {
                self.enabled.remove(&address);
            }
            _ => {}
        }
    }
}

/// Transfers as they go on: who takes part, what became of each message, and what is given up.
impl Mailbox {
    /// Where a peripheral is in its life: only one that is set up and polled takes part (2.6.2).
    pub(crate) fn sync(&mut self, now: Micros, address: Address, polled: bool) {
        let takes_part = polled && self.enabled.contains(&address);
        if takes_part && !self.takes_part(address) {
            self.router.join(address);
            let mut station =
                Station::new(Address::VMC, self.manufacturer.clone()).taking_everything();
            station.deny_with(self.deny_with);
            let peer = Peer {
                station,
                offer: None,
                progress: now,
                due: now,
            };
            self.members.insert(address, peer);
        } else if !takes_part && let Some(peer) = self.members.remove(&address) {
            self.router.leave(address);
            if peer.station.is_busy() {
                let text = format!("file transfer with {address} broken off: it was reset");
                self.notices.push(text);
            }
        }
        self.tend(now, address);
    }

    /// A message of the mailbox met this.
    fn sent(&mut self, now: Micros, address: Address, sender: Sender, outcome: &Outcome) {
        let Some(peer) = self.members.get_mut(&address) else {
            return;
        };
        let got_through = matches!(outcome, Outcome::Ack | Outcome::Data(_));
        peer.due = now
            + match outcome {
                Outcome::Ack | Outcome::Data(_) => PACE,
                Outcome::Nak | Outcome::Garbage => AFTER_NAK,
                // It may be busy: it has to answer a POLL first (section 2.6.3, last point).
                Outcome::Silence => Micros::NEVER,
            };
        match (sender, got_through) {
            (Sender::Board, true) => {
                peer.progress = now;
                peer.station.delivered();
            }
            (Sender::Board, false) => peer.station.refused(),
            (Sender::Peripheral, true) => self.router.delivered(address),
            (Sender::Peripheral, false) => self.router.refused(address),
        }
        if let Outcome::Data(data) = outcome {
            match Message::parse_response(data.bytes()) {
                Ok(message) => self.heard(now, address, &message),
                Err(error) => self.notices.push(format!(
                    "{address}: answer to a file message not understood: {error}"
                )),
            }
        }
        self.tend(now, address);
    }

    fn heard(&mut self, now: Micros, from: Address, message: &Message) {
        if message.src().is_some_and(|src| src != from) {
            let text = format!("{from} speaks for another: {message}: ignored");
            self.notices.push(text);
            return;
        }
        match self.router.receive(from, message) {
            Routed::ForController => {
                if let Some(peer) = self.members.get_mut(&from) {
                    peer.progress = now;
                    peer.station.heard(message);
                }
            }
            Routed::Forwarded(_) => {}
            Routed::Denied => {
                let text = format!("{from}: {message}: denied, the other side takes no part in it");
                self.notices.push(text);
            }
        }
        self.tend(now, from);
    }

    /// Takes what came, offers again what was put off, gives up what does not go on.
    fn tend(&mut self, now: Micros, address: Address) {
        let Some(peer) = self.members.get_mut(&address) else {
            return;
        };
        self.received.extend(peer.station.take_received());
        if peer.station.is_busy() && now.since(peer.progress) > PATIENCE {
            self.notices
                .push(format!("file transfer with {address} does not go on"));
            peer.offer = None;
            peer.station.abort();
            peer.progress = now;
        }
        if !peer.station.is_busy()
            && let Some(offer) = &mut peer.offer
        {
            match (offer.again, peer.station.outcome()) {
                (Some(at), _) if now >= at => {
                    offer.again = None;
                    offer.tries += 1;
                    peer.progress = now;
                    let again = peer
                        .station
                        .offer(address, offer.file, offer.control, &offer.data);
                    if again.is_err() {
                        peer.offer = None;
                    }
                }
                (Some(_), _) => {}
                // Seconds to wait; 00H and FFH are final (2.6.4, Retry Delay, File ID).
                (None, Some(FileOutcome::Denied(delay @ 1..=254))) if offer.tries < ATTEMPTS => {
                    offer.again = Some(now + Micros::secs(u64::from(delay)));
                }
                (None, _) => peer.offer = None,
            }
        }
        self.notices.extend(peer.station.take_notes());
    }
}

#[cfg(test)]
mod tests;
