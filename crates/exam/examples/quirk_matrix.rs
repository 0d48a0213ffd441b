//! Which check fails with which quirk of the built-in board and devices: JSON lines, one a quirk.
use payrig_exam::{Outcome, board, device};
use std::time::Instant;
fn main() {
    let began = Instant::now();
    let good = board::BoardSetup::good().expect("good");
    for e in board::plan(&good, None).0 {
        println!("P\t{}\t{}\t{}", e.id, e.questions, e.time.as_us());
    }
    let only: Vec<String> = std::env::args().skip(1).collect();
    for quirk in board::quirks().filter(|q| only.is_empty() || only.iter().any(|o| o == q.name)) {
        let mut setup = good.clone();
        (quirk.apply)(&mut setup);
        let e = board::examine(&setup, None, |_, _| {});
        let owner = board::checks()
            .find(|c| c.quirk.name == quirk.name)
            .map(|c| c.id)
            .unwrap_or("");
        print("board", quirk.name, owner, &e);
    }
    eprintln!("board {:?}", began.elapsed());
    if !only.is_empty() {
        return;
    }
    for kind in device::Kind::ALL {
        for check in device::checks(kind) {
            let mut setup = device::Setup::good(kind);
            (check.quirk.apply)(&mut setup);
            let e = device::examine(&setup, None, |_, _| {});
            print(kind.name(), check.quirk.name, check.id, &e);
        }
        eprintln!("{kind} {:?}", began.elapsed());
    }
}
fn print(kind: &str, quirk: &str, owner: &str, e: &payrig_exam::Examination) {
    println!("#\t{kind}\t{quirk}\t{owner}");
    let first = e.causes.first().map_or("NONE", |c| c.id.as_str());
    if first != owner {
        let all: Vec<String> = e
            .causes
            .iter()
            .map(|c| format!("{} ({})", c.id, c.consequences.len()))
            .collect();
        eprintln!("BAD {kind} {quirk}: {owner} hidden by {}", all.join(", "));
    }
    for c in e.checks.iter().filter(|c| c.outcome != Outcome::Pass) {
        println!("{}\t{}\t{}\t{}", c.id, c.outcome.words(), c.seen, c.advice);
    }
}
