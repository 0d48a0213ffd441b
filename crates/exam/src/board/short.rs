//! The short examination of a board: the twenty checks that find most.

/// Chosen by what they find: of all misbehaviours of the built-in board, one after another, the twenty checks
/// of which at least one fails with most, that fit into ten minutes with a person who takes 8 s for an answer;
/// where two choices find as many, the one with more checks of money. In the order of the whole examination.
pub const SHORT: &[&str] = &[
    "bus-reset-margin",
    "command-byte-margin",
    "acknowledges-with-margin",
    "polls-as-recommended",
    "damaged-answers-given-up",
    "bears-answers-at-18-ms",
    "reset-every-ten-seconds",
    "reset-in-delivery",
    "reset-in-escrow",
    "reset-in-session",
    "tube-runs-out-in-payout",
    "bill-credited-once",
    "bill-behind-status-credited",
    "failure-in-multi-vend",
    "session-repeated-once",
    "card-taken-in-session",
    "revalue-in-full",
    "several-dollars",
    "held-off-without-change",
    "cut-while-coin-falls",
];
