//! A mode bit turned on the wire makes a valid answer of a part of one: what the board waits for then
//! is asked again, and what is owed is paid (MDB/ICP 4.3, section 2.2: the mode bit ends a block).

use payrig_tests::{play, play_for_money};
use payrig_units::Place;
use payrig_wire::Source;
use payrig_wire::recording::Entry;

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

/// A turned mode bit of data of a peripheral.
fn flip(word: usize, skip: usize, count: usize) -> String {
    format!(
        "[[script]]\ndo = \"fault\"\nkind = \"flip\"\nword = {word}\nbit = 8\n\
         from = \"peripheral\"\nframe = \"block\"\nskip = {skip}\ncount = {count}\n"
    )
}

/// Puts money in and presses the return, with `early` before all that and `late` before the return.
fn rig(way: (&str, &str, &str), early: &str, late: &str) -> String {
    let (board, devices, money) = way;
    format!(
        "[bench]\nname = \"turned\"\n[board]\n{board}[[board.item]]\nnumber = 1\nprice = \"1.00\"\n\
         {devices}{early}[[script]]\ndo = \"wait-ready\"\n{money}[[script]]\ndo = \"wait\"\n\
         for = \"6 s\"\n{late}[[script]]\ndo = \"press-return\"\n\
         [[script]]\ndo = \"wait\"\nfor = \"90 s\"\n"
    )
}

/// What is wrong at the end, if anything: the customer has what was put in, nobody else lost any, and
/// the board is at rest.
fn wrong(text: &str, what: &str) -> Option<String> {
    let (stage, findings) = play_for_money(text);
    let customer = stage.books().ledger().balance(&Place::Customer);
    let idle = stage.board().is_some_and(|b| b.vending().is_idle());
    let good = customer.is_zero() && idle && findings.is_empty();
    (!good).then(|| format!("{what}: customer {customer:?}, idle {idle}, {findings:?}"))
}

#[test]
fn a_turned_mode_bit_stalls_no_payout() {
    let mut all = Vec::new();
    for way in WAYS {
        for word in [0, 1] {
            for skip in 0..14 {
                for count in [1, 2, 5] {
                    let what = format!("{:?} word {word}, {count} after {skip}", way.0);
                    all.extend(wrong(&rig(way, "", &flip(word, skip, count)), &what));
                }
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.join("\n"));
}

/// The lengths of the data blocks of peripherals in an undisturbed run, in words, in order.
fn lengths(text: &str) -> Vec<usize> {
    let mut all = Vec::new();
    play(text, |entry| {
        if let Entry::Block(block) = entry
            && block.source == Source::Peripheral
            && block.bytes.len() > 1
        {
            all.push(block.bytes.len());
        }
    });
    all
}

/// Every word of every answer, from the first POLL to the last TUBE STATUS: SETUP, IDENTIFICATION,
/// activity, tubes, stores, payouts. Of a status that begins with zeros the words after the turned one
/// are a valid block as well, and so may those before it be: the length shows that neither is one.
#[test]
fn one_turned_mode_bit_anywhere_costs_nobody_anything() {
    let mut all = Vec::new();
    for way in WAYS {
        for (skip, length) in lengths(&rig(way, "", "")).into_iter().enumerate() {
            for word in 0..length {
                let what = format!("{:?} word {word} of answer {skip}", way.0);
                all.extend(wrong(&rig(way, &flip(word, skip, 1), ""), &what));
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.join("\n"));
}

/// A sale to a card, and money put onto it: what the board uses of the reader, the reader, and what is done.
const CARDS: [(&str, &str, &str); 3] = [
    ("", "level = 1", SALE),
    (
        "cashless-options = [\"money-32-bit\", \"always-idle\"]\n",
        "options = [\"money-32-bit\", \"always-idle\"]",
        SALE,
    ),
    ("revalue = true\n", "", REVALUE),
];

const SALE: &str = "[[script]]\ndo = \"select\"\nitem = 1\nafter = \"1 s\"\n";

const REVALUE: &str = "[[script]]\ndo = \"insert-coin\"\nvalue = \"1.00\"\nafter = \"1 s\"\n\
    [[script]]\ndo = \"press-return\"\nafter = \"1 s\"\n";

fn card_rig(card: (&str, &str, &str), fault: &str) -> String {
    let (board, reader, done) = card;
    format!(
        "[bench]\nname = \"turned\"\n[board]\n{board}[[board.item]]\nnumber = 1\nprice = \"1.00\"\n\
         [[device]]\nkind = \"changer\"\nname = \"changer\"\n\
         [[device]]\nkind = \"cashless\"\nname = \"card\"\n{reader}\n{fault}\
         [[script]]\ndo = \"wait-ready\"\n\
         [[script]]\ndo = \"present-card\"\ndevice = \"card\"\nbalance = \"20.00\"\n\
         {done}[[script]]\ndo = \"wait\"\nfor = \"60 s\"\n\
         [[script]]\ndo = \"remove-card\"\ndevice = \"card\"\n\
         [[script]]\ndo = \"wait\"\nfor = \"20 s\"\n"
    )
}

/// The same of a card reader: what the reader believes and what the board believes stay one.
#[test]
fn one_turned_mode_bit_anywhere_costs_no_card_anything() {
    let mut all = Vec::new();
    for card in CARDS {
        let undisturbed = card_rig(card, "");
        let (bench, _) = play_for_money(&undisturbed);
        let moved = bench.books().ledger().entries().len();
        assert!(moved > 1, "{:?}: nothing happened", card.0);
        for (skip, length) in lengths(&undisturbed).into_iter().enumerate() {
            for word in 0..length {
                let (bench, findings) = play_for_money(&card_rig(card, &flip(word, skip, 1)));
                let idle = bench.board().is_some_and(|b| b.vending().is_idle());
                if !idle || !findings.is_empty() {
                    let what = format!("{:?} word {word} of answer {skip}", card.0);
                    all.push(format!("{what}: idle {idle}, {findings:?}"));
                }
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.join("\n"));
}
