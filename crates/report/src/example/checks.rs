//! The checks of the invented examination, and how each came out.

use super::Wobble;
use payrig_exam::person::SeenBy;
use payrig_exam::{CheckResult, Outcome, Weight};
use payrig_units::Micros;

/// Names, titles, what must be seen, and sections; how each came out is decided below.
pub(super) const CHECKS: [(&str, &str, &str, &str); 44] = [
    (
        "answers-reset",
        "RESET is acknowledged",
        "ACK within 5 ms",
        "5.3",
    ),
    (
        "just-reset-after-reset",
        "JUST RESET follows every reset",
        "JUST RESET at the first POLL",
        "5.3",
    ),
    (
        "silent-after-reset",
        "Silent after a reset for no longer than allowed",
        "an answer within 2 s",
        "5.4",
    ),
    (
        "bus-reset-obeyed",
        "A BUS RESET resets",
        "JUST RESET afterwards",
        "3.2",
    ),
    (
        "setup-level",
        "Level and scaling make sense",
        "level 2 or 3, scaling above 0",
        "5.3",
    ),
    (
        "setup-repeatable",
        "SETUP says the same every time",
        "three equal answers",
        "5.3",
    ),
    (
        "coin-values-ascend",
        "Coin values do not descend",
        "types in order of value",
        "5.3",
    ),
    (
        "country-code-known",
        "The country code is in the list",
        "a code of Appendix 1",
        "Appendix 1",
    ),
    (
        "identifies-itself",
        "IDENTIFICATION is complete",
        "maker, serial, model, version",
        "5.3",
    ),
    (
        "answers-within-5-ms",
        "Every answer begins within 5 ms",
        "no answer later than 5 ms",
        "3.2",
    ),
    (
        "answers-within-4-ms",
        "Answers leave the sender's margin",
        "answers within 4 ms",
        "Appendix 3, section 2",
    ),
    (
        "pauses-within-1-ms",
        "Words of an answer follow within 1 ms",
        "no pause above 1 ms",
        "3.2",
    ),
    (
        "pauses-within-0-8-ms",
        "Pauses leave the sender's margin",
        "pauses within 0.8 ms",
        "Appendix 3, section 2",
    ),
    (
        "mode-bit-on-last",
        "The mode bit stands on the last word only",
        "one word with the mode bit",
        "2.2",
    ),
    (
        "checksum-right",
        "Every checksum is right",
        "no block with a wrong CHK",
        "2.2",
    ),
    (
        "bears-slow-master",
        "Tolerates slow words from the board",
        "answers to words 5 ms apart",
        "Appendix 3, section 2",
    ),
    (
        "bad-checksum-ignored",
        "A command with a bad checksum is not carried out",
        "no answer or NAK, tubes unchanged",
        "2.2",
    ),
    (
        "repeats-after-nak",
        "RET brings the same answer again",
        "the same block",
        "2.2",
    ),
    (
        "report-kept-until-ack",
        "A report is kept until it is acknowledged",
        "the same report once more",
        "2.4",
    ),
    (
        "report-once",
        "An acknowledged report is not repeated",
        "nothing new at the next POLL",
        "2.4",
    ),
    (
        "other-address-ignored",
        "Commands to other devices are not answered",
        "silence",
        "2.3",
    ),
    (
        "all-disabled-refuses",
        "With all coins disabled none is taken",
        "no credit, coin returned",
        "5.3",
    ),
    (
        "accepts-0-05",
        "Takes a coin of 0.05",
        "one report, type 0",
        "5.3",
    ),
    (
        "accepts-0-10",
        "Takes a coin of 0.10",
        "one report, type 1",
        "5.3",
    ),
    (
        "accepts-0-25",
        "Takes a coin of 0.25",
        "one report, type 2",
        "5.3",
    ),
    (
        "accepts-1-00",
        "Takes a coin of 1.00",
        "one report, type 3",
        "5.3",
    ),
    (
        "slug-refused",
        "Refuses what is no coin",
        "no credit",
        "5.3",
    ),
    (
        "tube-counts-rise",
        "Tube counts rise with coins taken",
        "one more in the tube",
        "5.3",
    ),
    (
        "tube-0-pays",
        "Pays from the tube of 0.05",
        "as many as ordered",
        "5.3",
    ),
    (
        "tube-1-pays",
        "Pays from the tube of 0.10",
        "as many as ordered",
        "5.3",
    ),
    (
        "tube-2-pays",
        "Pays from the tube of 0.25",
        "as many as ordered",
        "5.3",
    ),
    (
        "payout-counted-once",
        "A DISPENSE whose ACK was lost pays once",
        "one payout",
        "Appendix 3, section 3",
    ),
    (
        "empty-tube-reported",
        "An empty tube says so",
        "count 0",
        "5.3",
    ),
    (
        "full-tube-reported",
        "A full tube says so",
        "the full bit",
        "5.3",
    ),
    (
        "payout-busy",
        "POLL during a payout is answered",
        "CHANGER PAYOUT BUSY or ACK",
        "5.3",
    ),
    (
        "return-lever",
        "The return lever is reported",
        "ESCROW REQUEST once per press",
        "5.3",
    ),
    (
        "manual-payout-reported",
        "Coins paid by hand are reported",
        "MANUALLY DISPENSED",
        "5.3",
    ),
    (
        "features-as-told",
        "Every optional feature works as announced",
        "an answer to each",
        "5.3",
    ),
    (
        "diagnostic-status",
        "Diagnostic status is in the list",
        "a defined code",
        "5.3",
    ),
    (
        "unknown-command-ignored",
        "An unknown sub-command does no harm",
        "silence or NAK, then as before",
        "2.2",
    ),
    (
        "recovers-from-power-cut",
        "Comes back after a power cut",
        "JUST RESET within 2 s",
        "5.4",
    ),
    (
        "ledger-agrees",
        "Tubes, cash box and customer hold what was put in",
        "the sum is zero",
        "common practice, no source",
    ),
    (
        "case-intact",
        "The case and its labels are intact",
        "nothing broken",
        "common practice, no source",
    ),
    (
        "acceptance-clean",
        "The coin path is clean",
        "no dirt",
        "common practice, no source",
    ),
];

pub(super) fn check(
    index: usize,
    entry: &(&str, &str, &str, &str),
    wobble: &mut Wobble,
) -> CheckResult {
    let (id, title, expected, section) = *entry;
    let (outcome, seen, advice) = match id {
        "answers-within-5-ms" => (
            Outcome::Fail,
            "3 of 1206 answers began after 5 ms, the latest after 7.412 ms".to_owned(),
            "Clean and reseat the bus connector, then examine again; if it stays, the unit's \
             processor is late: do not install it on a board that keeps to the limit.",
        ),
        "tube-1-pays" => (
            Outcome::Fail,
            "15 ordered, 14 paid, and TUBE STATUS counts 15 fewer".to_owned(),
            "Open the tube of 0.10, look for a bent or worn payout slide, count the coins by hand.",
        ),
        "pauses-within-1-ms" => (
            Outcome::CannotTell,
            "the longest pause is 0.981 ms, and times may be off by 0.104 ms".to_owned(),
            "Measure again with an adapter that times words to within 0.01 ms.",
        ),
        "answers-within-4-ms" => (
            Outcome::Fail,
            "6 of 1206 answers began after 4 ms".to_owned(),
            "See answers-within-5-ms.",
        ),
        "manual-payout-reported" => (Outcome::Skipped, "nobody was there to press".to_owned(), ""),
        "features-as-told" => (
            Outcome::Skipped,
            "the unit offers no optional feature".to_owned(),
            "",
        ),
        _ => (Outcome::Pass, "as expected".to_owned(), ""),
    };
    let from = Micros::ms(800 + 2_600 * index as u64);
    CheckResult {
        id: id.to_owned(),
        title: title.to_owned(),
        expected: expected.to_owned(),
        section: section.to_owned(),
        outcome,
        weight: Weight::Rule,
        seen,
        advice: advice.to_owned(),
        seen_by: match id {
            "case-intact" | "acceptance-clean" => SeenBy::Person,
            _ => SeenBy::Wire,
        },
        from_us: from,
        to_us: from + wobble.bell(400_000, 2_400_000),
        skip: None,
    }
    .restored()
}
