//! The file transport layer between our controller and our devices: every diagram of MDB/ICP 4.3,
//! section 2.6.4, over the virtual bus.

use payrig_bench::{FaultKind, FrameKind};
use payrig_controller::{Controller, ExpectedKind, NoTransfer};
use payrig_mdb::cashless::{Level, Options, Unit};
use payrig_mdb::ftl::{Control, FileId, Outcome, ReceivedFile, Station};
use payrig_mdb::{Address, Block};
use payrig_peripherals::bill::{self, BillConfig, BillValidator};
use payrig_peripherals::cashless::{Answers, CashlessConfig, CashlessDevice};
use payrig_peripherals::changer::{self, Changer, ChangerConfig};
use payrig_peripherals::{Device, Reply};
use payrig_tests::{Bench, Plugged, Spoken, board, fault};
use payrig_units::Micros;
use payrig_wire::Source;

const VMC: Address = Address::VMC;
const A: Address = Address::CHANGER;
const B: Address = Address::BILL_VALIDATOR;
const ALL: [Address; 4] = [A, B, Address::CASHLESS_1, Address::CASHLESS_2];
const OWN: FileId = FileId(0xF3);
const LAST: Control = Control(2);

/// A board with all four, each with the option on.
struct Net {
    bench: Bench<Controller>,
    changer: Plugged<Changer>,
    bill: Plugged<BillValidator>,
    card_1: Plugged<CashlessDevice>,
    card_2: Plugged<CashlessDevice>,
}

fn bill_config() -> BillConfig {
    BillConfig {
        level: 2,
        ftl: true,
        ..BillConfig::default()
    }
}

impl Net {
    fn new() -> Self {
        let config = board(&[
            ("changer", ExpectedKind::Changer),
            ("bill", ExpectedKind::BillValidator),
            ("card 1", ExpectedKind::Cashless(Unit::One)),
            ("card 2", ExpectedKind::Cashless(Unit::Two)),
        ]);
        let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
        let changer = Changer::new(ChangerConfig::demo(), changer::Quirks::default()).unwrap();
        let bill = BillValidator::new(bill_config(), bill::Quirks::default()).unwrap();
        let card = |unit, answers| {
            CashlessDevice::new(CashlessConfig {
                name: "card".to_owned(),
                unit,
                answers,
                level: Level::THREE,
                options: Options::FTL,
                ..CashlessConfig::default()
            })
        };
        let changer = bench.plug("changer", changer);
        let bill = bench.plug("bill", bill);
        let card_1 = bench.plug("card 1", card(Unit::One, Answers::Straight));
        let card_2 = bench.plug("card 2", card(Unit::Two, Answers::AtPoll));
        let mut net = Self {
            bench,
            changer,
            bill,
            card_1,
            card_2,
        };
        net.bench.run_until_ready();
        let all = net
            .bench
            .run_until(|b| ALL.iter().all(|a| b.master_mut().files().takes_part(*a)));
        assert!(all, "all four take part");
        net.bench.run_for(Micros::secs(1));
        net.bench.forget();
        net
    }

    fn station<T>(&mut self, at: Address, act: impl FnOnce(&mut Station) -> T) -> T {
        match at {
            A => act(self.changer.borrow_mut().device_mut().files_mut()),
            B => act(self.bill.borrow_mut().device_mut().files_mut()),
            Address::CASHLESS_1 => act(self.card_1.borrow_mut().device_mut().files_mut()),
            _ => act(self.card_2.borrow_mut().device_mut().files_mut()),
        }
    }

    fn offer_from_board(&mut self, to: Address, file: FileId, data: &[u8]) {
        let now = self.bench.now();
        let done = self
            .bench
            .master_mut()
            .files()
            .offer(now, to, file, LAST, data);
        done.unwrap();
    }

    fn run(&mut self) {
        self.bench.run_for(Micros::secs(2));
        let idle = self.bench.run_until(|b| b.master_mut().files().is_idle());
        assert!(idle, "the transfer ends");
        self.bench.run_for(Micros::secs(1));
    }

    /// What was said with A and B: `VMC to A: SEND BLOCK`.
    fn said(&self) -> Vec<String> {
        let mut all: Vec<Spoken> = [A, B]
            .into_iter()
            .flat_map(|a| self.bench.conversation(a))
            .collect();
        all.sort_by_key(|s| s.frame.start);
        let who = |s: &Spoken| if s.frame.address == Some(A) { "A" } else { "B" };
        all.iter()
            .map(|s| match s.frame.source {
                Source::Master => format!("VMC to {}: {}", who(s), s.decoded.name()),
                Source::Peripheral => format!("{}: {}", who(s), s.decoded.name()),
            })
            .collect()
    }

    fn came_from(&mut self, at: Address, from: Address) -> Option<Vec<u8>> {
        let file = self.station(at, |s| s.received().cloned());
        file.filter(|f| f.from == from).map(|f| f.data)
    }
}

#[track_caller]
fn assert_said(net: &Net, diagram: &[&str]) {
    assert_eq!(net.said(), diagram);
}

#[test]
fn successful_transfer_vmc_to_a() {
    let mut net = Net::new();
    net.offer_from_board(A, OWN, &[7; 40]);
    net.run();
    assert_said(
        &net,
        &[
            "VMC to A: REQ TO SEND",
            "A: OK TO SEND",
            "VMC to A: ACK",
            "VMC to A: SEND BLOCK",
            "A: ACK",
            "VMC to A: SEND BLOCK",
            "A: ACK",
            "VMC to A: SEND BLOCK",
            "A: ACK",
        ],
    );
    assert_eq!(net.came_from(A, VMC), Some(vec![7; 40]));
    assert_eq!(
        net.bench.master_mut().files().outcome(A),
        Some(Outcome::Complete)
    );
}

#[test]
fn denied_transfer_vmc_to_a() {
    let mut net = Net::new();
    net.station(A, |s| s.deny_with(Some(0)));
    net.offer_from_board(A, OWN, b"x");
    net.run();
    assert_said(
        &net,
        &["VMC to A: REQ TO SEND", "A: RETRY/DENY", "VMC to A: ACK"],
    );
    let outcome = net.bench.master_mut().files().outcome(A);
    assert_eq!(outcome, Some(Outcome::Denied(0)));
    assert!(net.bench.noted("denied by the other side"));
}

#[test]
fn successful_and_denied_request_vmc_to_a() {
    for denied in [false, true] {
        let mut net = Net::new();
        net.bench
            .master_mut()
            .files()
            .deny_with(denied.then_some(0));
        net.station(A, |s| s.ask(VMC, FileId::MANUFACTURER, 10))
            .unwrap();
        net.run();
        let begin = ["VMC to A: POLL", "A: REQ TO RCV", "VMC to A: ACK"];
        let end: &[&str] = match denied {
            // 31 bytes, 2 bytes, and the empty block that ends a file (2.6.3).
            false => &[
                "VMC to A: SEND BLOCK",
                "A: ACK",
                "VMC to A: SEND BLOCK",
                "A: ACK",
            ],
            true => &["VMC to A: RETRY/DENY", "A: ACK"],
        };
        assert_said(&net, &[&begin, end].concat());
        let came = net.came_from(A, VMC);
        let expected = b"ZZZPAYRIG BOARD 000000000001".to_vec();
        assert_eq!(came, (!denied).then_some(expected));
    }
}

#[test]
fn vmc_aborted_transfer() {
    let mut net = Net::new();
    net.offer_from_board(A, OWN, &[1; 3000]);
    let named = |b: &mut Bench<Controller>| b.names().iter().any(|n| n == "> SEND BLOCK");
    assert!(net.bench.run_until(named));
    net.bench.master_mut().files().abort(A);
    net.run();
    let said = net.said();
    assert_eq!(said[3], "VMC to A: SEND BLOCK");
    let end = &said[said.len() - 2..];
    assert_eq!(end, ["VMC to A: RETRY/DENY", "A: ACK"]);
    let outcome = net.station(A, |s| s.outcome());
    assert_eq!(outcome, Some(Outcome::AbortedByPeer));
    assert_eq!(net.came_from(A, VMC), None);
}

#[test]
fn peripheral_abort_transfer() {
    let mut net = Net::new();
    net.offer_from_board(A, OWN, &[1; 3000]);
    let named = |b: &mut Bench<Controller>| b.names().iter().any(|n| n == "> SEND BLOCK");
    assert!(net.bench.run_until(named));
    net.station(A, Station::abort);
    net.run();
    let said = net.said();
    let end = &said[said.len() - 3..];
    // Straight to a block, or to a POLL that comes first: both are the standard's.
    assert!(end[0].contains("SEND BLOCK") || end[0].contains("POLL"));
    assert_eq!(end[1..], ["A: RETRY/DENY", "VMC to A: ACK"]);
    let outcome = net.bench.master_mut().files().outcome(A);
    assert_eq!(outcome, Some(Outcome::AbortedByPeer));
}

#[test]
fn successful_and_denied_transfer_a_to_vmc() {
    for denied in [false, true] {
        let mut net = Net::new();
        net.bench
            .master_mut()
            .files()
            .deny_with(denied.then_some(0));
        let data = [0x42; 50];
        net.station(A, |s| s.offer(VMC, FileId::DTS, LAST, &data))
            .unwrap();
        net.run();
        let begin = ["VMC to A: POLL", "A: REQ TO SEND", "VMC to A: ACK"];
        let end: &[&str] = match denied {
            false => &[
                "VMC to A: OK TO SEND",
                "A: SEND BLOCK",
                "VMC to A: ACK",
                "VMC to A: POLL",
                "A: SEND BLOCK",
                "VMC to A: ACK",
                "VMC to A: POLL",
                "A: SEND BLOCK",
                "VMC to A: ACK",
            ],
            true => &["VMC to A: RETRY/DENY", "A: ACK"],
        };
        assert_said(&net, &[&begin, end].concat());
        let file = ReceivedFile {
            from: A,
            file: FileId::DTS,
            data: data.to_vec(),
        };
        let came = net.bench.master_mut().files().take_received();
        assert_eq!(came, if denied { vec![] } else { vec![file] });
        assert_eq!(net.bench.noted("from changer: 50 bytes"), !denied);
    }
}

/// Offer and answer of the diagrams in which A sends to B.
const OFFER_TO_B: [&str; 6] = [
    "VMC to A: POLL",
    "A: REQ TO SEND",
    "VMC to A: ACK",
    "VMC to B: REQ TO SEND",
    "B: OK TO SEND",
    "VMC to B: ACK",
];

/// What is repeated for each block.
const BLOCK_TO_B: [&str; 5] = [
    "VMC to A: OK TO SEND",
    "A: SEND BLOCK",
    "VMC to A: ACK",
    "VMC to B: SEND BLOCK",
    "B: ACK",
];

#[test]
fn successful_and_denied_transfer_a_to_b() {
    for denied in [false, true] {
        let mut net = Net::new();
        net.station(B, |s| s.deny_with(denied.then_some(0)));
        net.station(A, |s| s.offer(B, OWN, LAST, &[9; 31])).unwrap();
        net.run();
        let diagram: Vec<&str> = match denied {
            false => [&OFFER_TO_B[..], &BLOCK_TO_B, &BLOCK_TO_B].concat(),
            true => [
                &OFFER_TO_B[..4],
                &["B: RETRY/DENY", "VMC to B: ACK"],
                &["VMC to A: RETRY/DENY", "A: ACK"],
            ]
            .concat(),
        };
        assert_said(&net, &diagram);
        assert_eq!(net.came_from(B, A), (!denied).then_some(vec![9; 31]));
    }
}

#[test]
fn successful_and_denied_request_a_to_b() {
    for denied in [false, true] {
        let mut net = Net::new();
        net.station(B, |s| s.deny_with(denied.then_some(0)));
        net.station(A, |s| s.ask(B, FileId::MANUFACTURER, 3))
            .unwrap();
        net.run();
        let begin = [
            "VMC to A: POLL",
            "A: REQ TO RCV",
            "VMC to A: ACK",
            "VMC to B: REQ TO RCV",
        ];
        let end: &[&str] = match denied {
            false => &[
                "B: SEND BLOCK",
                "VMC to B: ACK",
                "VMC to A: SEND BLOCK",
                "A: ACK",
                "VMC to B: POLL",
                "B: SEND BLOCK",
                "VMC to B: ACK",
                "VMC to A: SEND BLOCK",
                "A: ACK",
            ],
            true => &[
                "B: RETRY/DENY",
                "VMC to B: ACK",
                "VMC to A: RETRY/DENY",
                "A: ACK",
            ],
        };
        assert_said(&net, &[&begin, end].concat());
        assert_eq!(net.came_from(A, B).is_some(), !denied);
    }
}

#[test]
fn a_to_b_aborted_by_a() {
    let mut net = Net::new();
    net.station(A, |s| s.offer(B, OWN, LAST, &[9; 3000]))
        .unwrap();
    let second =
        |b: &mut Bench<Controller>| b.names().iter().filter(|n| *n == "> SEND BLOCK").count() == 2;
    assert!(net.bench.run_until(second));
    net.station(A, Station::abort);
    net.run();
    let said = net.said();
    let start = [&OFFER_TO_B[..], &BLOCK_TO_B].concat();
    assert_eq!(said[..11], start);
    let end = &said[said.len() - 4..];
    let abort = [
        "A: RETRY/DENY",
        "VMC to A: ACK",
        "VMC to B: RETRY/DENY",
        "B: ACK",
    ];
    assert_eq!(end, abort);
    assert_eq!(
        net.station(B, |s| s.outcome()),
        Some(Outcome::AbortedByPeer)
    );
}

#[test]
fn a_to_b_aborted_by_b() {
    let mut net = Net::new();
    net.station(A, |s| s.offer(B, OWN, LAST, &[9; 3000]))
        .unwrap();
    let second =
        |b: &mut Bench<Controller>| b.names().iter().filter(|n| *n == "> SEND BLOCK").count() == 2;
    assert!(net.bench.run_until(second));
    net.station(B, Station::abort);
    net.run();
    let said = net.said();
    assert_eq!(said[..11], [&OFFER_TO_B[..], &BLOCK_TO_B].concat());
    let denial = said.iter().position(|s| s == "B: RETRY/DENY").unwrap();
    // A may be polled before it hears of it; what it then sends goes no further.
    assert_eq!(said[denial + 1], "VMC to B: ACK");
    assert!(!said[denial..].contains(&"VMC to B: SEND BLOCK".to_owned()));
    assert_eq!(said[said.len() - 2..], ["VMC to A: RETRY/DENY", "A: ACK"]);
    assert_eq!(
        net.station(A, |s| s.outcome()),
        Some(Outcome::AbortedByPeer)
    );
}

/// Every device is either end towards the board and towards every other, whether it answers
/// straight or at a POLL (2.6.3).
#[test]
fn everybody_with_everybody() {
    let mut net = Net::new();
    for to in ALL {
        let data = vec![to.byte(); 100];
        net.offer_from_board(to, OWN, &data);
        net.run();
        assert_eq!(net.came_from(to, VMC), Some(data));
        let now = net.bench.now();
        let done = net
            .bench
            .master_mut()
            .files()
            .ask(now, to, FileId::MANUFACTURER, 0);
        done.unwrap();
        net.run();
        let came = net.bench.master_mut().files().take_received();
        assert_eq!(came.len(), 1, "{to}");
        assert!(came[0].from == to && came[0].data.starts_with(b"ZZZ"));
        for from in ALL.into_iter().filter(|from| *from != to) {
            let data = vec![from.byte() ^ to.byte(); 65];
            net.station(from, |s| s.offer(to, OWN, LAST, &data))
                .unwrap();
            net.run();
            assert_eq!(net.came_from(to, from), Some(data), "{from} to {to}");
        }
    }
}

/// 2.6.2: who does not take part is denied for; the board itself says why it cannot.
#[test]
fn without_the_option_transfers_are_denied() {
    let mut net = Net::new();
    net.station(A, |s| s.offer(Address::GATEWAY, OWN, LAST, b"x"))
        .unwrap();
    net.run();
    let diagram = [&OFFER_TO_B[..3], &["VMC to A: RETRY/DENY", "A: ACK"]].concat();
    assert_said(&net, &diagram);
    let now = net.bench.now();
    let missing = Address::GATEWAY;
    let mut board = net.bench.master_mut();
    let files = board.files();
    let refused = files.offer(now, missing, OWN, LAST, b"x");
    assert_eq!(refused, Err(NoTransfer::NotAMember(missing)));
}

/// The option is enabled where it is offered, and only there (sections 5.3, 6.3, 7.4.24).
#[test]
fn the_option_is_enabled_where_offered() {
    for ftl in [true, false] {
        let config = board(&[("bill", ExpectedKind::BillValidator)]);
        let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
        let bill = BillConfig {
            level: 2,
            ftl,
            ..BillConfig::default()
        };
        bench.plug(
            "bill",
            BillValidator::new(bill, bill::Quirks::default()).unwrap(),
        );
        bench.run_until_ready();
        bench.run_for(Micros::secs(1));
        let enable = "> EXPANSION FEATURE ENABLE FTL";
        let said = bench.spoken().iter().any(|s| s.text() == enable);
        assert_eq!(said, ftl);
        assert_eq!(bench.master_mut().files().takes_part(B), ftl);
    }
}

/// A validator that does not answer so many SEND BLOCKs.
#[derive(Debug)]
struct Dull {
    inner: BillValidator,
    silences: u32,
}

impl Device for Dull {
    fn address(&self) -> Address {
        self.inner.address()
    }
    fn command(&mut self, now: Micros, command: &Block) -> Reply {
        if command.bytes().starts_with(&[0x37, 0xFC]) && self.silences > 0 {
            self.silences -= 1;
            return Reply::Silence;
        }
        self.inner.command(now, command)
    }
    fn acknowledged(&mut self, now: Micros) {
        self.inner.acknowledged(now);
    }
    fn unacknowledged(&mut self, now: Micros) {
        self.inner.unacknowledged(now);
    }
    payrig_tests::otherwise_as!(inner);
}

/// 2.6.2: a message that does not get through is tried five times, with POLLs between; then both
/// sides hear of it.
#[test]
fn five_times_and_no_more() {
    for (silences, complete) in [(4, true), (5, false)] {
        let config = board(&[
            ("changer", ExpectedKind::Changer),
            ("bill", ExpectedKind::BillValidator),
        ]);
        let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
        let changer = Changer::new(ChangerConfig::demo(), changer::Quirks::default()).unwrap();
        let changer = bench.plug("changer", changer);
        let inner = BillValidator::new(bill_config(), bill::Quirks::default()).unwrap();
        let bill = bench.plug("bill", Dull { inner, silences });
        bench.run_until_ready();
        bench.run_for(Micros::secs(1));
        bench.forget();
        bench
            .at(&changer, |c, _| c.files_mut().offer(B, OWN, LAST, &[9; 20]))
            .unwrap();
        bench.run_for(Micros::secs(3));
        let names = bench.conversation_names(B);
        let blocks = names.iter().filter(|n| *n == "> SEND BLOCK").count();
        // The empty block that ends the file is the sixth.
        assert_eq!(blocks, if complete { 6 } else { 5 }, "{names:?}");
        let outcome = bench.at(&changer, |c, _| c.files().outcome());
        let received = bench.at(&bill, |b, _| b.inner.files().received().cloned());
        assert_eq!(received.is_some(), complete);
        if !complete {
            assert_eq!(outcome, Some(Outcome::AbortedByPeer));
            let outcome = bench.at(&bill, |b, _| b.inner.files().outcome());
            assert_eq!(outcome, Some(Outcome::AbortedByPeer));
        }
    }
}

/// The last block is acknowledged, but the ACK is lost: it is not taken twice.
#[test]
fn a_lost_ack_repeats_nothing() {
    let mut net = Net::new();
    net.offer_from_board(A, OWN, &[5; 93]);
    let begun = |b: &mut Bench<Controller>| b.names().iter().any(|n| n == "< OK TO SEND");
    assert!(net.bench.run_until(begun));
    for skip in [0, 2, 4, 6] {
        let mut lost = fault(FaultKind::Lose, Source::Peripheral, FrameKind::Ack);
        (lost.address, lost.skip) = (Some(A), skip);
        net.bench.add_fault(lost);
    }
    net.run();
    let blocks = net
        .said()
        .iter()
        .filter(|s| *s == "VMC to A: SEND BLOCK")
        .count();
    assert!(blocks > 4, "{blocks} blocks: at least one was repeated");
    assert_eq!(net.came_from(A, VMC), Some(vec![5; 93]));
}

/// 2.6.3: everybody is polled during a transfer, within the 200 ms of 2.4.3.
#[test]
fn others_are_polled_during_a_transfer() {
    let mut net = Net::new();
    net.offer_from_board(A, OWN, &[1; 7000]);
    net.run();
    assert_eq!(net.came_from(A, VMC), Some(vec![1; 7000]));
    for address in ALL {
        let polls: Vec<Micros> = net
            .bench
            .spoken()
            .iter()
            .filter(|s| s.frame.address == Some(address) && s.decoded.name() == "POLL")
            .map(|s| s.frame.start)
            .collect();
        let longest = polls.windows(2).map(|w| w[1].since(w[0])).max().unwrap();
        assert!(longest <= Micros::ms(200), "{address}: {longest}");
    }
}

/// 2.6.4, Retry Delay: the whole file again after so many seconds.
#[test]
fn later_means_later() {
    let mut net = Net::new();
    net.station(A, |s| s.deny_with(Some(4)));
    net.offer_from_board(A, OWN, b"tables");
    net.bench.run_for(Micros::secs(1));
    net.station(A, |s| s.deny_with(None));
    net.bench.run_for(Micros::secs(2));
    assert_eq!(net.came_from(A, VMC), None);
    net.bench.run_for(Micros::secs(2));
    assert_eq!(net.came_from(A, VMC), Some(b"tables".to_vec()));
}

/// 2.6.4, Control b0 and b1: two sessions make one file; the receiver resets itself after the
/// second, is set up again, and takes part again.
#[test]
fn two_sessions_then_a_reset() {
    let mut net = Net::new();
    for (control, data) in [(Control(0), b"first "), (Control(3), b"second")] {
        let now = net.bench.now();
        let done = net
            .bench
            .master_mut()
            .files()
            .offer(now, A, OWN, control, data);
        done.unwrap();
        net.bench.run_for(Micros::secs(1));
    }
    assert_eq!(net.came_from(A, VMC), Some(b"first second".to_vec()));
    assert!(net.said().contains(&"A: JUST RESET".to_owned()));
    net.bench.run_until_ready();
    net.bench.run_for(Micros::secs(1));
    assert!(net.bench.master_mut().files().takes_part(A));
}

/// A peripheral that goes away in the middle: the other side hears of it, and the board goes on.
#[test]
fn a_device_that_goes_away_ends_the_transfer() {
    let mut net = Net::new();
    net.station(A, |s| s.offer(B, OWN, LAST, &[9; 3000]))
        .unwrap();
    let begun = |b: &mut Bench<Controller>| b.names().iter().any(|n| n == "> SEND BLOCK");
    assert!(net.bench.run_until(begun));
    net.bench.power(&net.bill.clone(), false);
    net.bench.run_for(Micros::secs(15));
    assert_eq!(
        net.station(A, |s| s.outcome()),
        Some(Outcome::AbortedByPeer)
    );
    assert!(!net.bench.master_mut().files().takes_part(B));
    net.bench.power(&net.bill.clone(), true);
    net.bench.run_for(Micros::secs(25));
    assert!(net.bench.master_mut().files().takes_part(B));
}
