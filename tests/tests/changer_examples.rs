//! Every exchange of MDB/ICP 4.3, section 5.6 (coin acceptor / changer examples), as a conversation
//! between our controller and our changer. The standard gives names, not bytes, except for the
//! commands themselves; where a word is fixed by it, the words are compared too.
//!
//! `> ` is the VMC, `< ` the changer. Polls that report nothing are left out, as in the standard.

use payrig_controller::{BoardConfig, ChangerPolicy, Controller, ExpectedKind, Life};
use payrig_mdb::Address;
use payrig_mdb::changer::{CoinType, Command, Features, Response};
use payrig_mdb::{Block, Typed};
use payrig_peripherals::changer::{Changer, ChangerConfig, CoinConfig, CoinWorth, Quirks};
use payrig_tests::{Bench, Plugged, board};
use payrig_units::{Micros, Money};
use payrig_wire::Source;

const NICKEL: CoinType = CoinType::of(0);
const DIME: CoinType = CoinType::of(1);
const QUARTER: CoinType = CoinType::of(2);

/// Section 5.6, enable sequence, as it ends.
const ENABLE: [&str; 5] = [
    "> TUBE STATUS",
    "< TUBE STATUS",
    "> ACK",
    "> COIN TYPE",
    "< ACK",
];

struct Machine {
    bench: Bench<Controller>,
    changer: Plugged<Changer>,
}

impl Machine {
    fn new(config: ChangerConfig, policy: ChangerPolicy) -> Self {
        let board = BoardConfig {
            changer: policy,
            ..board(&[("changer", ExpectedKind::Changer)])
        };
        let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
        let changer = Changer::new(config, Quirks::default()).unwrap();
        let changer = bench.plug("changer", changer);
        Self { bench, changer }
    }

    /// Set up and polled.
    fn running(policy: ChangerPolicy) -> Self {
        Self::running_with(ChangerConfig::demo(), policy)
    }

    fn running_with(config: ChangerConfig, policy: ChangerPolicy) -> Self {
        let mut machine = Self::new(config, policy);
        machine.bench.run_until_ready();
        machine.bench.run_for(Micros::secs(1));
        machine.bench.forget();
        machine
    }

    fn drop(&mut self, coin_type: CoinType) {
        self.bench
            .at(&self.changer, |c, now| c.insert_coin(now, coin_type));
        self.bench.run_for(Micros::secs(1));
    }

    /// What was said, diagnostics of every few seconds left out.
    fn said(&self) -> Vec<String> {
        let all = self.bench.conversation_names(Address::CHANGER);
        let mut kept: Vec<String> = Vec::new();
        let mut skip = 0;
        for name in all {
            if name == "> SEND DIAGNOSTIC STATUS" {
                skip = 3;
            }
            if skip > 0 {
                skip -= 1;
            } else {
                kept.push(name);
            }
        }
        kept
    }

    /// The words of the frames with this name, in order.
    fn words_of(&self, name: &str) -> Vec<String> {
        let spoken = self.bench.spoken();
        spoken
            .iter()
            .filter(|s| s.name() == name)
            .map(|s| s.frame.to_string())
            .collect()
    }

    fn accepted(&self) -> u16 {
        self.changer.borrow().device().accepts().0
    }
}

fn alternative() -> ChangerPolicy {
    ChangerPolicy {
        alternative_payout: true,
        ..ChangerPolicy::default()
    }
}

/// Section 5.6: "RESET, POLL, STATUS, EXPANSION/ID, EXPANSION/FEATURE ENABLE", after which section
/// 5.3 has the diagnostics (b1), and the notes to 0FH 06H and 07H the manual reports (b2).
#[test]
fn section_5_6_reset_sequence() {
    let mut config = ChangerConfig::demo();
    // A changer that does not say JUST RESET when the bus is reset is RESET by its command.
    config.reset_time = Micros::secs(2);
    let mut machine = Machine::new(config, ChangerPolicy::default());
    machine.bench.power(&machine.changer, false);
    let reset = |b: &mut Bench<Controller>| b.words().last().is_some_and(|w| w == "> 08* 08");
    assert!(machine.bench.run_until(reset));
    machine.bench.forget();
    machine.bench.power(&machine.changer, true);
    machine.bench.run_until_ready();
    let said = machine.said();
    let from = said.iter().rposition(|n| n == "> RESET").unwrap();
    let expected = [
        "> RESET",
        "< ACK",
        "> POLL",
        "< JUST RESET",
        "> ACK",
        "> SETUP",
        "< SETUP",
        "> ACK",
        "> IDENTIFICATION",
        "< IDENTIFICATION",
        "> ACK",
        "> FEATURE ENABLE",
        "< ACK",
        "> SEND CONTROLLED MANUAL FILL REPORT",
        "< SEND CONTROLLED MANUAL FILL REPORT",
        "> ACK",
        "> SEND CONTROLLED MANUAL PAYOUT REPORT",
        "< SEND CONTROLLED MANUAL PAYOUT REPORT",
        "> ACK",
    ];
    let heard: Vec<&str> = said[from..].iter().map(String::as_str).collect();
    let heard: Vec<&str> = answered(&heard);
    assert_eq!(heard[..expected.len()], expected);
    assert_eq!(heard[expected.len()..], ENABLE);
    // The commands of 5.2, CHK of each its sum.
    for (name, words) in [
        ("> RESET", "> 08* 08"),
        ("> POLL", "> 0B* 0B"),
        ("> SETUP", "> 09* 09"),
        ("> IDENTIFICATION", "> 0F* 00 0F"),
        ("> FEATURE ENABLE", "> 0F* 01 00 00 00 0E 1E"),
        ("> SEND DIAGNOSTIC STATUS", "> 0F* 05 14"),
        ("> TUBE STATUS", "> 0A* 0A"),
        // All four coin types, all switches.
        ("> COIN TYPE", "> 0C* 00 0F FF FF 19"),
    ] {
        assert_eq!(machine.words_of(name).last().unwrap(), words, "{name}");
    }
    assert_eq!(machine.words_of("< JUST RESET"), ["< 0B 0B*"]);
}

/// Leaves out commands that were not answered (the changer is silent while it resets).
fn answered<'a>(said: &[&'a str]) -> Vec<&'a str> {
    let mut kept = Vec::new();
    for (n, name) in said.iter().enumerate() {
        let next = said.get(n + 1);
        let in_vain = name.starts_with("> ")
            && *name != "> ACK"
            && next.is_none_or(|next| next.starts_with("> "));
        if !in_vain {
            kept.push(*name);
        }
    }
    kept
}

/// Section 5.6: power up at the VMC is the reset sequence, and then the enable sequence.
#[test]
fn section_5_6_power_up() {
    let mut machine = Machine::new(ChangerConfig::demo(), ChangerPolicy::default());
    machine.bench.run_until_ready();
    let said = machine.said();
    assert_eq!(said[..2], ["> POLL", "< JUST RESET"]);
    assert_eq!(said[said.len() - 5..], ENABLE);
    // Section 5.3, note 1: 500 ms from the reset to the first TUBE STATUS.
    let frames = machine.bench.frames();
    let reset = frames.iter().find(|f| f.words.is_empty()).unwrap().end;
    let tubes = frames
        .iter()
        .find(|f| f.to_string() == "> 0A* 0A")
        .unwrap()
        .start;
    assert!(tubes.since(reset) >= Micros::ms(500));
}

/// Section 5.6: JUST RESET at any other time is the enable sequence again, without RESET.
#[test]
fn section_5_6_just_reset_at_any_time() {
    let mut machine = Machine::running(ChangerPolicy::default());
    machine
        .bench
        .at(&machine.changer, |c, now| c.reset_itself(now));
    machine.bench.run_for(Micros::secs(2));
    let said = machine.said();
    assert_eq!(said[..4], ["> POLL", "< JUST RESET", "> ACK", "> SETUP"]);
    assert_eq!(said[said.len() - 5..], ENABLE);
    assert!(!said.contains(&"> RESET".to_owned()));
    assert_eq!(machine.accepted(), 0x000F);
}

#[test]
fn section_5_6_error_sequence() {
    let mut machine = Machine::running(ChangerPolicy::default());
    machine
        .bench
        .at(&machine.changer, |c, now| c.insert_two_at_once(now));
    machine.bench.run_for(Micros::secs(1));
    assert_eq!(machine.said(), ["> POLL", "< DOUBLE ARRIVAL", "> ACK"]);
    assert_eq!(machine.words_of("< DOUBLE ARRIVAL"), ["< 05 05*"]);
    assert!(machine.bench.noted("DOUBLE ARRIVAL"));
}

/// Section 5.6: entering service mode is the disable sequence, entering sales mode the enable
/// sequence.
#[test]
fn section_5_6_enable_and_disable_sequence() {
    let mut machine = Machine::running(ChangerPolicy::default());
    let now = machine.bench.now();
    machine.bench.master_mut().set_service(now, true);
    machine.bench.run_for(Micros::secs(1));
    assert_eq!(machine.said(), ["> COIN TYPE", "< ACK"]);
    // All coin types off, the inventory switches on.
    assert_eq!(machine.words_of("> COIN TYPE"), ["> 0C* 00 00 FF FF 0A"]);
    assert_eq!(machine.accepted(), 0);
    machine.bench.forget();
    let now = machine.bench.now();
    machine.bench.master_mut().set_service(now, false);
    machine.bench.run_for(Micros::secs(1));
    assert_eq!(machine.said(), ENABLE);
    assert_eq!(machine.words_of("> COIN TYPE"), ["> 0C* 00 0F FF FF 19"]);
}

/// Section 5.6: "Credit acceptance is suspended (max. vend price achieved …)".
#[test]
fn section_5_6_the_highest_price_is_reached() {
    let policy = ChangerPolicy {
        credit_limit: Some(Money(125)),
        ..ChangerPolicy::default()
    };
    let mut machine = Machine::running(policy);
    machine.drop(CoinType::of(3));
    assert_ne!(machine.accepted(), 0);
    machine.bench.forget();
    machine.drop(QUARTER);
    assert_eq!(
        machine.said(),
        [
            "> POLL",
            "< COINS DEPOSITED",
            "> ACK",
            "> COIN TYPE",
            "< ACK"
        ]
    );
    assert_eq!(machine.accepted(), 0);
    machine.bench.select(12);
    machine.bench.run_for(Micros::secs(3));
    assert_eq!(machine.accepted(), 0x000F, "sold: coins are welcome again");
    machine.bench.assert_books_agree();
}

/// Section 5.6: "(… free vend token accepted …)".
#[test]
fn section_5_6_a_free_vend_token_is_accepted() {
    let mut config = ChangerConfig::demo();
    config.coins.push(Some(CoinConfig {
        worth: CoinWorth::Token,
        tube: None,
    }));
    let policy = ChangerPolicy {
        tokens: true,
        ..ChangerPolicy::default()
    };
    let mut machine = Machine::running_with(config, policy);
    assert_eq!(machine.accepted(), 0x001F);
    machine.drop(CoinType::of(4));
    assert_eq!(
        machine.said(),
        [
            "> POLL",
            "< COINS DEPOSITED",
            "> ACK",
            "> COIN TYPE",
            "< ACK"
        ]
    );
    // Coin type 4 to the cash box.
    assert_eq!(machine.words_of("< COINS DEPOSITED"), ["< 44 00 44*"]);
    assert_eq!((machine.accepted(), machine.bench.credit()), (0, Money(0)));
    machine.bench.forget();
    machine.bench.select(12);
    machine.bench.run_for(Micros::secs(3));
    assert_eq!(machine.bench.master().vending().sold(), [12]);
    assert_eq!(machine.said(), ENABLE);
    assert_eq!(machine.accepted(), 0x001F);
    machine.bench.assert_books_agree();
}

#[test]
fn section_5_6_coin_accepted_sequence() {
    let mut machine = Machine::running(ChangerPolicy::default());
    machine.drop(QUARTER);
    assert_eq!(machine.said(), ["> POLL", "< COINS DEPOSITED", "> ACK"]);
    // Type 2, to the tubes, 26 in it: 01 01 0010, 1AH.
    assert_eq!(machine.words_of("< COINS DEPOSITED"), ["< 52 1A 6C*"]);
    assert_eq!(machine.bench.credit(), Money(25));
    machine.bench.assert_books_agree();
}

/// Section 5.6: coins are dispensed between the disable and the enable sequence; TUBE STATUS before
/// the first coin and after each.
#[test]
fn section_5_6_coin_dispense_sequence_vmc_algorithm() {
    let mut config = ChangerConfig::demo();
    config.payout_time = Micros::ms(400);
    let mut machine = Machine::running_with(config, ChangerPolicy::default());
    machine.drop(CoinType::of(3));
    machine.bench.forget();
    machine.bench.select(11);
    machine.bench.run_for(Micros::secs(5));
    let polls = ["> POLL", "< CHANGER PAYOUT BUSY", "> ACK"].map(str::to_owned);
    let said = machine.said();
    // "POLL … PAY OUT BUSY … ACK", dotted in the standard: as often as it takes.
    let mut once: Vec<String> = Vec::new();
    for name in said {
        once.push(name);
        if let Some(start) = once.len().checked_sub(6)
            && once[start..start + 3] == polls
            && once[start + 3..] == polls
        {
            once.truncate(start + 3);
        }
    }
    let tubes = ["> TUBE STATUS", "< TUBE STATUS", "> ACK"];
    let busy = ["> POLL", "< CHANGER PAYOUT BUSY", "> ACK"];
    let mut expected = vec!["> COIN TYPE", "< ACK"];
    expected.extend(tubes);
    for _ in 0..2 {
        expected.extend(["> DISPENSE", "< ACK"]);
        expected.extend(busy);
        expected.extend(tubes);
    }
    expected.extend(["> COIN TYPE", "< ACK"]);
    assert_eq!(once, expected);
    // One of type 2, then one of type 1 (bits 7-4: how many, 3-0: which).
    assert_eq!(
        machine.words_of("> DISPENSE"),
        ["> 0D* 12 1F", "> 0D* 11 1E"]
    );
    assert_eq!(machine.bench.credit(), Money::ZERO);
    assert_eq!(machine.bench.balance("changer tube 2"), Money(24 * 25));
    machine.bench.assert_books_agree();
}

#[test]
fn section_5_6_coin_dispense_sequence_alternative_payout() {
    let mut machine = Machine::running(alternative());
    let enabled = machine.changer.borrow().device().enabled_features();
    assert!(enabled.contains(Features::ALTERNATIVE_PAYOUT));
    machine.drop(CoinType::of(3));
    machine.bench.forget();
    machine.bench.select(11);
    machine.bench.run_for(Micros::secs(4));
    let said = machine.said();
    let tubes = ["> TUBE STATUS", "< TUBE STATUS", "> ACK"];
    assert_eq!(said[..2], ["> COIN TYPE", "< ACK"], "disable sequence");
    assert_eq!(said[2..5], tubes);
    assert_eq!(said[5..7], ["> PAYOUT", "< ACK"]);
    let polled = said[7..].iter().position(|n| n == "> PAYOUT STATUS");
    let (values, rest) = said[7..].split_at(polled.unwrap());
    // "VALUE POLL, VALUE PAID, ACK", as often as it takes, then "VALUE POLL, ACK".
    let (last, values) = values.split_last_chunk::<2>().map(|(v, l)| (l, v)).unwrap();
    assert_eq!(last, &["> PAYOUT VALUE POLL", "< ACK"]);
    assert!(!values.is_empty());
    for one in values.chunks(3) {
        assert_eq!(one, ["> PAYOUT VALUE POLL", "< PAYOUT VALUE POLL", "> ACK"]);
    }
    assert_eq!(rest[..3], ["> PAYOUT STATUS", "< PAYOUT STATUS", "> ACK"]);
    assert_eq!(rest[3..6], tubes);
    assert_eq!(rest[6..], ["> COIN TYPE", "< ACK"]);
    // 35 cents are 7 counts of 5.
    assert_eq!(machine.words_of("> PAYOUT"), ["> 0F* 02 07 18"]);
    assert_eq!(machine.words_of("> PAYOUT VALUE POLL")[0], "> 0F* 04 13");
    assert_eq!(machine.words_of("> PAYOUT STATUS"), ["> 0F* 03 12"]);
    // A dime and a quarter.
    assert_eq!(
        machine.words_of("< PAYOUT STATUS"),
        ["< 00 01 01 00 00 00 00 00 00 00 00 00 00 00 00 00 02*"]
    );
    // The values reported add up to the value ordered.
    let told: u32 = machine
        .bench
        .spoken()
        .iter()
        .filter_map(|s| match &s.decoded.typed {
            Some(Typed::ChangerResponse(Response::PayoutValue(n))) => Some(u32::from(*n)),
            _ => None,
        })
        .sum();
    assert_eq!(told, 7);
    assert_eq!(machine.bench.credit(), Money::ZERO);
    machine.bench.assert_books_agree();
}

#[test]
fn section_5_6_manual_dispense_sequence() {
    let mut machine = Machine::running(ChangerPolicy::default());
    let out = machine
        .bench
        .at(&machine.changer, |c, now| c.manual_dispense(now, DIME, 2));
    assert_eq!(out, 2);
    machine.bench.run_for(Micros::secs(1));
    assert_eq!(
        machine.said(),
        [
            "> POLL",
            "< COINS DISPENSED MANUALLY",
            "> ACK",
            "> TUBE STATUS",
            "< TUBE STATUS",
            "> ACK"
        ]
    );
    // Two of type 1, 28 left: 1 010 0001, 1CH.
    assert_eq!(
        machine.words_of("< COINS DISPENSED MANUALLY"),
        ["< A1 1C BD*"]
    );
    assert_eq!(machine.bench.balance("board: service"), Money(20));
    assert_eq!(machine.bench.balance("board: stock of changer"), Money(-20));
    machine.bench.assert_books_agree();
}

#[test]
fn section_5_6_manual_fill_sequence() {
    let mut machine = Machine::running(ChangerPolicy::default());
    machine
        .bench
        .at(&machine.changer, |c, now| c.begin_manual_fill(now));
    machine.bench.run_for(Micros::secs(6));
    assert!(machine.bench.noted("manual fill"), "05/10, in words");
    for _ in 0..3 {
        machine.drop(NICKEL);
    }
    machine.bench.forget();
    machine
        .bench
        .at(&machine.changer, |c, now| c.end_manual(now));
    machine.bench.run_for(Micros::secs(7));
    let said = machine.said();
    let fill = "SEND CONTROLLED MANUAL FILL REPORT";
    let at = said.iter().position(|n| *n == format!("> {fill}")).unwrap();
    assert_eq!(
        said[at..at + 3],
        [format!("> {fill}"), format!("< {fill}"), "> ACK".to_owned()]
    );
    assert!(said[at..].contains(&"> TUBE STATUS".to_owned()));
    assert_eq!(machine.words_of(&format!("> {fill}"))[0], "> 0F* 06 15");
    assert_eq!(
        machine.words_of(&format!("< {fill}"))[0],
        "< 03 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 03*"
    );
    assert_eq!(machine.bench.credit(), Money::ZERO, "filled, not credited");
    assert_eq!(machine.bench.balance("board: stock of changer"), Money(15));
    machine.bench.assert_books_agree();
}

/// Section 2.4.4 and 5.3: a level 2 changer hears no EXPANSION command, whatever is done with it.
#[test]
fn section_5_3_no_command_above_the_changers_level() {
    let mut config = ChangerConfig::demo();
    config.level = 2;
    config.features = Features::NONE;
    let mut machine = Machine::new(config, alternative());
    machine.bench.run_until_ready();
    machine.drop(CoinType::of(3));
    machine.bench.select(11);
    machine.bench.run_for(Micros::secs(4));
    machine
        .bench
        .at(&machine.changer, |c, now| c.jam_coin_path(now, true));
    machine.bench.run_for(Micros::secs(12));
    assert_eq!(machine.bench.master().life("changer"), Some(Life::Running));
    assert_eq!(machine.bench.master().vending().sold(), [11]);
    let commands: Vec<Command> = machine
        .bench
        .frames()
        .iter()
        .filter(|f| f.source == Source::Master && f.words.first().is_some_and(|w| w.mode))
        .map(|f| f.words.iter().map(|w| w.byte).collect::<Vec<u8>>())
        .map(|bytes| Command::parse(Block::from_wire(&bytes).unwrap().bytes()).unwrap())
        .collect();
    assert!(commands.len() > 50 && commands.iter().all(|c| !c.is_expansion()));
    machine.bench.assert_books_agree();
}

/// Section 5.3, 0FH 01H: features are enabled only where they are offered, and only those used.
#[test]
fn section_5_3_features_enabled_only_where_offered_and_used() {
    for (offered, policy, enabled) in [
        (Features(0x0F), ChangerPolicy::default(), 0x0E),
        (Features(0x0F), alternative(), 0x0F),
        (Features::EXTENDED_DIAGNOSTIC, alternative(), 0x02),
        (Features::NONE, alternative(), 0x00),
        (Features(0xFFFF_FFF8), alternative(), 0x08),
    ] {
        let mut config = ChangerConfig::demo();
        config.features = offered;
        let machine = Machine::running_with(config, policy);
        let on = machine.changer.borrow().device().enabled_features();
        assert_eq!(on, Features(enabled), "offered {offered}");
    }
}
