//! Wrong behaviours of a bill recycler, besides those of a bill validator.
#![expect(clippy::ptr_arg, reason = "a rewrite may also take bytes away")]

use super::super::habit::Context;
use super::super::setup::Setup;
use super::own;
use super::rewrite::hides;
use crate::check::Quirk;

/// Quirks of a bill recycler.
pub(super) const RECYCLER: &[Quirk<Setup>] = &[
    habit!(
        "hides-recycler",
        "does not say that it recycles",
        ["recycler-offered"],
        rewrite = Some(hides_recycler)
    ),
    own!(
        "recycler-needs-no-setup",
        "obeys recycler orders before its set-up",
        ["recycler-silent-before-set-up"],
        bill
    ),
    habit!(
        "says-stacked-for-recycled",
        "says BILL STACKED for bills in its stores",
        ["recycler-fills"],
        rewrite = Some(stacked_for_recycled)
    ),
    habit!(
        "says-recycled-for-stacked",
        "says BILL TO RECYCLER for bills in its stacker",
        ["recycler-off-stacks"],
        rewrite = Some(recycled_for_stacked)
    ),
    habit!(
        "dispense-status-frozen",
        "BILL DISPENSE STATUS never changes",
        ["dispense-status-follows"],
        rewrite = Some(status_frozen)
    ),
    habit!(
        "tells-one-bill-more",
        "BILL DISPENSE STATUS tells one bill more than there is",
        ["dispense-status-honest"],
        rewrite = Some(one_more_in_store)
    ),
    own!(
        "dispenses-one-bill-less",
        "pays one bill less",
        ["pays-bills"],
        bill
    ),
    habit!(
        "shrugs-dispense-value",
        "acknowledges DISPENSE VALUE and pays nothing",
        ["pays-a-value"],
        shrugs = Some(is_dispense_value)
    ),
    habit!(
        "payout-status-one-more",
        "PAYOUT STATUS says one bill too many",
        ["payout-status-right"],
        rewrite = Some(one_more_paid)
    ),
    own!(
        "last-bill-missing-in-value-poll",
        "PAYOUT VALUE POLL leaves the last bill out",
        ["payout-progress-told"],
        bill
    ),
    own!(
        "ignores-payout-cancel",
        "acknowledges PAYOUT CANCEL and goes on",
        ["payout-cancelled"],
        bill
    ),
    habit!(
        "hides-payout-busy",
        "does not say that it is paying",
        ["payout-busy-told"],
        rewrite = Some(hides_busy)
    ),
    habit!(
        "hides-waiting-bill",
        "does not say that a bill waits to be taken",
        ["bill-waiting-told"],
        rewrite = Some(hides_waiting)
    ),
    own!(
        "double-dispense-on-repeat",
        "pays a repeated order too",
        ["payout-not-doubled"],
        bill
    ),
    habit!(
        "counts-change-with-reset",
        "counts its stores anew, and wrongly, after each RESET",
        ["stores-kept-over-reset", "dispense-status-honest"],
        rewrite = Some(status_drifts)
    ),
];

fn is_dispense_value(command: &[u8]) -> bool {
    matches!(command, [0x37, 0x07, ..])
}

fn hides_recycler(context: &Context<'_>, bytes: &mut Vec<u8>) {
    // Z30-Z33, the option bits; recycling is b1 of the last.
    if context.command == [0x37, 0x02]
        && let Some(last) = bytes.last_mut()
    {
        *last &= !0x02;
    }
}

fn rerouted(context: &Context<'_>, bytes: &mut [u8], from: u8, to: u8) {
    if context.command == [0x33] {
        for byte in bytes.iter_mut().filter(|b| **b & 0xF0 == from) {
            *byte = *byte & 0x0F | to;
        }
    }
}

fn stacked_for_recycled(context: &Context<'_>, bytes: &mut Vec<u8>) {
    rerouted(context, bytes, 0xB0, 0x80);
}

fn recycled_for_stacked(context: &Context<'_>, bytes: &mut Vec<u8>) {
    rerouted(context, bytes, 0x80, 0xB0);
}

fn status_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x37, 0x05] {
        *bytes = context.first.to_vec();
    }
}

/// Low bytes of all counts that are not zero: behind Z1-Z2, two bytes each.
fn raise(bytes: &mut [u8], from: usize, by: u8) {
    for byte in bytes.iter_mut().skip(from + 1).step_by(2) {
        *byte = if *byte == 0 {
            0
        } else {
            byte.saturating_add(by)
        };
    }
}

fn one_more_in_store(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x37, 0x05] {
        raise(bytes, 2, 1);
    }
}

fn one_more_paid(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x37, 0x08] {
        raise(bytes, 0, 1);
    }
}

fn status_drifts(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x37, 0x05] {
        let by = u8::try_from(context.count % 100).unwrap_or(0);
        raise(bytes, 2, by);
    }
}

fn hides_busy(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x22);
}

fn hides_waiting(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x2A);
}
