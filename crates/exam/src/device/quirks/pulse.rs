//! Wrong behaviours of acceptors on pulse lines.

use super::super::setup::Setup;
use crate::check::Quirk;
use payrig_peripherals::pulse::Stuck;

/// Quirks of a pulse acceptor.
pub(super) const PULSE: &[Quirk<Setup>] = &[
    pulse!(
        "reversed",
        "normally open and normally closed mixed up",
        ["line-rests-right"],
        reversed = true
    ),
    pulse!(
        "stuck-line",
        "the line never moves",
        ["line-moves"],
        stuck = Some(Stuck::Resting)
    ),
    pulse!(
        "narrow-pulses",
        "pulses shorter by 40 %",
        ["pulse-width"],
        width_percent = -40
    ),
    pulse!(
        "long-gaps",
        "pauses longer by 60 %",
        ["pulse-gap"],
        gap_percent = 60
    ),
    pulse!(
        "jitter",
        "times off by up to 8 ms",
        ["pulse-drift"],
        jitter_us = 8_000
    ),
    pulse!(
        "wrong-setting",
        "set to long pulses",
        ["pulse-setting", "pulse-width"],
        wrong_profile = Some("long".to_owned())
    ),
    pulse!(
        "missing-pulse",
        "leaves out a pulse",
        ["count-per-bill"],
        missing_pulses = 1
    ),
    pulse!(
        "extra-pulse-now-and-then",
        "one pulse too many in every third train",
        ["count-steady"],
        extra_pulses = 1,
        every = 3
    ),
    pulse!(
        "trains-together",
        "no train gap between bills",
        ["trains-apart"],
        trains_together = true
    ),
    pulse!(
        "bounce",
        "the contact bounces for 4 ms",
        ["no-bounce"],
        bounce_us = 4_000
    ),
    pulse!(
        "glitches",
        "spikes of 50 us in the pauses",
        ["no-glitches"],
        glitch_us = 50
    ),
    pulse!(
        "ignores-inhibit",
        "takes bills while inhibited",
        ["inhibit-obeyed"],
        ignores_inhibit = true
    ),
    pulse!(
        "stray-pulse",
        "a pulse 0.9 s after the inhibit",
        ["silent-while-inhibited"],
        stray_after_inhibit_ms = Some(900)
    ),
    pulse!(
        "forgets-on-power-cut",
        "a power cut loses pulses",
        ["power-cut-keeps-pulses"],
        forgets_on_power_cut = true
    ),
    pulse!(
        "slow-drift",
        "pulses grow by 1 % with every 100 of them",
        ["pulse-drift-slow"],
        drift_percent = 1
    ),
    pulse!(
        "stays-inhibited",
        "held off once, it takes nothing any more",
        ["takes-again-after-inhibit"],
        stays_inhibited = true
    ),
];

/// Quirks of a card reader besides.
pub(super) const CARD: &[Quirk<Setup>] = &[
    pulse!(
        "pulses-worth-double",
        "two pulses where one is meant",
        ["card-charged-as-sent", "count-per-bill"],
        wrong_pulses = Some(2)
    ),
    pulse!(
        "charges-taken-cards",
        "charges a card that was taken away before the answer",
        ["card-taken-away-not-charged"],
        charges_taken_cards = true
    ),
];
