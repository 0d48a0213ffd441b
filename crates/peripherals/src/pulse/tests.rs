use super::*;
use payrig_pulse::{CreditCounter, LineRecord, Profile, PulseFinding, PulseRule, Verdict, survey};
use payrig_units::{Ledger, Money, Place};
use proptest::prelude::*;

/// Runs a device until it has nothing to do or `until`, as a simulated bench does.
fn run(device: &mut dyn PulseDevice, until: Micros) -> Vec<(String, Edge)> {
    let mut edges = Vec::new();
    let mut now = Micros::ZERO;
    for _ in 0..100_000 {
        let due = device.next_deadline();
        if due > until || due == Micros::NEVER {
            return edges;
        }
        now = now.max(due);
        device.wake(now);
        edges.extend(device.take_edges());
    }
    panic!("the device never comes to rest");
}

/// What a board with the right profile makes of the edges.
fn count(profile: &Profile, edges: &[(String, Edge)]) -> (Money, Vec<PulseRule>) {
    let mut counter = CreditCounter::new(profile.clone(), Micros::ZERO);
    for (line, edge) in edges {
        counter.edge(line, edge.at, edge.high);
    }
    counter.idle(Micros::secs(100_000));
    let wrong = counter.take_findings();
    let rules = wrong
        .iter()
        .filter(|f| PulseFinding::is_limit(f))
        .map(|f| f.rule)
        .collect();
    (counter.total(), rules)
}

fn validator(extra: &str) -> PulseAcceptor {
    let text = format!("name = \"bill-1\"\nbills = [100, 500, 2000]\n{extra}");
    PulseAcceptor::new(toml::from_str(&text).unwrap()).unwrap()
}

fn balance(device: &mut dyn PulseDevice, place: &Place, ledger: &mut Ledger) -> i64 {
    for movement in device.take_movements() {
        ledger.book(Micros::ZERO, None, movement).unwrap();
    }
    ledger.balance(place).0
}

#[test]
fn a_bill_takes_its_time_and_becomes_pulses() {
    let mut bill = validator("");
    assert!(bill.insert_bill(Micros::secs(1), Money(500)));
    assert!(
        !bill.insert_bill(Micros::secs(1), Money(500)),
        "the path is taken"
    );
    let edges = run(&mut bill, Micros::secs(60));
    assert_eq!(edges[0].1.at, Micros::ms(1_000 + 1_500 + 700));
    assert_eq!(edges.len(), 10);
    assert_eq!(count(&Profile::short(), &edges), (Money(500), vec![]));
    let mut ledger = Ledger::new();
    let stacker = Place::Stacker("bill-1".into());
    assert_eq!(balance(&mut bill, &stacker, &mut ledger), 500);
}

#[test]
fn an_inhibited_validator_draws_nothing_in_and_gives_back() {
    let mut bill = validator("");
    bill.input_edge(Micros::ZERO, "inhibit", true);
    assert!(!bill.insert_bill(Micros::ms(1), Money(100)));
    assert!(bill.take_notes()[0].contains("inhibited"));
    bill.input_edge(Micros::ms(2), "inhibit", false);
    assert!(bill.insert_bill(Micros::ms(3), Money(100)));
    bill.input_edge(Micros::ms(500), "inhibit", true);
    assert!(run(&mut bill, Micros::secs(60)).is_empty());
    assert!(bill.take_notes()[0].contains("comes back"));
    let mut ledger = Ledger::new();
    assert_eq!(balance(&mut bill, &Place::Customer, &mut ledger), 0);
    assert_eq!(bill.take_movements(), []);
}

#[test]
fn an_unknown_bill_comes_back() {
    let mut bill = validator("");
    assert!(bill.insert_bill(Micros::ZERO, Money(300)));
    assert!(run(&mut bill, Micros::secs(60)).is_empty());
    assert!(bill.take_notes()[0].contains("not recognised"));
}

#[test]
fn a_validator_whose_bills_cannot_be_said_is_refused() {
    let text = "name = \"b\"\nbills = [100, 550]";
    let error = PulseAcceptor::new(toml::from_str(text).unwrap()).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("550 minor units cannot be expressed"),
        "{error}"
    );
    let typo = toml::from_str::<PulseAcceptorConfig>("name = \"b\"\nbills = []\ntravel = 4");
    assert!(
        typo.unwrap_err()
            .to_string()
            .contains("unknown field `travel`")
    );
}

/// Each fault, and what the right board finds wrong because of it.
#[test]
fn every_fault_is_caught() {
    let board = Profile::short();
    let caught = |fault: &str, feed: &[i64]| {
        let mut bill = validator(&format!("[faults]\n{fault}"));
        let mut now = Micros::ZERO;
        let mut edges = Vec::new();
        for value in feed {
            assert!(bill.insert_bill(now, Money(*value)));
            now += Micros::secs(20);
            edges.extend(run(&mut bill, now));
        }
        count(&board, &edges)
    };
    assert_eq!(
        caught("width-percent = -40", &[500]),
        (Money(0), vec![PulseRule::PulseWidth])
    );
    assert_eq!(caught("width-percent = -15", &[500]), (Money(500), vec![]));
    assert_eq!(
        caught("gap-percent = 60", &[500]),
        (Money(500), vec![PulseRule::PulseGap])
    );
    assert_eq!(caught("bounce-us = 950", &[500]), (Money(500), vec![]));
    assert_eq!(caught("glitch-us = 60", &[500]), (Money(500), vec![]));
    assert_eq!(caught("jitter-us = 5000", &[2000]), (Money(2000), vec![]));
    assert!(
        caught("jitter-us = 30000", &[2000])
            .1
            .contains(&PulseRule::PulseWidth)
    );
    assert_eq!(
        caught("wrong-profile = \"long\"", &[500]),
        (Money(0), vec![PulseRule::PulseWidth, PulseRule::PulseGap])
    );
    // What no board can see, the ledger does: the credit is not what was stacked.
    assert_eq!(caught("missing-pulses = 1", &[500]), (Money(400), vec![]));
    assert_eq!(
        caught("extra-pulses = 2\nevery = 2", &[500, 500]),
        (Money(1_200), vec![])
    );
    assert_eq!(caught("wrong-pulses = 4", &[500]), (Money(2_000), vec![]));
    assert_eq!(caught("stuck = \"resting\"", &[500]), (Money(0), vec![]));
}

#[test]
fn a_wrong_number_of_pulses_is_caught_where_units_have_several() {
    let four = "[pulse]\npulses = 4\nunit = 100\n";
    let profile: Profile = toml::from_str("pulses = 4\nunit = 100").unwrap();
    let mut bill = validator(&format!("{four}[faults]\nmissing-pulses = 1"));
    bill.insert_bill(Micros::ZERO, Money(500));
    let (total, rules) = count(&profile, &run(&mut bill, Micros::secs(60)));
    assert_eq!(
        (total, rules),
        (Money(400), vec![PulseRule::PulseRemainder])
    );
}

#[test]
fn trains_run_together_make_one_train() {
    for (fault, trains) in [("", 2), ("[faults]\ntrains-together = true", 1)] {
        let text = format!("name = \"c\"\ncoins = [100]\n{fault}");
        let mut coin = PulseCoinAcceptor::new(toml::from_str(&text).unwrap()).unwrap();
        coin.insert_coin(Micros::ZERO, Money(100));
        coin.insert_coin(Micros::ms(10), Money(100));
        let edges: Vec<_> = run(&mut coin, Micros::secs(60))
            .into_iter()
            .map(|e| e.1)
            .collect();
        let record = LineRecord {
            line: "credit",
            start: (Micros::ZERO, true),
            edges: &edges,
            end: Micros::secs(60),
            uncertainty: Micros::ZERO,
        };
        assert_eq!(survey(&record, &Profile::all()).trains.len(), trains);
    }
}

#[test]
fn reversed_and_stuck_lines_are_recognised() {
    let found = |fault: &str| {
        let mut bill = validator(&format!("[faults]\n{fault}"));
        let (_, start) = bill.resting_levels().remove(0);
        bill.insert_bill(Micros::ZERO, Money(500));
        let edges: Vec<_> = run(&mut bill, Micros::secs(60))
            .into_iter()
            .map(|e| e.1)
            .collect();
        let record = LineRecord {
            line: "credit",
            start: (Micros::ZERO, start),
            edges: &edges,
            end: Micros::secs(60),
            uncertainty: Micros::ZERO,
        };
        let found = survey(&record, &Profile::all());
        let rules: Vec<_> = found.findings.iter().map(|f| f.rule).collect();
        (
            rules,
            found
                .trains
                .iter()
                .filter(|t| t.judgement.verdict() == Verdict::Pass)
                .count(),
        )
    };
    assert_eq!(found("reversed = true"), (vec![PulseRule::LineReversed], 1));
    assert_eq!(
        found("stuck = \"resting\""),
        (vec![PulseRule::LineSilent], 0)
    );
    assert!(
        found("stuck = \"active\"")
            .0
            .contains(&PulseRule::LineSilent)
    );
    assert_eq!(found(""), (vec![], 1));
}

#[test]
fn pulses_while_inhibited_are_caught() {
    for (fault, credited) in [
        ("ignores-inhibit = true", 100),
        ("stray-after-inhibit-ms = 900", 100),
    ] {
        let mut bill = validator(&format!("[faults]\n{fault}"));
        bill.input_edge(Micros::ms(1), "inhibit", true);
        let drawn_in = bill.insert_bill(Micros::secs(2), Money(100));
        assert_eq!(drawn_in, fault.starts_with("ignores"));
        let mut edges = vec![(
            "inhibit".to_owned(),
            Edge {
                at: Micros::ms(1),
                high: true,
            },
        )];
        edges.extend(run(&mut bill, Micros::secs(60)));
        assert_eq!(
            count(&Profile::short(), &edges),
            (Money(credited), vec![PulseRule::PulseWhileInhibited])
        );
    }
}

#[test]
fn coins_go_to_their_lines_and_places() {
    let text = "name = \"coin-1\"\ncoins = [5, 25]\n[pulse]\n\
                lines = [{ name = \"a\", value = 5 }, { name = \"b\", value = 25 }]\n\
                [hopper]\nname = \"hopper-1\"\ncoin = 25\nfill = 3\ncapacity = 4";
    let config: PulseCoinAcceptorConfig = toml::from_str(text).unwrap();
    let profile = config.pulse.clone();
    let mut coin = PulseCoinAcceptor::new(config).unwrap();
    for (at, value) in [(0, 25), (1, 25), (2, 5), (3, 10)] {
        assert!(coin.insert_coin(Micros::secs(at), Money(value)));
    }
    let edges = run(&mut coin, Micros::secs(60));
    assert_eq!(
        edges[0],
        (
            "b".to_owned(),
            Edge {
                at: Micros::ms(250),
                high: false
            }
        )
    );
    assert_eq!(count(&profile, &edges), (Money(55), vec![]));
    assert!(coin.take_notes()[0].contains("coin of 10 falls through"));
    let mut ledger = Ledger::new();
    assert_eq!(
        balance(&mut coin, &Place::Hopper("hopper-1".into()), &mut ledger),
        100
    );
    assert_eq!(ledger.balance(&Place::CashBox("coin-1".into())), Money(30));
    assert_eq!(ledger.balance(&Place::Customer), Money(-55));
}

fn hopper(extra: &str) -> PulseHopper {
    let text = format!("name = \"h\"\ncoin = 25\nfill = 10\n{extra}");
    PulseHopper::new(toml::from_str(&text).unwrap()).unwrap()
}

/// Holds the motor on until so many exit pulses came or time is up; gives what the customer got.
fn pay(hopper: &mut PulseHopper, coins: usize) -> (usize, Money) {
    hopper.input_edge(Micros::ZERO, MOTOR_LINE, true);
    let (mut seen, mut now, mut stopped) = (0, Micros::ZERO, false);
    while hopper.next_deadline() < Micros::secs(60) {
        now = now.max(hopper.next_deadline());
        hopper.wake(now);
        seen += hopper
            .take_edges()
            .iter()
            .filter(|(_, edge)| !edge.high)
            .count();
        if seen >= coins && !stopped {
            stopped = true;
            hopper.input_edge(now, MOTOR_LINE, false);
        }
    }
    let mut ledger = Ledger::new();
    (seen, Money(balance(hopper, &Place::Customer, &mut ledger)))
}

#[test]
fn a_hopper_pays_a_coin_per_pulse() {
    assert_eq!(pay(&mut hopper(""), 4), (4, Money(100)));
    assert_eq!(pay(&mut hopper(""), 12), (10, Money(250)));
    assert_eq!(pay(&mut hopper("jam-after = 2"), 4), (2, Money(50)));
    assert_eq!(pay(&mut hopper("coins-after-stop = 1"), 4), (5, Money(125)));
    // A blind sensor: every second coin goes unseen.
    assert_eq!(
        pay(&mut hopper("[faults]\nmissing-pulses = 1\nevery = 2"), 4),
        (4, Money(175))
    );
}

#[test]
fn a_hopper_with_its_motor_line_held_goes_on_after_a_power_cut() {
    let mut hopper = hopper("");
    hopper.input_edge(Micros::ZERO, MOTOR_LINE, true);
    hopper.power(Micros::ms(10), false);
    assert_eq!(hopper.next_deadline(), Micros::NEVER);
    hopper.power(Micros::secs(5), true);
    assert_eq!(hopper.next_deadline(), Micros::ms(5_350));
}

fn card(extra: &str) -> PulseCardReader {
    let text = format!("name = \"card-1\"\nbalance = 500\n{extra}");
    PulseCardReader::new(toml::from_str(&text).unwrap()).unwrap()
}

#[test]
fn a_card_pays_a_fixed_price_or_by_count() {
    let mut fixed = card("price = 150");
    assert!(fixed.present_card(Micros::ZERO, None));
    assert_eq!(run(&mut fixed, Micros::secs(60)).len(), 2);
    let mut ledger = Ledger::new();
    let receipts = Place::CardReceipts("card-1".into());
    assert_eq!(balance(&mut fixed, &receipts, &mut ledger), 150);
    assert_eq!(
        ledger.balance(&Place::CardAccount("card-1".into())),
        Money(350)
    );

    let mut counted = card("");
    assert!(!counted.present_card(Micros::ZERO, None));
    assert!(
        !counted.present_card(Micros::ZERO, Some(Money(150))),
        "no whole unit"
    );
    assert!(counted.present_card(Micros::ZERO, Some(Money(300))));
    let edges = run(&mut counted, Micros::secs(60));
    assert_eq!(count(&Profile::short(), &edges), (Money(300), vec![]));
    assert!(counted.present_card(Micros::secs(60), Some(Money(300))));
    assert!(run(&mut counted, Micros::secs(99)).is_empty());
    assert!(
        counted
            .take_notes()
            .last()
            .unwrap()
            .contains("not enough money")
    );
    assert_eq!(counted.balance(), Money(200));
}

#[test]
fn a_card_taken_away_pays_nothing() {
    let mut reader = card("price = 150");
    reader.present_card(Micros::ZERO, None);
    reader.remove_card(Micros::ms(500));
    assert!(run(&mut reader, Micros::secs(60)).is_empty());
    assert_eq!(reader.balance(), Money(500));
}

proptest! {
    /// A bill is in the customer's hand or in the stacker, and credited exactly when stacked,
    /// whenever the power goes.
    #[test]
    fn a_power_cut_at_any_time_keeps_bill_and_credit_together(
        cut in 0u64..6_000_000, pulses in 1u32..5, jitter in 0u32..4_000, bounce in 0u32..990, seed: u64
    ) {
        let text = format!(
            "[pulse]\npulses = {pulses}\nunit = 100\n[faults]\njitter-us = {jitter}\n\
             bounce-us = {bounce}\nseed = {}", seed >> 1
        );
        let mut bill = validator(&text);
        let profile = Profile::short().with_count(pulses, Money(100));
        bill.insert_bill(Micros::ZERO, Money(500));
        let mut edges = run(&mut bill, Micros(cut));
        bill.power(Micros(cut), false);
        edges.extend(bill.take_edges());
        prop_assert_eq!(bill.next_deadline(), Micros::NEVER);
        bill.power(Micros(cut + 1_000_000), true);
        edges.extend(run(&mut bill, Micros::secs(100)));
        let mut counter = CreditCounter::new(profile, Micros::ZERO);
        for (line, edge) in &edges {
            counter.edge(line, edge.at, edge.high);
        }
        counter.idle(Micros::secs(1_000));
        let mut ledger = Ledger::new();
        let stacked = balance(&mut bill, &Place::Stacker("bill-1".into()), &mut ledger);
        prop_assert_eq!(counter.total(), Money(stacked));
        prop_assert_eq!(counter.carried(), 0);
        prop_assert_eq!(ledger.balance(&Place::Customer), Money(-stacked));
    }
}
