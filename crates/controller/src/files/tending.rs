//! Transfers as they go on: who takes part, what became of each message, and what is given up.

use super::{AFTER_NAK, Mailbox, PACE, PATIENCE, Peer, Sender};
use crate::Outcome;
use payrig_mdb::Address;
use payrig_mdb::ftl::{ATTEMPTS, Message, Outcome as FileOutcome, Routed, Station};
use payrig_units::Micros;

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
    pub(super) fn sent(
        &mut self,
        now: Micros,
        address: Address,
        sender: Sender,
        outcome: &Outcome,
    ) {
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

    pub(super) fn heard(&mut self, now: Micros, from: Address, message: &Message) {
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
    pub(super) fn tend(&mut self, now: Micros, address: Address) {
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
