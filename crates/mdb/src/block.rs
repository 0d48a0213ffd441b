//! Blocks: data bytes with their CHK, at most 36 bytes (MDB/ICP 4.3, section 2.2).

use crate::prelude::*;
use crate::{ACK, NAK, RET, Word};
use core::fmt;

/// The most bytes a block may have, CHK included (section 2.2).
pub const MAX_BLOCK: usize = 36;

/// The checksum of a block: the sum of its bytes (CHK not included), low eight bits (section 2.2).
#[must_use]
pub fn chk(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, b| sum.wrapping_add(*b))
}

/// 1 to 35 bytes that travel together, followed on the wire by their CHK.
///
/// The bytes are kept without the CHK, which is computed. The first byte of a master's block is
/// the address byte.
///
/// ```
/// use payrig_mdb::{Block, BlockError};
///
/// let reset = Block::new(&[0x08])?;
/// assert_eq!(reset.chk(), 0x08);
/// assert_eq!(Block::from_wire(&[0x08, 0x08]), Ok(reset));
/// assert!(matches!(Block::from_wire(&[0x08, 0x09]), Err(BlockError::Checksum { .. })));
/// // Mode bit on the first word of a master's block, on the last of a peripheral's.
/// assert_eq!(reset.master_words().map(|word| word.mode).collect::<Vec<_>>(), [true, false]);
/// assert_eq!(reset.peripheral_words().map(|word| word.mode).collect::<Vec<_>>(), [false, true]);
/// # Ok::<(), BlockError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Block {
    bytes: [u8; MAX_BLOCK - 1],
    len: u8,
}

impl Block {
    /// A block of `bytes` (without CHK).
    ///
    /// # Errors
    /// [`BlockError::Empty`] for none, [`BlockError::TooLong`] for more than 35.
    pub fn new(bytes: &[u8]) -> Result<Self, BlockError> {
        if bytes.is_empty() {
            return Err(BlockError::Empty);
        }
        let mut block = Self {
            bytes: [0; MAX_BLOCK - 1],
            len: 0,
        };
        match block.bytes.get_mut(..bytes.len()) {
            Some(room) => room.copy_from_slice(bytes),
            None => {
                return Err(BlockError::TooLong {
                    bytes: bytes.len() + 1,
                });
            }
        }
        block.len = bytes.len() as u8;
        Ok(block)
    }

    /// A block of the first 35 of `bytes`; of a single 00H where there are none. For emitters
    /// whose types already keep their data short enough.
    #[must_use]
    pub fn truncated(bytes: &[u8]) -> Self {
        let mut block = Self {
            bytes: [0; MAX_BLOCK - 1],
            len: bytes.len().clamp(1, MAX_BLOCK - 1) as u8,
        };
        for (to, from) in block.bytes.iter_mut().zip(bytes) {
            *to = *from;
        }
        block
    }

    /// A block from bytes as they travelled, the last of them being the CHK.
    ///
    /// # Errors
    /// As for [`Block::new`], and [`BlockError::Checksum`] when the last byte is not their CHK.
    pub fn from_wire(bytes: &[u8]) -> Result<Self, BlockError> {
        let Some((received, data)) = bytes.split_last() else {
            return Err(BlockError::Empty);
        };
        let block = Self::new(data)?;
        if block.chk() != *received {
            return Err(BlockError::Checksum {
                computed: block.chk(),
                received: *received,
            });
        }
        Ok(block)
    }

    /// The bytes without CHK.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.len)).unwrap_or_default()
    }

    /// The checksum byte that follows on the wire.
    #[must_use]
    pub fn chk(&self) -> u8 {
        chk(self.bytes())
    }

    /// The first byte: the address byte of a master's block.
    #[must_use]
    pub fn first(&self) -> u8 {
        self.bytes[0]
    }

    /// The words a master sends for this block: mode bit on the first, CHK last (section 2.2).
    pub fn master_words(&self) -> impl Iterator<Item = Word> + '_ {
        let first = self.bytes().iter().take(1).map(|b| Word::marked(*b));
        let rest = self.bytes().iter().skip(1).map(|b| Word::plain(*b));
        first.chain(rest).chain([Word::plain(self.chk())])
    }

    /// The words a peripheral sends for this block: mode bit on the CHK only (section 2.2).
    pub fn peripheral_words(&self) -> impl Iterator<Item = Word> + '_ {
        self.bytes()
            .iter()
            .map(|b| Word::plain(*b))
            .chain([Word::marked(self.chk())])
    }
}

impl fmt::Debug for Block {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for b in self.bytes() {
            write!(f, "{b:02X} ")?;
        }
        write!(f, "({:02X})", self.chk())
    }
}

/// Why bytes are not a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BlockError {
    /// There are no data bytes.
    #[error("a block has at least one byte before its CHK")]
    Empty,
    /// There are more than 36 bytes with the CHK.
    #[error("{bytes} bytes with CHK; section 2.2 allows at most 36")]
    TooLong {
        /// Bytes, CHK included.
        bytes: usize,
    },
    /// The CHK does not match.
    #[error("CHK is {received:02X}H, the bytes before it add up to {computed:02X}H (section 2.2)")]
    Checksum {
        /// What the data adds up to.
        computed: u8,
        /// What was sent.
        received: u8,
    },
}

/// One transmission of the master.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MasterFrame {
    /// A command block.
    Command(Block),
    /// Data received.
    Ack,
    /// Data not received.
    Nak,
    /// Send it again.
    Ret,
}

impl MasterFrame {
    /// The words on the wire. ACK, NAK and RET have no mode bit and no CHK (section 2.2, 2.5).
    #[must_use]
    pub fn words(&self) -> Vec<Word> {
        match self {
            Self::Command(block) => block.master_words().collect(),
            Self::Ack => vec![Word::plain(ACK)],
            Self::Nak => vec![Word::plain(NAK)],
            Self::Ret => vec![Word::plain(RET)],
        }
    }
}

/// One transmission of a peripheral.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PeripheralFrame {
    /// A data block.
    Data(Block),
    /// Command received.
    Ack,
    /// Command not received.
    Nak,
}

impl PeripheralFrame {
    /// The words on the wire; the last has its mode bit set (section 2.2).
    #[must_use]
    pub fn words(&self) -> Vec<Word> {
        match self {
            Self::Data(block) => block.peripheral_words().collect(),
            Self::Ack => vec![Word::marked(ACK)],
            Self::Nak => vec![Word::marked(NAK)],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// MDB/ICP 4.3, section 2.2: the worked example, sum 12CH, CHK 2CH.
    #[test]
    fn chk_example_of_the_standard() {
        let status = [
            0x02, 0x00, 0x01, 0x05, 0x02, 0x00, 0x07, 0x01, 0x02, 0x05, 0x14, 0xFF,
        ];
        assert_eq!(status.iter().map(|b| u32::from(*b)).sum::<u32>(), 0x12C);
        assert_eq!(chk(&status), 0x2C);
    }

    #[test]
    fn longest_block_is_36_bytes_with_chk() {
        assert!(Block::new(&[1; 35]).is_ok());
        assert_eq!(Block::new(&[1; 36]), Err(BlockError::TooLong { bytes: 37 }));
        assert_eq!(Block::new(&[]), Err(BlockError::Empty));
        assert_eq!(Block::truncated(&[1; 36]).bytes(), [1; 35]);
        assert_eq!(Block::truncated(&[1, 2]).bytes(), [1, 2]);
        assert_eq!(Block::truncated(&[]).bytes(), [0]);
    }

    proptest! {
        #[test]
        fn wire_round_trips(bytes in proptest::collection::vec(any::<u8>(), 1..=35)) {
            let block = Block::new(&bytes).unwrap();
            let master: Vec<Word> = block.master_words().collect();
            let peripheral: Vec<Word> = block.peripheral_words().collect();
            let raw = |words: &[Word]| words.iter().map(|w| w.byte).collect::<Vec<_>>();
            prop_assert_eq!(Block::from_wire(&raw(&master)), Ok(block));
            prop_assert_eq!(Block::from_wire(&raw(&peripheral)), Ok(block));
            prop_assert!(master[0].mode && master[1..].iter().all(|w| !w.mode));
            let (last, rest) = peripheral.split_last().unwrap();
            prop_assert!(last.mode && rest.iter().all(|w| !w.mode));
        }

        #[test]
        fn any_bytes_from_the_wire_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..=80)) {
            let _ = Block::from_wire(&bytes);
        }
    }
}
