//! Following a conversation: what each block means, given what went before.

mod decoded;
mod length;

#[cfg(test)]
mod tests;

pub use decoded::{Decoded, Typed};
pub use length::command_length;

use decoded::Why;

use crate::cashless::{Mode, Negotiation, Unit};
use crate::ftl::Message;
use crate::{
    Address, Block, Length, MasterFrame, ParseError, PeripheralFrame, Role, bill, cashless,
    changer, other,
};
use alloc::collections::BTreeMap;

/// A command that was sent, as far as it could be read.
#[derive(Clone, Debug)]
struct Sent {
    address: Address,
    command: Option<Typed>,
}

impl Sent {
    fn is_poll(&self) -> bool {
        self.command.as_ref().is_some_and(Typed::is_poll)
    }
}

/// Follows both sides of a bus and decodes. It learns from what passes: which command an answer
/// belongs to, and for cashless devices the level and options that decide the form of a message
/// (sections 7.4.2, 7.4.24).
///
/// It can be started in the middle of a conversation: an answer to a command that was not heard,
/// or in a form that was not agreed within hearing, is read as well as it can be, and says so.
///
/// ```
/// use payrig_mdb::{Dialogue, Typed, changer};
///
/// let mut dialogue = Dialogue::new();
/// // As they travelled: POLL to the changer, and its answer, CHK last.
/// dialogue.master_bytes(&[0x0B, 0x0B]);
/// let answer = dialogue.peripheral_bytes(&[0x52, 0x1A, 0x6C]);
/// assert_eq!(answer.text(), "COINS DEPOSITED coin type 2 to its tube, 26 in tube");
/// let Some(Typed::ChangerResponse(changer::Response::Poll(reports))) = answer.typed else {
///     panic!("not typed");
/// };
/// assert_eq!(reports.len(), 1);
/// ```
#[derive(Clone, Debug, Default)]
pub struct Dialogue {
    /// The last command on the bus, which the next answer belongs to.
    sent: Option<Sent>,
    /// Per device, its last command that was not POLL and has had no data for an answer: that may
    /// come at a later POLL.
    asked: BTreeMap<Address, Sent>,
    cashless: [Negotiation; 2],
}

impl Dialogue {
    /// Nothing heard yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// What the master said.
    pub fn master(&mut self, frame: &MasterFrame) -> Decoded {
        let address = self.sent.as_ref().map(|sent| sent.address);
        match frame {
            MasterFrame::Ack => Decoded::new(address, Typed::Ack),
            MasterFrame::Nak => Decoded::new(address, Typed::Nak),
            MasterFrame::Ret => Decoded::new(address, Typed::Ret),
            MasterFrame::Command(block) => self.command(block),
        }
    }

    fn command(&mut self, block: &Block) -> Decoded {
        let bytes = block.bytes();
        let address = Address::of(block.first());
        let plain = |typed| Decoded::new(Some(address), typed);
        let decoded = match address.role() {
            Role::Changer => changer::Command::parse(bytes)
                .map(Typed::ChangerCommand)
                .map(plain),
            Role::BillValidator => bill::Command::parse(bytes)
                .map(Typed::BillCommand)
                .map(plain),
            Role::Cashless(_) => self.cashless_command(address, bytes),
            _ => other::Command::parse(bytes)
                .map(Typed::OtherCommand)
                .map(plain),
        };
        let decoded = Decoded::or_raw(address, bytes, decoded);
        let sent = Sent {
            address,
            command: decoded.typed.clone(),
        };
        if !sent.is_poll() {
            self.asked.insert(address, sent.clone());
        }
        self.sent = Some(sent);
        decoded
    }

    fn cashless_command(&self, address: Address, bytes: &[u8]) -> Result<Decoded, ParseError> {
        let mode = self.mode_at(address);
        let (command, form) = cashless::Command::parse_any(bytes, &mode)?;
        let typed = Typed::CashlessCommand(command);
        Ok(match Message::is_command(bytes) {
            true => Decoded::of_file(address, typed, Message::parse_command(bytes)?),
            false => Decoded::in_form(address, typed, mode, form),
        })
    }

    /// What a peripheral answered.
    pub fn peripheral(&mut self, frame: &PeripheralFrame) -> Decoded {
        let sent = self.sent.clone();
        let address = sent.as_ref().map(|sent| sent.address);
        if !matches!(frame, PeripheralFrame::Nak) {
            self.heard(sent.as_ref());
        }
        match frame {
            PeripheralFrame::Ack => Decoded::new(address, Typed::Ack),
            PeripheralFrame::Nak => Decoded::new(address, Typed::Nak),
            PeripheralFrame::Data(block) => match sent {
                Some(sent) => {
                    let decoded = self.response(&sent, block.bytes());
                    self.asked.remove(&sent.address);
                    decoded
                }
                None => Decoded::raw(None, block.bytes(), Why::NothingBefore),
            },
        }
    }

    /// The device answered, so it took the command.
    fn heard(&mut self, sent: Option<&Sent>) {
        if let Some(Typed::CashlessCommand(command)) = sent.and_then(|sent| sent.command.as_ref()) {
            self.negotiation(command.unit).command(command);
        }
    }

    fn response(&mut self, sent: &Sent, bytes: &[u8]) -> Decoded {
        let Some(command) = &sent.command else {
            return Decoded::raw(Some(sent.address), bytes, Why::CommandUnreadable);
        };
        let decoded = self.answer(sent.address, command, bytes);
        if decoded.typed.is_some() || !sent.is_poll() {
            return decoded;
        }
        // Not what a POLL is answered with: perhaps what was asked before (section 2.6.3).
        let late = self
            .asked
            .get(&sent.address)
            .and_then(|asked| asked.command.clone())
            .map(|asked| self.answer(sent.address, &asked, bytes));
        match late {
            Some(late) if late.typed.is_some() => late.late(),
            _ => decoded,
        }
    }

    fn answer(&mut self, address: Address, command: &Typed, bytes: &[u8]) -> Decoded {
        let plain = |typed| Decoded::new(Some(address), typed);
        let decoded = match command {
            Typed::ChangerCommand(command) => changer::Response::parse(command, bytes)
                .map(Typed::ChangerResponse)
                .map(plain),
            Typed::BillCommand(command) => bill::Response::parse(command, bytes)
                .map(Typed::BillResponse)
                .map(plain),
            Typed::CashlessCommand(command) => self.cashless_response(address, command, bytes),
            Typed::OtherCommand(command) => other::Response::parse(command, bytes)
                .map(Typed::OtherResponse)
                .map(plain),
            // No command is one of these.
            _ => return Decoded::raw(Some(address), bytes, Why::NoCommand),
        };
        Decoded::or_raw(address, bytes, decoded)
    }

    fn cashless_response(
        &mut self,
        address: Address,
        command: &cashless::Command,
        bytes: &[u8],
    ) -> Result<Decoded, ParseError> {
        let mode = self.mode_at(address);
        let (response, form) = cashless::Response::parse_any(command, bytes, &mode)?;
        let message = match response.reports() {
            [cashless::Report::Ftl(_)] => Some(Message::parse_response(bytes)?),
            _ => None,
        };
        self.negotiation(command.unit).response(&response);
        let typed = Typed::CashlessResponse(response);
        Ok(match message {
            Some(message) => Decoded::of_file(address, typed, message),
            None => Decoded::in_form(address, typed, mode, form),
        })
    }

    /// What a master's bytes are that a receiver could not take as a frame: a wrong CHK, more than
    /// 36 bytes, or nothing. They are as they travelled, CHK last.
    pub fn master_bytes(&mut self, bytes: &[u8]) -> Decoded {
        match Block::from_wire(bytes) {
            Ok(block) => self.command(&block),
            Err(error) => {
                let address = bytes.first().map(|first| Address::of(*first));
                self.sent = address.map(|address| Sent {
                    address,
                    command: None,
                });
                Decoded::raw(address, bytes, error)
            }
        }
    }

    /// What a peripheral's bytes are that a receiver could not take as a frame. They are as they
    /// travelled, CHK last.
    pub fn peripheral_bytes(&mut self, bytes: &[u8]) -> Decoded {
        match Block::from_wire(bytes) {
            Ok(block) => self.peripheral(&PeripheralFrame::Data(block)),
            Err(error) => {
                let address = self.sent.as_ref().map(|sent| sent.address);
                Decoded::raw(address, bytes, error)
            }
        }
    }

    /// The master held the line active for 100 ms or more (section 3.2, break): every device is
    /// as after RESET.
    pub fn bus_reset(&mut self) {
        self.sent = None;
        self.asked.clear();
        self.cashless.iter_mut().for_each(Negotiation::reset);
    }

    /// The length of a command block, from its first bytes (address byte first), given the levels
    /// and options agreed so far.
    #[must_use]
    pub fn command_length(&self, bytes: &[u8]) -> Length {
        match bytes.first().and_then(|first| Unit::of(*first)) {
            Some(unit) => cashless::length_in(bytes, &self.mode(unit)),
            None => command_length(bytes),
        }
    }

    /// The level and options agreed with a cashless device so far.
    #[must_use]
    pub fn mode(&self, unit: Unit) -> Mode {
        let [one, two] = &self.cashless;
        match unit {
            Unit::One => one.mode(),
            Unit::Two => two.mode(),
        }
    }

    fn mode_at(&self, address: Address) -> Mode {
        self.mode(Unit::of(address.byte()).unwrap_or_default())
    }

    fn negotiation(&mut self, unit: Unit) -> &mut Negotiation {
        let [one, two] = &mut self.cashless;
        match unit {
            Unit::One => one,
            Unit::Two => two,
        }
    }
}
