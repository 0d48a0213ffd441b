//! What a bench promises to those who drive it, held on the rigs of `bench-rigs/`.

use payrig_bench::{Bench, Event};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use proptest::prelude::*;
use std::path::{Path, PathBuf};

/// The rigs that need no port.
fn rigs() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../bench-rigs");
    let mut rigs: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| !payrig_rig::load(path).unwrap().is_live())
        .collect();
    rigs.sort();
    rigs
}

/// A bench that waits for somebody outside has no end of its own: here it is ended.
const LIMIT: Micros = Micros::secs(120);

/// Moves the bench on by one step, to its end at the latest.
fn step(bench: &mut Bench) {
    let next = bench.next_deadline();
    if next > LIMIT {
        bench.move_on(LIMIT);
        bench.finish_now();
    } else {
        bench.advance(next);
    }
}

/// Everything that happens until the bench ends, from where it stands.
fn rest_of(mut bench: Bench) -> (Vec<Event>, String) {
    let mut events: Vec<Event> = bench.take_events().collect();
    while !bench.ended() {
        step(&mut bench);
        events.extend(bench.take_events());
    }
    let balances: Vec<String> = bench
        .books()
        .ledger()
        .balances()
        .map(|(place, amount)| format!("{place} {}", amount.as_minor()))
        .collect();
    (events, balances.join(", "))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    /// A bench forked at any moment goes on exactly as the original does, and neither disturbs the
    /// other.
    #[test]
    fn a_fork_goes_on_as_the_original(pick in any::<prop::sample::Index>(), per_mille in 0u64..1_000) {
        let rigs: Vec<PathBuf> = rigs();
        let plan = payrig_rig::load(pick.get::<PathBuf>(&rigs)).unwrap();
        let whole = {
            let mut bench = Bench::of(&plan);
            while !bench.ended() {
                step(&mut bench);
            }
            bench.now()
        };
        let moment = Micros(whole.as_us() * per_mille / 1_000);
        let mut bench = Bench::of(&plan);
        bench.run_until(moment);
        let fork = bench.clone();
        let further = bench.clone();
        let original = rest_of(bench);
        prop_assert!(!original.0.is_empty(), "something is left to happen");
        prop_assert_eq!(&rest_of(fork), &original);
        // What the first fork did has not reached the second.
        prop_assert_eq!(&rest_of(further), &original);
    }
}

/// Numbers begin at 1 and leave none out, however the bench is driven.
#[test]
fn events_are_numbered_without_gaps() {
    for rig in rigs() {
        let plan = payrig_rig::load(&rig).unwrap();
        let (events, _) = rest_of(Bench::of(&plan));
        let numbers: Vec<u64> = events.iter().map(|e| e.number).collect();
        let expected: Vec<u64> = (1..=events.len() as u64).collect();
        assert_eq!(numbers, expected, "{}", rig.display());
    }
}

/// On a bus where nothing moves, an event is given out within the time of a word and not when
/// something else happens.
#[test]
fn events_of_a_quiet_bus_are_given_out_when_they_happen() {
    let text = r#"
[bench]
name = "quiet"
[board]
kind = "controller"
[[device]]
kind = "changer"
name = "changer"
[[script]]
do = "power"
board = true
on = false
[[script]]
do = "power"
device = "changer"
on = false
after = "300 ms"
[[script]]
do = "wait"
for = "3 s"
"#;
    let plan = payrig_rig::parse(Path::new("quiet.toml"), text).unwrap();
    let mut bench = Bench::of(&plan);
    bench.run_until(Micros::ms(302));
    let dark: Vec<Micros> = bench
        .take_events()
        .filter_map(|event| match event.what {
            Entry::Power { at_us, .. } => Some(at_us),
            _ => None,
        })
        .collect();
    assert_eq!(dark, [Micros::ZERO, Micros::ms(300)]);
}

/// What cannot be done is refused at once, in words, and nothing has happened.
#[test]
fn a_refused_action_says_why_and_changes_nothing() {
    use payrig_bench::action::{Action, Tender};
    let plan = payrig_rig::parse(Path::new("first-vend.toml"), payrig_rig::FIRST_VEND).unwrap();
    let mut bench = Bench::of(&plan);
    bench.run_until(Micros::secs(1));
    let untouched = bench.clone();
    let nobody = Action::InsertCoin {
        device: "nobody".to_owned(),
        coin: Tender::Unknown,
    };
    let why = bench.act(&nobody).unwrap_err().to_string();
    assert_eq!(why, "there is no device \"nobody\"");
    let changer = Action::InsertBill {
        device: "changer".to_owned(),
        bill: Tender::Unknown,
    };
    let why = bench.act(&changer).unwrap_err().to_string();
    assert_eq!(why, "changer cannot do that");
    assert_eq!(rest_of(bench), rest_of(untouched));
}
