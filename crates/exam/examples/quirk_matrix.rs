//! What fails with each quirk of the built-in board and devices, as lines with tabs between: what every check is
//! expected to take of a board (P), then per quirk (#) the checks that did not pass. With names, of these quirks
//! of the board only. Quirks whose own check is not the first cause are named on standard error.

use payrig_exam::{Examination, Outcome, board, device};

fn main() {
    let Ok(good) = board::BoardSetup::good() else {
        return;
    };
    for e in board::plan(&good, None).0 {
        println!("P\t{}\t{}\t{}", e.id, e.questions, e.time.as_us());
    }
    let only: Vec<String> = std::env::args().skip(1).collect();
    let wanted = |name: &str| only.is_empty() || only.iter().any(|o| o == name);
    for check in board::checks().filter(|c| wanted(c.quirk.name)) {
        let mut setup = good.clone();
        (check.quirk.apply)(&mut setup);
        let examination = board::examine(&setup, None, |_, _| {});
        print("board", check.quirk.name, check.id, &examination);
    }
    let kinds = device::Kind::ALL.into_iter().filter(|_| only.is_empty());
    for (kind, check) in kinds.flat_map(|kind| device::checks(kind).map(move |c| (kind, c))) {
        let mut setup = device::Setup::good(kind);
        (check.quirk.apply)(&mut setup);
        let examination = device::examine(&setup, None, |_, _| {});
        print(kind.name(), check.quirk.name, check.id, &examination);
    }
}

fn print(kind: &str, quirk: &str, about: &str, examination: &Examination) {
    println!("#\t{kind}\t{quirk}\t{about}");
    let causes = examination.causes.iter();
    let causes: Vec<&str> = causes.map(|cause| cause.id.as_str()).collect();
    if causes.first() != Some(&about) {
        eprintln!("{kind} {quirk}: {about} is hidden by {}", causes.join(", "));
    }
    for c in examination
        .checks
        .iter()
        .filter(|c| c.outcome != Outcome::Pass)
    {
        println!("{}\t{}\t{}\t{}", c.id, c.outcome.words(), c.seen, c.advice);
    }
}
