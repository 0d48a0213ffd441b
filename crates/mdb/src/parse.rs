//! A checked reader over the bytes of a block: it cannot run past the end and cannot panic.

/// Why bytes are not a message of the standard. The block is then shown raw, never dropped.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ParseError {
    /// The block ended where a byte was expected.
    #[error("byte {at} is missing: {expected}")]
    Short {
        /// Index of the missing byte, the address byte or first data byte being 0.
        at: usize,
        /// What it would have been.
        expected: &'static str,
    },
    /// Bytes are left over after the message.
    #[error("{extra} bytes more than the message has, from byte {at} on")]
    Long {
        /// Index of the first byte too many.
        at: usize,
        /// How many.
        extra: usize,
    },
    /// A byte has a value the standard does not define here.
    #[error("byte {at} is {value:02X}H: {expected}")]
    Value {
        /// Index of the byte.
        at: usize,
        /// Its value.
        value: u8,
        /// What was expected.
        expected: &'static str,
    },
}

/// Reads a block byte by byte.
#[derive(Clone, Debug)]
pub struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    /// Starts at the first byte.
    #[must_use]
    pub const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// Index of the next byte.
    #[must_use]
    pub const fn at(&self) -> usize {
        self.at
    }

    /// Bytes not read yet.
    #[must_use]
    pub fn rest(&self) -> &'a [u8] {
        self.bytes.get(self.at..).unwrap_or_default()
    }

    /// True when all is read.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rest().is_empty()
    }

    /// The next byte, not consumed.
    #[must_use]
    pub fn peek(&self) -> Option<u8> {
        self.rest().first().copied()
    }

    /// One byte.
    ///
    /// # Errors
    /// [`ParseError::Short`] at the end.
    pub fn u8(&mut self, expected: &'static str) -> Result<u8, ParseError> {
        let byte = self.peek().ok_or(ParseError::Short {
            at: self.at,
            expected,
        })?;
        self.at += 1;
        Ok(byte)
    }

    /// Two bytes, most significant first (section 2.4.2).
    ///
    /// # Errors
    /// [`ParseError::Short`] at the end.
    pub fn u16(&mut self, expected: &'static str) -> Result<u16, ParseError> {
        Ok(u16::from_be_bytes(self.array(expected)?))
    }

    /// Four bytes, most significant first (section 2.4.2).
    ///
    /// # Errors
    /// [`ParseError::Short`] at the end.
    pub fn u32(&mut self, expected: &'static str) -> Result<u32, ParseError> {
        Ok(u32::from_be_bytes(self.array(expected)?))
    }

    /// `N` bytes.
    ///
    /// # Errors
    /// [`ParseError::Short`] at the end.
    pub fn array<const N: usize>(&mut self, expected: &'static str) -> Result<[u8; N], ParseError> {
        let short = ParseError::Short {
            at: self.bytes.len(),
            expected,
        };
        let (head, _) = self.rest().split_first_chunk::<N>().ok_or(short)?;
        self.at += N;
        Ok(*head)
    }

    /// All that is left.
    pub fn take_rest(&mut self) -> &'a [u8] {
        let rest = self.rest();
        self.at = self.bytes.len();
        rest
    }

    /// An error about the byte just read.
    #[must_use]
    pub fn bad(&self, value: u8, expected: &'static str) -> ParseError {
        ParseError::Value {
            at: self.at.saturating_sub(1),
            value,
            expected,
        }
    }

    /// Checks that nothing is left.
    ///
    /// # Errors
    /// [`ParseError::Long`] when something is.
    pub fn end(&self) -> Result<(), ParseError> {
        match self.rest().len() {
            0 => Ok(()),
            extra => Err(ParseError::Long { at: self.at, extra }),
        }
    }
}
