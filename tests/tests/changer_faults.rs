//! What can go wrong between the board and a changer, and where the money is afterwards: our
//! controller and our changer on the virtual bus, faults on the wire and in the machine, the ledger
//! reconciled at the end. Sections are those of MDB/ICP 4.3.

use payrig_controller::{BoardConfig, ChangerPolicy, Controller, ExpectedKind, Life};
use payrig_link::{FaultKind, FrameKind};
use payrig_mdb::changer::{CoinType, DiagnosticCode, DispenseCount, Features};
use payrig_mdb::{Address, CurrencyCode};
use payrig_peripherals::changer::{
    Changer, ChangerConfig, CoinConfig, CoinWorth, Quirks, TubeConfig, WhilePaying,
};
use payrig_tests::{Bench, Plugged, board, fault};
use payrig_units::{Micros, Money};
use payrig_wire::Source;

const NICKEL: CoinType = CoinType::of(0);
const DIME: CoinType = CoinType::of(1);
const QUARTER: CoinType = CoinType::of(2);
const DOLLAR: CoinType = CoinType::of(3);

struct Machine {
    bench: Bench<Controller>,
    changer: Plugged<Changer>,
}

fn machine(config: ChangerConfig, policy: ChangerPolicy, quirks: Quirks) -> Machine {
    let board = BoardConfig {
        changer: policy,
        ..board(&[("changer", ExpectedKind::Changer)])
    };
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let changer = Changer::new(config, quirks).unwrap();
    let changer = bench.plug("changer", changer);
    let mut machine = Machine { bench, changer };
    machine.bench.run_until_ready();
    machine.bench.run_for(Micros::ms(500));
    machine.bench.forget();
    machine
}

/// 400 ms a coin, so that there is time for things to go wrong.
fn slow() -> ChangerConfig {
    ChangerConfig {
        payout_time: Micros::ms(400),
        ..ChangerConfig::demo()
    }
}

fn alternative() -> ChangerPolicy {
    ChangerPolicy {
        alternative_payout: true,
        ..ChangerPolicy::default()
    }
}

fn both_ways() -> [ChangerPolicy; 2] {
    [ChangerPolicy::default(), alternative()]
}

impl Machine {
    fn new(policy: ChangerPolicy) -> Self {
        machine(slow(), policy, Quirks::default())
    }

    fn act<T>(&mut self, act: impl FnOnce(&mut Changer, Micros) -> T) -> T {
        let changer = self.changer.clone();
        self.bench.at(&changer, act)
    }

    /// A dollar goes in, to the cash box, and is credited.
    fn dollar(&mut self) {
        self.act(|c, now| c.insert_coin(now, DOLLAR));
        self.bench.run_for(Micros::secs(1));
        assert_eq!(self.bench.credit(), Money(100));
    }

    /// Runs until DISPENSE or PAYOUT is the next command.
    fn until_order(&mut self) {
        let read = |b: &mut Bench<Controller>| {
            let words = b.words();
            let last = words.last_chunk::<3>();
            last.is_some_and(|[a, _, c]| a == "> 0A* 0A" && c == "> 00")
        };
        self.bench.forget();
        assert!(self.bench.run_until(read));
    }

    /// Runs until DISPENSE or PAYOUT has been said.
    fn until_ordered(&mut self) {
        let said = |b: &mut Bench<Controller>| {
            let last = b.frames().last().map(ToString::to_string);
            last.is_some_and(|w| w.starts_with("> 0D*") || w.starts_with("> 0F* 02"))
        };
        assert!(self.bench.run_until(said));
    }

    fn paid(&self) -> i64 {
        self.bench.balance("customer").as_minor()
    }

    /// The dollar came back, exactly once, and everybody knows.
    #[track_caller]
    fn assert_paid_back_once(&mut self) {
        self.bench.run_until_quiet(Micros::secs(2));
        assert_eq!(self.paid(), 0, "{:?}", self.bench.notes());
        assert_eq!(self.bench.credit(), Money::ZERO);
        self.bench.assert_books_agree();
        assert_ne!(
            self.changer.borrow().device().accepts().0,
            0,
            "coins are welcome again"
        );
    }

    fn orders(&self) -> usize {
        let spoken = self.bench.spoken();
        let order = |n: &String| n == "> DISPENSE" || n == "> PAYOUT";
        spoken.iter().map(|s| s.name()).filter(order).count()
    }
}

/// Appendix 3, section 3, condition 1: the command was lost. The tubes say that nothing came out,
/// and only then it is ordered again.
#[test]
fn a_lost_order_pays_exactly_once() {
    for policy in both_ways() {
        for kind in [
            FaultKind::Lose,
            FaultKind::Deaf,
            FaultKind::Flip { word: 1, bit: 4 },
        ] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_order();
            m.bench
                .add_fault(fault(kind, Source::Master, FrameKind::Block));
            m.assert_paid_back_once();
            assert!(m.bench.noted("was not acknowledged"), "{kind:?}");
            assert!(m.bench.noted("ordered 1.00, paid 0.00"), "{kind:?}");
        }
    }
}

/// Appendix 3, section 3, condition 1: the ACK was lost. It is not ordered again.
#[test]
fn a_lost_ack_pays_exactly_once() {
    for policy in both_ways() {
        for kind in [
            FaultKind::Lose,
            FaultKind::Deaf,
            FaultKind::Flip { word: 0, bit: 4 },
        ] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_order();
            m.bench
                .add_fault(fault(kind, Source::Peripheral, FrameKind::Ack));
            m.assert_paid_back_once();
            assert!(m.bench.noted("was not acknowledged"), "{kind:?}");
            assert_eq!(m.orders(), 1, "{kind:?}");
        }
    }
}

/// The same with a changer that says nothing while it pays (section 5.3, DISPENSE, note 2) and one
/// that never acknowledges DISPENSE.
#[test]
fn an_order_that_is_carried_out_in_silence_pays_exactly_once() {
    let silent = ChangerConfig {
        while_paying: WhilePaying::StaySilent,
        ..slow()
    };
    let unacknowledged = Quirks {
        dispense_without_ack: true,
        ..Quirks::default()
    };
    for (config, quirks) in [
        (silent.clone(), Quirks::default()),
        (slow(), unacknowledged),
        (silent, unacknowledged),
    ] {
        let mut m = machine(config, ChangerPolicy::default(), quirks);
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert_eq!(m.orders(), 1);
        assert!(!m.bench.noted("does not answer"));
    }
}

/// Each answer of the payout lost or garbled in turn, to the last.
#[test]
fn any_frame_lost_in_mid_payout_costs_nobody_anything() {
    let kinds = [
        FaultKind::Deaf,
        FaultKind::Lose,
        FaultKind::Flip { word: 0, bit: 2 },
        FaultKind::Flip { word: 1, bit: 8 },
    ];
    for policy in both_ways() {
        for kind in kinds {
            for from in [Source::Master, Source::Peripheral] {
                for skip in 0..24 {
                    let mut m = machine(ChangerConfig::demo(), policy.clone(), Quirks::default());
                    m.dollar();
                    m.bench.press_return();
                    let mut one = fault(kind, from, FrameKind::Any);
                    one.skip = skip;
                    m.bench.add_fault(one);
                    let what = format!("{kind:?} {from:?} {skip}");
                    let quiet = m.bench.run_until(|b| b.master.is_quiet());
                    assert!(quiet, "{what}: {:?}", m.bench.words());
                    m.bench.run_for(Micros::secs(2));
                    assert_eq!(m.paid(), 0, "{what}: {:?}", m.bench.notes());
                    assert_eq!(m.bench.discrepancies(), Vec::<String>::new(), "{what}");
                }
            }
        }
    }
}

#[test]
fn a_reset_in_mid_payout() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.dollar();
        m.bench.press_return();
        m.until_ordered();
        // Two of the four quarters are out.
        m.bench.run_for(Micros::ms(900));
        assert_eq!(m.paid(), -50);
        m.act(|c, now| c.reset_itself(now));
        m.assert_paid_back_once();
        assert!(m.bench.noted("ordered 1.00, paid 0.50"));
        assert!(
            !m.bench.names().contains(&"> RESET".to_owned()),
            "no RESET after JUST RESET"
        );
    }
}

#[test]
fn a_power_cut_of_the_changer_in_mid_payout() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.dollar();
        m.bench.press_return();
        m.until_ordered();
        m.bench.run_for(Micros::ms(900));
        let changer = m.changer.clone();
        m.bench.power(&changer, false);
        m.bench.run_for(Micros::secs(25));
        assert!(m.bench.noted("does not answer"));
        assert_eq!(m.paid(), -50);
        m.bench.select(11);
        assert_eq!(
            m.bench.master.vending().display(),
            "Please wait",
            "money in question buys nothing"
        );
        m.bench.power(&changer, true);
        m.assert_paid_back_once();
    }
}

/// Section 5.4: up to two seconds of silence are the changer's right; beyond that it is RESET.
#[test]
fn a_silence_in_mid_payout() {
    for policy in both_ways() {
        for silence in [Micros::ms(1_800), Micros::secs(6)] {
            let mut m = Machine::new(policy.clone());
            m.dollar();
            m.bench.press_return();
            m.until_ordered();
            m.bench.run_for(Micros::ms(500));
            m.act(|c, now| c.stay_silent(now, silence));
            m.assert_paid_back_once();
            let reset = m.bench.names().contains(&"> RESET".to_owned());
            assert_eq!(reset, silence > Micros::secs(2));
        }
    }
}

/// Section 2.2: data not acknowledged are repeated. Appendix 3, section 3, condition 2: and are
/// known as repeated.
#[test]
fn a_coin_whose_ack_was_lost_is_credited_once() {
    for coin in [QUARTER, DOLLAR] {
        for count in 1..4 {
            let mut m = Machine::new(ChangerPolicy::default());
            let mut lost = fault(FaultKind::Deaf, Source::Master, FrameKind::Ack);
            lost.count = count;
            m.bench.add_fault(lost);
            m.act(|c, now| c.insert_coin(now, coin));
            m.bench.run_for(Micros::secs(2));
            let worth = if coin == QUARTER { 25 } else { 100 };
            assert_eq!(m.bench.credit(), Money(worth), "{count} lost");
            assert!(m.bench.noted("not credited twice"));
            m.bench.assert_books_agree();
        }
    }
}

#[test]
fn a_coin_whose_ack_and_next_poll_were_lost_is_credited_once() {
    for coin in [QUARTER, DOLLAR] {
        let mut m = Machine::new(ChangerPolicy::default());
        m.bench
            .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
        m.act(|c, now| c.insert_coin(now, coin));
        let acked = |b: &mut Bench<Controller>| b.words().last().is_some_and(|w| w == "> 00 !");
        assert!(m.bench.run_until(acked));
        m.bench
            .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Block));
        m.bench.run_for(Micros::secs(2));
        let worth = if coin == QUARTER { 25 } else { 100 };
        assert_eq!(m.bench.credit(), Money(worth));
        m.bench.assert_books_agree();
    }
}

/// Section 2.2: "repeat the data block, or append it": a coin that came meanwhile travels with the
/// repeated one, and only it is new.
#[test]
fn a_repeated_report_with_a_new_one_appended() {
    let config = ChangerConfig {
        accept_time: Micros::ms(15),
        ..ChangerConfig::demo()
    };
    let mut m = machine(config, ChangerPolicy::default(), Quirks::default());
    m.bench
        .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
    m.act(|c, now| c.insert_coin(now, DOLLAR));
    let acked = |b: &mut Bench<Controller>| b.words().last().is_some_and(|w| w == "> 00 !");
    assert!(m.bench.run_until(acked));
    m.act(|c, now| c.insert_coin(now, QUARTER));
    m.bench.run_for(Micros::secs(1));
    let words = m.bench.words();
    assert!(words.contains(&"< 43 00 43*".to_owned()), "{words:?}");
    assert!(words.contains(&"< 43 00 52 1A AF*".to_owned()), "{words:?}");
    assert_eq!(m.bench.credit(), Money(125));
    m.bench.assert_books_agree();
}

#[test]
fn a_changer_that_reports_acknowledged_coins_again() {
    let quirks = Quirks {
        duplicate_report_after_ack: true,
        ..Quirks::default()
    };
    let mut m = machine(slow(), ChangerPolicy::default(), quirks);
    m.dollar();
    m.act(|c, now| c.insert_coin(now, QUARTER));
    m.bench.run_for(Micros::secs(1));
    assert_eq!(m.bench.credit(), Money(125));
    m.bench.assert_books_agree();
}

#[test]
fn several_coins_in_one_answer() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.act(|c, now| {
        for coin in [QUARTER, DIME, NICKEL, QUARTER] {
            c.insert_coin(now, coin);
        }
        c.stay_silent(now, Micros::ms(1_500));
    });
    m.bench.run_for(Micros::secs(2));
    // Types 2, 1, 0 and 2 to their tubes.
    let words = m.bench.words();
    assert!(
        words.contains(&"< 52 1A 51 1F 50 0D 52 1B A6*".to_owned()),
        "{words:?}"
    );
    assert_eq!(m.bench.credit(), Money(65));
    m.bench.assert_books_agree();
}

fn with_tube(config: &mut ChangerConfig, coin: CoinType, coins: u16, capacity: u16) {
    if let Some(tube) = config.coins[coin.index()]
        .as_mut()
        .and_then(|c| c.tube.as_mut())
    {
        (tube.coins, tube.capacity) = (coins, capacity);
    }
}

/// Section 5.3, DISPENSE: one command pays 15 coins at most.
#[test]
fn more_than_fifteen_coins() {
    for policy in both_ways() {
        let value = policy.alternative_payout;
        let mut config = ChangerConfig::demo();
        with_tube(&mut config, NICKEL, 60, 80);
        with_tube(&mut config, DIME, 0, 110);
        with_tube(&mut config, QUARTER, 0, 75);
        let mut m = machine(config, policy, Quirks::default());
        m.dollar();
        m.bench.forget();
        m.bench.press_return();
        m.assert_paid_back_once();
        let words = m.bench.words();
        let orders: Vec<&str> = words
            .iter()
            .map(String::as_str)
            .filter(|w| w.starts_with("> 0D*") || w.starts_with("> 0F* 02"))
            .collect();
        if value {
            assert_eq!(orders, ["> 0F* 02 14 25"]);
        } else {
            assert_eq!(orders, ["> 0D* F0 FD", "> 0D* 50 5D"]);
        }
    }
}

/// Section 5.3, PAYOUT: one command pays 255 counts at most.
#[test]
fn more_than_255_counts() {
    let mut m = machine(ChangerConfig::demo(), alternative(), Quirks::default());
    m.act(|c, now| c.load_by_hand(now, QUARTER, 50));
    for _ in 0..15 {
        m.act(|c, now| c.insert_coin(now, DOLLAR));
        m.bench.run_for(Micros::secs(1));
    }
    // 25 quarters, 30 dimes, 12 nickels: 9.85 and no more.
    assert_eq!(m.bench.credit(), Money(1_500));
    m.bench.press_return();
    m.bench.run_until_quiet(Micros::secs(2));
    assert_eq!(m.paid(), -1_500, "what cannot be paid exactly is not begun");
    let mut config = ChangerConfig::demo();
    with_tube(&mut config, QUARTER, 75, 75);
    let mut m = machine(config, alternative(), Quirks::default());
    for _ in 0..15 {
        m.act(|c, now| c.insert_coin(now, DOLLAR));
        m.bench.run_for(Micros::secs(1));
    }
    m.bench.forget();
    m.bench.press_return();
    m.assert_paid_back_once();
    let words = m.bench.words();
    let orders: Vec<&String> = words.iter().filter(|w| w.starts_with("> 0F* 02")).collect();
    // 51 quarters are 255 counts, nine more are 45.
    assert_eq!(orders, ["> 0F* 02 FF 10", "> 0F* 02 2D 3E"]);
}

/// Section 5.3, TUBE STATUS: counts greater than 255 remain at 255, and then do not tell what came
/// out.
#[test]
fn a_tube_with_more_coins_than_can_be_told() {
    let mut config = ChangerConfig::demo();
    with_tube(&mut config, QUARTER, 300, 400);
    let mut m = machine(config, ChangerPolicy::default(), Quirks::default());
    m.dollar();
    m.bench.press_return();
    m.assert_paid_back_once();
    assert_eq!(m.orders(), 1);
}

/// Section 5.3, DISPENSE, note 1: of two coin types of one value the higher is paid first.
#[test]
fn the_higher_of_two_coin_types_of_one_value_is_paid_first() {
    let mut config = ChangerConfig::demo();
    let quarters = |coins| {
        Some(CoinConfig {
            worth: CoinWorth::Money(Money(25)),
            tube: Some(TubeConfig {
                capacity: 75,
                coins,
                defective: false,
            }),
        })
    };
    config.coins[2] = quarters(20);
    config.coins[3] = quarters(3);
    config.coins.push(Some(CoinConfig {
        worth: CoinWorth::Money(Money(100)),
        tube: None,
    }));
    let mut m = machine(config, ChangerPolicy::default(), Quirks::default());
    m.act(|c, now| c.insert_coin(now, CoinType::of(4)));
    m.bench.run_for(Micros::secs(1));
    m.bench.forget();
    m.bench.press_return();
    m.assert_paid_back_once();
    let words = m.bench.words();
    let orders: Vec<&String> = words.iter().filter(|w| w.starts_with("> 0D*")).collect();
    assert_eq!(orders, ["> 0D* 33 40", "> 0D* 12 1F"]);
}

/// The changer says 25 quarters, and there are two. Coin by coin it is known what came out.
#[test]
fn a_tube_that_runs_dry_coin_by_coin() {
    for policy in [
        ChangerPolicy {
            coins_per_dispense: DispenseCount::saturating(1),
            ..ChangerPolicy::default()
        },
        alternative(),
    ] {
        let mut m = Machine::new(policy);
        m.act(|c, now| c.take_by_hand(now, QUARTER, 23));
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert_eq!(m.bench.balance("changer tube 2"), Money::ZERO);
    }
}

/// The same with four coins in one DISPENSE: two came out, which nothing on the bus tells. The
/// board says so, and the ledger says how much.
#[test]
fn a_tube_that_runs_dry_in_mid_dispense() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.act(|c, now| c.take_by_hand(now, QUARTER, 23));
    m.dollar();
    m.bench.press_return();
    m.bench.run_until_quiet(Micros::secs(2));
    assert!(
        m.bench
            .noted("tube 2 ran dry: up to 3 of its 4 coins may have come out")
    );
    assert_eq!(m.paid(), 50, "two quarters too many");
    let found = m.bench.discrepancies();
    assert_eq!(found.len(), 1);
    assert!(
        found[0].contains("0.50 of difference, the owner lost it"),
        "{found:?}"
    );
}

/// Section 5.3, POLL, 07H and TUBE STATUS, note: a jam is told, the tube is left alone from then
/// on, and the rest comes from others.
#[test]
fn a_tube_that_jams_in_mid_payout() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.act(|c, now| c.block_tube(now, QUARTER, true));
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert!(m.bench.noted("TUBE JAM"));
        assert!(m.bench.noted("tube 2 is reported defective"));
        assert!(m.bench.noted("14/00 dispenser"), "{:?}", m.bench.notes());
        assert_eq!(m.bench.balance("changer tube 2"), Money(25 * 25));
    }
}

#[test]
fn a_defective_tube_is_not_paid_from() {
    for policy in both_ways() {
        let mut m = Machine::new(policy);
        m.act(|c, now| c.break_tube_sensor(now, QUARTER, true));
        m.bench.run_for(Micros::secs(1));
        assert!(m.bench.noted("DEFECTIVE TUBE SENSOR"));
        assert!(m.bench.noted("tube 2 is reported defective"));
        m.dollar();
        m.bench.press_return();
        m.assert_paid_back_once();
        assert_eq!(m.bench.balance("changer tube 2"), Money(25 * 25));
        assert_eq!(m.bench.balance("changer tube 1"), Money(20 * 10));
    }
}

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

/// Section 5.3, 0FH 05H: asked when trouble is reported, and shown in words, once.
#[test]
fn diagnostics_in_words() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.act(|c, now| c.unplug_acceptor(now, true));
    m.bench.run_for(Micros::secs(12));
    m.act(|c, now| {
        c.unplug_acceptor(now, false);
        c.set_fault(now, DiagnosticCode::CASSETTE_REMOVED, true);
    });
    m.bench.run_for(Micros::secs(12));
    let notes = m.bench.notes();
    let count = |words: &str| notes.iter().filter(|n| n.contains(words)).count();
    assert_eq!(count("changer: ACCEPTOR UNPLUGGED"), 1, "{notes:?}");
    assert_eq!(count("changer: 11/00 discriminator"), 1, "{notes:?}");
    assert_eq!(
        count("changer: no longer 11/00 discriminator"),
        1,
        "{notes:?}"
    );
    assert_eq!(count("changer: 15/02 cassette: removed"), 1, "{notes:?}");
    // About every 1 to 10 s.
    let asked: Vec<Micros> = m
        .bench
        .spoken()
        .iter()
        .filter(|s| s.name() == "> SEND DIAGNOSTIC STATUS")
        .map(|s| s.frame.start)
        .collect();
    assert!(asked.len() >= 4);
    assert!(
        asked
            .windows(2)
            .all(|w| w[1].since(w[0]) <= Micros::secs(10))
    );
}

/// Section 5.3, POLL, 0AH: a busy changer answers nothing but POLL; what was asked is asked again.
#[test]
fn a_busy_changer_is_waited_for() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.dollar();
    m.act(|c, now| c.be_busy(now, Micros::secs(4)));
    m.bench.press_return();
    m.bench.run_for(Micros::secs(3));
    assert_eq!(m.orders(), 0);
    m.assert_paid_back_once();
    assert_eq!(m.orders(), 1);
    assert_eq!(m.bench.master.life("changer"), Some(Life::Running));
}

/// Section 5.3, 0FH 07H: coins paid out under the changer's control are told in the report, and a
/// report whose ACK was lost is not booked twice.
#[test]
fn manual_payout_is_booked_once() {
    for lose_ack in [false, true] {
        let mut m = Machine::new(ChangerPolicy::default());
        m.act(|c, now| c.begin_manual_payout(now));
        m.bench.run_for(Micros::secs(6));
        m.act(|c, now| assert_eq!(c.manual_payout(now, DIME, 3), 3));
        m.act(|c, now| c.end_manual(now));
        if lose_ack {
            let told = |b: &mut Bench<Controller>| {
                let last = b.spoken().last().map(|s| s.name());
                last.is_some_and(|n| n == "> SEND CONTROLLED MANUAL PAYOUT REPORT")
            };
            assert!(m.bench.run_until(told));
            m.bench
                .add_fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack));
        }
        m.bench.run_for(Micros::secs(20));
        assert_eq!(m.bench.balance("board: service"), Money(30));
        assert_eq!(m.bench.balance("board: stock of changer"), Money(-30));
        m.bench.assert_books_agree();
        let names = m.bench.conversation_names(Address::CHANGER);
        assert!(!names.contains(&"< COINS DISPENSED MANUALLY".to_owned()));
    }
}

/// The board's power goes in mid payout: it forgets, and the ledger does not.
#[test]
fn a_power_cut_of_the_board_in_mid_payout_is_found_in_the_books() {
    let mut m = Machine::new(ChangerPolicy::default());
    m.dollar();
    m.bench.press_return();
    m.until_ordered();
    m.bench.run_for(Micros::ms(900));
    let now = m.bench.now();
    m.bench.master.power(now, false);
    m.bench.run_for(Micros::secs(3));
    let now = m.bench.now();
    m.bench.master.power(now, true);
    m.bench.run_until_ready();
    assert_eq!(m.paid(), 0, "the changer paid on");
    let found = m.bench.discrepancies();
    assert!(
        found.len() == 1 && found[0].contains("1.00 was credited that never came in"),
        "{found:?}"
    );
}
