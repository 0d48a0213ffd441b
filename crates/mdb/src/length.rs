//! What can be said of how long a block is.

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
