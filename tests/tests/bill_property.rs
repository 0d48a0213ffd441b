//! Whatever is done to a bill validator, a board and the wire between them: nothing panics, no
//! money comes from nowhere, and at the end the books agree or a finding says that they do not.

use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::recording::Entry;
use proptest::prelude::*;
use std::fmt::Write as _;
use std::path::Path;

#[derive(Clone, Debug)]
enum Act {
    Insert(u8),
    Paper,
    Jam,
    ClearJam,
    CashBox,
    Lever,
    Return,
    Select(u8),
    Silent(u16),
    PullBill,
    Fault {
        kind: u8,
        from_board: bool,
        frame: u8,
        skip: u8,
        count: u8,
    },
    BusReset,
    /// The validator's power goes for so many milliseconds.
    PowerCut(u16),
}

#[derive(Clone, Debug)]
struct Case {
    change: u8,
    hold: bool,
    escrow: bool,
    recycler: bool,
    changer: bool,
    moving: u8,
    /// The word and bit of all flips. CHK detects one turned bit and not every two: those of one place
    /// in a word and in CHK cancel out (section 2.2).
    flip: (u8, u8),
    acts: Vec<(u16, Act)>,
}

fn act(cuts: bool) -> impl Strategy<Value = Act> {
    let fault = (0u8..4, any::<bool>(), 0u8..3, 0u8..6, 1u8..4).prop_map(
        |(kind, from_board, frame, skip, count)| Act::Fault {
            kind,
            from_board,
            frame,
            skip,
            count,
        },
    );
    prop_oneof![
        8 => (0u8..4).prop_map(Act::Insert),
        1 => Just(Act::Paper),
        1 => Just(Act::Jam),
        1 => Just(Act::ClearJam),
        1 => Just(Act::CashBox),
        1 => Just(Act::Lever),
        2 => Just(Act::Return),
        3 => (0u8..2).prop_map(Act::Select),
        1 => (1u16..3_000).prop_map(Act::Silent),
        1 => Just(Act::PullBill),
        5 => fault,
        1 => Just(Act::BusReset),
        2 => (100u16..12_000).prop_map(move |ms| if cuts { Act::PowerCut(ms) } else { Act::Return }),
    ]
}

fn case(cuts: bool) -> impl Strategy<Value = Case> {
    let acts = proptest::collection::vec((0u16..3_500, act(cuts)), 1..25);
    let flags = (
        0u8..3,
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        0u8..3,
        (0u8..3, 0u8..9),
    );
    (flags, acts).prop_map(
        |((change, hold, escrow, recycler, changer, moving, flip), acts)| Case {
            change,
            hold,
            escrow,
            recycler,
            changer,
            moving,
            flip,
            acts,
        },
    )
}

/// 3 x 1.00 and 2 x 5.00 in the recycler at the start.
const FILL: Money = Money(1_300);

fn rig(case: &Case) -> String {
    let change = ["no", "by-type", "by-value"][usize::from(case.change)];
    let moving = ["answers", "busy", "silent"][usize::from(case.moving)];
    let mut text = format!(
        "[bench]\nname = \"any\"\n[board]\nbill-change = \"{change}\"\nhold-bills = {}\n\
         [[board.item]]\nnumber = 1\nprice = \"1.00\"\n[[board.item]]\nnumber = 2\nprice = \
         \"2.25\"\n[[device]]\nkind = \"bill-validator\"\nname = \"bill\"\nescrow = {}\n\
         while-moving = \"{moving}\"\n",
        case.hold, case.escrow
    );
    if case.recycler {
        text += "[[device.store]]\nbill = \"1.00\"\ncount = 3\ncapacity = 5\n\
                 [[device.store]]\nbill = \"5.00\"\ncount = 2\ncapacity = 5\n";
    }
    if case.changer {
        text += "[[device]]\nkind = \"changer\"\nname = \"changer\"\n";
    }
    text += "[[script]]\ndo = \"wait-ready\"\n";
    for (after, act) in &case.acts {
        step(&mut text, *after, act, case.flip);
    }
    // Everything is put in order again, and there is time for what is still owed.
    for act in ["clear-jam", "replace-cash-box"] {
        let _ = writeln!(text, "[[script]]\ndo = \"{act}\"\ndevice = \"bill\"");
    }
    text += "[[script]]\ndo = \"wait\"\nfor = \"50 s\"\n[[script]]\ndo = \"press-return\"\n\
             [[script]]\ndo = \"wait\"\nfor = \"50 s\"\n";
    text
}

fn step(text: &mut String, after: u16, act: &Act, (word, bit): (u8, u8)) {
    let head = format!("[[script]]\nafter = \"{after} ms\"\n");
    let at_bill = |what: &str| format!("do = \"{what}\"\ndevice = \"bill\"\n");
    let body = match act {
        Act::Insert(t) => {
            let value = ["1.00", "5.00", "10.00", "20.00"][usize::from(*t)];
            format!("{}value = \"{value}\"\n", at_bill("insert-bill"))
        }
        Act::Paper => format!("{}unknown = true\n", at_bill("insert-bill")),
        Act::Jam => at_bill("jam"),
        Act::ClearJam => at_bill("clear-jam"),
        Act::CashBox => format!(
            "{}{head}{}",
            at_bill("remove-cash-box"),
            at_bill("replace-cash-box")
        ),
        Act::Lever => at_bill("press-escrow-lever"),
        Act::Return => "do = \"press-return\"\n".to_owned(),
        Act::Select(n) => format!("do = \"select\"\nitem = {}\n", n + 1),
        Act::Silent(ms) => format!("{}for = \"{ms} ms\"\n", at_bill("stay-silent")),
        Act::PullBill => at_bill("pull-bill"),
        Act::BusReset => "do = \"bus-reset\"\n".to_owned(),
        Act::PowerCut(ms) => format!(
            "{}on = false\n[[script]]\nafter = \"{ms} ms\"\n{}on = true\n",
            at_bill("power"),
            at_bill("power")
        ),
        Act::Fault {
            kind,
            from_board,
            frame,
            skip,
            count,
        } => {
            let kind = ["lose", "deaf", "flip", "late"][usize::from(*kind)];
            let from = if *from_board { "board" } else { "peripheral" };
            let frame = ["any", "ack", "block"][usize::from(*frame)];
            let more = match kind {
                "flip" => format!("word = {word}\nbit = {bit}\n"),
                "late" => "by = \"3 ms\"\n".to_owned(),
                _ => String::new(),
            };
            format!(
                "do = \"fault\"\nkind = \"{kind}\"\nfrom = \"{from}\"\nframe = \"{frame}\"\n\
                 skip = {skip}\ncount = {count}\n{more}"
            )
        }
    };
    text.push_str(&head);
    text.push_str(&body);
}

struct Ended {
    /// Money findings about the validator.
    findings: Vec<String>,
    taken: Money,
    claimed: Money,
}

fn play(case: &Case) -> Ended {
    let text = rig(case);
    let rig =
        payrig_rig::parse(Path::new("any.toml"), &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let mut stage = Bench::of(&rig);
    let mut findings = Vec::new();
    run_simulated(&mut stage, Micros::secs(3_600), |stage, entry| {
        if stage.books().ledger().sum() != 0 {
            return Err("money from nowhere");
        }
        if let Entry::Finding(finding) = entry
            && finding.rule == "money"
            && finding.text.contains("bill")
        {
            findings.push(finding.text.to_string());
        }
        Ok(())
    })
    .unwrap();
    assert!(stage.ended());
    let ledger = stage.books().ledger();
    let of = |place: Place| ledger.balance(&place).as_minor();
    let name = || "bill".to_owned();
    let stored: i64 = (0..16).map(|t| of(Place::Recycler(name(), t))).sum();
    let fill = if case.recycler { FILL.as_minor() } else { 0 };
    let taken = of(Place::Stacker(name())) + of(Place::CashBox(name())) + stored - fill;
    let claimed = -of(Place::BoardReceived(name())) - of(Place::BoardPaid(name()));
    Ended {
        findings,
        taken: Money(taken),
        claimed: Money(claimed),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: payrig_tests::cases(40), max_shrink_iters: 200, ..ProptestConfig::default() })]

    /// The wire may lose, garble and delay, bills may jam and be pulled out, the bus may be reset:
    /// the board knows of every cent.
    #[test]
    fn without_a_power_cut_the_books_agree(case in case(false)) {
        let ended = play(&case);
        prop_assert_eq!(ended.taken, ended.claimed, "{:?}", ended.findings);
        prop_assert!(ended.findings.is_empty());
    }

    /// A validator without power forgets what it had to say: then, and only then, a finding shows it.
    #[test]
    fn with_power_cuts_the_books_agree_or_a_finding_says_so(case in case(true)) {
        let ended = play(&case);
        prop_assert_eq!(ended.taken == ended.claimed, ended.findings.is_empty());
        let difference = (ended.taken.as_minor() - ended.claimed.as_minor()).abs();
        if difference != 0 {
            let amount = Money(difference).show(Decimals(2)).to_string();
            prop_assert!(ended.findings.iter().any(|f| f.contains(&amount)), "{amount} in {:?}", ended.findings);
        }
    }
}
