//! Wrong behaviours of a cashless device.

use super::super::setup::Setup;
use super::own;
use super::rewrite::{
    approves_everything, hides_out_of_sequence, is_disable, is_reset, is_vend_request,
    limit_of_zero, scaling_zero,
};
use crate::check::Quirk;

/// Quirks of a cashless device.
pub(super) const CASHLESS: &[Quirk<Setup>] = &[
    habit!(
        "scaling-zero",
        "a scale factor of 0",
        ["reader-configuration"],
        rewrite = Some(scaling_zero)
    ),
    own!(
        "responds-above-vmc-level",
        "speaks its own level to an old board",
        ["level-respected"],
        cashless
    ),
    own!(
        "session-while-disabled",
        "takes cards while it is disabled",
        ["no-session-while-disabled", "disable-obeyed"],
        cashless
    ),
    habit!(
        "shrugs-disable",
        "acknowledges READER DISABLE and does nothing",
        ["disable-obeyed"],
        shrugs = Some(is_disable)
    ),
    own!(
        "begin-session-repeated",
        "BEGIN SESSION at every POLL",
        ["session-begins-once"],
        cashless
    ),
    own!(
        "forgets-unacknowledged",
        "forgets what was not acknowledged",
        ["session-repeated-after-lost-ack"],
        cashless
    ),
    own!(
        "approves-more-than-asked",
        "deducts more than was asked",
        ["approves-what-was-asked"],
        cashless
    ),
    own!(
        "never-answers-vend-request",
        "never decides a vend",
        ["vend-decided-in-time"],
        cashless
    ),
    habit!(
        "approves-everything",
        "approves what the card cannot pay",
        ["vend-above-balance-denied"],
        rewrite = Some(approves_everything)
    ),
    own!(
        "charges-twice-on-repeat",
        "charges a repeated request again",
        ["repeated-request-charged-once"],
        cashless
    ),
    own!(
        "out-of-sequence-on-repeat",
        "COMMAND OUT OF SEQUENCE for a repetition",
        ["repeat-not-out-of-sequence"],
        cashless
    ),
    own!(
        "no-refund-on-vend-failure",
        "keeps the money of a failed vend",
        ["vend-failure-refunded"],
        cashless
    ),
    habit!(
        "shrugs-vend-request",
        "acknowledges VEND REQUEST and does nothing",
        ["vend-success-kept", "vend-decided-in-time"],
        shrugs = Some(is_vend_request)
    ),
    own!(
        "ignores-vend-cancel",
        "does nothing on VEND CANCEL",
        ["vend-cancel-obeyed"],
        cashless
    ),
    own!(
        "never-ends-session",
        "never ends a session",
        ["session-ends"],
        cashless
    ),
    habit!(
        "hides-out-of-sequence",
        "never says COMMAND OUT OF SEQUENCE",
        ["out-of-sequence-told"],
        rewrite = Some(hides_out_of_sequence)
    ),
    own!(
        "never-polled-gives-up",
        "gives up after one second without POLL",
        ["patient-with-silence"],
        cashless
    ),
    habit!(
        "resets-only-in-words",
        "acknowledges RESET and stays enabled",
        ["reader-off-after-reset"],
        shrugs = Some(is_reset)
    ),
    habit!(
        "limit-of-zero",
        "answers REVALUE LIMIT REQUEST with a limit of zero",
        ["revalue-refused-as-such"],
        rewrite = Some(limit_of_zero)
    ),
];
