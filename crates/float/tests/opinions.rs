//! Outside opinions: brute force, and a solver for integer linear programs.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

use microlp::{ComparisonOp, OptimizationDirection, Problem, SolveOutcome};
use payrig_float::{
    FillAnswer, Guard, Line, Machine, Piece, Tube, changes_of, is_welcome, make_change, needs, run,
    smallest_fill, some_way,
};
use payrig_units::Money;
use proptest::prelude::*;
use std::collections::BTreeSet;

fn machine(tubes: &[(i64, u32, u32)], prices: &[i64]) -> Machine {
    let tube = |(i, (value, count, capacity)): (usize, &(i64, u32, u32))| Tube {
        coin_type: i as u8,
        value: Money(*value),
        count: *count,
        capacity: *capacity,
    };
    Machine {
        tubes: tubes.iter().enumerate().map(tube).collect(),
        pieces: vec![Piece {
            value: Money(100),
            guard: Guard::Alone,
            to_tube: false,
        }],
        bills: vec![Money(100)],
        prices: prices.iter().map(|p| Money(*p)).collect(),
        gives_change: true,
        ..Machine::default()
    }
}

/// Every way to pay, by counting up: what is left after each.
fn all_ways(amount: i64, values: &[i64], have: &[u32]) -> Vec<Vec<u32>> {
    let (Some((value, values)), Some((count, have))) = (values.split_first(), have.split_first())
    else {
        return if amount == 0 { vec![vec![]] } else { vec![] };
    };
    let mut ways = Vec::new();
    for n in 0..=*count {
        let rest = amount - value * i64::from(n);
        if rest < 0 {
            break;
        }
        for mut left in all_ways(rest, values, have) {
            left.insert(0, count - n);
            ways.push(left);
        }
    }
    ways
}

fn payable_together(changes: &[i64], values: &[i64], have: &[u32]) -> bool {
    match changes.split_first() {
        None => true,
        Some((first, rest)) => all_ways(*first, values, have)
            .iter()
            .any(|left| payable_together(rest, values, left)),
    }
}

/// All orders of `n` changes, paid with the fewest coins: do they all go well?
fn board_lasts(machine: &Machine, counts: &[u32], changes: &[i64], n: u32) -> bool {
    if n == 0 {
        return true;
    }
    changes.iter().all(|change| {
        make_change(Money(*change), &machine.stock_of(counts)).is_some_and(|coins| {
            let mut left = counts.to_vec();
            for (coin_type, n) in coins {
                left[usize::from(coin_type)] -= n;
            }
            board_lasts(machine, &left, changes, n - 1)
        })
    })
}

fn values_of(machine: &Machine) -> Vec<i64> {
    machine.tubes.iter().map(|t| t.value.as_minor()).collect()
}

/// Every number of coins per tube, up to the capacities.
fn all_fills(machine: &Machine) -> Vec<Vec<u32>> {
    let mut all = vec![vec![]];
    for tube in &machine.tubes {
        all = all
            .into_iter()
            .flat_map(|fill: Vec<u32>| {
                (0..=tube.capacity).map(move |n| [fill.clone(), vec![n]].concat())
            })
            .collect();
    }
    all
}

fn tubes() -> impl Strategy<Value = Vec<(i64, u32, u32)>> {
    let value = prop::sample::select(vec![1i64, 2, 3, 4, 5, 7, 10, 11, 20, 25]);
    let tube =
        (value, 0u32..6, 0u32..3).prop_map(|(value, count, more)| (value, count, count + more));
    prop::collection::vec(tube, 1..4)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn a_way_for_several_changes_is_found_exactly_when_there_is_one(
        tubes in tubes(), changes in prop::collection::vec(0i64..40, 0..4)
    ) {
        let machine = machine(&tubes, &[1]);
        let (values, counts) = (values_of(&machine), machine.counts());
        let amounts: Vec<Money> = changes.iter().copied().map(Money).collect();
        let way = some_way(&machine, &counts, &amounts).expect("small enough");
        prop_assert_eq!(way.is_some(), payable_together(&changes, &values, &counts));
        if let Some(way) = way {
            let mut total = vec![0u32; counts.len()];
            for (coins, change) in way.iter().zip(&changes) {
                let paid: i64 = coins.iter().zip(&values).map(|(n, v)| i64::from(*n) * v).sum();
                prop_assert_eq!(paid, *change);
                total.iter_mut().zip(coins).for_each(|(t, n)| *t += n);
            }
            prop_assert!(total.iter().zip(&counts).all(|(used, have)| used <= have));
        }
    }

    #[test]
    fn a_run_ends_where_some_order_of_changes_fails(
        tubes in tubes(), changes in prop::collection::btree_set(1i64..30, 1..4)
    ) {
        let machine = machine(&tubes, &[1]);
        let changes: Vec<i64> = changes.into_iter().collect();
        let amounts: Vec<Money> = changes.iter().copied().map(Money).collect();
        let counts = machine.counts();
        let found = run(&machine, &counts, &amounts, 4);
        prop_assert!(!found.gave_up);
        for n in 0..=4 {
            prop_assert_eq!(board_lasts(&machine, &counts, &changes, n), n <= found.sales);
        }
        if let Some(failure) = found.failure {
            let order: Vec<i64> = failure.changes.iter().map(|m| m.as_minor()).collect();
            prop_assert_eq!(order.len() as u32, found.sales + 1);
            let other = payable_together(&order, &values_of(&machine), &counts);
            prop_assert_eq!(failure.another_way, Some(other));
        }
    }

    #[test]
    fn the_smallest_fill_is_the_smallest(
        tubes in prop::collection::vec(
            (prop::sample::select(vec![1i64, 2, 3, 5, 7, 10]), 0u32..2, 0u32..5), 1..4),
        changes in prop::collection::btree_set(1i64..22, 1..4),
        sales in 1u32..4,
    ) {
        let tubes: Vec<_> = tubes.iter().map(|(v, base, more)| (*v, *base, base + more)).collect();
        let machine = machine(&tubes, &[1]);
        let changes: Vec<i64> = changes.into_iter().collect();
        let amounts: Vec<Money> = changes.iter().copied().map(Money).collect();
        let base = machine.counts();
        let added = |fill: &[u32]| fill.iter().sum::<u32>() - base.iter().sum::<u32>();
        let least = all_fills(&machine)
            .into_iter()
            .filter(|fill| fill.iter().zip(&base).all(|(n, b)| n >= b))
            .filter(|fill| board_lasts(&machine, fill, &changes, sales))
            .map(|fill| (added(&fill), machine.worth(&fill)))
            .min();
        match smallest_fill(&machine, &base, &amounts, sales) {
            FillAnswer::Fill(fill) => {
                prop_assert!(fill.iter().zip(&machine.tubes).all(|(n, t)| *n <= t.capacity));
                prop_assert!(board_lasts(&machine, &fill, &changes, sales));
                prop_assert_eq!(Some((added(&fill), machine.worth(&fill))), least);
            }
            FillAnswer::Impossible(_) | FillAnswer::GaveUp => prop_assert_eq!(least, None),
            FillAnswer::Enough(_) => prop_assert!(false, "small enough to be tried"),
        }
    }

    /// Customers played piece by piece against the needs that were listed.
    #[test]
    fn needs_are_what_customers_can_bring_about(
        pieces in prop::collection::btree_set((1i64..12, 0u8..4, any::<bool>()), 1..4),
        prices in prop::collection::btree_set(1i64..15, 1..4),
        max_credit in 1i64..25,
        tubes in tubes(),
        limit in prop::option::of(1i64..12),
    ) {
        // 0 and 1 of one line, 2 alone, 3 on sight.
        let piece = |(value, guard, to_tube): (i64, u8, bool)| Piece {
            value: Money(value),
            guard: match guard {
                0 | 1 => Guard::Line(0),
                2 => Guard::Alone,
                _ => Guard::OnSight,
            },
            to_tube: to_tube && guard == 3,
        };
        let pieces: BTreeSet<Piece> = pieces.into_iter().map(piece).collect();
        let pieces: Vec<Piece> = pieces.into_iter().collect();
        let held = pieces.iter().filter(|p| p.guard == Guard::Line(0)).map(|p| p.value);
        let machine = Machine {
            pieces: pieces.clone(),
            lines: vec![Line { name: "line".to_owned(), opens: held.collect(), all: true }],
            credit_limit: limit.map(Money),
            ..machine(&tubes, &prices.iter().copied().collect::<Vec<_>>())
        };
        let prices: Vec<i64> = prices.into_iter().collect();
        let any = |_: &Seen, _: &Piece| true;
        let all = played(&machine, &prices, max_credit, any);
        let came = played(&machine, &prices, max_credit, |seen, piece| takes(&machine, &prices, seen, piece));
        let listed = needs(&machine, Money(max_credit));
        let names: BTreeSet<(i64, i64)> = listed.iter().map(|n| (n.credit.as_minor(), n.price.as_minor())).collect();
        prop_assert_eq!(&names, &all);
        let exact = !pieces.iter().any(|p| p.to_tube);
        for need in listed.iter().filter(|n| make_change(n.change, &machine.stock()).is_none()) {
            let comes = came.contains(&(need.credit.as_minor(), need.price.as_minor()));
            // What is said to be kept out never comes about; where no coin falls into a tube on the way, all else does.
            prop_assert!(!(need.kept_out && comes), "{:?} comes about", need);
            prop_assert!(!exact || need.kept_out || comes, "{:?} is kept out", need);
        }
    }
}

/// A customer on the way: what is in, the smallest piece of it, the coins per tube now.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Seen {
    credit: i64,
    smallest: i64,
    counts: Vec<u32>,
}

/// What a board does that looks first, by counting up every way to pay.
fn takes(machine: &Machine, prices: &[i64], seen: &Seen, piece: &Piece) -> bool {
    let pays = |amount: i64| !all_ways(amount, &values_of(machine), &seen.counts).is_empty();
    let changeable = |more: Money| {
        let credit = seen.credit + more.as_minor();
        let mut covered = prices.iter().filter(|p| **p <= credit).peekable();
        match covered.peek() {
            None => pays(credit),
            Some(_) => covered.all(|p| pays(credit - p)),
        }
    };
    match piece.guard {
        Guard::OnSight => machine
            .credit_limit
            .is_none_or(|l| seen.credit < l.as_minor()),
        Guard::Alone => changeable(piece.value),
        Guard::Line(line) => machine.lines[line].opens.iter().all(|v| changeable(*v)),
    }
}

/// Credits and prices that customers bring about with pieces that are taken, piece by piece.
fn played(
    machine: &Machine,
    prices: &[i64],
    max_credit: i64,
    taken: impl Fn(&Seen, &Piece) -> bool,
) -> BTreeSet<(i64, i64)> {
    let mut found = BTreeSet::new();
    let start = Seen {
        credit: 0,
        smallest: i64::MAX,
        counts: machine.counts(),
    };
    let after = |seen: &Seen, piece: &Piece| {
        let value = piece.value.as_minor();
        let mut counts = seen.counts.clone();
        let tubes = machine.tubes.iter();
        if let Some(tube) = tubes.clone().position(|t| t.value == piece.value)
            && piece.to_tube
        {
            counts[tube] += 1;
        }
        Seen {
            credit: seen.credit + value,
            smallest: seen.smallest.min(value),
            counts,
        }
    };
    // Those who put in before they choose, pieces that land in no tube.
    let (mut open, mut known) = (vec![start.clone()], BTreeSet::new());
    while let Some(seen) = open.pop() {
        if !known.insert(seen.credit) {
            continue;
        }
        for piece in machine.pieces.iter().filter(|p| !p.to_tube) {
            let next = after(&seen, piece);
            if next.credit <= max_credit && taken(&seen, piece) {
                open.push(next);
            }
        }
        let credit = seen.credit;
        if credit > 0 {
            let covered: Vec<_> = prices.iter().filter(|p| **p <= credit).collect();
            if covered.is_empty() {
                found.insert((credit, 0));
            }
            found.extend(covered.into_iter().map(|p| (credit, *p)));
        }
    }
    // Those who stop in time: without the smallest piece the price would not be covered.
    for price in prices {
        let (mut open, mut known) = (vec![start.clone()], BTreeSet::new());
        while let Some(seen) = open.pop() {
            if !known.insert(seen.clone()) {
                continue;
            }
            if seen.credit >= *price {
                if seen.credit - seen.smallest < *price {
                    found.insert((seen.credit, *price));
                }
                continue;
            }
            for piece in machine.pieces.iter().filter(|p| taken(&seen, p)) {
                open.push(after(&seen, piece));
            }
        }
    }
    found
}

/// The solver's best; `None` when it says that nothing is feasible.
fn objective(problem: &Problem) -> Option<u32> {
    match problem.solve() {
        Ok(SolveOutcome::Solution(solution)) => Some(solution.objective().round() as u32),
        Ok(other) => panic!("the solver was not done: {other:?}"),
        Err(microlp::Error::Infeasible) => None,
        Err(other) => panic!("the solver failed: {other}"),
    }
}

/// Ways to pay as an integer program: coins per tube within what is there, worth exactly so much.
fn solver_pays(amount: i64, machine: &Machine) -> Option<u32> {
    let mut problem = Problem::new(OptimizationDirection::Minimize);
    let terms: Vec<_> = machine
        .tubes
        .iter()
        .map(|tube| {
            let coins = problem.add_integer_var(1.0, (0, tube.count as i32));
            (coins, tube.value.as_minor() as f64)
        })
        .collect();
    problem.add_constraint(&terms, ComparisonOp::Eq, amount as f64);
    objective(&problem)
}

/// The smallest fill for single sales as an integer program: a way per change, each within the fill.
fn solver_fill(changes: &[i64], machine: &Machine) -> Option<u32> {
    let mut problem = Problem::new(OptimizationDirection::Minimize);
    let fill: Vec<_> = machine
        .tubes
        .iter()
        .map(|tube| problem.add_integer_var(1.0, (0, tube.capacity as i32)))
        .collect();
    for change in changes {
        let mut terms = Vec::new();
        for (tube, held) in machine.tubes.iter().zip(&fill) {
            let coins = problem.add_integer_var(0.0, (0, tube.capacity as i32));
            problem.add_constraint([(coins, 1.0), (*held, -1.0)], ComparisonOp::Le, 0.0);
            terms.push((coins, tube.value.as_minor() as f64));
        }
        problem.add_constraint(&terms, ComparisonOp::Eq, *change as f64);
    }
    objective(&problem)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn the_solver_pays_with_as_few_coins(tubes in tubes(), amount in 1i64..60) {
        let machine = machine(&tubes, &[1]);
        let made = make_change(Money(amount), &machine.stock());
        let coins = made.map(|coins| coins.iter().map(|(_, n)| n).sum::<u32>());
        prop_assert_eq!(coins, solver_pays(amount, &machine));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn the_solver_fills_with_as_few_coins(
        tubes in prop::collection::vec(
            (prop::sample::select(vec![1i64, 2, 5, 10, 20, 25]), 1u32..9), 1..4),
        changes in prop::collection::btree_set(1i64..60, 1..4),
    ) {
        let tubes: Vec<_> = tubes.iter().map(|(v, capacity)| (*v, 0, *capacity)).collect();
        let machine = machine(&tubes, &[1]);
        let changes: Vec<i64> = changes.into_iter().collect();
        let amounts: Vec<Money> = changes.iter().copied().map(Money).collect();
        let least = match smallest_fill(&machine, &machine.counts(), &amounts, 1) {
            FillAnswer::Fill(fill) => Some(fill.iter().sum::<u32>()),
            FillAnswer::Impossible(_) => None,
            FillAnswer::Enough(_) | FillAnswer::GaveUp => panic!("small enough to be tried"),
        };
        prop_assert_eq!(least, solver_fill(&changes, &machine));
    }

    /// Our own board's rule, asked of the board itself.
    #[test]
    fn a_bill_is_welcome_when_the_board_says_so(
        tubes in tubes(), prices in prop::collection::btree_set(1i64..120, 1..4), bill in 1i64..120
    ) {
        use payrig_controller::{Item, Means, Policy, Vending};
        struct Tubes(Machine);
        impl Means for Tubes {
            fn can_pay(&self, amount: Money) -> bool {
                make_change(amount, &self.0.stock()).is_some()
            }
            fn readers(&self) -> Vec<payrig_controller::Reader> { Vec::new() }
        }
        let prices: Vec<i64> = prices.into_iter().collect();
        let machine = machine(&tubes, &prices);
        let item = |(i, price): (usize, &i64)| Item::new(i as u16 + 1, "", Money(*price));
        let policy = Policy { decimals: Default::default(), session_timeout: Default::default(), multi_vend: false, hold_bills: false, keep_credit: false, cards: Default::default() };
        let board = Vending::new(prices.iter().enumerate().map(item).collect(), policy);
        let counts = machine.counts();
        prop_assert_eq!(
            is_welcome(&machine, &counts, Money(bill)),
            board.is_changeable(Money(bill), &Tubes(machine.clone()))
        );
    }

    #[test]
    fn more_coins_never_turn_a_bill_away(
        tubes in tubes(), more in prop::collection::vec(0u32..6, 3),
        prices in prop::collection::btree_set(1i64..60, 1..4), bill in 1i64..60,
    ) {
        let prices: Vec<i64> = prices.into_iter().collect();
        let machine = machine(&tubes, &prices);
        let counts = machine.counts();
        let fuller: Vec<u32> = counts.iter().zip(&more).map(|(a, b)| a + b).collect();
        prop_assert!(!is_welcome(&machine, &counts, Money(bill)) || is_welcome(&machine, &fuller, Money(bill)));
    }
}

#[test]
fn changes_of_a_bill_that_buys_nothing_is_the_bill() {
    let machine = machine(&[(5, 0, 10)], &[150, 200]);
    assert_eq!(changes_of(&machine, Money(100)), vec![Money(100)]);
    assert_eq!(changes_of(&machine, Money(200)), vec![Money(0), Money(50)]);
}

#[test]
fn the_fewest_coins_now_can_be_the_wrong_coins_later() {
    // 30 is paid as 25 + 5, and the next 25 has only 3 x 10 left; 3 x 10 first would do for both.
    let machine = machine(&[(5, 1, 9), (10, 3, 9), (25, 1, 9)], &[70, 75]);
    let changes = [Money(25), Money(30)];
    let found = run(&machine, &machine.counts(), &changes, 5);
    assert_eq!(found.sales, 1);
    let failure = found.failure.expect("fails");
    assert_eq!(failure.another_way, Some(true));
    let mut order = failure.changes.clone();
    order.sort_unstable();
    assert_eq!(order, changes);
}

/// Too many fills to try them all: the fill that is recommended must last all the same, and no tube of it may have
/// a coin that is not needed. Ten sales with one change are one order, so brute force can say.
#[test]
fn a_fill_that_is_only_enough_lasts_and_has_no_coin_to_spare() {
    let tubes = [
        (5, 0, 80),
        (10, 0, 110),
        (25, 0, 75),
        (100, 0, 30),
        (500, 0, 30),
    ];
    let machine = machine(&tubes, &[125]);
    let FillAnswer::Enough(fill) = smallest_fill(&machine, &machine.counts(), &[Money(375)], 10)
    else {
        panic!("few enough cases for an exact answer: make the machine larger");
    };
    assert!(board_lasts(&machine, &fill, &[375], 10), "{fill:?}");
    for tube in 0..fill.len() {
        let mut fewer = fill.clone();
        if fewer[tube] > 0 {
            fewer[tube] -= 1;
            assert!(
                !board_lasts(&machine, &fewer, &[375], 10),
                "{fewer:?} lasts too"
            );
        }
    }
}
