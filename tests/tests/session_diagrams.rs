//! The session diagrams of MDB/ICP 4.3, section 2.5, A to G, and the CHK example of section 2.2, as
//! conversations on the virtual bus: our master, our devices, every word compared, mode bits
//! (`*`) included. `>` is the VMC, `<` the peripheral, `!` marks what the other side did not hear.

use payrig_bench::{FaultKind, FrameKind};
use payrig_controller::{Controller, ExpectedKind, Life, MasterTiming, Outcome};
use payrig_mdb::changer::{CoinType, Command, Features, Response};
use payrig_mdb::{Address, Block, CurrencyCode};
use payrig_peripherals::changer::{Changer, ChangerConfig, CoinConfig, CoinWorth, Quirks};
use payrig_peripherals::{Device, Reply};
use payrig_tests::{Asker, Bench, Plugged, board, fault};
use payrig_units::{Micros, Money, Movement};
use payrig_wire::Source;

const POLL: [u8; 1] = [0x0B];
const QUARTER: CoinType = CoinType::of(2);

/// A master that asks for a bad answer again so many times, and a changer past its JUST RESET with
/// all coins and features enabled.
fn bench(retransmits: u8) -> (Bench<Asker>, Plugged<Changer>) {
    let timing = MasterTiming {
        retransmits,
        ..MasterTiming::default()
    };
    let mut bench = Bench::new(Asker::new(timing));
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_for(Micros::secs(1));
    bench.ask(&POLL);
    assert_eq!(bench.words(), ["> 0B* 0B", "< 0B 0B*", "> 00"]);
    assert_eq!(bench.ask(&[0x0F, 0x01, 0, 0, 0, 0x07]), Outcome::Ack);
    assert_eq!(bench.ask(&[0x0C, 0xFF, 0xFF, 0xFF, 0xFF]), Outcome::Ack);
    bench.forget();
    (bench, changer)
}

fn drop_quarter(bench: &mut Bench<Asker>, changer: &Plugged<Changer>) {
    bench.at(changer, |c, now| c.insert_coin(now, QUARTER));
    bench.run_for(Micros::secs(1));
}

#[test]
fn section_2_5_a_an_idle_peripheral() {
    let (mut bench, _changer) = bench(1);
    assert_eq!(bench.ask(&POLL), Outcome::Ack);
    assert_eq!(bench.words(), ["> 0B* 0B", "< 00*"]);
}

#[test]
fn section_2_5_b_a_peripheral_with_data_to_return() {
    let (mut bench, changer) = bench(1);
    drop_quarter(&mut bench, &changer);
    bench.ask(&POLL);
    // The 26th quarter went to its tube: 01 01 0010, 1AH.
    assert_eq!(bench.words(), ["> 0B* 0B", "< 52 1A 6C*", "> 00"]);
    bench.forget();
    assert_eq!(
        bench.ask(&POLL),
        Outcome::Ack,
        "acknowledged: reported once"
    );
}

#[test]
fn section_2_5_c_a_vmc_with_data_to_send() {
    let (mut bench, changer) = bench(1);
    // PAYOUT of 2 counts: ADD* DAT DAT CHK, as drawn.
    assert_eq!(bench.ask(&[0x0F, 0x02, 0x02]), Outcome::Ack);
    assert_eq!(bench.words(), ["> 0F* 02 02 13", "< 00*"]);
    bench.run_for(Micros::secs(1));
    let dimes = bench.at(&changer, |c, _| c.tube(CoinType::of(1)).unwrap().coins);
    assert_eq!(dimes, 29, "the data were understood: a dime came out");
}

#[test]
fn section_2_5_d_a_wrong_chk_answered_with_ret() {
    let (mut bench, _changer) = bench(1);
    // The CHK of the first answer arrives with a bit turned over.
    let flip = FaultKind::Flip { word: 2, bit: 0 };
    bench.add_fault(fault(flip, Source::Peripheral, FrameKind::Block));
    // SEND DIAGNOSTIC STATUS: ADD* DAT CHK, as drawn.
    let ok = Block::new(&[0x03, 0x00]).unwrap();
    assert_eq!(bench.ask(&[0x0F, 0x05]), Outcome::Data(ok));
    assert_eq!(
        bench.words(),
        ["> 0F* 05 14", "< 03 00 02*", "> AA", "< 03 00 03*", "> 00"]
    );
}

#[test]
fn section_2_5_d_a_wrong_chk_answered_with_nak() {
    let (mut bench, changer) = bench(0);
    drop_quarter(&mut bench, &changer);
    let flip = FaultKind::Flip { word: 1, bit: 3 };
    bench.add_fault(fault(flip, Source::Peripheral, FrameKind::Block));
    assert_eq!(bench.ask(&POLL), Outcome::Garbage);
    assert_eq!(bench.words(), ["> 0B* 0B", "< 52 12 6C*", "> FF"]);
    bench.forget();
    // Other tasks first; then the slave repeats its response.
    bench.ask(&[0x0F, 0x05]);
    bench.ask(&POLL);
    bench.ask(&POLL);
    assert_eq!(
        bench.words(),
        [
            "> 0F* 05 14",
            "< 03 00 03*",
            "> 00",
            "> 0B* 0B",
            "< 52 1A 6C*",
            "> 00",
            "> 0B* 0B",
            "< 00*"
        ]
    );
}

/// The same with a bad block after every RET: NAK at last, and the report comes again.
#[test]
fn section_2_5_d_ret_in_vain_ends_with_nak() {
    let (mut bench, changer) = bench(1);
    drop_quarter(&mut bench, &changer);
    let flip = FaultKind::Flip { word: 0, bit: 7 };
    let mut twice = fault(flip, Source::Peripheral, FrameKind::Block);
    twice.count = 2;
    bench.add_fault(twice);
    assert_eq!(bench.ask(&POLL), Outcome::Garbage);
    bench.ask(&POLL);
    assert_eq!(
        bench.words(),
        [
            "> 0B* 0B",
            "< D2 1A 6C*",
            "> AA",
            "< D2 1A 6C*",
            "> FF",
            "> 0B* 0B",
            "< 52 1A 6C*",
            "> 00"
        ]
    );
}

/// Section 2.5 D, note: silence instead of ACK is treated like NAK.
#[test]
fn section_2_5_d_a_lost_ack_is_a_nak() {
    let (mut bench, changer) = bench(1);
    drop_quarter(&mut bench, &changer);
    bench.add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
    bench.ask(&POLL);
    bench.run_for(Micros::ms(50));
    bench.ask(&POLL);
    assert_eq!(
        bench.words(),
        [
            "> 0B* 0B",
            "< 52 1A 6C*",
            "> 00 !",
            "> 0B* 0B",
            "< 52 1A 6C*",
            "> 00"
        ]
    );
}

#[test]
fn section_2_5_e_silence_then_the_command_again() {
    let (mut bench, _changer) = bench(1);
    bench.add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Block));
    assert_eq!(bench.ask(&POLL), Outcome::Silence);
    assert_eq!(bench.ask(&POLL), Outcome::Ack);
    assert_eq!(bench.words(), ["> 0B* 0B !", "> 0B* 0B", "< 00*"]);
    // The time-out is 5 ms (section 3.2), 20 ms are tolerated (Appendix 3, section 2).
    let [first, second, _] = bench.frames() else {
        panic!("three frames")
    };
    assert!(second.start.since(first.end) >= Micros::ms(5));
}

/// A board, set up, with a changer; what was said on the way is forgotten.
fn running_board() -> (Bench<Controller>, Plugged<Changer>) {
    let config = board(&[("changer", ExpectedKind::Changer)]);
    let mut bench = Bench::new(Controller::new(config, Micros::ZERO));
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.run_for(Micros::ms(400));
    bench.forget();
    (bench, changer)
}

fn is_reset(bench: &Bench<Controller>) -> bool {
    bench.words().last().is_some_and(|w| w == "> 08* 08")
}

#[test]
fn section_2_5_f_no_response_then_reset_then_initialization() {
    let (mut bench, changer) = running_board();
    bench.run_for(Micros::ms(150));
    assert_eq!(bench.words(), ["> 0B* 0B", "< 00*"], "normal response");
    bench.forget();
    bench.power(&changer, false);
    assert!(bench.run_until(|b| is_reset(b)));
    // POLL in vain, for two seconds (section 5.4), and not once RESET before.
    let (reset, polls) = bench.frames().split_last().unwrap();
    let silent: Vec<String> = polls.iter().map(ToString::to_string).collect();
    assert!(silent.len() >= 3 && silent.iter().all(|w| w == "> 0B* 0B"));
    let since = polls[0].start;
    assert!(reset.start.since(since) >= Micros::secs(2));
    assert!(reset.start.since(since) < Micros::ms(2_500));
    bench.forget();
    // It comes back, is in its initialization routine, and then hears the second RESET.
    bench.run_for(Micros::ms(30));
    bench.power(&changer, true);
    bench.run_until_ready();
    let said = bench.words();
    assert_eq!(
        said[..14],
        [
            "> 08* 08",
            "< 00*",
            "> 0B* 0B",
            "< 0B 0B*",
            "> 00",
            "> 09* 09",
            // Level 3, USD, factor 5, 2 decimals, tubes 0 to 2, 5 10 25 100 cents.
            "< 03 18 40 05 02 00 07 01 02 05 14 00 00 00 00 00 00 00 00 00 00 00 00 85*",
            "> 00",
            "> 0F* 00 0F",
            "< 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 31 48 41 52 42 4F 55 52 2D 4C 4F 4F 50 01 00 00 00 00 0F D9*",
            "> 00",
            "> 0F* 01 00 00 00 0E 1E",
            "< 00*",
            "> 0F* 05 14",
        ]
    );
    // TUBE STATUS and COIN TYPE end the sequence of section 5.3.
    let names = bench.conversation_names(Address::CHANGER);
    assert_eq!(
        names[names.len() - 5..],
        [
            "> TUBE STATUS",
            "< TUBE STATUS",
            "> ACK",
            "> COIN TYPE",
            "< ACK"
        ]
    );
    assert_eq!(names.iter().filter(|n| *n == "> RESET").count(), 1);
}

#[test]
fn section_2_5_g_an_absent_peripheral_is_reset_every_ten_seconds() {
    let (mut bench, changer) = running_board();
    bench.power(&changer, false);
    assert!(bench.run_until(|b| is_reset(b)));
    bench.run_for(Micros::secs(32));
    let frames = bench.frames();
    let first = frames.iter().position(|f| f.words[0].byte == 0x08).unwrap();
    let resets = &frames[first..];
    assert!(resets.iter().all(|f| f.to_string() == "> 08* 08"));
    let pauses: Vec<u64> = resets
        .windows(2)
        .map(|pair| pair[1].start.since(pair[0].start).as_us())
        .collect();
    // RESET, at once a second one, then one every ten seconds.
    let [at_once, rest @ ..] = pauses.as_slice() else {
        panic!("{pauses:?}")
    };
    assert!(*at_once <= 200_000, "{pauses:?}");
    assert_eq!(rest, [10_000_000, 10_000_000, 10_000_000]);
    // Plugged in again, it is found by the next one.
    bench.power(&changer, true);
    assert!(bench.run_until(|b| b.master().life("changer") == Some(Life::Running)));
}

/// The changer of the CHK example: level 2, telephone code of the USA, factor 5; nickel, dime and
/// quarter with tubes, dollar, token.
fn chk_example() -> ChangerConfig {
    let mut config = ChangerConfig::demo();
    config.level = 2;
    config.features = Features::NONE;
    config.currency = CurrencyCode([0x00, 0x01]);
    config.coins.push(Some(CoinConfig {
        worth: CoinWorth::Token,
        tube: None,
    }));
    config
}

/// Section 2.2, CHK byte: the bytes of the example add up to 12CH.
const CHK_EXAMPLE: [u8; 12] = [
    0x02, 0x00, 0x01, 0x05, 0x02, 0x00, 0x07, 0x01, 0x02, 0x05, 0x14, 0xFF,
];

#[test]
fn section_2_2_the_chk_example_on_the_bus() {
    let mut bench = Bench::new(Asker::new(MasterTiming::default()));
    let changer = Changer::new(chk_example(), Quirks::default()).unwrap();
    let _changer = bench.plug("changer", changer);
    bench.run_for(Micros::secs(1));
    let Outcome::Data(block) = bench.ask(&[0x09]) else {
        panic!("SETUP is answered")
    };
    // Our changer sends all sixteen credits: eleven more zeros, the same sum.
    assert_eq!(block.bytes()[..12], CHK_EXAMPLE);
    assert!(block.bytes()[12..].iter().all(|b| *b == 0));
    assert_eq!(
        block.bytes().iter().map(|b| u32::from(*b)).sum::<u32>(),
        0x12C
    );
    assert_eq!(
        bench.words(),
        [
            "> 09* 09",
            "< 02 00 01 05 02 00 07 01 02 05 14 FF 00 00 00 00 00 00 00 00 00 00 00 2C*",
            "> 00"
        ]
    );
}

/// A peripheral that answers everything with the twelve bytes of the example, no more.
#[derive(Debug)]
struct TwelveBytes;

impl Device for TwelveBytes {
    fn address(&self) -> Address {
        Address::CHANGER
    }
    fn command(&mut self, _: Micros, _: &Block) -> Reply {
        Reply::Data(Block::new(&CHK_EXAMPLE).unwrap())
    }
    fn acknowledged(&mut self, _: Micros) {}
    fn unacknowledged(&mut self, _: Micros) {}
    fn bus_reset(&mut self, _: Micros) {}
    fn power(&mut self, _: Micros, _: bool) {}
    fn next_deadline(&self) -> Micros {
        Micros::NEVER
    }
    fn wake(&mut self, _: Micros) {}
    fn take_movements(&mut self) -> Vec<Movement> {
        Vec::new()
    }
    fn take_notes(&mut self) -> Vec<String> {
        Vec::new()
    }
}

#[test]
fn section_2_2_the_chk_example_byte_for_byte() {
    let mut bench = Bench::new(Asker::new(MasterTiming::default()));
    bench.plug("changer", TwelveBytes);
    bench.run_for(Micros::secs(1));
    let Outcome::Data(block) = bench.ask(&[0x09]) else {
        panic!("SETUP is answered")
    };
    assert_eq!(
        bench.words(),
        [
            "> 09* 09",
            "< 02 00 01 05 02 00 07 01 02 05 14 FF 2C*",
            "> 00"
        ]
    );
    let setup = match Response::parse(&Command::Setup, block.bytes()) {
        Ok(Response::Setup(setup)) => setup,
        other => panic!("{other:?}"),
    };
    assert_eq!((setup.level, setup.currency.telephone()), (2, Some(1)));
    let dollar = payrig_mdb::changer::CoinCredit::Worth(Money(100));
    assert_eq!(setup.credit(CoinType::of(3)), dollar);
}
