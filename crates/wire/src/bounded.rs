//! Files of any size, read once and in bounded memory: a pipe gives what it has a single time, a
//! device has no end, and a file with holes is smaller than it says.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// The most that is read of a file: 1 GiB, some days of a busy live bench.
pub(crate) const LIMIT: u64 = 1 << 30;

const CHUNK: u64 = 1 << 16;

/// What could be read of a file.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Input {
    /// From its beginning.
    pub(crate) bytes: Vec<u8>,
    /// There is more than [`LIMIT`].
    pub(crate) too_large: bool,
}

/// Reads a file of text to its end. It is read no further than the first piece that `known` does not
/// want, or that holds a zero byte, which no text has: a hole, a device, or what a crash left behind
/// the last line.
pub(crate) fn read(path: &Path, known: impl FnOnce(&[u8]) -> bool) -> io::Result<Input> {
    read_from(File::open(path)?, LIMIT, known)
}

fn read_from(
    mut from: impl Read,
    limit: u64,
    known: impl FnOnce(&[u8]) -> bool,
) -> io::Result<Input> {
    let mut bytes = Vec::new();
    let mut known = Some(known);
    loop {
        let before = bytes.len();
        let room = limit.saturating_sub(before as u64);
        // One more than there is room for shows that there is more.
        let wanted = CHUNK.min(room.saturating_add(1));
        let got = from.by_ref().take(wanted).read_to_end(&mut bytes)?;
        if got as u64 > room {
            bytes.truncate(usize::try_from(limit).unwrap_or(usize::MAX));
            let too_large = true;
            return Ok(Input { bytes, too_large });
        }
        let new = bytes.get(before..).unwrap_or_default();
        let wants_more = known.take().is_none_or(|known| known(new));
        if got == 0 || new.contains(&0) || !wants_more {
            let too_large = false;
            return Ok(Input { bytes, too_large });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_device_without_end_is_read_for_one_piece() {
        let zeroes = read_from(io::repeat(0), LIMIT, |_| true).unwrap();
        assert_eq!(zeroes.bytes.len() as u64, CHUNK);
        let text = read_from(io::repeat(b'x'), 200_000, |_| true).unwrap();
        assert_eq!((text.bytes.len(), text.too_large), (200_000, true));
        let unknown = read_from(io::repeat(b'x'), LIMIT, |_| false).unwrap();
        assert_eq!(unknown.bytes.len() as u64, CHUNK);
    }

    proptest! {
        #[test]
        fn whatever_fits_is_read_whole(
            text in proptest::collection::vec(1u8.., 0..200_000),
            limit in 0u64..200_000,
        ) {
            let read = read_from(text.as_slice(), limit, |_| true).unwrap();
            let kept = text.len().min(limit as usize);
            prop_assert_eq!(&read.bytes, &text[..kept]);
            prop_assert_eq!(read.too_large, text.len() as u64 > limit);
        }
    }
}
