//! Kinds of trouble between a card reader and the board that once cost somebody money, each at every
//! moment: the return button while the reader decides, an ACK that is lost while a card is loaded in
//! several steps, a reader that starts anew with a coupon in it.

use payrig_tests::play;
use payrig_units::Place;
use payrig_wire::recording::Entry;

const OPTIONS: &str = r#"["money-32-bit", "always-idle", "ask-begin-session", "basket",
    "enhanced-items", "coupon"]"#;

struct Ended {
    /// Findings about money.
    money: Vec<String>,
    /// Movements: why.
    moved: Vec<String>,
}

fn rig(reader: &str, script: &[String]) -> String {
    let start = format!(
        "[bench]\nname = \"reader\"\n[board]\nrevalue = true\nmixed-payments = true\n\
         cashless-options = {OPTIONS}\n\
         [[board.item]]\nnumber = 11\nprice = \"1.25\"\n\
         [[device]]\nkind = \"changer\"\nname = \"changer\"\n\
         [[device]]\nkind = \"bill-validator\"\nname = \"bill\"\n\
         [[device]]\nkind = \"cashless\"\nname = \"card\"\n{reader}\n\
         [[script]]\ndo = \"wait-ready\"\n"
    );
    start + &script.concat() + "[[script]]\ndo = \"wait\"\nfor = \"12 s\"\n"
}

fn step(after: u64, act: &str) -> String {
    format!("[[script]]\nafter = \"{after} ms\"\ndo = {act}\n")
}

fn run(text: &str) -> Ended {
    let mut ended = Ended {
        money: Vec::new(),
        moved: Vec::new(),
    };
    play(text, |entry| match entry {
        Entry::Finding(f) if f.rule == "money" => ended.money.push(f.text.to_string()),
        Entry::Movement(m) => ended.moved.push(m.why),
        Entry::Step {
            passed: Some(false),
            text,
            why,
            ..
        } => panic!("{text}: {why:?}"),
        _ => {}
    });
    ended
}

fn readers() -> Vec<String> {
    let mut all = Vec::new();
    for level in ["level = 2".to_owned(), format!("options = {OPTIONS}")] {
        for answers in ["straight", "at-poll"] {
            for busy in ["silent", "ack"] {
                all.push(format!(
                    "{level}\nanswers = \"{answers}\"\nwhile-busy = \"{busy}\"\nmax-balance = \"20.00\""
                ));
            }
        }
    }
    all
}

/// The return button of the reader, or the coin return, at every moment from the selection until the
/// decision has been heard: nobody pays for what was withdrawn. SESSION CANCEL REQUEST and VEND
/// APPROVED may come in one block; the board sent SESSION COMPLETE before VEND FAILURE then.
#[test]
fn a_vend_that_is_withdrawn_while_it_is_decided_costs_nothing() {
    let mut given_back = 0;
    let mut bad = Vec::new();
    for reader in readers() {
        for at in (0..560).step_by(23) {
            for how in ["\"press-cancel\"\ndevice = \"card\"", "\"press-return\""] {
                let script = [
                    step(
                        100,
                        "\"present-card\"\ndevice = \"card\"\nbalance = \"9.00\"",
                    ),
                    step(1_000, "\"select\"\nitem = 11"),
                    step(at, how),
                ];
                let ended = run(&rig(&reader, &script));
                given_back += ended
                    .moved
                    .iter()
                    .filter(|why| why.contains("refund"))
                    .count();
                if !ended.money.is_empty() {
                    bad.push((reader.clone(), at, how, ended.money));
                }
            }
        }
    }
    assert!(bad.is_empty(), "{} cases: {:?}", bad.len(), bad.first());
    assert!(given_back > 0, "a vend was approved after it was withdrawn");
}

/// A reader that does not know what is on the card says the same limit again and again, so that a bill
/// goes onto it in several steps. Our ACKs are lost on the way: REVALUE APPROVED is said again at the
/// next POLL, and is not the answer to the next REVALUE REQUEST.
#[test]
fn a_decision_said_again_is_not_the_answer_to_another_request() {
    let mut bad = Vec::new();
    let mut steps = 0;
    for answers in ["straight", "at-poll"] {
        for kind in ["lose", "deaf"] {
            for skip in 0..14 {
                for count in 1..=2 {
                    let reader =
                        format!("level = 2\nanswers = \"{answers}\"\nmax-balance = \"6.50\"");
                    let fault = format!(
                        "\"fault\"\nkind = \"{kind}\"\nfrom = \"board\"\nframe = \"ack\"\n\
                         at = \"cashless-1\"\nskip = {skip}\ncount = {count}"
                    );
                    let script = [
                        step(100, "\"present-card\"\ndevice = \"card\""),
                        step(100, &fault),
                        step(100, "\"insert-bill\"\ndevice = \"bill\"\nvalue = \"5.00\""),
                        step(
                            200,
                            "\"insert-coin\"\ndevice = \"changer\"\nvalue = \"1.00\"",
                        ),
                        step(
                            3_500,
                            "\"insert-coin\"\ndevice = \"changer\"\nvalue = \"1.00\"",
                        ),
                        step(
                            450,
                            "\"insert-coin\"\ndevice = \"changer\"\nvalue = \"0.25\"",
                        ),
                    ];
                    let ended = run(&rig(&reader, &script));
                    steps += ended
                        .moved
                        .iter()
                        .filter(|why| *why == "put on the card")
                        .count();
                    if !ended.money.is_empty() {
                        bad.push((answers, kind, skip, count, ended.money));
                    }
                }
            }
        }
    }
    assert!(bad.is_empty(), "{} cases: {:?}", bad.len(), bad.first());
    assert!(steps > 100, "{steps} times money went onto the card");
}

/// A reader that starts anew has forgotten its coupon, and the board does so too, with a session or
/// without: what it was worth is paid by the customer, or nothing is sold.
#[test]
fn a_reader_that_starts_anew_takes_its_coupon_with_it() {
    let bus = "\"bus-reset\"".to_owned();
    let off = "\"power\"\ndevice = \"card\"\non = false".to_owned();
    let mut bad = Vec::new();
    let (mut sold, mut used) = (0, 0);
    for card in [false, true] {
        for trouble in [None, Some(&bus), Some(&off)] {
            for at in [300, 1_000, 2_000] {
                let mut script = vec![step(
                    100,
                    "\"scan-coupon\"\ndevice = \"card\"\nitem = 11\nvalue = \"0.50\"\nid = 3",
                )];
                if let Some(trouble) = trouble {
                    script.push(step(at, trouble));
                    let on = "\"power\"\ndevice = \"card\"\non = true";
                    script.push(step(500, on));
                    script.push(step(8_000, "\"wait\"\nfor = \"1 s\""));
                }
                if card {
                    let card = "\"present-card\"\ndevice = \"card\"\nbalance = \"9.00\"";
                    script.push(step(500, card));
                } else {
                    let coin = "\"insert-coin\"\ndevice = \"changer\"\nvalue = \"1.00\"";
                    script.extend([step(500, coin), step(700, coin)]);
                }
                script.push(step(1_000, "\"select\"\nitem = 11"));
                let reader = format!("options = {OPTIONS}");
                let ended = run(&rig(&reader, &script));
                sold += ended
                    .moved
                    .iter()
                    .filter(|why| why.contains("sold"))
                    .count();
                let coupons = ended.moved.iter().filter(|why| *why == "a coupon was used");
                let coupons = coupons.count();
                used += coupons;
                if !ended.money.is_empty() || (trouble.is_some() && coupons > 0) {
                    bad.push((card, trouble, at, ended.money));
                }
            }
        }
    }
    assert!(bad.is_empty(), "{} cases: {:?}", bad.len(), bad.first());
    assert!(sold >= 15 && used >= 5, "{sold} sold, {used} with a coupon");
}

/// A reader that approves 1.30 for a request of 1.25: surcharges do that (7.4.5), so it is no breach, and
/// it is money: it is said, by the run and of the wire alone, once for each vend. A reader that approves what
/// was asked, or less, says nothing.
#[test]
fn more_approved_than_was_asked_is_said() {
    let sale = [
        step(
            100,
            "\"present-card\"\ndevice = \"card\"\nbalance = \"20.00\"",
        ),
        step(2_000, "\"select\"\nitem = 11"),
        step(9_000, "\"remove-card\"\ndevice = \"card\""),
    ];
    let said = |reader: &str| {
        let mut said = Vec::new();
        let bench = play(&rig(reader, &sale), |entry| {
            if let Entry::Finding(f) = entry
                && f.rule == "approved-more"
            {
                assert!(!f.is_limit());
                said.push(f.text);
            }
        });
        assert_eq!(bench.delivered(), [11], "{reader}");
        let sales = bench.books().ledger().balance(&Place::BoardSales);
        (sales.as_minor(), said)
    };
    for level in [
        "level = 1".to_owned(),
        "level = 3".to_owned(),
        format!("options = {OPTIONS}"),
    ] {
        assert_eq!(said(&level), (125, Vec::new()), "{level}");
        let (sales, text) = said(&format!("{level}\nquirks = [\"approves-more-than-asked\"]"));
        assert!(sales > 125, "{level}");
        assert!(
            matches!(text.as_slice(), [one] if one.contains("1 more")),
            "{level}: {text:?}"
        );
    }
}
