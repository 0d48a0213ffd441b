//! Any amount of money, sent as pulses by any profile, is the same amount again; what is outside a
//! profile's tolerance is never credited as something else without a finding.
use payrig_pulse::{
    Coding, CoinLine, CreditCounter, Edge, Level, Plan, Profile, PulseFinding, PulseRule,
    PulseSender, Tolerance, WidthValue,
};
use payrig_units::{Micros, Money};
use proptest::prelude::*;

fn coding() -> impl Strategy<Value = Coding> {
    let values = || proptest::sample::subsequence(vec![5_i64, 10, 20, 25, 50, 100, 200], 1..5);
    prop_oneof![
        (1_u32..6, 1_i64..300).prop_map(|(pulses, unit)| Coding::Count {
            pulses,
            unit: Money(unit)
        }),
        values().prop_map(|values| Coding::Lines(
            values
                .into_iter()
                .map(|v| CoinLine {
                    name: format!("coin-{v}"),
                    value: Money(v)
                })
                .collect()
        )),
        values().prop_map(|values| Coding::Widths(
            values
                .into_iter()
                .zip([30, 60, 110, 200])
                .map(|(v, on)| WidthValue {
                    on: Micros::ms(on),
                    value: Money(v)
                })
                .collect()
        )),
    ]
}

fn profile() -> impl Strategy<Value = Profile> {
    (
        0_usize..3,
        any::<bool>(),
        coding(),
        5_u32..24,
        100_u64..2_000,
    )
        .prop_map(|(base, high, coding, percent, bounce)| {
            let mut profile = Profile::all().remove(base);
            profile.active = Level::of(high);
            profile.coding = coding;
            profile.tolerance = Tolerance {
                percent,
                at_least: Micros::ms(1),
            };
            profile.bounce = Micros(bounce);
            profile
        })
}

/// Widths and pauses of a plan: (line, width, pause after it).
fn times(profile: &Profile, plan: &Plan) -> Vec<(String, Micros, Micros)> {
    let mut times = Vec::new();
    for run in &plan.runs {
        for _ in 0..run.count {
            times.push((run.line.clone(), run.on, profile.off));
        }
    }
    times
}

fn edges(profile: &Profile, times: &[(String, Micros, Micros)]) -> Vec<(String, Edge)> {
    let mut at = Micros::secs(1);
    let mut edges = Vec::new();
    for (line, on, off) in times {
        let high = profile.active.is_high();
        edges.push((line.clone(), Edge { at, high }));
        edges.push((
            line.clone(),
            Edge {
                at: at + *on,
                high: !high,
            },
        ));
        at = at + *on + *off;
    }
    edges
}

fn count(profile: &Profile, edges: &[(String, Edge)]) -> (Money, Vec<PulseFinding>) {
    let mut counter = CreditCounter::new(profile.clone(), Micros::ZERO);
    for (line, edge) in edges {
        counter.edge(line, edge.at, edge.high);
    }
    counter.finish(Micros::secs(1_000_000));
    (counter.total(), counter.take_findings())
}

/// A point in a window: `share` of 0 to 1000 from its shortest to its longest time.
fn within(profile: &Profile, nominal: Micros, share: u64) -> Micros {
    let window = profile.tolerance.around(nominal);
    window.min + Micros((window.max - window.min).0 * share / 1_000)
}

proptest! {
    #[test]
    fn money_is_the_same_money_again(profile in profile(), amounts in proptest::collection::vec(1_i64..3_000, 1..4)) {
        prop_assume!(profile.check().is_ok());
        let mut sender = PulseSender::new(profile.clone());
        let mut given = 0;
        for amount in amounts {
            given += amount;
            prop_assert_eq!(sender.credit(Money(amount)), None);
        }
        let mut sent = Vec::new();
        while sender.next_deadline() != Micros::NEVER {
            sender.wake(sender.next_deadline());
            sent.extend(sender.take_edges());
        }
        let (total, findings) = count(&profile, &sent);
        prop_assert_eq!(total.0 + sender.books().remainder.0, given);
        prop_assert_eq!(sender.books().delivered, total);
        let wrong: Vec<_> = findings.iter().filter(|f| f.is_limit()).collect();
        prop_assert!(wrong.is_empty(), "{:?}", wrong);
    }

    #[test]
    fn bounce_and_jitter_inside_the_tolerance_change_nothing(
        profile in profile(),
        amount in 1_i64..3_000,
        shares in proptest::collection::vec((0_u64..=1_000, 0_u64..=1_000), 1..40),
        bounces in proptest::collection::vec(1_u64..1_000, 0..6),
    ) {
        prop_assume!(profile.check().is_ok());
        let plan = profile.plan(Money(amount));
        let mut pulses = times(&profile, &plan);
        prop_assume!(pulses.len() <= 400);
        for (i, (_, on, off)) in pulses.iter_mut().enumerate() {
            let (a, b) = shares[i % shares.len()];
            *on = within(&profile, *on, a);
            *off = within(&profile, *off, b);
        }
        // Every edge is followed by bounce that is over within the bounce time, and every other
        // pulse and pause has a spike in its middle.
        let total: u64 = bounces.iter().sum::<u64>() + 1;
        let mut noisy = Vec::new();
        let clean = edges(&profile, &pulses);
        for (i, (line, edge)) in clean.iter().enumerate() {
            noisy.push((line.clone(), *edge));
            let mut at = edge.at;
            for share in &bounces {
                let length = (profile.bounce.0 - 1) * share / total / 2;
                for high in [!edge.high, edge.high] {
                    at += Micros(length);
                    noisy.push((line.clone(), Edge { at, high }));
                }
            }
            let next = clean.get(i + 1).map(|(_, e)| e.at);
            if let Some(next) = next.filter(|_| i % 3 == 0) {
                let middle = Micros((edge.at.0 + next.0) / 2);
                noisy.push((line.clone(), Edge { at: middle, high: !edge.high }));
                noisy.push((line.clone(), Edge { at: middle + Micros(60), high: edge.high }));
            }
        }
        let (total, findings) = count(&profile, &noisy);
        prop_assert_eq!(total.0 + plan.remainder.0, amount);
        let wrong: Vec<_> = findings.iter().filter(|f| f.is_limit()).collect();
        prop_assert!(wrong.is_empty(), "{:?}", wrong);
    }

    #[test]
    fn nothing_outside_the_tolerance_is_credited_in_silence(
        profile in profile(),
        amount in 1_i64..2_000,
        index in any::<prop::sample::Index>(),
        wrong in prop_oneof![1_u64..2_000, 1_u64..700_000],
        pause in any::<bool>(),
    ) {
        prop_assume!(profile.check().is_ok());
        let plan = profile.plan(Money(amount));
        let mut pulses = times(&profile, &plan);
        prop_assume!(!pulses.is_empty() && pulses.len() <= 400);
        let one = index.get(&pulses).clone();
        let at = pulses.iter().position(|p| std::ptr::eq(p, index.get(&pulses))).unwrap_or(0);
        let wrong = Micros(wrong);
        if pause {
            pulses[at].2 = wrong;
        } else {
            prop_assume!(!profile.width_windows().iter().any(|w| w.contains(wrong)));
            pulses[at].1 = wrong;
        }
        let (total, findings) = count(&profile, &edges(&profile, &pulses));
        let about_trains = |f: &PulseFinding| f.rule != PulseRule::LineSilent;
        prop_assert!(
            total.0 + plan.remainder.0 == amount || findings.iter().any(about_trains),
            "{} of {amount} credited in silence with {one:?} as {wrong:?}", total.0
        );
        if !pause && wrong >= profile.bounce {
            prop_assert!(findings.iter().any(PulseFinding::is_limit));
        }
    }

    /// However many pulses and pauses are wrong at once: what is credited is what was sent, or
    /// there is a finding.
    #[test]
    fn several_wrong_times_at_once_are_not_credited_in_silence(
        profile in profile(),
        amount in 1_i64..2_000,
        wrong in proptest::collection::vec(
            (any::<prop::sample::Index>(), 1_u64..700_000, any::<bool>()), 1..6
        ),
    ) {
        prop_assume!(profile.check().is_ok());
        let plan = profile.plan(Money(amount));
        let mut pulses = times(&profile, &plan);
        prop_assume!(!pulses.is_empty() && pulses.len() <= 400);
        for (index, time, pause) in wrong {
            let at = index.index(pulses.len());
            let time = Micros(time);
            if pause {
                pulses[at].2 = time;
            } else if !profile.width_windows().iter().any(|w| w.contains(time)) {
                pulses[at].1 = time;
            }
        }
        let (total, findings) = count(&profile, &edges(&profile, &pulses));
        let about_trains = |f: &PulseFinding| f.rule != PulseRule::LineSilent;
        prop_assert!(
            total.0 + plan.remainder.0 == amount || findings.iter().any(about_trains),
            "{} of {amount} credited in silence: {pulses:?}", total.0
        );
    }

    /// A link that knows its edges to some extent only never proves a good train wrong, and never
    /// costs a cent of it.
    #[test]
    fn an_uncertain_link_condemns_nothing_that_is_right(
        profile in profile(),
        amount in 1_i64..2_000,
        shares in proptest::collection::vec((0_u64..=1_000, 0_u64..=1_000), 1..20),
        uncertainty in 0_u64..4_000,
        errors in proptest::collection::vec(-1_000_i64..=1_000, 1..40),
    ) {
        prop_assume!(profile.check().is_ok());
        prop_assume!(!matches!(profile.coding, Coding::Widths(_)));
        let plan = profile.plan(Money(amount));
        let mut pulses = times(&profile, &plan);
        prop_assume!(pulses.len() <= 200);
        for (i, (_, on, off)) in pulses.iter_mut().enumerate() {
            let (a, b) = shares[i % shares.len()];
            *on = within(&profile, *on, a);
            *off = within(&profile, *off, b);
        }
        let mut counter = CreditCounter::new(profile.clone(), Micros::ZERO);
        for (i, (line, edge)) in edges(&profile, &pulses).iter().enumerate() {
            let error = errors[i % errors.len()] * i64::try_from(uncertainty).unwrap() / 1_000;
            let at = Micros(edge.at.0.saturating_add_signed(error));
            counter.edge_within(line, at, edge.high, Micros(uncertainty));
        }
        counter.finish(Micros::secs(1_000_000));
        prop_assert_eq!(counter.total().0 + plan.remainder.0, amount);
        let findings = counter.take_findings();
        let wrong: Vec<_> = findings.iter().filter(|f| f.is_limit()).collect();
        prop_assert!(wrong.is_empty(), "{:?}", wrong);
    }

    #[test]
    fn any_edges_are_counted_without_panic(
        profile in profile(),
        edges in proptest::collection::vec((0_usize..6, any::<u64>(), any::<bool>()), 0..80),
    ) {
        let mut lines: Vec<String> = profile.lines().into_iter().map(str::to_owned).collect();
        lines.extend(["inhibit".to_owned(), "stranger".to_owned()]);
        let edges: Vec<_> = edges
            .into_iter()
            .map(|(i, at, high)| (lines[i % lines.len()].clone(), Edge { at: Micros(at), high }))
            .collect();
        let _ = count(&profile, &edges);
    }
}
