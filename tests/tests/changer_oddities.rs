//! Changers that are not as they should be, and old ones: what the board makes of them. Sections are
//! those of MDB/ICP 4.3.

use payrig_controller::{BoardConfig, ChangerPolicy, Controller, ExpectedKind};
use payrig_mdb::changer::{Features, Response};
use payrig_mdb::{Address, Block, CurrencyCode};
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
use payrig_peripherals::{Device, Reply};
use payrig_tests::changer::{DOLLAR, alternative, machine, slow};
use payrig_tests::{Bench, board};
use payrig_units::{Micros, Money};

/// Section 5.3, SETUP, Z2-Z3: level 2, and the country by its telephone code.
#[test]
fn a_level_2_changer_with_a_telephone_code() {
    let config = ChangerConfig {
        level: 2,
        features: Features::NONE,
        currency: CurrencyCode([0x00, 0x01]),
        ..slow()
    };
    let mut m = machine(config, alternative(), Quirks::default());
    m.dollar();
    m.bench.press_return();
    m.assert_paid_back_once();
    assert!(m.bench.names().contains(&"> DISPENSE".to_owned()));
}

/// Appendix 3, section 2, and section 5.3, note 1: changers that are not as they should be.
#[test]
fn changers_that_misbehave() {
    let with = |change: fn(&mut Quirks)| {
        let mut quirks = Quirks::default();
        change(&mut quirks);
        machine(slow(), ChangerPolicy::default(), quirks)
    };
    for mut m in [
        with(|q| q.no_just_reset = true),
        with(|q| q.tube_status_too_early = true),
        with(|q| q.reports_one_coin_per_poll_only = true),
        with(|q| q.escrow_repeats_while_held = true),
        with(|q| q.double_dispense_on_repeat = true),
        with(|q| q.always_busy = true),
    ] {
        m.dollar();
        m.act(|c, now| c.press_escrow_lever(now));
        m.bench.run_for(Micros::secs(1));
        m.act(|c, now| c.release_escrow_lever(now));
        m.assert_paid_back_once();
    }
    // One coin less each time: what is missing is ordered again, and the last coin stays owed.
    let mut m = with(|q| q.dispenses_one_coin_less = true);
    m.dollar();
    m.bench.press_return();
    m.bench.run_until_quiet(Micros::secs(2));
    assert_eq!((m.paid(), m.bench.credit()), (-25, Money(25)));
    m.bench.assert_books_agree();
}

/// A changer that answers some commands in its own way; `None` leaves the answer as it is.
#[derive(Debug)]
struct Odd {
    inner: Changer,
    way: fn(&[u8], u32) -> Option<Reply>,
    times: u32,
}

impl Device for Odd {
    fn address(&self) -> Address {
        self.inner.address()
    }
    fn command(&mut self, now: Micros, command: &Block) -> Reply {
        match (self.way)(command.bytes(), self.times) {
            Some(reply) => {
                self.times += 1;
                reply
            }
            None => self.inner.command(now, command),
        }
    }
    fn acknowledged(&mut self, now: Micros) {
        self.inner.acknowledged(now);
    }
    fn unacknowledged(&mut self, now: Micros) {
        self.inner.unacknowledged(now);
    }
    payrig_tests::otherwise_as!(inner);
}

fn odd(way: fn(&[u8], u32) -> Option<Reply>) -> Bench<Controller> {
    let board = board(&[("changer", ExpectedKind::Changer)]);
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let inner = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let times = 0;
    let changer = bench.plug("changer", Odd { inner, way, times });
    bench.run_until_ready();
    bench.at(&changer, |c, now| c.inner.insert_coin(now, DOLLAR));
    bench.run_for(Micros::secs(1));
    bench.press_return();
    bench.run_until_quiet(Micros::secs(1));
    assert_eq!(bench.balance("customer"), Money::ZERO);
    bench.assert_books_agree();
    bench
}

/// SETUP answered with ACK alone, or with a block that is too short: asked again, at leisure, until
/// it can be read.
#[test]
fn setup_data_that_cannot_be_read_are_asked_for_again() {
    let ack_only = |command: &[u8], times| (command == [0x09] && times < 3).then_some(Reply::Ack);
    let short = |command: &[u8], times| {
        let data = Reply::Data(Block::new(&[0x03, 0x18]).unwrap());
        (command == [0x09] && times < 3).then_some(data)
    };
    for way in [ack_only, short] {
        let bench = odd(way);
        let asked: Vec<Micros> = bench
            .frames()
            .iter()
            .filter(|f| f.to_string() == "> 09* 09")
            .map(|f| f.start)
            .collect();
        assert_eq!(asked.len(), 4);
        assert!(
            asked
                .windows(2)
                .all(|w| w[1].since(w[0]) >= Micros::secs(1))
        );
    }
    assert!(odd(short).noted("answer to SETUP not understood"));
}

/// A level 3 changer that does not answer EXPANSION: the board does without, and says so. It is not
/// RESET for it, for POLL is answered.
#[test]
fn expansion_commands_that_are_never_answered_are_left_out() {
    let bench = odd(|command, _| (command[0] == 0x0F).then_some(Reply::Silence));
    assert!(bench.noted("no answer to IDENTIFICATION that is of use: left out"));
    assert!(!bench.names().contains(&"> RESET".to_owned()));
    let names = bench.names();
    let identification = |n: &&String| *n == "> IDENTIFICATION";
    assert!(names.iter().filter(identification).count() >= 5);
}

/// Levels above 3 are not defined; such a changer is spoken to as level 3 (section 2.4.4).
#[test]
fn a_level_above_three_is_treated_as_three() {
    let setup = |command: &[u8], _: u32| {
        let mut answer = ChangerConfig::demo().setup();
        answer.level = 7;
        (command == [0x09]).then(|| Reply::Data(Response::Setup(answer).emit()))
    };
    let bench = odd(setup);
    assert!(bench.names().contains(&"> IDENTIFICATION".to_owned()));
}

/// PAYOUT STATUS that says something else than PAYOUT VALUE POLL and the tubes: two against one.
#[test]
fn a_payout_status_that_is_wrong_is_outvoted() {
    let policy = ChangerPolicy {
        alternative_payout: true,
        ..ChangerPolicy::default()
    };
    let board = BoardConfig {
        changer: policy,
        ..board(&[("changer", ExpectedKind::Changer)])
    };
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let changer = Odd {
        inner: Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap(),
        way: |command, _| {
            let two_quarters = Block::new(&[0, 0, 2]).unwrap();
            (command == [0x0F, 0x03]).then_some(Reply::Data(two_quarters))
        },
        times: 0,
    };
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.at(&changer, |c, now| c.inner.insert_coin(now, DOLLAR));
    bench.run_for(Micros::secs(1));
    bench.press_return();
    bench.run_until_quiet(Micros::secs(1));
    assert_eq!(bench.balance("customer"), Money::ZERO, "paid once");
    assert!(
        bench.noted("PAYOUT STATUS says 0.50, PAYOUT VALUE POLL said 1.00, the tubes lost 1.00")
    );
    bench.assert_books_agree();
}
