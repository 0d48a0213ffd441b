//! Wrong behaviours of a payout hopper.

use super::super::setup::Setup;
use crate::check::Quirk;

macro_rules! hopper {
    ($name:literal, $about:literal, [$($caught:literal),+], |$config:ident| $apply:expr) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| {
                if let Some($config) = s.pulse.hopper_of(s.kind) {
                    $apply;
                }
            },
        }
    };
}

/// Quirks of a hopper, alone or below an acceptor.
pub(super) const HOPPER: &[Quirk<Setup>] = &[
    hopper!(
        "exit-reversed",
        "the exit sensor is wired the wrong way round",
        ["exit-rests-right"],
        |c| c.faults.reversed = true
    ),
    hopper!(
        "motor-runs-by-itself",
        "the motor line's level is mixed up",
        ["hopper-still-when-off"],
        |c| c.runs_by_itself = true
    ),
    hopper!(
        "hopper-jammed",
        "a coin is jammed in the disc",
        ["hopper-pays"],
        |c| c.jam_after = Some(0)
    ),
    hopper!(
        "misses-every-fifth-coin",
        "the exit sensor misses every fifth coin",
        ["hopper-counts-right"],
        |c| (c.faults.missing_pulses, c.faults.every) = (1, 5)
    ),
    hopper!(
        "coin-after-stop",
        "one coin more falls when the motor stops",
        ["hopper-stops"],
        |c| c.coins_after_stop = 1
    ),
    hopper!(
        "jams-after-twenty",
        "jams after twenty coins",
        ["hopper-keeps-paying"],
        |c| c.jam_after = Some(20)
    ),
    hopper!(
        "short-exit-pulses",
        "shows coins for half as long",
        ["exit-pulse-width"],
        |c| c.faults.width_percent = -50
    ),
    hopper!(
        "exit-bounces",
        "the exit sensor bounces",
        ["exit-no-bounce"],
        |c| c.faults.bounce_us = 6_000
    ),
    hopper!(
        "motor-on-another-supply",
        "the motor goes on without the hopper's power",
        ["hopper-power-cut-stops"],
        |c| c.runs_without_power = true
    ),
];

/// Quirks of an acceptor above a hopper.
pub(super) const FED: &[Quirk<Setup>] = &[hopper!(
    "sorts-to-cash-box",
    "the sorter sends the hopper's coins to the cash box",
    ["hopper-is-fed"],
    |c| c.capacity = c.fill
)];
