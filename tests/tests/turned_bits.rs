//! A mode bit turned on the wire makes a valid answer of a part of one: what the board waits for then
//! is asked again, and what is owed is paid (MDB/ICP 4.3, section 2.2: the mode bit ends a block).

use payrig_tests::play_for_money;
use payrig_units::Place;

const COINS: &str = r#"
[[script]]
do = "insert-coin"
value = "1.00"
"#;

const BILL: &str = r#"
[[script]]
do = "insert-bill"
device = "bill"
value = "5.00"
"#;

/// How money is given back: the board's policy, its devices, and what is put in.
const WAYS: [(&str, &str, &str); 4] = [
    (
        "",
        "[[device]]\nkind = \"changer\"\nname = \"changer\"\n",
        COINS,
    ),
    (
        "alternative-payout = true\n",
        "[[device]]\nkind = \"changer\"\nname = \"changer\"\nfeatures = [\"alternative-payout\"]\n",
        COINS,
    ),
    ("bill-change = \"by-type\"\n", RECYCLER, BILL),
    ("bill-change = \"by-value\"\n", RECYCLER, BILL),
];

const RECYCLER: &str = r#"[[device]]
kind = "bill-validator"
name = "bill"
[[device.store]]
bill = "1.00"
count = 5
capacity = 9
[[device.store]]
bill = "5.00"
count = 2
capacity = 9
"#;

/// Puts money in, turns a bit on answers, and presses the return; what went wrong.
fn wrong(way: (&str, &str, &str), word: u8, skip: u32, count: u32) -> Option<String> {
    let (board, devices, money) = way;
    let text = format!(
        "[bench]\nname = \"turned\"\n[board]\n{board}[[board.item]]\nnumber = 1\nprice = \"1.00\"\n\
         {devices}[[script]]\ndo = \"wait-ready\"\n{money}[[script]]\ndo = \"wait\"\nfor = \"6 s\"\n\
         [[script]]\ndo = \"fault\"\nkind = \"flip\"\nword = {word}\nbit = 8\nfrom = \"peripheral\"\n\
         frame = \"block\"\nskip = {skip}\ncount = {count}\n[[script]]\ndo = \"press-return\"\n\
         [[script]]\ndo = \"wait\"\nfor = \"90 s\"\n"
    );
    let (stage, findings) = play_for_money(&text);
    let customer = stage.books().ledger().balance(&Place::Customer);
    let idle = stage.board().is_some_and(|b| b.vending().is_idle());
    let good = customer.is_zero() && idle && findings.is_empty();
    (!good).then(|| {
        format!("{board:?} word {word}, {count} after {skip}: customer {customer:?}, idle {idle}, {findings:?}")
    })
}

#[test]
fn a_turned_mode_bit_stalls_no_payout() {
    let mut all = Vec::new();
    for way in WAYS {
        for word in [0, 1] {
            for skip in 0..14 {
                for count in [1, 2, 5] {
                    all.extend(wrong(way, word, skip, count));
                }
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.join("\n"));
}
