//! How long a command block is (sections 2.6.4, 6.3).

use crate::{Length, ftl};

/// The length of a master's block to a bill validator, CHK included, from its first bytes (the
/// address byte first). [`Length::Unknown`] for the sub-commands whose data the standard leaves
/// open (SEND BLOCK, DIAGNOSTICS), for undefined ones, and for another device's address.
#[must_use]
pub fn length(bytes: &[u8]) -> Length {
    let Some((first, rest)) = bytes.split_first() else {
        return Length::NeedMore;
    };
    match first {
        0x30 | 0x31 | 0x33 | 0x36 => Length::Known(2),
        0x32 => Length::Known(4),
        0x34 => Length::Known(6),
        0x35 => Length::Known(3),
        0x37 => match rest.first() {
            None => Length::NeedMore,
            Some(0xFA..=0xFE) => ftl::command_length(bytes),
            Some(sub) => expansion(*sub),
        },
        _ => Length::Unknown,
    }
}

/// Address byte, sub-command and CHK are three bytes; the rest is data.
fn expansion(sub: u8) -> Length {
    let data = match sub {
        0x00 | 0x02 | 0x03 | 0x05 | 0x08 | 0x09 | 0x0A => 0,
        0x01 => 4,
        // Headed "19 bytes" in the standard, but Y1-Y18 are defined.
        0x04 => 18,
        0x06 => 3,
        0x07 => 2,
        _ => return Length::Unknown,
    };
    Length::Known(3 + data)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn needs_the_sub_command_of_an_expansion() {
        assert_eq!(length(&[]), Length::NeedMore);
        assert_eq!(length(&[0x37]), Length::NeedMore);
        assert_eq!(length(&[0x37, 0x04]), Length::Known(21));
        assert_eq!(length(&[0x37, 0xFC]), Length::Unknown);
        assert_eq!(length(&[0x37, 0xFF]), Length::Unknown);
        assert_eq!(length(&[0x0B]), Length::Unknown);
        assert_eq!(length(&[0x34]), Length::Known(6));
    }
}
