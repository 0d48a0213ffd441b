//! Following a conversation: what each block means, given what went before.

use crate::{Address, Block, MasterFrame, PeripheralFrame};

/// What is known of the length of a master's block from its first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// The whole block has this many bytes, CHK included.
    Known(usize),
    /// More bytes are needed to tell.
    NeedMore,
    /// The standard does not say; the block ends where its sender pauses (section 2.6.4).
    Unknown,
}

/// The length of a command block, from its first bytes (the address byte first).
#[must_use]
pub fn command_length(bytes: &[u8]) -> Length {
    let _ = bytes;
    Length::Unknown
}

/// What a frame means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decoded {
    /// Who is spoken to, or who answers.
    pub address: Option<Address>,
    /// In words, one line.
    pub text: String,
    /// The name of the command or response in the standard's terms ("POLL", "JUST RESET").
    pub name: String,
}

/// Follows both sides of a bus and decodes.
#[derive(Clone, Debug, Default)]
pub struct Dialogue {
    last_command: Option<Block>,
}

impl Dialogue {
    /// Nothing heard yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// What the master said.
    pub fn master(&mut self, frame: &MasterFrame) -> Decoded {
        if let MasterFrame::Command(block) = frame {
            self.last_command = Some(*block);
        }
        Decoded {
            address: None,
            text: format!("{frame:?}"),
            name: String::new(),
        }
    }

    /// What a peripheral answered.
    pub fn peripheral(&mut self, frame: &PeripheralFrame) -> Decoded {
        Decoded {
            address: None,
            text: format!("{frame:?}"),
            name: String::new(),
        }
    }
}
