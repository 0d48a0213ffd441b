//! Typed messages of any device on the bus: commands in the words of their protocol, and what answers
//! them read the same way.

use payrig_mdb::{Address, Block, CurrencyCode, ParseError, Role, bill, cashless, changer};

/// A command of a protocol: how it goes on the bus, and how what answers it is read.
pub(super) trait Request {
    /// What answers it.
    type Response;

    /// As it goes on the bus.
    fn block(&self) -> Block;

    /// The standard's name, in capitals.
    fn name(&self) -> &'static str;

    /// Reads the data (without CHK) of an answer to it.
    ///
    /// # Errors
    /// When they are no answer to it.
    fn read(&self, data: &[u8]) -> Result<Self::Response, ParseError>;
}

impl Request for changer::Command {
    type Response = changer::Response;

    fn block(&self) -> Block {
        self.emit()
    }

    fn name(&self) -> &'static str {
        self.name()
    }

    fn read(&self, data: &[u8]) -> Result<Self::Response, ParseError> {
        changer::Response::parse(self, data)
    }
}

impl Request for bill::Command {
    type Response = bill::Response;

    fn block(&self) -> Block {
        self.emit()
    }

    fn name(&self) -> &'static str {
        self.name()
    }

    fn read(&self, data: &[u8]) -> Result<Self::Response, ParseError> {
        bill::Response::parse(self, data)
    }
}

/// Before anything was agreed on. A conversation that goes on, with its level and options, is a
/// [`Talk`](super::cashless).
impl Request for cashless::Command {
    type Response = cashless::Response;

    fn block(&self) -> Block {
        self.emit(&cashless::Mode::default())
    }

    fn name(&self) -> &'static str {
        self.name()
    }

    fn read(&self, data: &[u8]) -> Result<Self::Response, ParseError> {
        let mode = cashless::Mode::default();
        cashless::Response::parse_any(self, data, &mode).map(|(response, _)| response)
    }
}

/// A command to a device of any kind on the bus.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Command {
    /// To a changer.
    Changer(changer::Command),
    /// To a bill validator or recycler.
    Bill(bill::Command),
    /// To a card reader.
    Reader(cashless::Command),
}

impl Command {
    /// Reads a block without its CHK; `None` for what is no command of these devices.
    pub(super) fn parse(block: &[u8]) -> Option<Self> {
        match Address::of(*block.first()?).role() {
            Role::Changer => changer::Command::parse(block).ok().map(Self::Changer),
            Role::BillValidator => bill::Command::parse(block).ok().map(Self::Bill),
            Role::Cashless(_) => {
                let read = cashless::Command::parse_any(block, &cashless::Mode::default());
                read.ok().map(|(command, _)| Self::Reader(command))
            }
            _ => None,
        }
    }

    /// True for RESET.
    pub(super) fn is_reset(&self) -> bool {
        match self {
            Self::Changer(command) => *command == changer::Command::Reset,
            Self::Bill(command) => *command == bill::Command::Reset,
            Self::Reader(command) => command.kind == cashless::Kind::Reset,
        }
    }

    /// True for POLL.
    pub(super) fn is_poll(&self) -> bool {
        match self {
            Self::Changer(command) => *command == changer::Command::Poll,
            Self::Bill(command) => *command == bill::Command::Poll,
            Self::Reader(command) => command.kind == cashless::Kind::Poll,
        }
    }
}

impl Request for Command {
    type Response = Response;

    fn block(&self) -> Block {
        match self {
            Self::Changer(command) => command.block(),
            Self::Bill(command) => command.block(),
            Self::Reader(command) => command.block(),
        }
    }

    fn name(&self) -> &'static str {
        match self {
            Self::Changer(command) => command.name(),
            Self::Bill(command) => command.name(),
            Self::Reader(command) => command.name(),
        }
    }

    fn read(&self, data: &[u8]) -> Result<Response, ParseError> {
        Ok(match self {
            Self::Changer(command) => Response::Changer(command.read(data)?),
            Self::Bill(command) => Response::Bill(command.read(data)?),
            Self::Reader(command) => Response::Reader(command.read(data)?),
        })
    }
}

/// What a device of any kind on the bus answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Response {
    /// Of a changer.
    Changer(changer::Response),
    /// Of a bill validator or recycler.
    Bill(bill::Response),
    /// Of a card reader.
    Reader(cashless::Response),
}

/// Maker code, serial and model number, as they were sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Identity {
    /// Three characters.
    pub(super) maker: [u8; 3],
    /// Twelve characters.
    pub(super) serial: [u8; 12],
    /// Twelve characters.
    pub(super) model: [u8; 12],
}

impl Response {
    /// True for reports with JUST RESET among them.
    pub(super) fn says_just_reset(&self) -> bool {
        match self {
            Self::Changer(changer::Response::Poll(reports)) => {
                reports.contains(&changer::Report::JUST_RESET)
            }
            Self::Bill(bill::Response::Poll(reports)) => reports.contains(&bill::Report::JustReset),
            Self::Reader(response) => response.reports().contains(&cashless::Report::JustReset),
            _ => false,
        }
    }

    /// Who it is, in an identification.
    pub(super) fn identity(&self) -> Option<Identity> {
        let (maker, serial, model) = match self {
            Self::Changer(changer::Response::Identification(id)) => (id.maker, id.serial, id.model),
            Self::Bill(bill::Response::Identification(id)) => {
                (id.manufacturer, id.serial, id.model)
            }
            Self::Reader(response) => {
                response.reports().iter().find_map(|report| match report {
                    cashless::Report::PeripheralId(id) => {
                        Some((id.id.maker, id.id.serial, id.id.model))
                    }
                    _ => None,
                })?
            }
            _ => return None,
        };
        Some(Identity {
            maker,
            serial,
            model,
        })
    }

    /// Level and currency, in set-up data.
    pub(super) fn set_up(&self) -> Option<(u8, CurrencyCode)> {
        match self {
            Self::Changer(changer::Response::Setup(setup)) => Some((setup.level, setup.currency)),
            Self::Bill(bill::Response::Setup(setup)) => Some((setup.level, setup.currency)),
            Self::Reader(response) => response.reports().iter().find_map(|report| match report {
                cashless::Report::ReaderConfig(config) => Some((config.level.0, config.currency)),
                _ => None,
            }),
            _ => None,
        }
    }
}

/// True for a block (without CHK) that is RESET.
pub(super) fn is_reset(block: &[u8]) -> bool {
    Command::parse(block).is_some_and(|command| command.is_reset())
}

/// True for a block (without CHK) that is POLL.
pub(super) fn is_poll(block: &[u8]) -> bool {
    Command::parse(block).is_some_and(|command| command.is_poll())
}
