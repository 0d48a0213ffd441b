//! Wrong behaviours of every device on the bus.

use super::super::setup::Setup;
use super::own;
use super::rewrite::{is_reset, nonsense_currency, setup_changes, unprintable};
use crate::check::Quirk;
use payrig_units::Micros;

/// Quirks of every device on the bus.
pub(super) const COMMON: &[Quirk<Setup>] = &[
    habit!(
        "slow-start",
        "silent for 8 s after a bus reset",
        [
            "answers-after-bus-reset",
            "just-reset-said",
            "bus-reset-obeyed"
        ],
        slow_start = Some(Micros::secs(8))
    ),
    own!(
        "no-just-reset",
        "never says JUST RESET",
        ["just-reset-said", "reset-obeyed", "bus-reset-obeyed"],
        all
    ),
    habit!(
        "reports-again",
        "says each report once more after its ACK",
        ["just-reset-once"],
        reports_again = true
    ),
    habit!(
        "silence-is-ack",
        "takes silence for ACK",
        ["just-reset-until-acknowledged"],
        silence_is_ack = true
    ),
    habit!(
        "nak-is-ack",
        "takes NAK for ACK",
        ["nak-repeats"],
        nak_is_ack = true
    ),
    habit!(
        "shrugs-reset",
        "acknowledges RESET and does nothing",
        ["reset-obeyed"],
        shrugs = Some(is_reset)
    ),
    habit!(
        "ignores-bus-reset",
        "does not hear a bus reset",
        ["bus-reset-obeyed"],
        ignores_bus_reset = true
    ),
    habit!(
        "late-answers",
        "every fiftieth answer comes after 6.5 ms",
        ["answer-time", "answer-time-margin"],
        late = Some((50, Micros(5_500)))
    ),
    habit!(
        "hardly-in-time",
        "every tenth answer comes after 4.4 ms",
        ["answer-time-margin"],
        late = Some((10, Micros(3_400)))
    ),
    Quirk {
        name: "slow-bytes",
        about: "pauses 1.5 ms between bytes",
        caught_by: &["inter-byte-time", "inter-byte-margin"],
        apply: |s| s.timing.gap = Micros(1_500),
    },
    Quirk {
        name: "rather-slow-bytes",
        about: "pauses 0.9 ms between bytes",
        caught_by: &["inter-byte-margin"],
        apply: |s| s.timing.gap = Micros(900),
    },
    habit!(
        "wrong-chk",
        "sends a wrong CHK",
        ["checksum-right"],
        wrong_chk = true
    ),
    habit!(
        "no-mode-bit",
        "sends no mode bit on the last byte",
        ["mode-bit-on-last"],
        no_mode_bit = true
    ),
    habit!(
        "acts-on-bad-checksum",
        "takes a damaged command for good",
        ["bad-checksum-not-acted-on"],
        acts_on_bad_checksum = true
    ),
    habit!(
        "naks",
        "answers a damaged command with NAK",
        ["never-naks"],
        naks = true
    ),
    habit!(
        "answers-other-address",
        "answers at 70H too",
        ["other-address-not-answered"],
        answers_other_address = true
    ),
    habit!(
        "ret-other-data",
        "answers RET with other data",
        ["ret-same-data"],
        ret_other_data = true
    ),
    habit!(
        "ret-ignored",
        "does not answer RET",
        ["ret-answered"],
        ret_ignored = true
    ),
    habit!(
        "speaks-unasked",
        "sends a byte nobody asked for",
        ["silent-unless-asked"],
        speaks_at = Some(Micros::ms(2_500))
    ),
    habit!(
        "impatient",
        "gives up a command with a pause of more than 1.2 ms",
        ["bears-slow-commands"],
        gap_borne = Some(Micros(1_200))
    ),
    habit!(
        "goes-away",
        "is silent for 8 s now and then",
        ["never-away"],
        away = Some((Micros::secs(20), Micros::secs(8)))
    ),
    habit!(
        "hangs-on-unknown",
        "hangs after an unknown sub-command",
        ["unknown-command-survived"],
        hangs_on_unknown = true
    ),
    habit!(
        "unprintable-identity",
        "identity with control characters",
        ["identity-readable"],
        rewrite = Some(unprintable)
    ),
    habit!(
        "nonsense-currency",
        "a currency code that does not exist",
        ["currency-known"],
        rewrite = Some(nonsense_currency)
    ),
    habit!(
        "setup-changes",
        "SETUP differs from time to time",
        ["setup-stays"],
        rewrite = Some(setup_changes)
    ),
    habit!(
        "dead-after-power-cut",
        "does not start again after a power cut",
        ["power-cut-survived"],
        dead_after_power_cut = true
    ),
];
