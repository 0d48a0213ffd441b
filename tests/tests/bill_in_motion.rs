//! A bill is on its way into the recycler while money is given back, and the bus is reset: whatever
//! comes first, board and money agree (MDB/ICP 4.3, section 6.3, 37H-05H, 37H-08H).

use payrig_tests::play_for_money;
use payrig_units::Place;

const MACHINE: &str = r#"
[[board.item]]
number = 1
price = "1.00"
[[device]]
kind = "bill-validator"
name = "bill"
escrow = false
while-moving = "busy"
[[device.store]]
bill = "1.00"
count = 3
capacity = 5
[[device.store]]
bill = "5.00"
count = 2
capacity = 5
[[device]]
kind = "changer"
name = "changer"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-bill"
device = "bill"
value = "1.00"
after = "100 ms"
[[script]]
do = "wait"
for = "3 s"
"#;

/// Puts another bill in, presses the return after so many milliseconds, and resets the bus.
fn wrong(how: &str, press: u64, reset: u64) -> Option<String> {
    let text = format!(
        "[bench]\nname = \"motion\"\n[board]\nbill-change = \"{how}\"\n{MACHINE}\
         [[script]]\ndo = \"insert-bill\"\ndevice = \"bill\"\nvalue = \"1.00\"\n\
         [[script]]\ndo = \"press-return\"\nafter = \"{press} ms\"\n\
         [[script]]\ndo = \"bus-reset\"\nafter = \"{reset} ms\"\n\
         [[script]]\ndo = \"wait\"\nfor = \"50 s\"\n[[script]]\ndo = \"press-return\"\n\
         [[script]]\ndo = \"wait\"\nfor = \"50 s\"\n"
    );
    let (stage, findings) = play_for_money(&text);
    let customer = stage.books().ledger().balance(&Place::Customer);
    (!customer.is_zero() || !findings.is_empty()).then(|| {
        format!(
            "{how}, pressed after {press} ms, reset after {reset} ms: {customer:?} {findings:?}"
        )
    })
}

#[test]
fn a_bill_on_its_way_into_the_recycler_is_counted_once() {
    let mut all = Vec::new();
    for how in ["by-type", "by-value"] {
        for press in [60, 130, 900] {
            for reset in (2_200..3_400).step_by(90) {
                all.extend(wrong(how, press, reset));
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.join("\n"));
}
