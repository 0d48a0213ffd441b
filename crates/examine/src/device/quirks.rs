//! The table of wrong behaviours: each a named switch, and the checks that must catch it. No check
//! is without one.

use super::habit::Context;
use super::setup::{Kind, Setup};
use crate::check::Quirk;
use payrig_mdb::changer::DiagnosticCode;
use payrig_peripherals::pulse::Stuck;
use payrig_units::Micros;

macro_rules! habit {
    ($name:literal, $about:literal, [$($caught:literal),+], $field:ident = $value:expr) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| {
                s.habits.$field = $value;
            },
        }
    };
}

macro_rules! own {
    ($name:literal, $about:literal, [$($caught:literal),+], $device:ident) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| own::$device(s, $name),
        }
    };
}

macro_rules! pulse {
    ($name:literal, $about:literal, [$($caught:literal),+], $($field:ident = $value:expr),+) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| {
                $(s.pulse.faults.$field = $value;)+
            },
        }
    };
}

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
    habit!(
        "slow-bytes",
        "pauses 1.5 ms between bytes",
        ["inter-byte-time", "inter-byte-margin"],
        gap = Some(Micros(1_500))
    ),
    habit!(
        "rather-slow-bytes",
        "pauses 0.9 ms between bytes",
        ["inter-byte-margin"],
        gap = Some(Micros(900))
    ),
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
];

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
        ["line-moves", "takes-again-after-inhibit"],
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
];

/// Quirks that make sense for a kind.
pub fn quirks(kind: Kind) -> impl Iterator<Item = &'static Quirk<Setup>> {
    let (own, common) = match kind {
        Kind::Changer => (CHANGER, COMMON),
        Kind::BillValidator => (BILL, COMMON),
        Kind::Cashless => (CASHLESS, COMMON),
        Kind::Pulse => (PULSE, &[][..]),
    };
    own.iter().chain(common)
}

/// Quirks the devices have by themselves.
mod own {
    use super::Setup;

    pub(super) fn changer(setup: &mut Setup, name: &str) {
        setup.changer_quirks.set(name, true);
    }
    pub(super) fn bill(setup: &mut Setup, name: &str) {
        setup.bill_quirks.set(name, true);
    }
    pub(super) fn cashless(setup: &mut Setup, name: &str) {
        setup.cashless.quirks.set(name, true);
    }
    pub(super) fn all(setup: &mut Setup, name: &str) {
        changer(setup, name);
        bill(setup, name);
        cashless(setup, name);
    }
}

fn is_reset(command: &[u8]) -> bool {
    matches!(command, [0x08 | 0x30 | 0x10])
}

fn is_disable(command: &[u8]) -> bool {
    command == [0x14, 0x00]
}

fn is_vend_request(command: &[u8]) -> bool {
    matches!(command, [0x13, 0x00, ..])
}

fn put(bytes: &mut [u8], at: usize, byte: u8) {
    if let Some(there) = bytes.get_mut(at) {
        *there = byte;
    }
}

/// Where SETUP data begins in an answer: behind the header of a card reader's.
fn setup_at(context: &Context<'_>, bytes: &[u8]) -> Option<usize> {
    match (context.command.first(), bytes.first()) {
        (Some(0x09 | 0x31), _) => Some(0),
        (Some(0x11 | 0x12), Some(0x01)) if bytes.len() == 8 => Some(1),
        _ => None,
    }
}

fn scaling_zero(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if let Some(at) = setup_at(context, bytes) {
        put(bytes, at + 3, 0);
        if context.command == [0x31] {
            put(bytes, 4, 0);
        }
    }
}

fn nonsense_currency(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if let Some(at) = setup_at(context, bytes) {
        put(bytes, at + 1, 0xEE);
        put(bytes, at + 2, 0xEE);
    }
}

fn setup_changes(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if setup_at(context, bytes).is_some()
        && context.count % 2 == 1
        && let Some(last) = bytes.last_mut()
    {
        *last ^= 1;
    }
}

fn unprintable(context: &Context<'_>, bytes: &mut Vec<u8>) {
    match (context.command, bytes.first()) {
        ([0x0F | 0x37, 0x00], _) => put(bytes, 5, 0x07),
        ([0x17 | 0x12, ..], Some(0x09)) => put(bytes, 6, 0x07),
        _ => {}
    }
}

fn credits_slugs(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0B] && matches!(bytes.as_slice(), [0x20..=0x3F]) {
        *bytes = vec![0x40, 0x01];
    }
}

fn tube_status_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0A] {
        *bytes = context.first.to_vec();
    }
}

fn hides_lever(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0B] && *bytes == [0x01] {
        bytes.clear();
    }
}

fn hides_sensor(context: &Context<'_>, bytes: &mut Vec<u8>) {
    match context.command {
        [0x0A] => {
            put(bytes, 0, 0);
            put(bytes, 1, 0);
        }
        [0x0B] if *bytes == [0x04] => bytes.clear(),
        _ => {}
    }
}

fn payout_status_wrong(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x0F, 0x03]
        && let Some(first) = bytes.first_mut()
    {
        *first += 1;
    }
}

fn stacker_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x36] {
        *bytes = context.first.to_vec();
    }
}

fn credits_paper(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.command == [0x33] {
        for byte in bytes.iter_mut().filter(|b| **b == 0x0B) {
            *byte = 0x80;
        }
    }
}

fn hides(context: &Context<'_>, bytes: &mut Vec<u8>, code: u8) {
    if context.command == [0x33] {
        bytes.retain(|b| *b != code);
    }
}

fn hides_cash_box(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x08);
}

fn hides_jam(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x05);
}

fn hides_disabled(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, 0x09);
}

fn loses_bills(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.count % 3 == 2 && context.command == [0x33] {
        bytes.retain(|b| !(0x80..0x90).contains(b));
    }
}

fn approves_everything(_: &Context<'_>, bytes: &mut Vec<u8>) {
    if *bytes == [0x06] {
        *bytes = vec![0x05, 0x00, 0x1E];
    }
}

fn hides_out_of_sequence(_: &Context<'_>, bytes: &mut Vec<u8>) {
    if bytes.len() <= 2 && bytes.first() == Some(&0x0B) {
        bytes.clear();
    }
}
