//! The two halves of an emulated MDB peripheral: what every peripheral does on the bus
//! ([`crate::Port`]) and what makes it a changer or a card reader ([`Device`]).

use payrig_mdb::{Address, Block, Length};
use payrig_units::{Micros, Movement};

/// What a device answers to a command. There is no NAK: 4.3, Appendix 3, section 3 recommends
/// silence instead, and so does [`crate::Port`] on a bad checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// Nothing: the device is busy (non-response time) or does not know the command.
    Silence,
    /// Command received, no data.
    Ack,
    /// Data. The device hears later whether the master acknowledged it.
    Data(Block),
}

/// A peripheral's application: a state machine with no clock and no I/O. Time comes in as a value
/// and never runs backwards.
///
/// Contract with [`crate::Port`]: after a [`Reply::Data`] exactly one of
/// [`acknowledged`](Device::acknowledged) or [`unacknowledged`](Device::unacknowledged) follows
/// before the next command. A report stays queued in the device until acknowledged (MDB/ICP 4.3,
/// section 2.2: data not acknowledged is repeated, or appended, at the next occasion).
pub trait Device {
    /// The address this device answers at.
    fn address(&self) -> Address;

    /// How long a command block for this address is, from its first bytes. A device whose
    /// commands change their length with what was agreed overrides this (cashless, section 7).
    fn command_length(&self, bytes: &[u8]) -> Length {
        payrig_mdb::command_length(bytes)
    }

    /// A whole command block for this address whose CHK was right.
    fn command(&mut self, now: Micros, command: &Block) -> Reply;

    /// The master acknowledged the data of the last reply: what was reported is forgotten.
    fn acknowledged(&mut self, now: Micros);

    /// The master answered NAK, or nothing in time: what was reported must be reported again.
    fn unacknowledged(&mut self, now: Micros);

    /// A bus reset was seen: back to the power-on state (section 2.2).
    fn bus_reset(&mut self, now: Micros);

    /// Power comes or goes. Without power the port hears and says nothing; when it comes back the
    /// device is in its power-on state, but coins, bills and cards are where they were.
    fn power(&mut self, now: Micros, on: bool);

    /// When the device wants [`wake`](Device::wake); [`Micros::NEVER`] when it does not.
    fn next_deadline(&self) -> Micros;

    /// A deadline has come (or may have: waking early is harmless).
    fn wake(&mut self, now: Micros);

    /// Money that has physically moved since the last call, in order.
    fn take_movements(&mut self) -> Vec<Movement>;

    /// What a person at the machine would see or hear since the last call, in plain words
    /// ("coin returned", "card taken").
    fn take_notes(&mut self) -> Vec<String>;
}
