//! Float and bench against each other: on random machines, pulse and bus mixed, the board must show the light and take
//! the money that float says, at every fill.

use super::machine::{Float, machine};
use payrig_bench::action::{Action, Tender};
use payrig_bench::plan::{Kind, Plan, PulsePlan};
use payrig_bench::{Bench, Observation, Observed};
use payrig_float::{Acceptance, Guard, Machine, Piece, exact_change_light, is_welcome};
use payrig_units::{Micros, Money};
use std::fmt::Write;
use std::path::Path;

/// Machines looked at; each with [`FILLS`]. PAYRIG_FLOAT_MACHINES looks at another number.
const MACHINES: u64 = 1_000;
/// Fills of each machine.
const FILLS: u64 = 2;

struct Dice(fastrand::Rng);

impl Dice {
    fn one_in(&mut self, n: u32) -> bool {
        self.0.u32(0..n) == 0
    }

    fn some<'a>(&mut self, of: &[&'a str]) -> Vec<&'a str> {
        let keep = self.0.u32(1..4);
        let some: Vec<&str> = of
            .iter()
            .copied()
            .filter(|_| self.0.u32(0..4) < keep)
            .collect();
        match some.is_empty() {
            true => vec![of[self.0.usize(0..of.len())]],
            false => some,
        }
    }
}

fn quoted(values: &[&str]) -> String {
    let all: Vec<String> = values.iter().map(|v| format!("\"{v}\"")).collect();
    all.join(", ")
}

const BILLS: [&str; 5] = ["1.00", "2.00", "5.00", "10.00", "20.00"];
const COINS: [&str; 5] = ["0.05", "0.10", "0.25", "0.50", "1.00"];

/// A machine: what it is made of follows from `shape`, what is in its tubes from `fill`.
fn rig(shape: u64, fill: u64) -> String {
    let mut dice = Dice(fastrand::Rng::with_seed(shape));
    let mut filling = Dice(fastrand::Rng::with_seed(shape ^ (fill << 32) ^ 0x5eed));
    let mut board = String::from("[bench]\nname = \"random\"\n[board]\nkind = \"controller\"\n");
    let mut devices = String::new();
    // Writing to a String does not fail.
    let mut item = |number: u32, step: u32| {
        let price = dice.0.u32(1..120) * step;
        format!(
            "[[board.item]]\nnumber = {number}\nprice = \"{}.{:02}\"\n",
            price / 100,
            price % 100
        )
    };
    let items: String = (1..=1 + (shape % 4) as u32)
        .map(|n| item(n, if n == 4 { 50 } else { 5 }))
        .collect();
    let count = |filling: &mut Dice, capacity: u32| match filling.0.u32(0..4) {
        0 => 0,
        1 => filling.0.u32(0..4),
        2 => filling.0.u32(0..=capacity),
        _ => capacity,
    };
    let bus_bill = dice.one_in(2);
    let recycler = bus_bill && dice.one_in(3);
    if recycler {
        board.push_str("bill-change = \"by-type\"\n");
    }
    if dice.one_in(5) {
        let _ = writeln!(board, "refuse-bills = [{}]", quoted(&dice.some(&BILLS)));
    }
    if dice.one_in(5) {
        let _ = writeln!(board, "refuse-coins = [{}]", quoted(&dice.some(&COINS)));
    }
    if dice.one_in(5) {
        let _ = writeln!(board, "credit-limit = \"{}.00\"", dice.0.u32(1..3));
    }
    let changer = !dice.one_in(3);
    if changer {
        devices.push_str("[[device]]\nkind = \"changer\"\nname = \"changer\"\ncoin = [");
        for coin in dice.some(&COINS) {
            let capacity = dice.0.u32(1..40);
            let _ = match dice.0.u32(0..8) {
                0 => write!(devices, "{{ value = \"{coin}\" }}, "),
                kind => write!(
                    devices,
                    "{{ value = \"{coin}\", capacity = {capacity}, count = {}{} }}, ",
                    count(&mut filling, capacity),
                    if kind == 1 { ", defective = true" } else { "" }
                ),
            };
        }
        devices.push_str("]\n");
    }
    let mut bus_taken = false;
    if bus_bill {
        let bills = dice.some(&BILLS);
        let to_pulse = !recycler && dice.one_in(4);
        let _ = writeln!(
            devices,
            "[[device]]\nkind = \"bill-validator\"\nname = \"bus bill\"\nbills = [{}]\nescrow = {}",
            quoted(&bills),
            recycler || !dice.one_in(4)
        );
        if recycler {
            for bill in bills.iter().take(dice.0.usize(1..3)) {
                let count = count(&mut filling, 10);
                let _ = writeln!(
                    devices,
                    "[[device.store]]\nbill = \"{bill}\"\ncount = {count}\ncapacity = 10"
                );
            }
        }
        bus_taken = !to_pulse;
        if to_pulse {
            // What is worth no whole number of pulses cannot come in.
            let per = if dice.one_in(2) { "1.00" } else { "5.00" };
            let _ = writeln!(
                devices,
                "[[device]]\nkind = \"bridge\"\nname = \"to pulse\"\nfrom = \"bus bill\"\n\
                 [device.pulse]\nprofile = \"short\"\npulses = 1\nper = \"{per}\""
            );
        }
    }
    if dice.one_in(2) || !changer && !bus_bill {
        let _ = writeln!(
            devices,
            "[[device]]\nkind = \"pulse-bill-validator\"\nname = \"pulse bill\"\nbills = [{}]\n\
             [device.pulse]\nprofile = \"short\"\npulses = 1\nper = \"1.00\"",
            quoted(&dice.some(&BILLS[..3]))
        );
        if !bus_taken && dice.one_in(2) {
            let _ = writeln!(
                devices,
                "[[device]]\nkind = \"bridge\"\nname = \"bill on bus\"\nfrom = \"pulse bill\"\n\
                 release = \"{}\"",
                if dice.one_in(2) {
                    "all-enabled"
                } else {
                    "any-enabled"
                }
            );
        }
    }
    if dice.one_in(3) {
        let coins = dice.some(&COINS);
        let _ = writeln!(
            devices,
            "[[device]]\nkind = \"pulse-coin-acceptor\"\nname = \"pulse coin\"\ncoins = [{}]\n\
             [device.pulse]\nprofile = \"short\"\npulses = 1\nper = \"0.05\"",
            quoted(&coins)
        );
        if !recycler && dice.one_in(2) {
            let capacity = 30;
            let _ = writeln!(
                devices,
                "[device.hopper]\nname = \"hopper\"\ncoin = \"{}\"\ncount = {}\ncapacity = {capacity}",
                coins[0],
                count(&mut filling, capacity)
            );
        } else if !changer && dice.one_in(2) {
            let _ = writeln!(
                devices,
                "[[device]]\nkind = \"bridge\"\nname = \"coin on bus\"\nfrom = \"pulse coin\"\n\
                 as = \"changer\""
            );
        }
    }
    format!("{board}{items}{devices}[[script]]\ndo = \"wait\"\nfor = \"900 s\"\n")
}

/// Everything that can be put in somewhere: device, whether it is a bill, value.
fn tenders(rig: &Plan) -> Vec<(String, bool, Money)> {
    use payrig_peripherals::bill::BillKind;
    use payrig_peripherals::changer::CoinWorth;
    let mut all = Vec::new();
    for device in &rig.devices {
        let (bill, values): (bool, Vec<Money>) = match &device.kind {
            Kind::Changer(config, _) => (
                false,
                config
                    .coins
                    .iter()
                    .flatten()
                    .filter_map(|coin| match coin.worth {
                        CoinWorth::Money(value) => Some(value),
                        _ => None,
                    })
                    .collect(),
            ),
            Kind::Bill(config, _) => {
                let value = |bill: &BillKind| match bill {
                    BillKind::Value(value) => Some(*value),
                    _ => None,
                };
                (true, config.bills.iter().filter_map(value).collect())
            }
            Kind::Pulse(pulse) => (matches!(**pulse, PulsePlan::Bill(_)), pulse.values()),
            Kind::Bridge(_) | Kind::Cashless(_) => continue,
        };
        all.extend(values.into_iter().map(|v| (device.name.clone(), bill, v)));
    }
    all
}

fn credit(bench: &Bench) -> Money {
    match bench.observe(&Observation::Credit).unwrap() {
        Observed::Amount(amount) => amount,
        other => panic!("{other:?}"),
    }
}

/// What becomes credit when this is put in.
fn put_in(bench: &Bench, (device, bill, value): &(String, bool, Money)) -> (Bench, Money) {
    let mut bench = bench.clone();
    let before = credit(&bench);
    let device = device.clone();
    let action = match bill {
        true => Action::InsertBill {
            device,
            bill: Tender::Worth(*value),
        },
        false => Action::InsertCoin {
            device,
            coin: Tender::Worth(*value),
        },
    };
    bench.act(&action).unwrap();
    let now = bench.now();
    bench.run_until(now + Micros::secs(8));
    let after = credit(&bench);
    (bench, after.saturating_sub(before))
}

/// The guards of the pieces that stand for what is put into a device.
fn pieces<'a>(float: &'a Float, rig: &Plan, tender: &(String, bool, Money)) -> Vec<&'a Piece> {
    let device = rig.devices.iter().find(|d| d.name == tender.0).unwrap();
    let on_line = matches!(device.kind, Kind::Pulse(_)) || device.behind.is_some();
    let on_bus = matches!(device.kind, Kind::Changer(..)) || tender.1 && !on_line;
    let behind = device.behind.as_deref();
    let fits = |p: &&Piece| {
        p.value == tender.2
            && match p.guard {
                Guard::OnSight => !tender.1 && (on_bus || behind == Some("coin on bus")),
                Guard::Alone => tender.1 && on_bus,
                Guard::Line(line) => {
                    let name = &float.machine.lines[line].name;
                    on_line && (*name == device.name || behind == Some(name))
                }
            }
    };
    float.machine.pieces.iter().filter(fits).collect()
}

/// The tubes and stores after a coin or bill fell into one.
fn with_piece(machine: &Machine, (_, bill, value): &(String, bool, Money)) -> Vec<u32> {
    let mut counts = machine.counts();
    let mut tubes = machine.tubes.iter().zip(&mut counts);
    let tube = tubes.find(|(tube, _)| tube.value == *value && tube.is_bill_store() == *bill);
    if let Some((_, count)) = tube.filter(|(tube, count)| **count < tube.capacity) {
        *count += 1;
    }
    counts
}

/// What came of some machines.
#[derive(Debug, Default)]
struct Looked {
    /// Coins and bills that were put in.
    cases: u32,
    /// Machines whose light was on.
    lights: u32,
    /// Machines with several that pay, each by itself, which float does not take.
    several: u32,
    /// Rigs that are none.
    refused: u32,
    /// Offers that a line held off.
    held_off: u32,
    /// Where float and bench differ.
    wrong: Vec<String>,
}

impl Looked {
    fn and(mut self, other: Self) -> Self {
        self.cases += other.cases;
        self.lights += other.lights;
        self.several += other.several;
        self.refused += other.refused;
        self.held_off += other.held_off;
        self.wrong.extend(other.wrong);
        self
    }
}

/// Holds float and bench against each other on one machine with one fill.
fn look(case: u64) -> Looked {
    let mut looked = Looked::default();
    let text = rig(case / FILLS, case % FILLS);
    // Some bridges cannot say a bill of their validator, and a rig with such a one is refused.
    let Ok(plan) = payrig_rig::parse(Path::new("random.toml"), &text) else {
        looked.refused += 1;
        return looked;
    };
    let Ok(float) = machine(&plan, false) else {
        looked.several += 1;
        return looked;
    };
    let mut bench = Bench::of(&plan);
    bench.run_until(Micros::secs(8));
    let mut wrong = Vec::new();
    let mut differs = |what: String| wrong.push(format!("machine {case}: {what}\n{text}"));
    let counts = float.machine.counts();
    let light = bench.observe(&Observation::ExactChange).unwrap().is_true();
    if light != exact_change_light(&float.machine, &counts) {
        differs(format!("the light is {light}"));
    }
    looked.lights += u32::from(light);
    let all = tenders(&plan);
    let largest = Money(10_000);
    let acceptance = Acceptance::of(&float.machine, &counts, largest);
    let mut in_it: Option<(Bench, Money, Vec<u32>)> = None;
    for tender in &all {
        let (after, more) = put_in(&bench, tender);
        let its = pieces(&float, &plan, tender);
        let says = its.iter().any(|p| acceptance.takes(Money::ZERO, p));
        looked.cases += 1;
        looked.held_off +=
            u32::from(more.is_zero() && its.iter().any(|p| matches!(p.guard, Guard::Line(_))));
        if (more == tender.2) != says || (more != tender.2 && more != Money::ZERO) {
            differs(format!("{tender:?}: {more:?} came in, float says {says}"));
        }
        // Float's question about a bill is about all ways in.
        if tender.1 && says && !is_welcome(&float.machine, &counts, tender.2) {
            differs(format!("{tender:?} is taken, float says it is not welcome"));
        }
        if more > Money::ZERO && in_it.is_none() {
            let counts = match its.iter().any(|p| p.to_tube) {
                true => with_piece(&float.machine, tender),
                false => counts.clone(),
            };
            in_it = Some((after, more, counts));
        }
    }
    // The same with something in already.
    let Some((bench, credit, counts)) = in_it else {
        looked.wrong = wrong;
        return looked;
    };
    let acceptance = Acceptance::of(&float.machine, &counts, largest);
    let light = bench.observe(&Observation::ExactChange).unwrap().is_true();
    if light != acceptance.light(credit) && float.machine.gives_change {
        differs(format!("with {credit:?} in the light is {light}"));
    }
    for tender in &all {
        let (_, more) = put_in(&bench, tender);
        let its = pieces(&float, &plan, tender);
        let says = its.iter().any(|p| acceptance.takes(credit, p));
        looked.cases += 1;
        if (more == tender.2) != says {
            differs(format!(
                "with {credit:?} in, {tender:?}: {more:?} came in, float says {says}"
            ));
        }
    }
    looked.wrong = wrong;
    looked
}

#[test]
fn the_board_shows_and_takes_what_float_says_at_every_fill() {
    let machines = std::env::var("PAYRIG_FLOAT_MACHINES").ok();
    let machines = machines.map_or(MACHINES, |n| n.parse().unwrap());
    let hands = std::thread::available_parallelism().map_or(1, |n| n.get() as u64);
    let all = std::thread::scope(|scope| {
        let hand = |first: u64| {
            let mine = (first..machines * FILLS).step_by(hands as usize);
            scope.spawn(move || mine.map(look).fold(Looked::default(), Looked::and))
        };
        let hands: Vec<_> = (0..hands).map(hand).collect();
        let looked = hands.into_iter().map(|hand| hand.join().unwrap());
        looked.fold(Looked::default(), Looked::and)
    });
    let (cases, wrong) = (all.cases, &all.wrong);
    eprintln!(
        "{cases} offers, {} lights on, {} with several payers, {} refused, {} held off by a line",
        all.lights, all.several, all.refused, all.held_off
    );
    assert!(
        u64::from(all.refused) <= machines * FILLS / 10,
        "{} rigs are none",
        all.refused
    );
    let some: Vec<_> = wrong.iter().step_by(wrong.len() / 8 + 1).cloned().collect();
    assert!(
        wrong.is_empty(),
        "{} of {cases} offers differ:\n{}",
        wrong.len(),
        some.join("\n")
    );
    assert!(u64::from(cases) > 4 * machines && u64::from(all.lights) > machines / 20);
}
