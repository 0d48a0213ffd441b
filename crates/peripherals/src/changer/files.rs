//! The changer's end of the file transport layer (section 2.6): it gives its manufacturer file
//! (00H) and takes manufacturer specific ones (F0H to FFH).

use super::ChangerConfig;
use payrig_mdb::Address;
use payrig_mdb::ftl::FileId;
use payrig_mdb::ftl::{Message, Outcome, RETRY_NEVER, RETRY_UNSUPPORTED, Transfer};

#[derive(Clone, Debug)]
pub(super) struct Files {
    manufacturer: Vec<u8>,
    transfer: Option<Transfer>,
    /// The transfer receives (and is not a denial).
    receiving: bool,
    received: Option<Vec<u8>>,
}

impl Files {
    pub(super) fn new(config: &ChangerConfig) -> Self {
        let id = config.identification();
        let mut manufacturer = id.maker.to_vec();
        manufacturer.extend(id.model);
        Self {
            manufacturer,
            transfer: None,
            receiving: false,
            received: None,
        }
    }

    pub(super) fn reset(&mut self) {
        self.transfer = None;
        self.receiving = false;
    }

    pub(super) fn received(&self) -> Option<&[u8]> {
        self.received.as_deref()
    }

    /// What has to be said next, to an FTL command or a POLL.
    pub(super) fn next(&self) -> Option<Message> {
        self.transfer.as_ref()?.next()
    }

    /// The VMC said something. Afterwards [`Self::next`] is the answer; ACK when it is `None`.
    pub(super) fn heard(&mut self, message: &Message) {
        if let Message::ReqToRcv { file, .. } | Message::ReqToSend { file, .. } = message {
            self.begin(message, *file);
            return;
        }
        let taken = self.transfer.as_mut().map(|t| t.heard(message));
        match taken {
            Some(Ok(())) => self.store(),
            // Out of place: deny, in answer to a message that says whom to tell.
            _ => {
                if let (Message::OkToSend { .. }, Some(src)) = (message, message.src()) {
                    let as_if_asked = Message::ReqToSend {
                        dest: Address::CHANGER,
                        src,
                        file: FileId::MANUFACTURER,
                        length: 0,
                        control: Default::default(),
                    };
                    self.transfer = Transfer::deny(&as_if_asked, RETRY_NEVER);
                    self.receiving = false;
                }
            }
        }
    }

    fn begin(&mut self, message: &Message, file: FileId) {
        let own = matches!(message, Message::ReqToRcv { .. }) && file == FileId::MANUFACTURER;
        let specific = matches!(message, Message::ReqToSend { .. }) && file.0 >= 0xF0;
        self.receiving = specific;
        self.transfer = if own {
            Transfer::honour(message, &self.manufacturer).ok().flatten()
        } else if specific {
            Transfer::accept(message)
        } else {
            Transfer::deny(message, RETRY_UNSUPPORTED)
        };
    }

    fn store(&mut self) {
        if let Some(transfer) = self.transfer.as_ref().filter(|_| self.receiving)
            && transfer.outcome() == Some(Outcome::Complete)
        {
            self.received = Some(transfer.received().to_vec());
        }
    }

    /// True once, when a file has come whole whose sender wants a reset afterwards (2.6.4, b0).
    pub(super) fn wants_reset(&mut self) -> bool {
        let wants = self.receiving
            && self.transfer.as_ref().is_some_and(|t| {
                t.outcome() == Some(Outcome::Complete) && t.control().reset_after()
            });
        if wants {
            self.reset();
        }
        wants
    }

    pub(super) fn delivered(&mut self) {
        if let Some(transfer) = &mut self.transfer {
            transfer.delivered();
        }
    }

    pub(super) fn refused(&mut self) {
        if let Some(transfer) = &mut self.transfer {
            transfer.refused();
        }
    }
}
