//! Amounts on the wire: two or four bytes by mode, most significant first (sections 2.4.2, 7.1).

use super::Mode;
use crate::prelude::*;
use crate::{ParseError, Reader};

/// An amount; every value counts.
pub(super) fn read(
    r: &mut Reader<'_>,
    mode: &Mode,
    expected: &'static str,
) -> Result<u32, ParseError> {
    if mode.expanded() {
        r.u32(expected)
    } else {
        r.u16(expected).map(u32::from)
    }
}

/// An amount that is not known (`None`) when all its bits are set.
pub(super) fn read_known(
    r: &mut Reader<'_>,
    mode: &Mode,
    expected: &'static str,
) -> Result<Option<u32>, ParseError> {
    let n = read(r, mode, expected)?;
    Ok((n != mode.money_max()).then_some(n))
}

/// Appends an amount, at most the largest the field holds.
pub(super) fn put(out: &mut Vec<u8>, mode: &Mode, amount: u32) {
    if mode.expanded() {
        out.extend(amount.to_be_bytes());
    } else {
        out.extend(u16::try_from(amount).unwrap_or(u16::MAX).to_be_bytes());
    }
}

/// Appends an amount, at most one less than all bits set; all bits set for `None`.
pub(super) fn put_known(out: &mut Vec<u8>, mode: &Mode, amount: Option<u32>) {
    let max = mode.money_max();
    put(out, mode, amount.map_or(max, |n| n.min(max - 1)));
}
