//! Wrong behaviours of a changer.

use super::super::setup::Setup;
use super::own;
use super::rewrite::{
    credits_slugs, hides_lever, hides_sensor, payout_status_wrong, scaling_zero, tube_status_frozen,
};
use crate::check::Quirk;
use payrig_mdb::changer::DiagnosticCode;

/// Quirks of a changer.
pub(super) const CHANGER: &[Quirk<Setup>] = &[
    habit!(
        "scaling-zero",
        "a scaling factor of 0",
        ["coin-values"],
        rewrite = Some(scaling_zero)
    ),
    own!(
        "duplicate-report-after-ack",
        "reports each coin twice",
        ["each-coin-reported-once"],
        changer
    ),
    own!(
        "forgets-unacknowledged",
        "forgets what was sent and not acknowledged",
        ["coin-repeated-after-lost-ack"],
        changer
    ),
    own!(
        "accepts-disabled-coins",
        "takes coins that are off",
        ["disabled-coins-refused", "all-coins-off-after-reset"],
        changer
    ),
    habit!(
        "stays-enabled",
        "stays enabled after RESET",
        ["all-coins-off-after-reset"],
        stays_enabled = true
    ),
    habit!(
        "credits-slugs",
        "reports a slug as a coin",
        ["slug-not-credited"],
        rewrite = Some(credits_slugs)
    ),
    own!(
        "reports-wrong-routing",
        "says tube where it was the cash box",
        ["coin-routing-true"],
        changer
    ),
    habit!(
        "tube-status-frozen",
        "TUBE STATUS never changes",
        ["tube-status-follows", "pays-from-each-tube"],
        rewrite = Some(tube_status_frozen)
    ),
    own!(
        "wrong-tube-count",
        "tells one coin more than there is",
        ["tube-counts-honest"],
        changer
    ),
    own!(
        "dispenses-one-coin-less",
        "pays one coin less",
        ["pays-from-each-tube"],
        changer
    ),
    own!(
        "always-busy",
        "stays busy after a payout",
        ["payout-ends"],
        changer
    ),
    own!(
        "dispense-without-ack",
        "does not acknowledge DISPENSE",
        ["dispense-acknowledged"],
        changer
    ),
    own!(
        "double-dispense-on-repeat",
        "pays a repeated DISPENSE too",
        ["dispense-not-doubled"],
        changer
    ),
    own!(
        "reports-one-coin-per-poll-only",
        "one report per answer",
        ["several-coins-at-once"],
        changer
    ),
    own!(
        "reset-loses-report",
        "a reset forgets coins",
        ["coin-survives-reset"],
        changer
    ),
    own!(
        "tube-status-too-early",
        "empty tubes right after a reset",
        ["tube-status-after-reset"],
        changer
    ),
    own!(
        "escrow-repeats-while-held",
        "ESCROW REQUEST at every POLL",
        ["escrow-request-once"],
        changer
    ),
    habit!(
        "hides-lever",
        "does not report the lever",
        ["escrow-request-said"],
        rewrite = Some(hides_lever)
    ),
    habit!(
        "hides-sensor-defect",
        "does not tell of a defective sensor",
        ["tube-sensor-defect-told"],
        rewrite = Some(hides_sensor)
    ),
    Quirk {
        name: "has-a-coin-jam",
        about: "a coin is jammed, by its own diagnostics",
        caught_by: &["diagnostics-clear"],
        apply: |s| s.changer_faults.push(DiagnosticCode::COIN_JAM),
    },
    habit!(
        "payout-status-wrong",
        "PAYOUT STATUS says one coin too many",
        ["payout-by-value"],
        rewrite = Some(payout_status_wrong)
    ),
];
