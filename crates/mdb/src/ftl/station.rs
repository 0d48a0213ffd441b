//! One end of file transfers, one after the other (MDB/ICP 4.3, section 2.6): what is given, what
//! is taken, what came. Every peripheral is one; the controller is one towards each peripheral.

use super::{Control, FileId, Message, Outcome, RETRY_NEVER, RETRY_UNSUPPORTED, TooLong, Transfer};
use crate::Address;
use crate::prelude::*;

/// A file that came whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReceivedFile {
    /// Who sent it; [`Address::VMC`] for the controller.
    pub from: Address,
    /// Which file.
    pub file: FileId,
    /// Its bytes: those of all sessions up to the one that holds its end (2.6.4, control b1).
    pub data: Vec<u8>,
}

/// Why a transfer cannot begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// One at a time.
    #[error("another file transfer is under way; wait for its end or abort it")]
    Busy,
    /// More than a session carries.
    #[error(transparent)]
    TooLong(#[from] TooLong),
}

/// What a transfer is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Purpose {
    /// To send a file or to deny one: what was said is all there is to it.
    Say,
    /// To receive a file that was offered.
    Take,
    /// To receive a file that was asked for.
    Fetch,
}

#[derive(Clone, Debug)]
struct Running {
    transfer: Transfer,
    purpose: Purpose,
    peer: Address,
    file: FileId,
    reported: bool,
}

/// One end of file transfers. It gives its manufacturer file (00H) to whoever asks, takes
/// files of the maker's own kinds (F0H to FFH), and denies all else as not supported; it offers and
/// asks for files when it is told to.
#[derive(Clone, Debug)]
pub struct Station {
    me: Address,
    manufacturer: Vec<u8>,
    takes_everything: bool,
    deny_with: Option<u8>,
    running: Option<Box<Running>>,
    /// Said, and not known to be heard.
    in_flight: Option<Message>,
    /// What earlier sessions brought of a file that has not ended.
    partial: Option<ReceivedFile>,
    received: Option<ReceivedFile>,
    wants_reset: bool,
    notes: Vec<String>,
}

impl Station {
    /// The device at `me`, whose manufacturer file holds `manufacturer`: the maker's three letters
    /// first (2.6.4, file ID).
    #[must_use]
    pub fn new(me: Address, manufacturer: Vec<u8>) -> Self {
        Self {
            me,
            manufacturer,
            takes_everything: false,
            deny_with: None,
            running: None,
            in_flight: None,
            partial: None,
            received: None,
            wants_reset: false,
            notes: Vec::new(),
        }
    }

    /// Takes files of every kind.
    #[must_use]
    pub const fn taking_everything(mut self) -> Self {
        self.takes_everything = true;
        self
    }

    /// Denies whatever is offered or asked for with this retry delay from now on; `None` ends
    /// that.
    pub fn deny_with(&mut self, delay: Option<u8>) {
        self.deny_with = delay;
    }

    /// Offers a file to `to`: REQ TO SEND comes next.
    ///
    /// # Errors
    /// While another transfer goes on, and for a file of more than 256 blocks.
    pub fn offer(
        &mut self,
        to: Address,
        file: FileId,
        control: Control,
        data: &[u8],
    ) -> Result<(), FileError> {
        self.free()?;
        let transfer = Transfer::offer(self.me, to, file, control, data)?;
        self.run(transfer, Purpose::Say, to, file);
        Ok(())
    }

    /// Asks `from` for a file of at most `max_length` blocks (0 leaves that open): REQ TO RCV comes
    /// next.
    ///
    /// # Errors
    /// While another transfer goes on.
    pub fn ask(&mut self, from: Address, file: FileId, max_length: u8) -> Result<(), FileError> {
        self.free()?;
        let transfer = Transfer::ask(self.me, from, file, Control(2), max_length);
        self.run(transfer, Purpose::Fetch, from, file);
        Ok(())
    }

    /// Gives up the transfer under way: RETRY/DENY comes next.
    pub fn abort(&mut self) {
        if let Some(running) = &mut self.running {
            running.transfer.abort();
        }
    }

    /// True while a transfer is under way.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        self.running
            .as_ref()
            .is_some_and(|r| r.transfer.outcome().is_none())
    }

    /// How the last transfer ended; `None` while one goes on, and before the first.
    #[must_use]
    pub fn outcome(&self) -> Option<Outcome> {
        self.running.as_ref()?.transfer.outcome()
    }

    /// The file that came last.
    #[must_use]
    pub fn received(&self) -> Option<&ReceivedFile> {
        self.received.as_ref()
    }

    /// The file that came last, once.
    pub fn take_received(&mut self) -> Option<ReceivedFile> {
        self.received.take()
    }

    fn free(&self) -> Result<(), FileError> {
        match self.is_busy() {
            true => Err(FileError::Busy),
            false => Ok(()),
        }
    }

    fn run(&mut self, transfer: Transfer, purpose: Purpose, peer: Address, file: FileId) {
        self.running = Some(Box::new(Running {
            transfer,
            purpose,
            peer,
            file,
            reported: false,
        }));
    }

    /// A reset ends every transfer.
    pub fn reset(&mut self) {
        self.running = None;
        self.in_flight = None;
        self.partial = None;
        self.wants_reset = false;
    }

    /// What has to be said next: by a peripheral to an FTL command or a POLL, by the controller as
    /// an FTL command.
    #[must_use]
    pub fn next(&self) -> Option<Message> {
        self.running.as_ref()?.transfer.next()
    }

    /// Says what [`Self::next`] has: it goes out now, and [`Self::delivered`] or [`Self::refused`]
    /// reports what became of it.
    pub fn say(&mut self) -> Option<Message> {
        self.in_flight = self.next();
        self.in_flight
    }

    /// True when what was said is still what is to be said: nothing (an abort) came between.
    fn stands(&mut self) -> bool {
        let said = self.in_flight.take();
        said.is_some() && said == self.next()
    }

    /// The other side said something. Afterwards [`Self::next`] is the answer; ACK when it is `None`.
    pub fn heard(&mut self, message: &Message) {
        match message {
            Message::ReqToRcv { src, file, .. } | Message::ReqToSend { src, file, .. } => {
                self.begin(message, *src, *file);
            }
            _ => {
                let taken = self.running.as_mut().map(|r| r.transfer.heard(message));
                if !matches!(taken, Some(Ok(()))) {
                    self.out_of_place(message);
                }
            }
        }
        self.settle();
    }

    /// Denied, where the message says whom to notify.
    fn out_of_place(&mut self, message: &Message) {
        if let (Message::OkToSend { .. }, Some(src)) = (message, message.src())
            && !self.is_busy()
        {
            let as_if_asked = Message::ReqToSend {
                dest: self.me,
                src,
                file: FileId::MANUFACTURER,
                length: 0,
                control: Control::default(),
            };
            if let Some(denial) = Transfer::deny(&as_if_asked, RETRY_NEVER) {
                self.run(denial, Purpose::Say, src, FileId::MANUFACTURER);
            }
        }
    }

    fn begin(&mut self, message: &Message, peer: Address, file: FileId) {
        let asked = matches!(message, Message::ReqToRcv { .. });
        let (transfer, purpose) = match (self.deny_with, asked) {
            (Some(delay), _) => (Transfer::deny(message, delay), Purpose::Say),
            (None, true) if file == FileId::MANUFACTURER => {
                let honoured = Transfer::honour(message, &self.manufacturer);
                (honoured.ok().flatten(), Purpose::Say)
            }
            (None, false) if self.takes_everything || file.0 >= 0xF0 => {
                (Transfer::accept(message), Purpose::Take)
            }
            _ => (Transfer::deny(message, RETRY_UNSUPPORTED), Purpose::Say),
        };
        let denied = transfer
            .as_ref()
            .and_then(Transfer::next)
            .is_some_and(|m| matches!(m, Message::RetryDeny { .. }));
        match transfer {
            Some(transfer) => self.run(transfer, purpose, peer, file),
            None => self.running = None,
        }
        if denied && let Some(running) = &mut self.running {
            running.reported = true;
            self.notes.push(format!("{file} with {peer}: denied"));
        }
    }

    /// Puts away what has come whole, and notes how a transfer ended.
    fn settle(&mut self) {
        let Some(running) = &mut self.running else {
            return;
        };
        let Some(outcome) = running.transfer.outcome().filter(|_| !running.reported) else {
            return;
        };
        running.reported = true;
        let (peer, file) = (running.peer, running.file);
        let control = running.transfer.control();
        if outcome != Outcome::Complete {
            self.partial = None;
            let why = match outcome {
                Outcome::Denied(RETRY_NEVER) => "denied by the other side".to_owned(),
                Outcome::Denied(RETRY_UNSUPPORTED) => "not supported".to_owned(),
                Outcome::Denied(s) => format!("denied, to be tried again in {s} s"),
                Outcome::AbortedByPeer => "aborted by the other side".to_owned(),
                _ => "given up".to_owned(),
            };
            self.notes.push(format!("{file} with {peer}: {why}"));
            return;
        }
        if running.purpose == Purpose::Say {
            self.notes.push(format!("{file} sent to {peer}"));
            return;
        }
        let fresh = ReceivedFile {
            from: peer,
            file,
            data: Vec::new(),
        };
        let same = |f: &ReceivedFile| f.from == peer && f.file == file;
        let mut whole = self.partial.take().filter(same).unwrap_or(fresh);
        whole.data.extend(running.transfer.received());
        self.wants_reset = running.purpose == Purpose::Take && control.reset_after();
        if running.purpose == Purpose::Take && !control.end_of_file() {
            self.partial = Some(whole);
            return;
        }
        let bytes = whole.data.len();
        self.notes
            .push(format!("{file} from {peer}: {bytes} bytes"));
        self.received = Some(whole);
    }

    /// True once, when a file has come whose sender wants a reset afterwards (2.6.4, b0).
    pub fn wants_reset(&mut self) -> bool {
        core::mem::take(&mut self.wants_reset)
    }

    /// What was said last was acknowledged.
    pub fn delivered(&mut self) {
        if self.stands()
            && let Some(running) = &mut self.running
        {
            running.transfer.delivered();
        }
        self.settle();
    }

    /// What was said last met a NAK or no answer.
    pub fn refused(&mut self) {
        if self.stands()
            && let Some(running) = &mut self.running
        {
            running.transfer.refused();
        }
        self.settle();
    }

    /// How transfers ended, in plain words, since the last call.
    pub fn take_notes(&mut self) -> impl Iterator<Item = String> + '_ {
        self.notes.drain(..)
    }
}
