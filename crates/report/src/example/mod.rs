//! An invented examination, to see what reports look like.

mod checks;

use checks::{CHECKS, check};
use payrig_exam::{Balance, Cause, Examination, Grade, Interval, Subject, Weight};
use payrig_units::{Decimals, LedgerEntry, Micros, Money, Movement, Place};
use payrig_wire::Finding;
use payrig_wire::recording::TrainRecord;

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
    finding.who = Some("changer".into());
    finding
}

fn books() -> (Vec<LedgerEntry>, Vec<Balance>) {
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
    let balances = ledger.balances().map(|(place, amount)| Balance {
        place: place.to_string(),
        amount,
    });
    let balances = balances.collect();
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
        left_out: Vec::new(),
        causes: [
            ("tube-1-pays", None, Weight::Money),
            (
                "answers-within-5-ms",
                Some("answers-within-4-ms"),
                Weight::Rule,
            ),
        ]
        .map(|(id, consequence, weight)| Cause {
            id: id.to_owned(),
            consequences: consequence.into_iter().map(str::to_owned).collect(),
            undecided: Vec::new(),
            weight,
        })
        .into(),
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
