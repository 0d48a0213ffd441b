//! What devices that are good by the standard do in more than one way, and which checks work from it.
//!
//! A device says some of it itself, in SETUP or by what it offers; the rest shows in time, or is borne
//! whichever way it is. It is never judged. (Bad habits are [`Habits`](super::habit::Habits).)

/// In what good devices differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Leeway {
    /// The level it speaks (SETUP, 5.3, 6.3, 7.4.2).
    Level,
    /// Optional features it offers (0FH 00H, 5.3).
    Features,
    /// A validator holds bills in escrow or stacks them at once (SETUP, Z11, 6.3).
    Escrow,
    /// How long nothing is answered after a reset, at most the non-response time (5.4, 6.4, 7.5).
    Start,
    /// POLL is answered with busy while money moves, with nothing, or as always (5.3, DISPENSE, note 2;
    /// 6.3, POLL; 6.4).
    WhileBusy,
    /// How long a coin or a bill is on its way from the slot to its report. No section limits it.
    Way,
    /// A reader takes its time to decide, up to its maximum response time, and answers POLLs meanwhile or
    /// not (7.4.2; 7.7, example 8).
    Decision,
    /// A reader can put money back on a card or says that it did not (7.4.2, Z8; 7.4.8).
    Refund,
    /// A reader approves a price in full, or less where it gives a discount (7.4.5).
    Price,
    /// A reader revalues cards or does not (7.4.19).
    Revalue,
    /// How many bills a stacker holds (SETUP, Z7-Z8, 6.3).
    Room,
}

impl Leeway {
    /// Its name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Level => "level",
            Self::Features => "features",
            Self::Escrow => "escrow",
            Self::Start => "start",
            Self::WhileBusy => "while busy",
            Self::Way => "way",
            Self::Decision => "decision",
            Self::Refund => "refund",
            Self::Price => "price",
            Self::Revalue => "revalue",
            Self::Room => "room",
        }
    }
}

/// What checks work from, by check. A check that is not here gives the same verdict whatever that is.
pub const PRESUMPTIONS: &[(&str, &[Leeway])] = {
    use Leeway::{
        Decision, Escrow, Features, Level, Price, Refund, Revalue, Room, Start, Way, WhileBusy,
    };
    &[
        ("all-bills-off-after-reset", &[Way]),
        ("all-coins-off-after-reset", &[Way]),
        ("answers-after-bus-reset", &[Start]),
        ("approves-what-was-asked", &[Decision, Price]),
        ("bill-repeated-after-lost-ack", &[Way]),
        ("bill-survives-reset", &[Way]),
        ("bill-waiting-told", &[WhileBusy]),
        ("bills-in-a-row", &[Way]),
        ("busy-until-paid", &[WhileBusy]),
        ("card-charged-as-sent", &[Way]),
        ("coin-repeated-after-lost-ack", &[Way]),
        ("coin-routing-true", &[Way]),
        ("coin-survives-reset", &[Way]),
        ("count-per-bill", &[Way]),
        ("count-steady", &[Way]),
        ("diagnostics-clear", &[Level, Features]),
        ("disabled-bills-refused", &[Way]),
        ("disabled-coins-refused", &[Way]),
        ("dispense-acknowledged", &[WhileBusy]),
        ("dispense-not-doubled", &[WhileBusy]),
        ("dispense-status-honest", &[WhileBusy]),
        ("each-bill-reported-once", &[Way]),
        ("each-coin-reported-once", &[Way]),
        ("escrow-reported", &[Escrow, Way]),
        ("escrow-return-obeyed", &[Escrow, Way]),
        ("escrow-stack-obeyed", &[Escrow, Way]),
        ("escrow-waits-for-order", &[Escrow, Way]),
        ("identity-readable", &[Level]),
        ("inhibit-obeyed", &[Way]),
        ("invalid-escrow-told", &[Escrow]),
        ("level-respected", &[Level]),
        ("line-moves", &[Way]),
        ("never-away", &[Start]),
        ("no-bounce", &[Way]),
        ("no-glitches", &[Way]),
        ("paper-not-credited", &[Way]),
        ("payout-busy-told", &[WhileBusy]),
        ("payout-by-value", &[Level, Features, WhileBusy]),
        ("payout-cancelled", &[WhileBusy]),
        ("payout-ends", &[WhileBusy]),
        ("payout-not-doubled", &[WhileBusy]),
        ("payout-progress-told", &[WhileBusy]),
        ("payout-status-right", &[WhileBusy]),
        ("pays-a-value", &[WhileBusy]),
        ("pays-bills", &[WhileBusy]),
        ("pays-from-each-tube", &[WhileBusy]),
        ("pulse-drift", &[Way]),
        ("pulse-drift-slow", &[Way]),
        ("pulse-gap", &[Way]),
        ("pulse-setting", &[Way]),
        ("pulse-width", &[Way]),
        ("repeat-not-out-of-sequence", &[Decision]),
        ("repeated-request-charged-once", &[Decision]),
        ("repeats-until-acknowledged", &[Start]),
        ("reset-returns-escrow", &[Escrow, Way]),
        ("revalue-refused-as-such", &[Level, Revalue]),
        ("session-ends", &[Decision]),
        ("several-coins-at-once", &[Way]),
        ("slug-not-credited", &[Way]),
        ("stacked-means-stacked", &[Way]),
        ("stacker-counts", &[Way]),
        ("stacker-full-told", &[Way, Room]),
        ("takes-again-after-inhibit", &[Way]),
        ("trains-apart", &[Way]),
        ("tube-counts-honest", &[WhileBusy]),
        ("tube-status-follows", &[Way]),
        ("vend-above-balance-denied", &[Decision]),
        ("vend-cancel-obeyed", &[Decision]),
        ("vend-decided-in-time", &[Decision]),
        ("vend-failure-refunded", &[Decision, Refund]),
        ("vend-success-kept", &[Decision, Price]),
    ]
};
