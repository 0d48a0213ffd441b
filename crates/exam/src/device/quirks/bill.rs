//! Wrong behaviours of a bill validator.

use super::super::setup::Setup;
use super::own;
use super::rewrite::{
    credits_paper, hides_cash_box, hides_disabled, hides_jam, loses_bills, scaling_zero,
    stacker_frozen,
};
use crate::check::Quirk;

/// Quirks of a bill validator.
pub(super) const BILL: &[Quirk<Setup>] = &[
    habit!(
        "scaling-zero",
        "a scaling factor of 0",
        ["bill-values"],
        rewrite = Some(scaling_zero)
    ),
    own!(
        "option-bytes-in-short-identification",
        "option bits where none belong",
        ["identification-length"],
        bill
    ),
    own!(
        "duplicate-report-after-ack",
        "reports each bill twice",
        ["each-bill-reported-once", "bills-in-a-row"],
        bill
    ),
    habit!(
        "forgets-unacknowledged",
        "forgets what was not acknowledged",
        ["bill-repeated-after-lost-ack"],
        silence_is_ack = true
    ),
    own!(
        "accepts-disabled-bills",
        "takes bills that are off",
        ["disabled-bills-refused", "all-bills-off-after-reset"],
        bill
    ),
    habit!(
        "stays-enabled",
        "stays enabled after RESET",
        ["all-bills-off-after-reset"],
        stays_enabled = true
    ),
    own!(
        "escrow-report-missing",
        "does not report a bill in escrow",
        ["escrow-reported"],
        bill
    ),
    own!(
        "stacks-without-order",
        "stacks without an order",
        ["escrow-waits-for-order"],
        bill
    ),
    own!(
        "returns-on-stack-order",
        "gives back what it should stack",
        ["escrow-stack-obeyed"],
        bill
    ),
    own!(
        "ignores-escrow-orders",
        "does nothing on ESCROW",
        ["escrow-return-obeyed", "escrow-stack-obeyed"],
        bill
    ),
    own!(
        "reports-before-stacked",
        "says BILL STACKED too early",
        ["stacked-means-stacked"],
        bill
    ),
    own!(
        "reset-forgets-escrow",
        "a reset forgets the bill in escrow",
        ["reset-returns-escrow"],
        bill
    ),
    own!(
        "reset-forgets-reports",
        "a reset forgets a stacked bill",
        ["bill-survives-reset"],
        bill
    ),
    habit!(
        "stacker-count-frozen",
        "STACKER never changes",
        ["stacker-counts"],
        rewrite = Some(stacker_frozen)
    ),
    own!(
        "stacker-full-never-reported",
        "never says that the stacker is full",
        ["stacker-full-told"],
        bill
    ),
    own!(
        "invalid-escrow-unreported",
        "says nothing to a wrong ESCROW",
        ["invalid-escrow-told"],
        bill
    ),
    habit!(
        "credits-paper",
        "reports paper as a bill",
        ["paper-not-credited"],
        rewrite = Some(credits_paper)
    ),
    habit!(
        "hides-cash-box",
        "does not tell that the cash box is gone",
        ["cash-box-out-told"],
        rewrite = Some(hides_cash_box)
    ),
    habit!(
        "hides-jam",
        "does not tell of a jam",
        ["jam-told"],
        rewrite = Some(hides_jam)
    ),
    habit!(
        "hides-disabled",
        "does not say that it is disabled",
        ["disabled-said"],
        rewrite = Some(hides_disabled)
    ),
    habit!(
        "loses-every-third-bill",
        "does not report every third bill",
        ["bills-in-a-row"],
        rewrite = Some(loses_bills)
    ),
];
