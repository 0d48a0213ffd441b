//! The five messages of the file transport layer (MDB/ICP 4.3, section 2.6.4).

use super::fields::{Chunk, Control, FileId, MAX_DATA};
use crate::{Address, Block, Length, ParseError, Reader};
use core::fmt;

/// Command number of EXPANSION, which carries the sub-commands.
const EXPANSION: u8 = 7;

const REQ_TO_RCV: u8 = 0xFA;
const RETRY_DENY: u8 = 0xFB;
const SEND_BLOCK: u8 = 0xFC;
const OK_TO_SEND: u8 = 0xFD;
const REQ_TO_SEND: u8 = 0xFE;
/// A response code is the sub-command minus this: FEH and 1FH, FAH and 1BH.
const RESPONSE: u8 = 0xDF;

/// Retry delay 00H: do not try again; also the abort of a transfer.
pub const RETRY_NEVER: u8 = 0x00;
/// Retry delay FFH: the device does not support the function.
pub const RETRY_UNSUPPORTED: u8 = 0xFF;

/// One message of the file transport layer. `dest` and `src` are those of the message itself, not
/// of the file; [`Address::VMC`] stands for the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Message {
    /// FEH / 1FH: a file is offered.
    ReqToSend {
        /// Who is to receive.
        dest: Address,
        /// Who offers.
        src: Address,
        /// Which file.
        file: FileId,
        /// Blocks in the file, 0 to 255.
        length: u8,
        /// How the transfer is conducted.
        control: Control,
    },
    /// FDH / 1EH: the offer is taken up; also asks for the next block.
    OkToSend {
        /// Who offered.
        dest: Address,
        /// Who is ready to receive.
        src: Address,
    },
    /// FCH / 1DH: one block of the file.
    SendBlock {
        /// Who receives.
        dest: Address,
        /// Number of the block, 0 to 255.
        block: u8,
        /// Its data; empty at the end of the file.
        data: Chunk,
    },
    /// FBH / 1CH: later, or never.
    RetryDeny {
        /// Who is notified.
        dest: Address,
        /// Who sends it.
        src: Address,
        /// Seconds to wait before the whole file is tried again; [`RETRY_NEVER`],
        /// [`RETRY_UNSUPPORTED`].
        delay: u8,
    },
    /// FAH / 1BH: a file is asked for.
    ReqToRcv {
        /// Who has the file.
        dest: Address,
        /// Who asks.
        src: Address,
        /// Which file.
        file: FileId,
        /// Blocks that can be taken, 0 to 255.
        max_length: u8,
        /// How the transfer is conducted.
        control: Control,
    },
}

fn address(r: &mut Reader<'_>, expected: &'static str) -> Result<Address, ParseError> {
    match r.u8(expected)? {
        byte if byte & 7 == 0 => Ok(Address::of(byte)),
        byte => Err(r.bad(byte, "an address of section 2.3, its lower three bits 0")),
    }
}

impl Message {
    /// True when these bytes of a master's block (address byte first) are an FTL sub-command.
    #[must_use]
    pub fn is_command(bytes: &[u8]) -> bool {
        matches!(bytes, [a, REQ_TO_RCV..=REQ_TO_SEND, ..] if a & 7 == EXPANSION)
    }

    /// True when a response that starts with this byte is an FTL response. A device's own reports
    /// may use the same values (a changer's do): this is only certain right after an FTL
    /// command, and by length.
    #[must_use]
    pub const fn is_response(first: u8) -> bool {
        matches!(first, 0x1B..=0x1F)
    }

    /// A command block without CHK: address | 7, sub-command, data.
    ///
    /// # Errors
    /// When it is no EXPANSION command, no FTL sub-command, or its data do not fit.
    pub fn parse_command(bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let first = r.u8("an address byte with command 7 (EXPANSION)")?;
        if first & 7 != EXPANSION {
            return Err(r.bad(first, "an address byte with command 7 (EXPANSION)"));
        }
        let code = r.u8("an FTL sub-command, FAH to FEH")?;
        Self::body(&mut r, code, code, "an FTL sub-command, FAH to FEH")
    }

    /// A response block without CHK: 1BH to 1FH, data.
    ///
    /// # Errors
    /// When it is no FTL response or its data do not fit.
    pub fn parse_response(bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let code = r.u8("an FTL response, 1BH to 1FH")?;
        Self::body(
            &mut r,
            code.wrapping_add(RESPONSE),
            code,
            "an FTL response, 1BH to 1FH",
        )
    }

    fn body(
        r: &mut Reader<'_>,
        sub_command: u8,
        read: u8,
        expected: &'static str,
    ) -> Result<Self, ParseError> {
        if !(REQ_TO_RCV..=REQ_TO_SEND).contains(&sub_command) {
            return Err(r.bad(read, expected));
        }
        let dest = address(r, "destination address")?;
        if sub_command == SEND_BLOCK {
            let block = r.u8("block number")?;
            let at = r.at() + MAX_DATA;
            let extra = r.rest().len().saturating_sub(MAX_DATA);
            let data = Chunk::new(r.take_rest()).ok_or(ParseError::Long { at, extra })?;
            return Ok(Self::SendBlock { dest, block, data });
        }
        let src = address(r, "source address")?;
        let message = match sub_command {
            OK_TO_SEND => Self::OkToSend { dest, src },
            RETRY_DENY => Self::RetryDeny {
                dest,
                src,
                delay: r.u8("retry delay")?,
            },
            REQ_TO_SEND => Self::ReqToSend {
                dest,
                src,
                file: FileId(r.u8("file ID")?),
                length: r.u8("length")?,
                control: Control(r.u8("control")?),
            },
            _ => Self::ReqToRcv {
                dest,
                src,
                file: FileId(r.u8("file ID")?),
                max_length: r.u8("maximum length")?,
                control: Control(r.u8("control")?),
            },
        };
        r.end()?;
        Ok(message)
    }

    const fn sub_command(&self) -> u8 {
        match self {
            Self::ReqToSend { .. } => REQ_TO_SEND,
            Self::OkToSend { .. } => OK_TO_SEND,
            Self::SendBlock { .. } => SEND_BLOCK,
            Self::RetryDeny { .. } => RETRY_DENY,
            Self::ReqToRcv { .. } => REQ_TO_RCV,
        }
    }

    fn emit(&self, head: &[u8]) -> Block {
        let mut bytes = head.to_vec();
        bytes.push(self.dest().byte());
        match *self {
            Self::ReqToSend {
                src,
                file,
                length: n,
                control,
                ..
            }
            | Self::ReqToRcv {
                src,
                file,
                max_length: n,
                control,
                ..
            } => bytes.extend([src.byte(), file.0, n, control.0]),
            Self::OkToSend { src, .. } => bytes.push(src.byte()),
            Self::RetryDeny { src, delay, .. } => bytes.extend([src.byte(), delay]),
            Self::SendBlock { block, data, .. } => {
                bytes.push(block);
                bytes.extend(data.bytes());
            }
        }
        Block::truncated(&bytes)
    }

    /// The command block a master sends to the device at `to`.
    #[must_use]
    pub fn emit_command(&self, to: Address) -> Block {
        self.emit(&[to.with(EXPANSION), self.sub_command()])
    }

    /// The response block of a peripheral.
    #[must_use]
    pub fn emit_response(&self) -> Block {
        self.emit(&[self.sub_command().wrapping_sub(RESPONSE)])
    }

    /// Who the message is for.
    #[must_use]
    pub const fn dest(&self) -> Address {
        match *self {
            Self::ReqToSend { dest, .. }
            | Self::OkToSend { dest, .. }
            | Self::SendBlock { dest, .. }
            | Self::RetryDeny { dest, .. }
            | Self::ReqToRcv { dest, .. } => dest,
        }
    }

    /// Who it is from, where the message says so (SEND BLOCK does not).
    #[must_use]
    pub const fn src(&self) -> Option<Address> {
        match *self {
            Self::ReqToSend { src, .. }
            | Self::OkToSend { src, .. }
            | Self::RetryDeny { src, .. }
            | Self::ReqToRcv { src, .. } => Some(src),
            Self::SendBlock { .. } => None,
        }
    }

    /// The standard's name.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::ReqToSend { .. } => "REQ TO SEND",
            Self::OkToSend { .. } => "OK TO SEND",
            Self::SendBlock { .. } => "SEND BLOCK",
            Self::RetryDeny { .. } => "RETRY/DENY",
            Self::ReqToRcv { .. } => "REQ TO RCV",
        }
    }
}

impl fmt::Display for Message {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match *self {
            Self::ReqToSend {
                dest,
                src,
                file,
                length,
                control,
            } => write!(
                f,
                " {file} from {src} to {dest}, {length} blocks, {control}"
            ),
            Self::OkToSend { dest, src } => write!(f, " {src} is ready for {dest}"),
            Self::SendBlock { dest, block, data } if data.is_empty() => {
                write!(f, " {block} to {dest}, empty: end of file")
            }
            Self::SendBlock { dest, block, data } => {
                write!(f, " {block} to {dest}, {} bytes", data.bytes().len())
            }
            Self::RetryDeny { dest, src, delay } => {
                write!(f, " {src} to {dest}: ")?;
                match delay {
                    RETRY_NEVER => f.write_str("never"),
                    RETRY_UNSUPPORTED => f.write_str("not supported"),
                    s => write!(f, "try again in {s} s"),
                }
            }
            Self::ReqToRcv {
                dest,
                src,
                file,
                max_length,
                control,
            } => write!(
                f,
                " {file} from {dest} for {src}, at most {max_length} blocks, {control}"
            ),
        }
    }
}

/// The length of an FTL command block, from its first bytes (address byte first). SEND BLOCK has
/// no length of its own: it ends where its sender pauses (2.6.4, Data Block).
#[must_use]
pub fn command_length(bytes: &[u8]) -> Length {
    match bytes {
        [] | [_] => Length::NeedMore,
        [_, REQ_TO_SEND | REQ_TO_RCV, ..] => Length::Known(8),
        [_, RETRY_DENY, ..] => Length::Known(6),
        [_, OK_TO_SEND, ..] => Length::Known(5),
        _ => Length::Unknown,
    }
}

#[cfg(test)]
#[path = "message_tests.rs"]
mod tests;
