//! Whatever is done at a changer and whatever goes wrong on its wire: no money comes from nowhere,
//! and either board and money agree at the end or a finding says by how much they do not.

use payrig_bench::action::{Action, ChangerAction, FaultAction, Step, StepKind, Tender};
use payrig_bench::{Bench, Plan};
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use proptest::prelude::*;
use std::path::Path;

const DEVICE: &str = "changer";

/// A bench with a changer, and a board that pays in one of three ways.
fn rig(board: &str, script: Vec<Step>) -> Plan {
    let text = format!(
        r#"
        [bench]
        name = "changer under stress"
        [board]
        {board}
        [[board.item]]
        number = 11
        price = "0.65"
        [[board.item]]
        number = 12
        price = "1.25"
        [[device]]
        kind = "changer"
        name = "{DEVICE}"
        features = ["alternative-payout", "extended-diagnostic", "manual-fill-payout"]
        [[device.coin]]
        value = "0.05"
        count = 12
        capacity = 80
        [[device.coin]]
        value = "0.10"
        count = 30
        capacity = 110
        [[device.coin]]
        value = "0.25"
        count = 25
        capacity = 27
        [[device.coin]]
        value = "1.00"
        "#
    );
    let mut rig = payrig_rig::parse(Path::new("stress.toml"), &text).unwrap();
    rig.script = script;
    rig
}

/// What came of it.
#[derive(Debug)]
struct End {
    findings: Vec<String>,
    discrepancies: Vec<String>,
    real: Money,
    claimed: Money,
    sum: i128,
    credit: Money,
}

fn play(rig: &Plan) -> End {
    let mut stage = Bench::of(rig);
    let mut findings = Vec::new();
    let mut rounds = 0;
    while !stage.ended() {
        let next = stage.next_deadline();
        assert_ne!(next, Micros::NEVER, "a bench that has not ended goes on");
        stage.advance(next);
        assert_eq!(stage.books().ledger().sum(), 0);
        rounds += 1;
        assert!(rounds < 400_000, "a bench comes to an end");
        let money = stage.take_entries().filter_map(|entry| match entry {
            Entry::Finding(f) if f.rule == "money" => Some(f.text.to_string()),
            _ => None,
        });
        findings.extend(money);
    }
    let decimals = stage.decimals();
    let discrepancies = stage.books().discrepancies();
    // From the balances, not from the accounts of the books: what the customer parted with has gone
    // into the changer.
    let ledger = stage.books().ledger();
    let name = DEVICE.to_owned();
    let claims = [Place::BoardReceived(name.clone()), Place::BoardPaid(name)];
    let claimed = claims.iter().map(|p| -ledger.balance(p)).sum();
    End {
        findings,
        discrepancies: discrepancies.iter().map(|d| d.text(decimals)).collect(),
        real: -ledger.balance(&Place::Customer),
        claimed,
        sum: ledger.sum(),
        credit: stage
            .board()
            .map(|b| b.vending().credit())
            .unwrap_or_default(),
    }
}

fn step(after: Micros, act: Action) -> Step {
    Step {
        line: 0,
        after,
        what: StepKind::Do(act),
    }
}

fn at_changer(what: ChangerAction) -> Action {
    let device = DEVICE.to_owned();
    Action::AtChanger { device, what }
}

/// What customers do.
fn customer() -> impl Strategy<Value = Action> {
    prop_oneof![
        6 => prop::sample::select(vec![5, 10, 25, 100]).prop_map(|minor| Action::InsertCoin {
            device: DEVICE.to_owned(),
            coin: Tender::Worth(Money(minor)),
        }),
        1 => Just(Action::InsertCoin { device: DEVICE.to_owned(), coin: Tender::Unknown }),
        2 => Just(at_changer(ChangerAction::PressLever)),
        2 => Just(Action::PressReturn),
        3 => prop::sample::select(vec![11, 12]).prop_map(|item| Action::Select { item }),
        1 => Just(at_changer(ChangerAction::InsertTwoCoins)),
    ]
}

/// What happens to the changer without any fault of the wire. It is silent for less than its
/// non-response time of 2 s (section 5.4): after a RESET a coin of the same type to the cash box could be
/// the one whose ACK it did not wait for, and a board has to take it for that.
fn mishap() -> impl Strategy<Value = Action> {
    prop_oneof![
        2 => any::<bool>().prop_map(|on| Action::Power { device: Some(DEVICE.to_owned()), on }),
        2 => Just(at_changer(ChangerAction::ResetItself)),
        2 => (0u64..1_900).prop_map(|ms| Action::Silent { device: DEVICE.to_owned(), time: Micros::ms(ms) }),
        1 => Just(Action::BusReset),
        1 => (any::<bool>()).prop_map(|on| Action::Service { on }),
        1 => Just(Action::JamItem { item: 11 }),
    ]
}

/// A coin taken out by hand. Where the changer is reset during a payout it forgets to report it, and the
/// tubes cannot say whether the board's order or a hand took the coin: that is found in the end, by
/// whoever counts the money.
fn by_hand() -> impl Strategy<Value = Action> {
    Just(at_changer(ChangerAction::ManualDispense(
        Money(10).into(),
        1,
    )))
}

/// Coins come one after another, as from a hand. Two reports of one coin type to the cash box that come
/// nearer, with frames lost or not answered between them, could be one that is reported again: a changer
/// that is silent for a time reports both at its end.
fn one_after_another(script: &mut [Step]) {
    let silences = script.iter().map(|s| match &s.what {
        StepKind::Do(Action::Silent { time, .. }) => *time,
        _ => Micros::ZERO,
    });
    let apart = Micros::ms(600) + silences.max().unwrap_or_default();
    let is_coin = |act: &Action| {
        let two = ChangerAction::InsertTwoCoins;
        matches!(act, Action::InsertCoin { .. })
            || matches!(act, Action::AtChanger { what, .. } if *what == two)
    };
    let mut since = Micros::NEVER;
    for step in script {
        since = if since == Micros::NEVER {
            since
        } else {
            since + step.after
        };
        if matches!(&step.what, StepKind::Do(act) if is_coin(act)) {
            let more = apart.since(since);
            step.after += more;
            since = Micros::ZERO;
        }
    }
}

/// Frames that are lost on the way.
fn loss() -> impl Strategy<Value = Action> {
    let kind = prop::sample::select(vec![FaultKind::Lose, FaultKind::Deaf]);
    wire_fault(kind, 2)
}

/// Anything that can be done to frames.
fn noise() -> impl Strategy<Value = Action> {
    let kind = prop_oneof![
        Just(FaultKind::Lose),
        Just(FaultKind::Deaf),
        (0u8..20, 0u8..9).prop_map(|(word, bit)| FaultKind::Flip { word, bit }),
        (0u64..30_000).prop_map(|us| FaultKind::Late { by: Micros(us) }),
        (0u64..7_000).prop_map(|us| FaultKind::Slow { gap: Micros(us) }),
    ];
    wire_fault(kind, 6)
}

fn wire_fault(kind: impl Strategy<Value = FaultKind>, most: u32) -> impl Strategy<Value = Action> {
    let from = prop::sample::select(vec![Source::Master, Source::Peripheral]);
    let frame = prop::sample::select(vec![FrameKind::Any, FrameKind::Ack, FrameKind::Block]);
    (kind, from, frame, 0u32..12, 1..=most).prop_map(|(kind, from, frame, skip, count)| {
        let fault = Fault {
            kind,
            from,
            frame,
            address: Some(Address::CHANGER),
            skip,
            count,
        };
        let device = None;
        Action::Fault(FaultAction { device, fault })
    })
}

/// What happens to the board: its power, when the money is in question.
fn board_power() -> impl Strategy<Value = Action> {
    any::<bool>().prop_map(|on| Action::Power { device: None, on })
}

/// Steps with pauses from nothing to a few seconds, and an end at which the changer has power and
/// the customer wants the money back.
fn script(acts: impl Strategy<Value = Action>) -> impl Strategy<Value = Vec<Step>> {
    let pause = prop_oneof![0u64..60, 0u64..700, 0u64..3_000].prop_map(Micros::ms);
    let steps = prop::collection::vec((pause, acts), 1..14);
    steps.prop_map(|steps| {
        let ready = |after| Step {
            line: 0,
            after,
            what: StepKind::WaitReady {
                within: Micros::secs(30),
            },
        };
        let power = Action::Power {
            device: Some(DEVICE.to_owned()),
            on: true,
        };
        let mut all = vec![ready(Micros::ZERO)];
        all.extend(steps.into_iter().map(|(after, act)| step(after, act)));
        all.push(step(Micros::secs(1), power));
        all.push(step(Micros::ZERO, Action::Service { on: false }));
        all.push(ready(Micros::secs(15)));
        all.push(step(Micros::secs(5), Action::PressReturn));
        all.push(step(Micros::secs(10), Action::PressReturn));
        all
    })
}

fn ways_to_pay() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "",
        "coins-per-dispense = 1",
        "alternative-payout = true",
    ])
}

/// Board and money agree, or the finding says what is so.
fn check(end: &End) -> Result<(), TestCaseError> {
    prop_assert_eq!(end.sum, 0);
    let show = |m: Money| m.show(Decimals(2)).to_string();
    if end.real == end.claimed {
        prop_assert!(end.discrepancies.is_empty(), "{:?}", end);
        prop_assert!(end.findings.is_empty(), "{:?}", end);
        return Ok(());
    }
    prop_assert_eq!(&end.findings, &end.discrepancies);
    prop_assert_eq!(end.findings.len(), 1, "{:?}", end);
    let text = &end.findings[0];
    let (real, claimed) = (end.real, end.claimed);
    let both_out = real <= Money::ZERO && claimed <= Money::ZERO;
    let books = match both_out {
        true => format!(
            "paid out {}, the board booked {}",
            show(-real),
            show(-claimed)
        ),
        false => format!("took {}, the board booked {}", show(real), show(claimed)),
    };
    prop_assert!(text.starts_with(&format!("changer: {books}: ")), "{text}");
    let difference = real.saturating_sub(claimed);
    let amount = show(Money(difference.as_minor().abs()));
    let words = match (both_out, difference > Money::ZERO) {
        (false, true) => "was taken and never credited: the customer lost it",
        (false, false) => "was credited that never came in: the owner lost it",
        (true, true) => "of difference, the customer did not get it",
        (true, false) => "of difference, the owner lost it",
    };
    prop_assert!(text.ends_with(&format!(": {amount} {words}")), "{text}");
    Ok(())
}

/// Board and money agree, and no more came out than went in.
fn agreed(end: &End) -> Result<(), TestCaseError> {
    check(end)?;
    prop_assert_eq!(end.real, end.claimed, "{:?}", end);
    prop_assert!(end.real >= Money::ZERO, "{:?}", end);
    prop_assert!(end.credit >= Money::ZERO, "{:?}", end);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: payrig_tests::cases(48),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Customers and mishaps of the changer: nobody loses a cent.
    #[test]
    fn mishaps_of_the_changer_cost_nobody_anything(
        board in ways_to_pay(),
        mut script in script(prop_oneof![3 => customer(), 1 => mishap()]),
    ) {
        one_after_another(&mut script);
        agreed(&play(&rig(board, script)))?;
    }

    /// Customers, and one or two frames in a row lost or not heard: nobody loses a cent. (More of
    /// it can leave a coin in doubt: one that is reported again, late, may be a second one.)
    #[test]
    fn lost_frames_cost_nobody_anything(
        board in ways_to_pay(),
        mut script in script(customer()),
        loss in loss(),
        at in any::<prop::sample::Index>(),
    ) {
        one_after_another(&mut script);
        let place = 1 + at.index(script.len() - 5);
        script.insert(place, step(Micros::ZERO, loss));
        agreed(&play(&rig(board, script)))?;
    }

    /// With bits turned over and frames late or slow, too: what is wrong is found.
    #[test]
    fn whatever_happens_the_ledger_says_where_the_money_is(
        board in ways_to_pay(),
        script in script(prop_oneof![
            4 => customer(),
            2 => mishap(),
            1 => by_hand(),
            3 => noise(),
            1 => board_power(),
        ]),
    ) {
        let end = play(&rig(board, script));
        check(&end)?;
    }
}
