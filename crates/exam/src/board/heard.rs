//! Blocks as they were heard on the bus of the examination, and what they are.

use crate::seen::Timed;
use payrig_mdb::{Address, Block, Typed, bill, cashless, changer};
use payrig_units::Micros;
use payrig_wire::recording::BlockRecord;
use payrig_wire::{Source, TimedWord};

/// The changer's address.
pub(super) const CHANGER: Address = Address::CHANGER;
/// The bill validator's.
pub(super) const BILL: Address = Address::BILL_VALIDATOR;
/// The card reader's.
pub(super) const READER: Address = Address::CASHLESS_1;

/// What a command of the board is, whatever it carries. Commands that no check asks for are not here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// RESET of this peripheral.
    Reset(Address),
    /// SETUP of the changer or the bill validator (sections 5.3, 6.3).
    Setup(Address),
    /// POLL of this peripheral.
    Poll(Address),
    /// TUBE STATUS (section 5.3).
    TubeStatus,
    /// COIN TYPE (section 5.3).
    CoinType,
    /// DISPENSE (section 5.3).
    Dispense,
    /// BILL TYPE (section 6.3).
    BillType,
    /// ESCROW (section 6.3).
    Escrow,
    /// SETUP, config data (section 7.4.2).
    SetupConfig,
    /// SETUP, max / min prices (section 7.4.3).
    SetupPrices,
    /// EXPANSION, request ID (section 7.4.20).
    RequestId,
    /// EXPANSION, enable options (section 7.4.24).
    EnableOptions,
    /// READER enable (section 7.4.15).
    ReaderEnable,
    /// READER disable (section 7.4.14).
    ReaderDisable,
    /// VEND request (section 7.4.5).
    VendRequest,
    /// VEND cancel (section 7.4.6).
    VendCancel,
    /// VEND success (section 7.4.7).
    VendSuccess,
    /// VEND failure (section 7.4.8).
    VendFailure,
    /// VEND session complete (section 7.4.9).
    SessionComplete,
    /// REVALUE request (section 7.4.18).
    RevalueRequest,
    /// REVALUE limit request (section 7.4.19).
    RevalueLimitRequest,
}

impl What {
    /// What a message is, if it is one of these commands.
    #[must_use]
    pub fn of(message: &Typed) -> Option<Self> {
        match message {
            Typed::ChangerCommand(command) => Self::of_changer(command),
            Typed::BillCommand(command) => Self::of_bill(command),
            // The bench has one reader, the first.
            Typed::CashlessCommand(command) if command.unit == cashless::Unit::One => {
                Self::of_reader(&command.kind)
            }
            _ => None,
        }
    }

    fn of_changer(command: &changer::Command) -> Option<Self> {
        Some(match command {
            changer::Command::Reset => Self::Reset(CHANGER),
            changer::Command::Setup => Self::Setup(CHANGER),
            changer::Command::Poll => Self::Poll(CHANGER),
            changer::Command::TubeStatus => Self::TubeStatus,
            changer::Command::CoinType { .. } => Self::CoinType,
            changer::Command::Dispense { .. } => Self::Dispense,
            _ => return None,
        })
    }

    fn of_bill(command: &bill::Command) -> Option<Self> {
        Some(match command {
            bill::Command::Reset => Self::Reset(BILL),
            bill::Command::Setup => Self::Setup(BILL),
            bill::Command::Poll => Self::Poll(BILL),
            bill::Command::BillType { .. } => Self::BillType,
            bill::Command::Escrow(_) => Self::Escrow,
            _ => return None,
        })
    }

    fn of_reader(kind: &cashless::Kind) -> Option<Self> {
        Some(match kind {
            cashless::Kind::Reset => Self::Reset(READER),
            cashless::Kind::Poll => Self::Poll(READER),
            cashless::Kind::SetupConfig(_) => Self::SetupConfig,
            cashless::Kind::SetupPrices(_) => Self::SetupPrices,
            cashless::Kind::RequestId(_) => Self::RequestId,
            cashless::Kind::EnableOptions(_) => Self::EnableOptions,
            cashless::Kind::ReaderEnable => Self::ReaderEnable,
            cashless::Kind::ReaderDisable => Self::ReaderDisable,
            cashless::Kind::VendRequest(_) => Self::VendRequest,
            cashless::Kind::VendCancel => Self::VendCancel,
            cashless::Kind::VendSuccess(_) => Self::VendSuccess,
            cashless::Kind::VendFailure(_) => Self::VendFailure,
            cashless::Kind::SessionComplete => Self::SessionComplete,
            cashless::Kind::RevalueRequest(_) => Self::RevalueRequest,
            cashless::Kind::RevalueLimitRequest => Self::RevalueLimitRequest,
            _ => return None,
        })
    }

    /// Its name in the standard's terms, as checks print it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Reset(_) => "RESET",
            Self::Setup(_) => "SETUP",
            Self::Poll(_) => "POLL",
            Self::TubeStatus => "TUBE STATUS",
            Self::CoinType => "COIN TYPE",
            Self::Dispense => "DISPENSE",
            Self::BillType => "BILL TYPE",
            Self::Escrow => "ESCROW",
            Self::SetupConfig => "SETUP CONFIG DATA",
            Self::SetupPrices => "SETUP MAX/MIN PRICES",
            Self::RequestId => "EXPANSION REQUEST ID",
            Self::EnableOptions => "OPTIONAL FEATURE BIT ENABLE",
            Self::ReaderEnable => "READER ENABLE",
            Self::ReaderDisable => "READER DISABLE",
            Self::VendRequest => "VEND REQUEST",
            Self::VendCancel => "VEND CANCEL",
            Self::VendSuccess => "VEND SUCCESS",
            Self::VendFailure => "VEND FAILURE",
            Self::SessionComplete => "SESSION COMPLETE",
            Self::RevalueRequest => "REVALUE REQUEST",
            Self::RevalueLimitRequest => "REVALUE LIMIT REQUEST",
        }
    }

    /// Whom it is for.
    #[must_use]
    pub const fn address(self) -> Address {
        match self {
            Self::Reset(address) | Self::Setup(address) | Self::Poll(address) => address,
            Self::TubeStatus | Self::CoinType | Self::Dispense => CHANGER,
            Self::BillType | Self::Escrow => BILL,
            _ => READER,
        }
    }
}

/// A block that was heard.
#[derive(Clone, Debug)]
pub struct HeardBlock {
    /// Start of its first word.
    pub at: Micros,
    /// End of its last.
    pub end: Micros,
    /// The board said it.
    pub board: bool,
    /// To, or by, the peripheral at this address.
    pub address: Address,
    /// The message; `None` for what is none.
    pub message: Option<Typed>,
    /// How far its start may be off.
    start_off: Micros,
    /// How far its end may be off.
    end_off: Micros,
    /// The pauses between its words.
    pub pauses: Vec<Timed>,
    /// Its bytes, CHK included.
    bytes: Vec<u8>,
    /// Its mode bits.
    modes: Vec<bool>,
}

impl HeardBlock {
    /// When it began.
    #[must_use]
    pub const fn began(&self) -> Timed {
        Timed {
            time: self.at,
            off: self.start_off,
        }
    }

    /// When it ended.
    #[must_use]
    pub const fn ended(&self) -> Timed {
        Timed {
            time: self.end,
            off: self.end_off,
        }
    }

    /// What it is, where it is a command of the board that checks ask for.
    #[must_use]
    pub fn what(&self) -> Option<What> {
        let message = self.message.as_ref().filter(|_| self.board);
        message.and_then(What::of)
    }

    /// True for this command of the board.
    #[must_use]
    pub fn is(&self, what: What) -> bool {
        self.what() == Some(what)
    }

    /// True when it is a command: more than ACK, NAK or RET.
    #[must_use]
    pub fn is_command(&self) -> bool {
        self.board && self.bytes.len() > 1
    }

    /// True for a command to this peripheral.
    #[must_use]
    pub fn is_command_to(&self, address: Address) -> bool {
        self.is_command() && self.address == address
    }

    /// True for data of a peripheral.
    #[must_use]
    pub fn is_data(&self) -> bool {
        !self.board && self.bytes.len() > 1
    }

    /// True for the board's ACK, NAK or RET.
    #[must_use]
    pub fn is_verdict(&self) -> bool {
        self.board && self.bytes.len() == 1
    }

    /// True for a NAK of either side.
    #[must_use]
    pub fn is_nak(&self) -> bool {
        self.message == Some(Typed::Nak)
    }

    /// True for a RET.
    #[must_use]
    pub fn is_ret(&self) -> bool {
        self.message == Some(Typed::Ret)
    }

    /// The sub-command of an EXPANSION command (command 7 of its address), also of one nobody knows.
    #[must_use]
    pub fn expansion(&self) -> Option<u8> {
        match self.bytes.as_slice() {
            [first, sub, _, ..] if self.board && first & 7 == 7 => Some(*sub),
            _ => None,
        }
    }

    /// True for a VEND command to the card reader (sections 7.4.5 to 7.4.13).
    #[must_use]
    pub fn is_vend(&self) -> bool {
        use cashless::Kind;
        matches!(
            self.to_reader(),
            Some(
                Kind::VendRequest(_)
                    | Kind::VendCancel
                    | Kind::VendSuccess(_)
                    | Kind::VendFailure(_)
                    | Kind::SessionComplete
                    | Kind::CashSale(_)
                    | Kind::NegativeVendRequest { .. }
                    | Kind::SelectionDenied { .. }
                    | Kind::CouponReply(_)
            )
        )
    }

    /// The command to the changer.
    #[must_use]
    pub fn to_changer(&self) -> Option<&changer::Command> {
        match &self.message {
            Some(Typed::ChangerCommand(command)) => Some(command),
            _ => None,
        }
    }

    /// The command to the bill validator.
    #[must_use]
    pub fn to_bill(&self) -> Option<&bill::Command> {
        match &self.message {
            Some(Typed::BillCommand(command)) => Some(command),
            _ => None,
        }
    }

    /// The command to the card reader.
    #[must_use]
    pub fn to_reader(&self) -> Option<&cashless::Kind> {
        match &self.message {
            Some(Typed::CashlessCommand(c)) if self.address == READER => Some(&c.kind),
            _ => None,
        }
    }

    /// The changer's data.
    #[must_use]
    pub fn of_changer(&self) -> Option<&changer::Response> {
        match &self.message {
            Some(Typed::ChangerResponse(response)) => Some(response),
            _ => None,
        }
    }

    /// What the changer reports at a POLL.
    #[must_use]
    pub fn changer_reports(&self) -> &[changer::Report] {
        match self.of_changer() {
            Some(changer::Response::Poll(reports)) => reports,
            _ => &[],
        }
    }

    /// What the bill validator reports at a POLL.
    #[must_use]
    pub fn bill_reports(&self) -> &[bill::Report] {
        match &self.message {
            Some(Typed::BillResponse(bill::Response::Poll(reports))) => reports,
            _ => &[],
        }
    }

    /// What the card reader says, at a POLL or straight away.
    #[must_use]
    pub fn reader_reports(&self) -> &[cashless::Report] {
        match &self.message {
            Some(Typed::CashlessResponse(response)) if self.address == READER => response.reports(),
            _ => &[],
        }
    }

    /// Its name in the standard's terms, as checks print it.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.message.as_ref().map_or("RAW", Typed::name)
    }

    /// Bytes on the wire, CHK included.
    #[must_use]
    pub fn length(&self) -> usize {
        self.bytes.len()
    }

    /// True when it ends with its CHK (section 2.2).
    #[must_use]
    pub fn has_right_chk(&self) -> bool {
        Block::from_wire(&self.bytes).is_ok()
    }

    /// True when the mode bit is set on the first word, and only there, as on a command (section 2.2).
    #[must_use]
    pub fn marks_its_address_only(&self) -> bool {
        self.modes
            .iter()
            .enumerate()
            .all(|(i, mode)| *mode == (i == 0))
    }
}

/// Makes heard blocks of recorded ones.
#[derive(Debug)]
pub(super) struct Listener {
    /// Whom the last command was for.
    speaking_to: Address,
}

impl Default for Listener {
    fn default() -> Self {
        let speaking_to = Address::VMC;
        Self { speaking_to }
    }
}

impl Listener {
    /// The next block.
    pub(super) fn block(&mut self, block: &BlockRecord) -> HeardBlock {
        let board = block.source == Source::Master;
        if let [first, _, ..] = block.bytes.as_slice()
            && board
        {
            self.speaking_to = Address::of(*first);
        }
        let words = block.words();
        let off = |word: Option<&TimedWord>| word.map_or(Micros::ZERO, |w| w.uncertainty);
        let pauses = words.iter().zip(words.iter().skip(1));
        let pauses = pauses.map(|(a, b)| Timed {
            time: b.start.since(a.end),
            off: a.uncertainty + b.uncertainty,
        });
        HeardBlock {
            at: block.start_us,
            end: block.end_us,
            board,
            address: self.speaking_to,
            message: block.message().cloned(),
            start_off: off(words.first()),
            end_off: off(words.last()),
            pauses: pauses.collect(),
            bytes: block.bytes.clone(),
            modes: block.modes.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::changer::{CoinType, CoinTypes, DispenseCount};
    use payrig_mdb::{ACK, Word};
    use payrig_wire::analysis::Analyst;
    use payrig_wire::recording::Entry;
    use payrig_wire::{BusEvent, WORD_TIME};

    /// What a bench hears of frames on its bus.
    fn heard(frames: &[(Source, Vec<Word>)]) -> Vec<HeardBlock> {
        let (mut analyst, mut listener) = (Analyst::new(), Listener::default());
        let mut at = Micros::ZERO;
        let mut entries = Vec::new();
        for (source, words) in frames {
            for word in words {
                entries.extend(analyst.event(&BusEvent::Word(TimedWord {
                    start: at,
                    end: at + WORD_TIME,
                    source: *source,
                    word: *word,
                    uncertainty: Micros::ZERO,
                })));
                at += WORD_TIME;
            }
            at += Micros::ms(2);
        }
        entries.extend(analyst.finish(at + Micros::secs(1)));
        let blocks = entries.iter().filter_map(|entry| match entry {
            Entry::Block(block) => Some(listener.block(block)),
            _ => None,
        });
        blocks.collect()
    }

    fn command(block: &Block) -> (Source, Vec<Word>) {
        (Source::Master, block.master_words().collect())
    }

    fn commands() -> Vec<(Block, What)> {
        let reader = |kind| {
            let command = cashless::Command::new(cashless::Unit::One, kind);
            command.emit(&cashless::Mode::default())
        };
        let vend = cashless::VendRequest {
            price: 13,
            item: 11,
            basket: None,
        };
        let success = cashless::VendSuccess {
            item: 11,
            dispensed: None,
            basket: None,
        };
        vec![
            (changer::Command::Reset.emit(), What::Reset(CHANGER)),
            (changer::Command::Setup.emit(), What::Setup(CHANGER)),
            (changer::Command::Poll.emit(), What::Poll(CHANGER)),
            (changer::Command::TubeStatus.emit(), What::TubeStatus),
            (
                changer::Command::CoinType {
                    accept: CoinTypes(0xFFFF),
                    manual_dispense: CoinTypes(0),
                }
                .emit(),
                What::CoinType,
            ),
            (
                changer::Command::Dispense {
                    coin_type: CoinType::of(2),
                    coins: DispenseCount::saturating(1),
                }
                .emit(),
                What::Dispense,
            ),
            (bill::Command::Reset.emit(), What::Reset(BILL)),
            (bill::Command::Setup.emit(), What::Setup(BILL)),
            (bill::Command::Poll.emit(), What::Poll(BILL)),
            (
                bill::Command::BillType {
                    enable: bill::BillTypes(1),
                    escrow: bill::BillTypes(1),
                }
                .emit(),
                What::BillType,
            ),
            (
                bill::Command::Escrow(bill::EscrowStatus::STACK).emit(),
                What::Escrow,
            ),
            (reader(cashless::Kind::Reset), What::Reset(READER)),
            (reader(cashless::Kind::Poll), What::Poll(READER)),
            (reader(cashless::Kind::ReaderEnable), What::ReaderEnable),
            (reader(cashless::Kind::ReaderDisable), What::ReaderDisable),
            (reader(cashless::Kind::VendRequest(vend)), What::VendRequest),
            (reader(cashless::Kind::VendCancel), What::VendCancel),
            (
                reader(cashless::Kind::VendSuccess(success)),
                What::VendSuccess,
            ),
            (
                reader(cashless::Kind::VendFailure(Default::default())),
                What::VendFailure,
            ),
            (
                reader(cashless::Kind::SessionComplete),
                What::SessionComplete,
            ),
            (
                reader(cashless::Kind::RevalueRequest(20)),
                What::RevalueRequest,
            ),
            (
                reader(cashless::Kind::RevalueLimitRequest),
                What::RevalueLimitRequest,
            ),
            (
                reader(cashless::Kind::EnableOptions(cashless::Options::NONE)),
                What::EnableOptions,
            ),
        ]
    }

    #[test]
    fn commands_are_known_by_what_they_are_and_go_by_their_own_name() {
        for (block, what) in commands() {
            let heard = heard(&[command(&block)]);
            let [heard] = heard.as_slice() else {
                panic!("{}: {heard:?}", what.name());
            };
            assert_eq!(heard.what(), Some(what));
            assert_eq!(heard.name(), what.name());
            assert_eq!(heard.address, what.address(), "{}", what.name());
            assert!(heard.is_command_to(what.address()) && !heard.is_data());
            assert!(heard.has_right_chk() && heard.marks_its_address_only());
        }
    }

    #[test]
    fn answers_are_of_whoever_was_asked() {
        // One coin of type 2 to its tube, 26 in it (section 5.3, POLL).
        let coin = Block::truncated(&[0x52, 0x1A]);
        let heard = heard(&[
            command(&changer::Command::Poll.emit()),
            (Source::Peripheral, coin.peripheral_words().collect()),
            (Source::Master, vec![Word::plain(ACK)]),
        ]);
        let [_, coin, ack] = heard.as_slice() else {
            panic!("{heard:?}");
        };
        assert!(coin.is_data() && coin.address == CHANGER && coin.what().is_none());
        assert_eq!(coin.changer_reports().len(), 1);
        assert!(ack.is_verdict() && !ack.is_command() && !ack.is_nak());
    }

    #[test]
    fn what_is_no_message_is_heard_all_the_same() {
        let (source, mut words) = command(
            &changer::Command::Dispense {
                coin_type: CoinType::of(2),
                coins: DispenseCount::saturating(1),
            }
            .emit(),
        );
        if let Some(chk) = words.last_mut() {
            (chk.byte, chk.mode) = (chk.byte ^ 0x20, true);
        }
        let heard = heard(&[(source, words)]);
        let first = heard.first().expect("a block");
        assert!(first.board && first.address == CHANGER && first.message.is_none());
        assert!(!first.has_right_chk());
        assert_eq!(first.name(), "RAW");
    }
}
