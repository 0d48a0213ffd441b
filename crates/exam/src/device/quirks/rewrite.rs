//! What becomes of commands and answers with a bad habit.
#![expect(clippy::ptr_arg, reason = "a rewrite may also take bytes away")]

use super::super::habit::Context;

pub(super) fn is_reset(command: &[u8]) -> bool {
    matches!(command, [0x08 | 0x30 | 0x10 | 0x60])
}

pub(super) fn is_disable(command: &[u8]) -> bool {
    matches!(command, [0x14 | 0x64, 0x00])
}

pub(super) fn is_vend_request(command: &[u8]) -> bool {
    matches!(command, [0x13 | 0x63, 0x00, ..])
}

fn put(bytes: &mut [u8], at: usize, byte: u8) {
    if let Some(there) = bytes.get_mut(at) {
        *there = byte;
    }
}

/// Where SETUP data begins in an answer: behind the header of a card reader's.
fn setup_at(context: &Context<'_>, bytes: &[u8]) -> Option<usize> {
    match (context.command.first(), bytes.first()) {
        (Some(0x09 | 0x31), _) => Some(0),
        (Some(0x11 | 0x12 | 0x61 | 0x62), Some(0x01)) if bytes.len() == 8 => Some(1),
        _ => None,
    }
}

pub(super) fn scaling_zero(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if let Some(at) = setup_at(context, bytes) {
        put(bytes, at + 3, 0);
        if context.command == [0x31] {
            put(bytes, 4, 0);
        }
    }
}

pub(super) fn nonsense_currency(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if let Some(at) = setup_at(context, bytes) {
        put(bytes, at + 1, 0xEE);
        put(bytes, at + 2, 0xEE);
    }
}

pub(super) fn setup_changes(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if setup_at(context, bytes).is_some()
        && context.count % 2 == 1
        && let Some(last) = bytes.last_mut()
    {
        *last ^= 1;
    }
}

pub(super) fn unprintable(context: &Context<'_>, bytes: &mut Vec<u8>) {
    match (context.command, bytes.first()) {
        ([0x0F | 0x37, 0x00], _) => put(bytes, 5, 0x07),
        ([0x17 | 0x12 | 0x67 | 0x62, ..], Some(0x09)) => put(bytes, 6, 0x07),
        _ => {}
    }
}

pub(super) fn credits_slugs(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0B] && matches!(bytes.as_slice(), [0x20..=0x3F]) {
        *bytes = vec![0x40, 0x01];
    }
}

pub(super) fn tube_status_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0A] {
        *bytes = context.first.to_vec();
    }
}

pub(super) fn hides_lever(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0B] && *bytes == [0x01] {
        bytes.clear();
    }
}

pub(super) fn hides_sensor(context: &Context<'_>, bytes: &mut Vec<u8>) {
    match context.command {
        [0x0A] => {
            put(bytes, 0, 0);
            put(bytes, 1, 0);
        }
        [0x0B] if *bytes == [0x04] => bytes.clear(),
        _ => {}
    }
}

pub(super) fn payout_status_wrong(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0F, 0x03]
        && let Some(first) = bytes.first_mut()
    {
        *first += 1;
    }
}

pub(super) fn stacker_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x36] {
        *bytes = context.first.to_vec();
    }
}

pub(super) fn credits_paper(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x33] {
        for byte in bytes.iter_mut().filter(|b| **b == 0x0B) {
            *byte = 0x80;
        }
    }
}

pub(super) fn hides(context: &Context<'_>, bytes: &mut Vec<u8>, code: u8) {
    if context.command == [0x33] {
        bytes.retain(|b| *b != code);
    }
}

pub(super) fn hides_cash_box(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x08);
}

pub(super) fn hides_jam(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x05);
}

pub(super) fn hides_disabled(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x09);
}

pub(super) fn loses_bills(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.count % 3 == 2 && context.command == [0x33] {
        bytes.retain(|b| !(0x80..0x90).contains(b));
    }
}

pub(super) fn approves_everything(_: &Context<'_>, bytes: &mut Vec<u8>) {
    if *bytes == [0x06] {
        *bytes = vec![0x05, 0x00, 0x1E];
    }
}

pub(super) fn hides_out_of_sequence(_: &Context<'_>, bytes: &mut Vec<u8>) {
    if bytes.len() <= 2 && bytes.first() == Some(&0x0B) {
        bytes.clear();
    }
}

pub(super) fn limit_of_zero(_: &Context<'_>, bytes: &mut Vec<u8>) {
    if *bytes == [0x0E] {
        *bytes = vec![0x0F, 0x00, 0x00];
    }
}
