//! What a bench promises to those who drive it, held on the rigs of `bench-rigs/`.

use payrig_bench::{Bench, Event};
use payrig_units::{Micros, Money, Place};
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

/// A board with a changer, a validator and an acceptor on pulse lines, ready and left alone.
fn ready() -> (payrig_bench::Plan, Bench) {
    let text = r#"
[bench]
name = "ready"
[board]
kind = "controller"
[[board.item]]
number = 11
price = "50.00"
[[device]]
kind = "changer"
name = "changer"
[[device]]
kind = "bill-validator"
name = "bills"
[[device]]
kind = "pulse-coin-acceptor"
name = "pulses"
coins = ["1.00"]
[[script]]
do = "wait-ready"
[[script]]
do = "wait"
for = "12 s"
"#;
    let plan = payrig_rig::parse(Path::new("ready.toml"), text).unwrap();
    let mut bench = Bench::of(&plan);
    bench.run_until(Micros::secs(6));
    bench.take_events().for_each(drop);
    (plan, bench)
}

/// A coin, a bill and a tube are the same by their type and by their value. What the bench sees of where
/// the money went is where the ledger has it.
#[test]
fn by_type_or_by_value_it_is_the_same() {
    use payrig_bench::Observation;
    use payrig_bench::action::{Action, ChangerAction, Coin, Tender};
    use payrig_bench::plan::Kind;
    use payrig_mdb::changer::CoinType;
    use payrig_peripherals::bill::BillKind;
    use payrig_peripherals::changer::CoinWorth;
    let (plan, bench) = ready();
    let coin = |coin| Action::InsertCoin {
        device: "changer".to_owned(),
        coin,
    };
    let bill = |bill| Action::InsertBill {
        device: "bills".to_owned(),
        bill,
    };
    let sensor = |of: Coin| Action::AtChanger {
        device: "changer".to_owned(),
        what: ChangerAction::BreakTubeSensor(of, true),
    };
    let mut pairs = Vec::new();
    for device in &plan.devices {
        match &device.kind {
            Kind::Changer(config, _) => {
                for number in 0..16 {
                    let coin_type = CoinType::of(number);
                    if let Some(CoinWorth::Money(value)) = config.coin(coin_type).map(|c| c.worth) {
                        pairs.push((coin(Tender::Type(number)), coin(Tender::Worth(value))));
                        pairs.push((sensor(coin_type.into()), sensor(value.into())));
                    }
                }
            }
            Kind::Bill(config, _) => {
                for number in 0..16 {
                    if let BillKind::Value(value) = config.kind(number) {
                        pairs.push((bill(Tender::Type(number)), bill(Tender::Worth(value))));
                    }
                }
            }
            _ => {}
        }
    }
    assert!(pairs.len() > 8, "{pairs:?}");
    let untouched = rest_of(bench.clone());
    for (by_type, by_value) in pairs {
        let (mut one, mut other) = (bench.clone(), bench.clone());
        one.act(&by_type).unwrap();
        other.act(&by_value).unwrap();
        let held = |bench: &Bench| -> Vec<_> {
            let all = bench.books().ledger().balances();
            let real = all.filter(|(place, _)| place.is_physical());
            real.map(|(place, amount)| (place.clone(), amount))
                .collect()
        };
        let before = held(&one);
        one.run_until(Micros::secs(12));
        let risen = |place: &Place, amount: Money| {
            let was = before.iter().find(|(p, _)| p == place);
            was.map_or(amount, |(_, was)| amount.saturating_sub(*was)) > Money::ZERO
        };
        let after = held(&one);
        if matches!(by_type, Action::InsertCoin { .. }) {
            for (place, amount) in &after {
                let seen = one.observe(&Observation::WentTo(place.clone())).unwrap();
                assert_eq!(seen.is_true(), risen(place, *amount), "{by_type:?} {place}");
            }
        }
        other.run_until(Micros::secs(12));
        assert_eq!(rest_of(one), rest_of(other), "{by_type:?}");
        // That it is the same says nothing where nothing happens.
        if !matches!(by_type, Action::AtChanger { .. }) {
            let mut one = bench.clone();
            one.act(&by_type).unwrap();
            assert_ne!(rest_of(one), untouched, "{by_type:?}");
        }
    }
    let mut pulses = bench.clone();
    let why = pulses.act(&Action::InsertCoin {
        device: "pulses".to_owned(),
        coin: Tender::Type(0),
    });
    let why = why.unwrap_err().to_string();
    assert!(why.contains("no types on pulse lines"), "{why}");
    assert_eq!(rest_of(pulses), untouched);
}

/// The lever reports once until it is released (MDB/ICP 4.3, Appendix 3, section 2).
#[test]
fn a_held_lever_is_one_request_until_it_is_released() {
    use payrig_bench::action::{Action, ChangerAction};
    let (_, mut bench) = ready();
    let mut requests = Vec::new();
    for held in [true, true, false, true, false] {
        let device = "changer".to_owned();
        let what = ChangerAction::HoldLever(held);
        bench.act(&Action::AtChanger { device, what }).unwrap();
        let until = bench.now() + Micros::secs(1);
        bench.run_until(until);
        let is_request = |event: &Event| match &event.what {
            Entry::Block(block) => block
                .name()
                .is_some_and(|name| name.contains("ESCROW REQUEST")),
            _ => false,
        };
        requests.push(bench.take_events().filter(is_request).count());
    }
    assert_eq!(requests, [1, 0, 0, 1, 0]);
}

/// Which item fell can be seen on the bench as a person sees it.
#[test]
fn what_fell_is_what_was_delivered() {
    use payrig_bench::Observation;
    let plan = payrig_rig::parse(Path::new("first-vend.toml"), payrig_rig::FIRST_VEND).unwrap();
    let mut bench = Bench::of(&plan);
    let fell = |bench: &Bench| -> Vec<u16> {
        let all = plan.machine.selections.iter().map(|item| item.number);
        let fell = |item: &u16| bench.observe(&Observation::Fell(*item)).unwrap().is_true();
        all.filter(fell).collect()
    };
    assert!(fell(&bench).is_empty());
    while !bench.ended() {
        step(&mut bench);
        let items = plan.machine.selections.iter().map(|item| item.number);
        let delivered: Vec<u16> = items.filter(|i| bench.delivered().contains(i)).collect();
        assert_eq!(fell(&bench), delivered);
    }
    assert!(!fell(&bench).is_empty());
}
