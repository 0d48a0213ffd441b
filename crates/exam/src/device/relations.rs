//! What checks of a device need of each other: which of them is the cause where several fail.
//!
//! A row says on whose matter others hang, and how. All are of what may fail along. A new check without a row is a cause by
//! itself; `causes_tests.rs` holds the rows to the misbehaviours of the emulated devices.

use crate::causes::Tie::Suffers;
use crate::causes::{Relation, Tie};

const fn row(tie: Tie, on: &'static [&'static str], checks: &'static [&'static str]) -> Relation {
    Relation { checks, tie, on }
}

/// The rows: on the matter of these hang those. An empty second list is all.
pub const RELATIONS: &[Relation] = &[
    // The wire, and resets.
    row(
        Suffers,
        &[
            "mode-bit-on-last",
            "mode-bit-on-no-other",
            "checksum-right",
            "answers-after-bus-reset",
        ],
        &[],
    ),
    row(
        Suffers,
        &["busy-until-paid"],
        &["tube-counts-honest", "pays-from-each-tube"],
    ),
    row(Suffers, &["disabled-said"], &["stacker-full-told"]),
    row(Suffers, &["mode-bit-on-last"], &["checksum-right"]),
    row(
        Suffers,
        &["just-reset-said"],
        &["reset-obeyed", "bus-reset-obeyed", "power-cut-survived"],
    ),
    row(
        Suffers,
        &["just-reset-said"],
        &[
            "just-reset-once",
            "just-reset-until-acknowledged",
            "nak-repeats",
            "bad-checksum-not-acted-on",
            "ret-same-data",
            "ret-answered",
        ],
    ),
    row(
        Suffers,
        &["just-reset-once"],
        &[
            "each-coin-reported-once",
            "pays-from-each-tube",
            "escrow-request-once",
            "payout-by-value",
            "bad-checksum-not-acted-on",
            "each-bill-reported-once",
            "invalid-escrow-told",
            "bills-in-a-row",
            "recycler-fills",
            "recycler-off-stacks",
            "identity-readable",
            "currency-known",
            "setup-stays",
            "session-begins-once",
            "session-ends",
            "revalue-refused-as-such",
        ],
    ),
    row(
        Suffers,
        &["just-reset-until-acknowledged"],
        &[
            "nak-repeats",
            "ret-answered",
            "ret-same-data",
            "coin-repeated-after-lost-ack",
            "bill-repeated-after-lost-ack",
            "session-repeated-after-lost-ack",
        ],
    ),
    row(
        Suffers,
        &["reset-obeyed"],
        &[
            "all-coins-off-after-reset",
            "all-bills-off-after-reset",
            "reset-returns-escrow",
            "reader-off-after-reset",
        ],
    ),
    row(Suffers, &["answer-time"], &["answer-time-margin"]),
    row(Suffers, &["inter-byte-time"], &["inter-byte-margin"]),
    row(Suffers, &["ret-answered"], &["ret-same-data"]),
    row(
        Suffers,
        &["silent-unless-asked"],
        &[
            "inter-byte-time",
            "inter-byte-margin",
            "other-address-not-answered",
        ],
    ),
    row(
        Suffers,
        &["never-away"],
        &["disabled-coins-refused", "each-bill-reported-once"],
    ),
    row(
        Suffers,
        &["coin-values"],
        &[
            "tube-counts-honest",
            "pays-from-each-tube",
            "dispense-not-doubled",
            "payout-by-value",
        ],
    ),
    row(
        Suffers,
        &["disabled-coins-refused"],
        &["all-coins-off-after-reset"],
    ),
    row(
        Suffers,
        &["tube-status-follows"],
        &["pays-from-each-tube", "tube-sensor-defect-told"],
    ),
    row(Suffers, &["payout-ends"], &["payout-by-value"]),
    row(Suffers, &["escrow-request-said"], &["escrow-request-once"]),
    row(
        Suffers,
        &["bill-values"],
        &[
            "escrow-waits-for-order",
            "escrow-stack-obeyed",
            "stacker-full-told",
            "bills-in-a-row",
            "recycler-fills",
            "dispense-status-honest",
            "pays-bills",
            "payout-status-right",
            "payout-progress-told",
            "payout-cancelled",
            "payout-not-doubled",
            "pays-a-value",
        ],
    ),
    row(Suffers, &["identification-length"], &["identity-readable"]),
    row(
        Suffers,
        &["each-bill-reported-once"],
        &["bills-in-a-row", "recycler-fills", "recycler-off-stacks"],
    ),
    row(
        Suffers,
        &["disabled-bills-refused"],
        &["all-bills-off-after-reset", "disabled-said"],
    ),
    row(
        Suffers,
        &["escrow-waits-for-order"],
        &["escrow-return-obeyed", "reset-returns-escrow"],
    ),
    row(
        Suffers,
        &["escrow-return-obeyed"],
        &["escrow-stack-obeyed", "invalid-escrow-told"],
    ),
    row(
        Suffers,
        &["stacked-means-stacked"],
        &["escrow-stack-obeyed"],
    ),
    row(
        Suffers,
        &[
            "coin-repeated-after-lost-ack",
            "bill-repeated-after-lost-ack",
            "session-repeated-after-lost-ack",
        ],
        &[
            "nak-repeats",
            "ret-answered",
            "ret-same-data",
            "just-reset-until-acknowledged",
        ],
    ),
    row(
        Suffers,
        &["bills-in-a-row"],
        &[
            "each-bill-reported-once",
            "bill-repeated-after-lost-ack",
            "stacked-means-stacked",
        ],
    ),
    row(
        Suffers,
        &["recycler-off-stacks"],
        &[
            "each-bill-reported-once",
            "escrow-stack-obeyed",
            "bill-survives-reset",
            "bills-in-a-row",
            "bill-repeated-after-lost-ack",
            "stacked-means-stacked",
        ],
    ),
    row(
        Suffers,
        &["pays-bills"],
        &["dispense-status-honest", "pays-a-value"],
    ),
    row(
        Suffers,
        &["stores-kept-over-reset"],
        &["dispense-status-follows", "dispense-status-honest"],
    ),
    // Card readers.
    row(
        Suffers,
        &["reader-configuration"],
        &[
            "approves-what-was-asked",
            "repeated-request-charged-once",
            "vend-success-kept",
            "vend-failure-refunded",
        ],
    ),
    row(
        Suffers,
        &["no-session-while-disabled"],
        &["disable-obeyed", "reader-off-after-reset"],
    ),
    row(
        Suffers,
        &["approves-what-was-asked"],
        &["repeated-request-charged-once", "vend-success-kept"],
    ),
    row(
        Suffers,
        &["vend-decided-in-time"],
        &[
            "approves-what-was-asked",
            "vend-above-balance-denied",
            "vend-failure-refunded",
            "vend-success-kept",
            "vend-cancel-obeyed",
            "out-of-sequence-told",
        ],
    ),
    row(
        Suffers,
        &["vend-above-balance-denied"],
        &["vend-cancel-obeyed"],
    ),
    // Pulse lines.
    row(
        Suffers,
        &["line-rests-right", "line-moves"],
        &[
            "pulse-width",
            "pulse-gap",
            "pulse-drift",
            "pulse-drift-slow",
            "pulse-setting",
            "count-per-bill",
            "count-steady",
            "trains-apart",
            "no-bounce",
            "no-glitches",
            "silent-while-inhibited",
            "inhibit-obeyed",
            "takes-again-after-inhibit",
            "power-cut-keeps-pulses",
            "card-charged-as-sent",
        ],
    ),
    row(
        Suffers,
        &["pulse-setting"],
        &[
            "pulse-width",
            "pulse-gap",
            "count-per-bill",
            "pulse-drift",
            "pulse-drift-slow",
            "card-charged-as-sent",
        ],
    ),
    row(
        Suffers,
        &["pulse-width", "pulse-gap", "count-steady"],
        &["count-per-bill", "card-charged-as-sent"],
    ),
    row(
        Suffers,
        &["count-per-bill"],
        &[
            "trains-apart",
            "power-cut-keeps-pulses",
            "card-charged-as-sent",
        ],
    ),
    row(Suffers, &["silent-while-inhibited"], &["inhibit-obeyed"]),
    // Hoppers.
    row(
        Suffers,
        &["exit-rests-right", "hopper-still-when-off"],
        &[
            "hopper-pays",
            "hopper-counts-right",
            "hopper-stops",
            "hopper-keeps-paying",
            "exit-pulse-width",
            "exit-no-bounce",
            "hopper-is-fed",
        ],
    ),
    row(Suffers, &["hopper-still-when-off"], &["inhibit-obeyed"]),
    row(
        Suffers,
        &["hopper-pays"],
        &[
            "hopper-counts-right",
            "hopper-stops",
            "hopper-keeps-paying",
            "exit-pulse-width",
            "exit-no-bounce",
        ],
    ),
    row(
        Suffers,
        &["exit-no-bounce"],
        &["hopper-counts-right", "hopper-stops", "exit-pulse-width"],
    ),
    row(Suffers, &["hopper-stops"], &["hopper-counts-right"]),
];
