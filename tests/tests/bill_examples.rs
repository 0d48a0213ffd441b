//! Every exchange of section 6.6 of MDB/ICP 4.3 as a conversation between our board and our
//! validator. The standard gives names there; the words are those section 6.3 gives the commands.

use payrig_controller::{BillChange, BillPolicy, BoardConfig, Controller, ExpectedKind};
use payrig_mdb::Address;
use payrig_peripherals::bill::{BillConfig, BillKind, BillValidator, Quirks, RecyclerStore};
use payrig_tests::{Bench, Plugged, Spoken, board, item};
use payrig_units::{Micros, Money};
use payrig_wire::Source;

const BILL: &str = "bill validator";

struct Set {
    bench: Bench<Controller>,
    bill: Plugged<BillValidator>,
}

fn cold(change: impl FnOnce(&mut BoardConfig), config: BillConfig) -> Set {
    let mut board = board(&[(BILL, ExpectedKind::BillValidator)]);
    board.items = vec![item(11, "Crisps", 100), item(12, "Sandwich", 500)];
    change(&mut board);
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let validator = BillValidator::new(config, Quirks::default()).unwrap();
    let bill = bench.plug(BILL, validator);
    Set { bench, bill }
}

fn ready(change: impl FnOnce(&mut BoardConfig), config: BillConfig) -> Set {
    let mut set = cold(change, config);
    set.bench.run_until_ready();
    set.run(1_000);
    set
}

/// Stores for 1.00 (5 bills) and 5.00 (3 bills); a bill waits three seconds in the inlet.
fn recycler() -> BillConfig {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 8,
    };
    BillConfig {
        level: 2,
        recycler: vec![store(0, 5), store(1, 3)],
        customer_takes_after: Some(Micros::secs(3)),
        ..BillConfig::default()
    }
}

fn paying(change: BillChange) -> impl Fn(&mut BoardConfig) {
    move |board| board.bills.change = change
}

/// A command and its answer, in the words of the tables of 6.6.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Exchange {
    command: String,
    answer: String,
    /// The VMC acknowledged it; a bare ACK is not acknowledged.
    acknowledged: bool,
}

/// What a table has between its rows.
enum Row {
    /// This command, and an answer with these words in it.
    Is(&'static str, &'static str),
    /// Dots: time passes with POLLs that report no bill.
    Dots,
    /// "Repeat last 2 commands": PAYOUT VALUE POLL and POLL, in turn.
    Repeat,
}

use Row::{Dots, Is, Repeat};

/// The rows every dispense sequence of 6.6 has in common after its order.
const PAID: [Row; 5] = [
    Is("PAYOUT VALUE POLL", "PAYOUT VALUE POLL"),
    Repeat,
    Is("PAYOUT VALUE POLL", "ACK"),
    Is("PAYOUT STATUS", "PAYOUT STATUS"),
    Is("BILL DISPENSE STATUS", "BILL DISPENSE STATUS"),
];

const INLET: [Row; 3] = [Is("POLL", "BILL WAITING"), Dots, Is("POLL", "ACK")];

fn exchanges(spoken: &[Spoken]) -> Vec<Exchange> {
    let mut all: Vec<Exchange> = Vec::new();
    for one in spoken {
        let (name, text) = (one.decoded.name(), one.decoded.text());
        match one.frame.source {
            Source::Master if name == "ACK" => {
                if let Some(last) = all.last_mut() {
                    last.acknowledged = true;
                }
            }
            Source::Master => all.push(Exchange {
                command: name.to_owned(),
                answer: String::new(),
                acknowledged: false,
            }),
            Source::Peripheral => {
                if let Some(last) = all.last_mut() {
                    last.answer.push_str(&text);
                }
            }
        }
    }
    for exchange in &all {
        let data = !exchange.answer.is_empty() && exchange.answer != "ACK";
        assert_eq!(exchange.acknowledged, data, "{exchange:?}");
    }
    all
}

impl Set {
    fn run(&mut self, ms: u64) {
        self.bench.run_for(Micros::ms(ms));
    }

    fn insert(&mut self, bill_type: u8) {
        self.bench
            .at(&self.bill, |v, now| v.insert_bill(now, bill_type));
    }

    /// A bill comes in and is stacked, or to the recycler.
    fn pay_in(&mut self, bill_type: u8) {
        self.insert(bill_type);
        self.run(6_000);
        self.bench.forget();
    }

    /// Paper goes in that is no bill: when it is given back, the inlet is blocked.
    fn block_inlet(&mut self) {
        self.bench
            .at(&self.bill, |v, now| v.insert_unknown_paper(now));
        let blocked = |b: &mut Bench<Controller>| {
            b.spoken().iter().any(|s| s.text().contains("BILL WAITING"))
        };
        assert!(self.bench.run_until(blocked));
    }

    #[track_caller]
    fn follows(&self, rows: &[Row]) {
        let spoken: Vec<Spoken> = self
            .bench
            .spoken()
            .into_iter()
            .filter(|s| s.frame.address == Some(Address::BILL_VALIDATOR))
            .collect();
        let all = exchanges(&spoken);
        let Some(Is(command, answer)) = rows.first() else {
            panic!("a sequence begins with an exchange");
        };
        let is = |e: &Exchange, command: &str, answer: &str| {
            e.command == command && e.answer.contains(answer)
        };
        let start = all.iter().position(|e| is(e, command, answer));
        let mut rest = all[start.expect("the first exchange")..].iter().peekable();
        for (i, row) in rows.iter().enumerate() {
            // What may come before the next row that names an exchange.
            let skips: fn(&Exchange) -> bool = match row {
                Is(..) => |_| false,
                Dots => |e| e.command == "POLL" && !e.answer.contains(" type "),
                Repeat => |e| e.command == "PAYOUT VALUE POLL" || e.command == "POLL",
            };
            match row {
                Is(command, answer) => {
                    let found = rest.next();
                    assert!(
                        found.is_some_and(|e| is(e, command, answer)),
                        "row {i}: {command} answered by {answer}, but there was {found:?}; {all:#?}"
                    );
                }
                Dots | Repeat => {
                    let Some(Is(command, answer)) = rows.get(i + 1) else {
                        panic!("after dots an exchange is named");
                    };
                    while rest
                        .next_if(|e| !is(e, command, answer) && skips(e))
                        .is_some()
                    {}
                }
            }
        }
    }

    #[track_caller]
    fn has_words(&self, words: &str) {
        let all = self.bench.words();
        assert!(all.iter().any(|w| w == words), "{words} in {all:#?}");
    }
}

/// 6.6, "Reset sequence" and "Enable sequence", with the optional SECURITY and a recycler.
#[test]
fn reset_and_enable_sequence() {
    let policy = BillPolicy {
        change: BillChange::ByType,
        high_security: Some(vec![Money(2_000)]),
        ..BillPolicy::default()
    };
    let config = BillConfig {
        start_up: Micros::ZERO,
        ..recycler()
    };
    let mut set = cold(|b| b.bills = policy, config);
    // Not there at first, so that RESET is what it hears when it comes.
    set.bench.power(&set.bill, false);
    set.run(20_000);
    set.bench.power(&set.bill, true);
    set.bench.run_until_ready();
    let names = set.bench.names();
    let answered = names.windows(2).position(|w| w == ["> RESET", "< ACK"]);
    assert!(answered.is_some(), "{names:?}");
    set.follows(&[
        Is("RESET", "ACK"),
        Is("POLL", "JUST RESET"),
        Is("SETUP", "SETUP"),
        Is("SECURITY", "ACK"),
        Is("EXPANSION IDENTIFICATION WITH OPTION BITS", "maker ZZZ"),
        Is("EXPANSION FEATURE ENABLE", "ACK"),
        Is("RECYCLER SETUP", "RECYCLER SETUP"),
        Is("RECYCLER ENABLE", "ACK"),
        Is("STACKER", "STACKER"),
        Is("BILL TYPE", "ACK"),
    ]);
    for words in [
        "> 30* 30",
        "> 33* 33",
        "< 06 06*",
        "> 31* 31",
        "> 32* 00 08 3A",
        "> 37* 02 39",
        "> 37* 01 00 00 00 02 3A",
        "> 37* 03 3A",
        "> 36* 36",
    ] {
        set.has_words(words);
    }
}

/// The same at level 1 after power-up: without RESET, the identification without option bits.
#[test]
fn reset_sequence_of_level_1() {
    let mut set = cold(|_| {}, BillConfig::default());
    set.bench.run_until_ready();
    set.follows(&[
        Is("POLL", "JUST RESET"),
        Is("SETUP", "SETUP"),
        Is("EXPANSION IDENTIFICATION", "maker ZZZ"),
        Is("STACKER", "STACKER"),
        Is("BILL TYPE", "ACK"),
    ]);
    set.has_words("> 34* 00 0F 00 0F 52");
}

/// 6.6, "Disable sequence" when the mode switch enters service mode, and "Enable sequence" when it
/// enters sales mode.
#[test]
fn disable_and_enable_sequence() {
    let mut set = ready(|_| {}, BillConfig::default());
    set.bench.forget();
    let now = set.bench.now();
    set.bench.master_mut().set_service(now, true);
    set.run(1_000);
    set.follows(&[Is("BILL TYPE", "ACK")]);
    set.has_words("> 34* 00 00 00 00 34");
    assert!(!set.bench.at(&set.bill, |v, _| v.is_accepting()));
    set.bench.forget();
    let now = set.bench.now();
    set.bench.master_mut().set_service(now, false);
    set.run(1_000);
    set.follows(&[Is("STACKER", "0 bills"), Dots, Is("BILL TYPE", "ACK")]);
    set.has_words("> 34* 00 0F 00 0F 52");
}

/// 6.6, "Error sequence".
#[test]
fn error_sequence() {
    let mut set = ready(|_| {}, BillConfig::default());
    set.bench.at(&set.bill, |v, now| v.jam(now));
    set.run(1_000);
    set.follows(&[Is("POLL", "VALIDATOR JAMMED")]);
    set.has_words("< 05 09 0E*");
}

/// 6.6, "Accept sequence, bill stacked".
#[test]
fn accept_sequence_bill_stacked() {
    let mut set = ready(|_| {}, BillConfig::default());
    set.insert(1);
    set.run(5_000);
    set.follows(&[
        Is("POLL", "ESCROW POSITION type 1"),
        Dots,
        Is("ESCROW", "ACK"),
        Dots,
        Is("POLL", "BILL STACKED type 1"),
    ]);
    for words in ["< 91 91*", "> 35* 01 36", "< 81 81*"] {
        set.has_words(words);
    }
    assert_eq!(set.bench.credit(), Money(500));
    set.bench.assert_books_agree();
}

/// 6.6, "Accept sequence, bill returned".
#[test]
fn accept_sequence_bill_returned() {
    let mut set = ready(|b| b.hold_bills = true, BillConfig::default());
    set.insert(1);
    set.run(3_000);
    set.bench.press_return();
    set.run(3_000);
    set.follows(&[
        Is("POLL", "ESCROW POSITION type 1"),
        Dots,
        Is("ESCROW", "ACK"),
        Dots,
        Is("POLL", "BILL RETURNED type 1"),
    ]);
    for words in ["< 91 91*", "> 35* 00 35", "< A1 A1*"] {
        set.has_words(words);
    }
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.bench.assert_books_agree();
}

/// 6.6, "Check stacker after accept sequence, bill stacked": BILL TYPE disables if it is full.
#[test]
fn check_stacker_after_accept_sequence() {
    let config = BillConfig {
        stacker_capacity: 1,
        ..BillConfig::default()
    };
    let mut set = ready(|_| {}, config);
    set.insert(0);
    set.run(5_000);
    set.follows(&[
        Is("POLL", "BILL STACKED type 0"),
        Dots,
        Is("STACKER", "full"),
        Dots,
        Is("BILL TYPE", "ACK"),
    ]);
    for words in ["> 36* 36", "< 80 01 81*", "> 34* 00 00 00 00 34"] {
        set.has_words(words);
    }
}

/// 6.6, "Dispense sequence", from the blocked inlet on.
#[test]
fn dispense_sequence() {
    let config = BillConfig {
        bills: vec![BillKind::Value(Money(100)), BillKind::Value(Money(500))],
        ..recycler()
    };
    let five_only = |b: &mut BoardConfig| {
        b.bills.change = BillChange::ByType;
        b.items.remove(0);
    };
    let mut set = ready(five_only, config);
    for _ in 0..2 {
        set.pay_in(1);
    }
    set.block_inlet();
    set.bench.press_return();
    set.run(100);
    set.bench.run_until_quiet(Micros::secs(5));
    let mut rows = Vec::from(INLET);
    rows.push(Is("DISPENSE BILL", "ACK"));
    rows.extend(PAID);
    set.follows(&rows);
    // Two bills of type 1: 0005H counts each; then the counts for type 0 and type 1.
    for words in [
        "> 37* 06 01 00 02 40",
        "< 00 05 05*",
        "> 37* 09 40",
        "> 37* 08 3F",
        "> 37* 05 3C",
    ] {
        set.has_words(words);
    }
    set.has_words("< 00 00 00 02 02*");
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.bench.assert_books_agree();
}

/// 6.6, "Value payout".
#[test]
fn value_payout() {
    let mut set = ready(paying(BillChange::ByValue), recycler());
    set.pay_in(2);
    set.block_inlet();
    set.bench.press_return();
    set.run(100);
    set.bench.run_until_quiet(Micros::secs(5));
    let mut rows = Vec::from(INLET);
    rows.push(Is("DISPENSE VALUE", "ACK"));
    rows.extend(PAID);
    set.follows(&rows);
    set.has_words("> 37* 07 00 0A 48");
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.bench.assert_books_agree();
}

/// 6.6, "Dispense sequence w/ bill in escrow" and "Value payout w/ bill in escrow": the bill goes
/// back first. (The credit is of a bill that buys nothing by itself.)
#[test]
fn payouts_with_a_bill_in_escrow() {
    for (change, order) in [
        (BillChange::ByType, "DISPENSE BILL"),
        (BillChange::ByValue, "DISPENSE VALUE"),
    ] {
        let hold = |b: &mut BoardConfig| {
            b.bills.change = change;
            b.hold_bills = true;
            b.items.remove(0);
        };
        let mut set = ready(hold, recycler());
        set.pay_in(0);
        assert_eq!(set.bench.credit(), Money(100));
        set.insert(1);
        set.run(3_000);
        set.bench.press_return();
        set.run(100);
        set.bench.run_until_quiet(Micros::secs(5));
        let mut rows = vec![
            Is("POLL", "ESCROW POSITION type 1"),
            Dots,
            Is("ESCROW", "ACK"),
            Dots,
            Is("POLL", "BILL RETURNED type 1"),
            Dots,
            Is("POLL", "BILL WAITING"),
            Dots,
            Is("POLL", "ACK"),
            Is(order, "ACK"),
        ];
        // The answer that says BILL RETURNED says BILL WAITING as well.
        rows.drain(5..7);
        rows.extend(PAID);
        set.follows(&rows);
        assert_eq!(set.bench.balance("customer"), Money::ZERO);
        set.bench.assert_books_agree();
    }
}

/// 6.6, "Operation cancelled": a recycler so slow that the board gives up after 30 s per bill.
#[test]
fn operation_cancelled() {
    let mut config = recycler();
    config.travel.dispense = Micros::secs(40);
    let mut set = ready(paying(BillChange::ByValue), config);
    set.pay_in(2);
    set.bench.press_return();
    set.run(100);
    set.bench.run_until_quiet(Micros::secs(5));
    set.follows(&[
        Is("DISPENSE VALUE", "ACK"),
        Repeat,
        Is("PAYOUT CANCEL", "ACK"),
        Is("PAYOUT VALUE POLL", "PAYOUT VALUE POLL"),
        Repeat,
        Is("PAYOUT VALUE POLL", "ACK"),
        Dots,
        Is("POLL", "ACK"),
        Is("PAYOUT STATUS", "PAYOUT STATUS"),
        Is("BILL DISPENSE STATUS", "BILL DISPENSE STATUS"),
    ]);
    set.has_words("> 37* 0A 41");
    assert_eq!(set.bench.credit(), Money(500), "one bill came out");
    set.bench.assert_books_agree();
}

/// 6.6, "Multiple operations": one bill type after the other.
#[test]
fn multiple_operations() {
    let mut set = ready(paying(BillChange::ByType), recycler());
    set.pay_in(2);
    set.pay_in(0);
    set.block_inlet();
    set.bench.press_return();
    set.run(100);
    set.bench.run_until_quiet(Micros::secs(5));
    let mut rows = Vec::from(INLET);
    rows.push(Is("DISPENSE BILL", "ACK"));
    rows.extend(PAID);
    rows.extend(INLET);
    rows.push(Is("DISPENSE BILL", "ACK"));
    rows.extend(PAID);
    rows.extend(INLET);
    set.follows(&rows);
    assert_eq!(set.bench.credit(), Money::ZERO);
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.bench.assert_books_agree();
}
