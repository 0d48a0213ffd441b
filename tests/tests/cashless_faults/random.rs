//! Whatever is done at a machine with two readers, a changer, bad wires and bad power: nothing
//! panics, no money comes from nowhere, what was sold is what was delivered, and at the end board and
//! money agree or a finding says who lost what.

use payrig_bench::Bench;
use payrig_wire::recording::Entry;
use proptest::collection::vec;
use proptest::prelude::*;
use std::fmt::Write;
use std::path::Path;

const OPTIONS: &str = r#"["money-32-bit", "always-idle", "ask-begin-session", "basket",
    "enhanced-items", "remote-vend", "coupon", "data-entry"]"#;

/// A reader: level, options or not, straight or at POLLs, silent while busy.
type Reader = (u8, bool, bool, bool);

fn bench(readers: [Reader; 2], multi: bool, mixed: bool, revalue: bool) -> String {
    let mut text = format!(
        "[bench]\nname = \"random\"\n[board]\nmulti-vend = {multi}\nmixed-payments = {mixed}\n\
         revalue = {revalue}\ncashless-options = {OPTIONS}\n\
         [[board.item]]\nnumber = 11\nprice = \"1.00\"\n\
         [[board.item]]\nnumber = 12\nprice = \"1.00\"\n\
         [[device]]\nkind = \"changer\"\nname = \"changer\"\n"
    );
    for (unit, (level, options, straight, silent)) in (1..=2).zip(readers) {
        let name = if unit == 1 { "card" } else { "phone" };
        let answers = if straight { "straight" } else { "at-poll" };
        let busy = if silent { "silent" } else { "ack" };
        let level = match options {
            true => format!("options = {OPTIONS}"),
            false => format!("level = {level}"),
        };
        writeln!(
            text,
            "[[device]]\nkind = \"cashless\"\nname = \"{name}\"\nunit = {unit}\n{level}\n\
             answers = \"{answers}\"\nwhile-busy = \"{busy}\"\nmax-balance = \"20.00\""
        )
        .unwrap();
    }
    text.push_str("[[script]]\ndo = \"wait-ready\"\n");
    text
}

/// Steps of a script. All flips are of one bit: CHK detects one turned bit and not every two (section
/// 2.2).
fn steps() -> impl Strategy<Value = Vec<String>> {
    let flip = (0u8..4, 0u8..9).prop_map(|(w, b)| format!("flip\"\nword = {w}\nbit = {b}\n#"));
    flip.prop_flat_map(|flip| vec(step(flip), 1..30))
}

/// One step of the script, after a pause of so many milliseconds.
fn step(flip: String) -> impl Strategy<Value = String> {
    let reader = || prop_oneof![3 => Just("card"), 1 => Just("phone")];
    let on = |act: &str, reader: &str| format!("do = \"{act}\"\ndevice = \"{reader}\"");
    let act = prop_oneof![
        6 => (reader(), proptest::option::of(0u32..1_500)).prop_map(move |(r, balance)| {
            let balance = balance.map_or(String::new(), |b| {
                format!("\nbalance = \"{}.{:02}\"", b / 100, b % 100)
            });
            on("present-card", r) + &balance
        }),
        1 => reader().prop_map(move |r| on("remove-card", r)),
        2 => reader().prop_map(move |r| on("press-cancel", r)),
        8 => (11u16..13).prop_map(|n| format!("do = \"select\"\nitem = {n}")),
        2 => (11u16..13).prop_map(|n| format!("do = \"jam-item\"\nitem = {n}")),
        1 => Just("do = \"select-several\"\nitems = [11, 12, 11]".to_owned()),
        2 => Just("do = \"press-return\"".to_owned()),
        2 => Just("do = \"insert-coin\"\nvalue = \"1.00\"".to_owned()),
        1 => Just("do = \"bus-reset\"".to_owned()),
        2 => (reader(), any::<bool>()).prop_map(move |(r, up)| {
            format!("{}\non = {up}", on("power", r))
        }),
        1 => any::<bool>().prop_map(|up| format!("do = \"power\"\nboard = true\non = {up}")),
        3 => fault(flip),
    ];
    (0u32..2_500, act)
        .prop_map(|(after, act)| format!("[[script]]\nafter = \"{after} ms\"\n{act}\n"))
}

fn fault(flip: String) -> impl Strategy<Value = String> {
    let kind = prop_oneof![Just("lose".to_owned()), Just("deaf".to_owned()), Just(flip),];
    let from = prop_oneof![Just("board"), Just("peripheral")];
    let frame = prop_oneof![Just("any"), Just("ack"), Just("block")];
    (kind, from, frame, 0u8..8, 1u8..6).prop_map(|(kind, from, frame, skip, count)| {
        format!(
            "do = \"fault\"\nkind = \"{kind}\"\nfrom = \"{from}\"\nframe = \"{frame}\"\n\
             skip = {skip}\ncount = {count}"
        )
    })
}

/// Power is back, everybody is found again, and what is under way ends.
const END: &str = r#"
[[script]]
do = "power"
device = "card"
on = true
[[script]]
do = "power"
device = "phone"
on = true
[[script]]
do = "power"
board = true
on = true
[[script]]
expect = "ready"
device = "card"
within = "90 s"
[[script]]
expect = "ready"
device = "phone"
within = "90 s"
[[script]]
do = "wait"
for = "60 s"
"#;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(96)))]

    #[test]
    fn money_is_never_lost_sight_of(
        readers in (any::<bool>(), 1u8..4, any::<bool>(), any::<bool>(), any::<bool>()),
        multi in any::<bool>(),
        mixed in any::<bool>(),
        revalue in any::<bool>(),
        steps in steps(),
    ) {
        let (options, level, straight, silent, other) = readers;
        let pair = [(level, options, straight, silent), (level, other, silent, straight)];
        let text = bench(pair, multi, mixed, revalue) + &steps.concat() + END;
        let rig = payrig_rig::parse(Path::new("random.toml"), &text).unwrap();
        let mut stage = Bench::of(&rig);
        let mut findings = Vec::new();
        let mut delivered = 0;
        while !stage.ended() {
            stage.advance(stage.next_deadline());
            prop_assert_eq!(stage.books().ledger().sum(), 0);
            for entry in stage.take_entries() {
                match entry {
                    Entry::Finding(finding) => findings.push(finding),
                    Entry::Step { passed: Some(false), text, why, .. } => {
                        prop_assert!(false, "{}: {:?}\n{}", text, why, steps.concat());
                    }
                    _ => {}
                }
            }
        }
        delivered += stage.board().unwrap().vending().sold().len() as i64;
        let place = |name: &str| {
            let mut all = stage.books().ledger().balances();
            all.find(|(p, _)| p.to_string() == name).map_or(0, |(_, m)| m.as_minor())
        };
        // Without a discount every item brought its price, or was not reported as sold.
        prop_assert_eq!(place("board: sales"), 100 * delivered);
        prop_assert!(stage.board().unwrap().vending().is_idle());
        prop_assert!(!stage.board().unwrap().vending().in_session());
        let lost = stage.books().discrepancies();
        let told = findings.iter().filter(|f| f.rule == "money").count();
        prop_assert_eq!(lost.len(), told);
        // Money by itself: what came in is what was sold and what is owed, but for what is reported.
        let receipts = place("card receipts") + place("phone receipts");
        let cash = -(place("customer"));
        let owed = place("board: credit");
        if lost.is_empty() {
            prop_assert_eq!(receipts + cash, 100 * delivered + owed);
        }
    }
}
