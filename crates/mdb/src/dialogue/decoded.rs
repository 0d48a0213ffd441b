//! What a transmission means: typed; its words are made when they are asked for.

use crate::cashless::{Mode, Options};
use crate::ftl::Message;
use crate::prelude::*;
use crate::{Address, BlockError, ParseError, bill, cashless, changer, other};
use core::fmt;

/// What a transmission means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decoded {
    /// Who is spoken to, or who answers; `None` where nothing before it shows that.
    pub address: Option<Address>,
    /// The message itself; `None` for what cannot be typed.
    pub typed: Option<Typed>,
    /// What else its words say.
    besides: Besides,
}

/// A message of one of the device modules, or one of the three single bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Typed {
    /// To the changer.
    ChangerCommand(changer::Command),
    /// From the changer.
    ChangerResponse(changer::Response),
    /// To the bill validator.
    BillCommand(bill::Command),
    /// From the bill validator.
    BillResponse(bill::Response),
    /// To a cashless device; the command says which.
    CashlessCommand(cashless::Command),
    /// From a cashless device; [`Decoded::address`] says which.
    CashlessResponse(cashless::Response),
    /// To any other address.
    OtherCommand(other::Command),
    /// From any other address.
    OtherResponse(other::Response),
    /// ACK of either side.
    Ack,
    /// NAK of either side.
    Nak,
    /// RET of the master.
    Ret,
}

impl Typed {
    /// The name of the command or response in the standard's terms ("POLL", "JUST RESET").
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::ChangerCommand(command) => command.name(),
            Self::ChangerResponse(response) => response.name(),
            Self::BillCommand(command) => command.name(),
            Self::BillResponse(response) => response.name(),
            Self::CashlessCommand(command) => command.name(),
            Self::CashlessResponse(response) => response.name(),
            Self::OtherCommand(command) => command.name(),
            Self::OtherResponse(response) => response.name(),
            Self::Ack => "ACK",
            Self::Nak => "NAK",
            Self::Ret => "RET",
        }
    }

    /// True for a command that is answered with the device's activity.
    #[must_use]
    pub fn is_poll(&self) -> bool {
        match self {
            Self::ChangerCommand(command) => *command == changer::Command::Poll,
            Self::BillCommand(command) => *command == bill::Command::Poll,
            Self::CashlessCommand(command) => command.kind == cashless::Kind::Poll,
            _ => false,
        }
    }
}

/// In words, one line.
impl fmt::Display for Typed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ChangerCommand(command) => write!(f, "{command}"),
            Self::ChangerResponse(response) => write!(f, "{response}"),
            Self::BillCommand(command) => write!(f, "{command}"),
            Self::BillResponse(response) => write!(f, "{response}"),
            Self::CashlessCommand(command) => write!(f, "{command}"),
            Self::CashlessResponse(response) => write!(f, "{response}"),
            Self::OtherCommand(command) => write!(f, "{command}"),
            Self::OtherResponse(response) => write!(f, "{response}"),
            Self::Ack => f.write_str("ACK"),
            Self::Nak => f.write_str("NAK"),
            Self::Ret => f.write_str("RET send it again"),
        }
    }
}

/// What the words of a transmission say besides its message.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Besides {
    Nothing,
    /// A file transport message, which the cashless module keeps as bytes (section 2.6.4).
    File(Message),
    /// It came in another form than was agreed (sections 7.4.2, 7.4.24).
    OtherForm {
        agreed: Mode,
        form: Mode,
    },
    /// It answers what was asked before the last POLL (section 2.6.3).
    Late(Box<Besides>),
    /// It is no message.
    Raw(Box<Raw>),
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Raw {
    bytes: Vec<u8>,
    why: Why,
}

/// Why bytes are no message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Why {
    NothingBefore,
    CommandUnreadable,
    NoCommand,
    Parse(ParseError),
    Block(BlockError),
}

impl From<ParseError> for Why {
    fn from(error: ParseError) -> Self {
        Self::Parse(error)
    }
}

impl From<BlockError> for Why {
    fn from(error: BlockError) -> Self {
        Self::Block(error)
    }
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NothingBefore => f.write_str("no command was heard before it"),
            Self::CommandUnreadable => f.write_str("the command it answers could not be read"),
            Self::NoCommand => f.write_str("not an answer to a command"),
            Self::Parse(error) => write!(f, "{error}"),
            Self::Block(error) => write!(f, "{error}"),
        }
    }
}

impl Decoded {
    pub(super) fn new(address: Option<Address>, typed: Typed) -> Self {
        Self {
            address,
            typed: Some(typed),
            besides: Besides::Nothing,
        }
    }

    /// A message whose bytes carry one of the file transport layer.
    pub(super) fn of_file(address: Address, typed: Typed, message: Message) -> Self {
        Self {
            address: Some(address),
            typed: Some(typed),
            besides: Besides::File(message),
        }
    }

    /// A cashless message in the form of one mode, where another was agreed.
    pub(super) fn in_form(address: Address, typed: Typed, agreed: Mode, form: Mode) -> Self {
        let besides = match agreed == form {
            true => Besides::Nothing,
            false => Besides::OtherForm { agreed, form },
        };
        Self {
            address: Some(address),
            typed: Some(typed),
            besides,
        }
    }

    /// Bytes that are no message, and why.
    pub(super) fn raw(address: Option<Address>, bytes: &[u8], why: impl Into<Why>) -> Self {
        Self {
            address,
            typed: None,
            besides: Besides::Raw(Box::new(Raw {
                bytes: bytes.to_vec(),
                why: why.into(),
            })),
        }
    }

    pub(super) fn or_raw(
        address: Address,
        bytes: &[u8],
        decoded: Result<Self, ParseError>,
    ) -> Self {
        decoded.unwrap_or_else(|error| Self::raw(Some(address), bytes, error))
    }

    /// The answer to what was asked before the last POLL.
    pub(super) fn late(mut self) -> Self {
        self.besides = Besides::Late(Box::new(self.besides));
        self
    }

    /// The name of the command or response in the standard's terms ("POLL", "JUST RESET"), or
    /// "RAW".
    #[must_use]
    pub fn name(&self) -> &'static str {
        match (&self.typed, self.besides.file()) {
            (Some(_), Some(message)) => message.name(),
            (Some(typed), None) => typed.name(),
            (None, _) => "RAW",
        }
    }

    /// In words, one line; for what cannot be typed, its bytes and why.
    #[must_use]
    pub fn text(&self) -> String {
        self.to_string()
    }
}

impl Besides {
    fn file(&self) -> Option<&Message> {
        match self {
            Self::File(message) => Some(message),
            Self::Late(inner) => inner.file(),
            Self::Nothing | Self::OtherForm { .. } | Self::Raw(_) => None,
        }
    }

    fn after(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OtherForm { agreed, form } => {
                f.write_str(" (in the form of ")?;
                show_mode(f, form)?;
                f.write_str(", not of ")?;
                show_mode(f, agreed)?;
                f.write_str(")")
            }
            Self::Late(inner) => {
                inner.after(f)?;
                f.write_str(" (late: asked before this POLL)")
            }
            Self::Raw(raw) => {
                f.write_str("raw")?;
                for byte in &raw.bytes {
                    write!(f, " {byte:02X}")?;
                }
                write!(f, " ({})", raw.why)
            }
            Self::Nothing | Self::File(_) => Ok(()),
        }
    }
}

fn show_mode(f: &mut fmt::Formatter<'_>, mode: &Mode) -> fmt::Result {
    match mode.options {
        Options::NONE => write!(f, "{}", mode.level),
        options => write!(f, "{} with {options}", mode.level),
    }
}

/// The text alone.
impl fmt::Display for Decoded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.besides.file(), &self.typed) {
            (Some(message), _) => write!(f, "{message}")?,
            (None, Some(typed)) => write!(f, "{typed}")?,
            (None, None) => {}
        }
        self.besides.after(f)
    }
}
