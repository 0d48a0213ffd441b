//! An invented examination, to see what reports look like.

use crate::operator::SeenBy;
use crate::{CheckResult, Examination, Grade, Interval, Outcome, Subject};
use payrig_units::{Decimals, LedgerEntry, Micros, Money, Movement, Place};
use payrig_wire::Finding;
use payrig_wire::recording::TrainRecord;

/// Names, titles, what must be seen, and sections; how each came out is decided below.
const CHECKS: [(&str, &str, &str, &str); 44] = [
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
        "Bears slow words from the board",
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
        "An acknowledged report is not told again",
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
        "Every optional feature works as told",
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

/// Numbers that look measured and are the same every time.
struct Wobble(u64);

impl Wobble {
    fn up_to(&mut self, n: u64) -> u64 {
        // The constants of MMIX's generator, by D. E. Knuth.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n.max(1)
    }

    /// The sum of three: most near the middle.
    fn bell(&mut self, from: u64, to: u64) -> Micros {
        let part = (to.saturating_sub(from)) / 3;
        Micros(from + self.up_to(part) + self.up_to(part) + self.up_to(part))
    }
}

fn check(index: usize, entry: &(&str, &str, &str, &str), wobble: &mut Wobble) -> CheckResult {
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
        seen,
        advice: advice.to_owned(),
        seen_by: match id {
            "case-intact" | "acceptance-clean" => SeenBy::Person,
            _ => SeenBy::Wire,
        },
        from_us: from,
        to_us: from + wobble.bell(400_000, 2_400_000),
    }
}

fn intervals(wobble: &mut Wobble) -> Vec<Interval> {
    let mut answers: Vec<Micros> = (0..1_200).map(|_| wobble.bell(600, 2_900)).collect();
    answers.extend([4_204, 4_377, 4_810, 5_260, 5_904, 7_412].map(Micros));
    let pauses = (0..900).map(|_| wobble.bell(90, 982)).collect();
    let payouts = (0..45).map(|_| wobble.bell(95_000, 131_000)).collect();
    let interval = |what: &str, limit_us: Option<Micros>, values_us| Interval {
        what: what.to_owned(),
        least_us: None,
        limit_us,
        values_us,
    };
    vec![
        interval("answer time", Some(Micros::ms(5)), answers),
        interval("pause between words", Some(Micros::ms(1)), pauses),
        interval("payout of one coin", None, payouts),
    ]
}

fn train(start: Micros, line: &str, profile: &str, widths: &[u64], gaps: &[u64]) -> TrainRecord {
    let text = match profile {
        "none" => "on and off times are of no profile: the second pulse is short",
        _ => "one credit per pulse",
    };
    TrainRecord {
        line: line.to_owned(),
        start_us: start,
        pulses: widths.len() as u64,
        widths_us: widths.iter().copied().map(Micros).collect(),
        gaps_us: gaps.iter().copied().map(Micros).collect(),
        profile: profile.to_owned(),
        text: Some(text.to_owned()),
    }
}

fn finding(rule: &'static str, at: u64, us: u64, text: &str) -> Finding {
    let mut finding = Finding::limit(rule, Micros::ms(at), text);
    finding.measured = Some(Micros(us));
    finding.who = Some("changer".to_owned());
    finding
}

fn books() -> (Vec<LedgerEntry>, Vec<(String, Money)>) {
    let changer = || "changer".to_owned();
    let tube = |t| Place::Tube(changer(), t);
    let mut ledger = payrig_units::Ledger::new();
    let mut book = |seconds: u64, from: Place, to: Place, minor: i64, why: &str| {
        let movement = Movement {
            from,
            to,
            amount: Money(minor),
            why: why.to_owned(),
        };
        // Small amounts above zero: always bookable.
        let _ = ledger.book(Micros::secs(seconds), None, movement);
    };
    for (coin, minor) in [(0, 200), (1, 300), (2, 625)] {
        book(0, Place::Supply, tube(coin), minor, "opening fill");
    }
    book(
        0,
        Place::Supply,
        Place::Customer,
        1_000,
        "the customer's money",
    );
    for (i, (coin, minor)) in [(0u8, 5i64), (1, 10), (2, 25)].into_iter().enumerate() {
        let why = format!("coin type {coin} accepted");
        let at = 60 + 3 * i as u64;
        book(at, Place::Customer, tube(coin), minor, &why);
        let (received, credit) = (Place::BoardReceived(changer()), Place::BoardCredit);
        book(at, received, credit, minor, &why);
    }
    book(
        69,
        Place::Customer,
        Place::CashBox(changer()),
        100,
        "coin type 3 accepted",
    );
    book(
        69,
        Place::BoardReceived(changer()),
        Place::BoardCredit,
        100,
        "coin type 3 accepted",
    );
    book(
        75,
        tube(0),
        Place::Customer,
        75,
        "DISPENSE, 15 coins of type 0",
    );
    book(
        79,
        tube(1),
        Place::Customer,
        140,
        "DISPENSE, 14 coins of type 1",
    );
    book(
        84,
        tube(2),
        Place::Customer,
        375,
        "DISPENSE, 15 coins of type 2",
    );
    let balances = ledger.balances().map(|(p, m)| (p.to_string(), m)).collect();
    (ledger.entries().to_vec(), balances)
}

/// An invented examination of an invented changer that is late and pays one coin short: what
/// `payrig report --example` shows. The same every time.
#[must_use]
pub fn example() -> Examination {
    let mut wobble = Wobble(2_026);
    let checks = CHECKS
        .iter()
        .enumerate()
        .map(|(i, entry)| check(i, entry, &mut wobble))
        .collect();
    let (movements, balances) = books();
    let late = "the answer began after more than 5 ms: the board takes it for silence";
    Examination {
        subject: Subject {
            kind: "changer".to_owned(),
            name: "Harbour Loop, pier 4".to_owned(),
            maker: "ZZZ".to_owned(),
            serial: "000000004711".to_owned(),
            model: "EXAMPLE 3".to_owned(),
            version: "0102".to_owned(),
        },
        date: "2026-03-14T09:26:53+01:00".to_owned(),
        tool: concat!("payrig ", env!("CARGO_PKG_VERSION")).to_owned(),
        link: "adapter on an invented port".to_owned(),
        uncertainty_us: Micros(104),
        checks,
        grade: Grade::NotFit,
        reasons: vec![
            "a payout was one coin short while the tube count says otherwise: money is lost"
                .to_owned(),
            "answers began after the limit of 5 ms".to_owned(),
        ],
        findings: vec![
            finding("response", 24_310, 5_260, late),
            finding("response", 31_842, 5_904, late),
            finding("response", 58_020, 7_412, late),
        ],
        intervals: intervals(&mut wobble),
        trains: vec![
            train(
                Micros::ms(91_200),
                "credit",
                "short",
                &[50_120, 49_870, 50_040, 49_990, 50_200],
                &[50_310, 50_020, 49_930, 50_110],
            ),
            train(
                Micros::ms(94_800),
                "credit",
                "none",
                &[50_090, 18_400, 50_150],
                &[49_700, 81_200],
            ),
        ],
        movements,
        balances,
        decimals: Decimals(2),
        recording_sha256: "0f1e2d3c4b5a69788796a5b4c3d2e1f00f1e2d3c4b5a69788796a5b4c3d2e1f0"
            .to_owned(),
    }
}
