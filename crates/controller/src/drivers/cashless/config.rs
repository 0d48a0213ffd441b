//! What a board is to its cashless devices, and what it uses of them.

use super::{Calendar, Clock};
use payrig_mdb::cashless::Options;
use std::collections::BTreeMap;

/// What the board says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VmcIdentity {
    /// Three letters.
    pub maker: String,
    /// Up to twelve characters.
    pub serial: String,
    /// Up to twelve characters.
    pub model: String,
}

impl VmcIdentity {
    /// Its manufacturer file (2.6.4, file ID 00H): the three letters, then model and serial number.
    pub(crate) fn file(&self) -> Vec<u8> {
        format!("{:3.3}{} {}", self.maker, self.model, self.serial).into_bytes()
    }
}

/// Of the invented maker `ZZZ`.
impl Default for VmcIdentity {
    fn default() -> Self {
        Self {
            maker: "ZZZ".to_owned(),
            serial: "000000000001".to_owned(),
            model: "PAYRIG BOARD".to_owned(),
        }
    }
}

/// What a board uses of its cashless devices, where they offer it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CashlessUse {
    /// Optional features of level 03 (7.4.24). One that a reader does not offer is not enabled.
    pub options: Options,
    /// Columns of the display the readers may use; 0 for none (7.4.2, Y3).
    pub columns: u8,
    /// Rows of that display (7.4.2, Y4).
    pub rows: u8,
    /// Cash that comes in while a card is there goes to the card, and so does change, as far as the
    /// reader's limit allows (7.4.18, 7.4.19). Level 02 on.
    pub revalue: bool,
    /// What TIME/DATE REQUEST is answered with (7.4.23); `None` answers "not supported".
    pub clock: Option<Clock>,
    /// Every reader of level 02 on is sent the time once it is set up, without being asked (7.4.23).
    pub set_clocks: bool,
    /// What that answer says of summertime and holidays.
    pub calendar: Calendar,
    /// The display shows every ASCII character, not only numbers and capitals (7.4.2, Y5).
    pub full_ascii: bool,
    /// The board says what its lowest and highest prices are; without it they are not known (7.4.3).
    pub announce_prices: bool,
    /// Names of items as EVA-DTS field PA101 has them, for enhanced item number information (7.4.7):
    /// up to six characters; the number itself where none is given.
    pub codes: BTreeMap<u16, String>,
    /// User files read once a level 02 reader is set up (7.4.21, obsolete).
    pub read_files: Vec<u8>,
    /// User files written then, before any is read (7.4.22, obsolete): number and content.
    pub write_files: Vec<(u8, Vec<u8>)>,
}

/// 32 bit money and file transfers where they are offered, a display of two rows of 16 characters,
/// prices announced, nothing else.
impl Default for CashlessUse {
    fn default() -> Self {
        Self {
            options: Options::MONEY_32 | Options::FTL,
            columns: 16,
            rows: 2,
            revalue: false,
            clock: None,
            set_clocks: false,
            calendar: Calendar::default(),
            full_ascii: true,
            announce_prices: true,
            codes: BTreeMap::new(),
            read_files: Vec::new(),
            write_files: Vec::new(),
        }
    }
}
