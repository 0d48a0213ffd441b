//! Fields of the file transport layer's messages (MDB/ICP 4.3, section 2.6.4).

use core::fmt;

/// Data bytes in one SEND BLOCK, at most.
pub(super) const MAX_DATA: usize = 31;

/// Up to 31 bytes of a file: what one SEND BLOCK carries. None at all marks the end of a file.
#[derive(Clone, Copy, PartialEq, Eq, Default)]
pub struct Chunk {
    bytes: [u8; MAX_DATA],
    len: u8,
}

impl Chunk {
    /// A chunk of at most 31 bytes; `None` for more.
    #[must_use]
    pub fn new(data: &[u8]) -> Option<Self> {
        let mut chunk = Self::default();
        chunk.bytes.get_mut(..data.len())?.copy_from_slice(data);
        chunk.len = data.len() as u8;
        Some(chunk)
    }

    /// A file cut into full chunks, the last with what is left; none for an empty file.
    pub fn split(file: &[u8]) -> impl Iterator<Item = Self> + '_ {
        file.chunks(MAX_DATA).filter_map(Self::new)
    }

    /// The data bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.len)).unwrap_or_default()
    }

    /// True for the chunk that ends a file.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.len == 0
    }
}

impl fmt::Debug for Chunk {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X?}", self.bytes())
    }
}

/// What a file is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FileId(pub u8);

impl FileId {
    /// 00H: starts with the maker's three letter code; the rest is the maker's own.
    pub const MANUFACTURER: Self = Self(0x00);
    /// 01H: a file in the EVA data transfer standard.
    pub const DTS: Self = Self(0x01);
}

impl fmt::Display for FileId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            0x00 => f.write_str("file 00H (manufacturer ID)"),
            0x01 => f.write_str("file 01H (DTS)"),
            0xF0..=0xFF => write!(f, "file {:02X}H (manufacturer specific)", self.0),
            n => write!(f, "file {n:02X}H (undefined)"),
        }
    }
}

/// The control byte: two bits are defined, the others are to be 0 and are kept as they came.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Control(pub u8);

impl Control {
    /// b0: the receiver resets itself when the transfer is complete.
    #[must_use]
    pub const fn reset_after(self) -> bool {
        self.0 & 1 != 0
    }

    /// b1: this session holds the end of the file; else another session follows.
    #[must_use]
    pub const fn end_of_file(self) -> bool {
        self.0 & 2 != 0
    }
}

impl fmt::Display for Control {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.end_of_file() {
            true => "end of file",
            false => "more sessions follow",
        })?;
        if self.reset_after() {
            f.write_str(", reset afterwards")?;
        }
        match self.0 & !3 {
            0 => Ok(()),
            bits => write!(f, ", unused bits {bits:02X}H set"),
        }
    }
}
