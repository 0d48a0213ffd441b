//! Whatever is sent and done, the device does not panic, keeps to its states and to its money.

use super::*;
use payrig_mdb::cashless::{Command, Kind, Malfunction, Mode, Unit, VendRequest, VendSuccess};
use payrig_units::Movement;
use proptest::collection::vec;
use proptest::prelude::*;

#[derive(Clone, Debug)]
enum Step {
    /// SETUP, prices, options by number, READER ENABLE.
    StartUp(u8),
    /// A VEND REQUEST and the POLL for its answer.
    Vend(u8),
    Raw(Vec<u8>),
    Poll,
    /// One of the usual commands.
    Usual(u8, u8),
    /// The last command again.
    Again,
    Ack(bool),
    Card(Option<i64>),
    CardAgain,
    Remove,
    Cancel,
    Select(u16),
    Scan(Option<i64>),
    Keys,
    Fail(u8),
    Wait(u64),
    Wake,
    BusReset,
    Power,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = prop_oneof![
        8 => (0u8..4).prop_map(Step::StartUp),
        8 => (0u8..60).prop_map(Step::Vend),
        1 => vec(any::<u8>(), 0..12).prop_map(Step::Raw),
        12 => Just(Step::Poll),
        24 => (0u8..32, 0u8..60, 0u8..8).prop_map(|(n, p, rare)| Step::Usual(if n < 3 && rare > 0 { 11 } else { n }, p)),
        3 => Just(Step::Again),
        3 => any::<bool>().prop_map(Step::Ack),
        8 => proptest::option::of(0i64..2000).prop_map(Step::Card),
        8 => Just(Step::CardAgain),
        2 => Just(Step::Remove),
        2 => Just(Step::Cancel),
        2 => any::<u16>().prop_map(Step::Select),
        1 => proptest::option::of(0i64..2000).prop_map(Step::Scan),
        1 => Just(Step::Keys),
        1 => any::<u8>().prop_map(Step::Fail),
        3 => (0u64..3_000_000).prop_map(Step::Wait),
        2 => Just(Step::Wake),
        1 => Just(Step::BusReset),
        1 => Just(Step::Power),
    ];
    vec(step, 0..160)
}

/// The usual commands, in the form of the mode.
fn usual(mode: &Mode, n: u8, price: u8) -> Vec<u8> {
    let price = u32::from(price);
    let request = VendRequest {
        price,
        item: 4,
        basket: Some(payrig_mdb::cashless::BasketRequest {
            skipped: [0; 4],
            count: n % 3 + 1,
            options_price: 0,
        }),
    };
    let result = payrig_mdb::cashless::BasketResult {
        amount: price / 2,
        count: n % 2,
        options_amount: 0,
    };
    let kind = match n {
        0 => return vec![0x10],
        1 => return vec![0x11, 0x00, 3, 16, 2, 1],
        2 => return vec![0x11, 0x00, 1, 0, 0, 0],
        3 | 4 => Kind::SetupPrices(payrig_mdb::cashless::PriceRange {
            max: Some(price),
            min: 0,
            currency: None,
        }),
        5..=8 => Kind::ReaderEnable,
        9 => Kind::ReaderDisable,
        10 => Kind::ReaderCancel,
        11..=15 => Kind::VendRequest(request),
        16 => Kind::VendCancel,
        17..=20 => Kind::VendSuccess(VendSuccess {
            item: 4,
            dispensed: None,
            basket: Some(result),
        }),
        21 | 22 => Kind::VendFailure(payrig_mdb::cashless::VendFailure {
            detail: Some(payrig_mdb::cashless::FailureDetail {
                item: 4,
                result,
                reason: payrig_mdb::cashless::Reason(0),
            }),
        }),
        23 | 24 => Kind::SessionComplete,
        25 => Kind::RevalueRequest(price),
        26 => Kind::RevalueLimitRequest,
        27 => Kind::NegativeVendRequest {
            value: price,
            item: 1,
        },
        28 => Kind::EnableOptions(Options::DEFINED),
        29 => Kind::EnableOptions(Options::ALWAYS_IDLE | Options::NEGATIVE_VEND),
        30 => Kind::CouponReply(payrig_mdb::cashless::CouponReply {
            usage: 1,
            item: 4,
            value: price,
        }),
        _ => Kind::SelectionDenied {
            item: 4,
            reason: payrig_mdb::cashless::Reason(0x0A),
        },
    };
    Command::new(Unit::One, kind).emit(mode).bytes().to_vec()
}

fn configs() -> impl Strategy<Value = CashlessConfig> {
    (
        1u8..=3,
        any::<[bool; 5]>(),
        0u32..(1 << Quirks::NAMES.len()),
        any::<bool>(),
        0u64..2,
        0u8..4,
    )
        .prop_map(|(level, [a, b, c, d, e], quirks, strange, delay, policy)| {
            let mut config = with(|_| {});
            config.level = Level(level);
            config.options = Options::DEFINED;
            config.restores_funds = a;
            config.multivend = b;
            config.refund_needs_card = c;
            config.answers = [Answers::AtPoll, Answers::Straight][usize::from(d)];
            config.while_busy = [WhileBusy::Ack, WhileBusy::Silence][usize::from(e)];
            config.max_balance = Some(Money(3000));
            config.approve_delay = Micros::ms(400 * delay);
            config.refund_delay = Micros::ms(100 * delay);
            config.policy = [
                Policy::Approve,
                Policy::ApproveLess(Money(33)),
                Policy::TimeOut,
                Policy::Approve,
            ][usize::from(policy)];
            if strange {
                for (n, name) in Quirks::NAMES.iter().enumerate() {
                    config.quirks.set(name, quirks & (1 << n) != 0);
                }
            }
            config
        })
}

/// 7.2: which state may follow which in one step; Inactive may follow any.
fn may_follow(from: CashlessState, to: CashlessState, quirks: &Quirks) -> bool {
    use CashlessState::*;
    from == to
        || to == Inactive
        || match (from, to) {
            (Inactive, Disabled) | (Disabled, Enabled | AlwaysIdle) => true,
            (Disabled, SessionIdle) => quirks.session_while_disabled,
            (Enabled | AlwaysIdle, Disabled | SessionIdle | Enabled | AlwaysIdle | Vend) => true,
            (AlwaysIdle, NegativeVend | Revalue) => true,
            (SessionIdle, Vend | NegativeVend | Revalue | Enabled | AlwaysIdle | Disabled) => true,
            (Vend | NegativeVend | Revalue, SessionIdle) => true,
            (Revalue, AlwaysIdle) => true,
            _ => false,
        }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn nothing_breaks_it(config in configs(), steps in steps()) {
        let quirks = config.quirks;
        let mut device = CashlessDevice::new(config);
        let mut ledger = Ledger::new();
        let mut now = Micros::secs(1);
        let mut awaiting = false;
        let mut powered = true;
        let mut last = vec![0x12];
        // Balances of cards that will not be seen again.
        let mut gone = 0;
        for step in steps {
            let before = device.state();
            let old_balance = device.balance();
            let mode = device.mode();
            let mut commands: Vec<Vec<u8>> = Vec::new();
            match step {
                Step::StartUp(n) => {
                    if !powered {
                        powered = true;
                        device.power(now, true);
                    }
                    commands.push(vec![0x11, 0x00, 3, 16, 2, 1]);
                    commands.push(vec![0x11, 0x01, 0x01, 0x00, 0x00, 0x00]);
                    commands.push(vec![0x14, 0x01]);
                    let options = [0, 0x20, 0x7FF, 0x5DD][usize::from(n)];
                    let enable = Kind::EnableOptions(Options(options));
                    commands.push(Command::new(Unit::One, enable).emit(&mode).bytes().to_vec());
                }
                Step::Vend(price) => {
                    commands.push(usual(&mode, 11, price));
                    commands.push(vec![0x12]);
                }
                Step::Raw(mut raw) => {
                    raw.insert(0, 0x10 | (raw.len() as u8 & 7));
                    commands.push(raw);
                }
                Step::Poll => commands.push(vec![0x12]),
                Step::Usual(n, price) => commands.push(usual(&mode, n, price)),
                Step::Again => commands.push(last.clone()),
                Step::Ack(ack) => if awaiting {
                    if ack { device.acknowledged(now) } else { device.unacknowledged(now) }
                    awaiting = false;
                },
                Step::Card(balance) => {
                    let card = Card { balance: balance.map(Money), ..Card::unknown() };
                    device.present_card(now, card);
                }
                Step::CardAgain => { device.present_again(now); }
                Step::Remove => { device.remove_card(now); }
                Step::Cancel => device.press_cancel(now),
                Step::Select(item) => { device.select_item(now, item, 0, Card::with(Money(700))); }
                Step::Scan(value) => { device.scan_coupon(now, Coupon { item: None, options: 0, value: value.map(Money), id: 1 }); }
                Step::Keys => { device.ask_for_keys(now, 3); }
                Step::Fail(code) => { device.fail(now, Malfunction(code)); device.repair(); }
                Step::Wait(us) => now += Micros(us),
                Step::Wake => { let at = device.next_deadline(); if at != Micros::NEVER { now = now.max(at); device.wake(now); prop_assert!(device.next_deadline() > now); } }
                Step::BusReset => device.bus_reset(now),
                Step::Power => { powered = !powered; device.power(now, powered); awaiting = false; }
            }
            let mut before = before;
            for bytes in commands {
                let state = device.state();
                prop_assert!(may_follow(before, state, &quirks), "{:?} to {:?}", before, state);
                before = state;
                if awaiting {
                    device.unacknowledged(now);
                }
                now += Micros::ms(20);
                let reply = device.command(now, &Block::new(&bytes).unwrap());
                awaiting = matches!(reply, Reply::Data(_));
                prop_assert!(powered || reply == Reply::Silence);
                if bytes != [0x12] {
                    last = bytes;
                }
            }
            let state = device.state();
            prop_assert!(may_follow(before, state, &quirks), "{:?} to {:?}", before, state);
            let movements: Vec<Movement> = device.take_movements();
            // A new card: the one before is gone with what it had.
            if movements.iter().any(|m| m.from == Place::Supply && m.to == Place::CardAccount("cashless".into()))
                || device.balance() != old_balance && movements.is_empty() {
                gone += old_balance.unwrap_or_default().as_minor();
            }
            for movement in movements {
                prop_assert!(movement.amount > Money::ZERO);
                ledger.book(now, None, movement).unwrap();
            }
            let on_cards = ledger.balance(&Place::CardAccount("cashless".into())).as_minor();
            prop_assert_eq!(on_cards, gone + device.balance().unwrap_or_default().as_minor());
            prop_assert_eq!(ledger.sum(), 0);
        }
    }

    /// A VMC that repeats what was not answered, over a link that loses acknowledgements both
    /// ways: every product is paid once, at the approved amount.
    #[test]
    fn lost_acknowledgements_cost_nobody_anything(
        straight in any::<bool>(),
        prices in vec(1u8..40, 1..6),
        losses in vec(0u8..4, 200),
        fails in vec(any::<bool>(), 6),
    ) {
        let mut rig = Rig::enabled(|config| {
            config.answers = if straight { Answers::Straight } else { Answers::AtPoll };
        });
        let mut losses = losses.into_iter();
        rig.session(1000);
        let mut sold = 0;
        for (price, fail) in prices.iter().zip(fails) {
            let answer = ask(&mut rig, &mut losses, &[0x13, 0x00, 0x00, *price, 0x00, 0x04], &[0x05, 0x06]);
            if answer[0] == 0x06 {
                continue;
            }
            prop_assert_eq!(answer, [0x05, 0x00, *price]);
            if fail {
                report(&mut rig, &mut losses, &VEND_FAILURE);
            } else {
                sold += i64::from(*price) * 5;
                report(&mut rig, &mut losses, &VEND_SUCCESS);
            }
        }
        ask(&mut rig, &mut losses, &SESSION_COMPLETE, &END_SESSION);
        prop_assert_eq!(rig.receipts(), sold);
        prop_assert_eq!(rig.on_card(), 1000 - sold);
        prop_assert_eq!(rig.device.state(), CashlessState::Enabled);
    }
}

/// Sends a command until its ACK is heard (its loss is drawn from `losses`).
fn report(rig: &mut Rig, losses: &mut impl Iterator<Item = u8>, bytes: &[u8]) {
    loop {
        let reply = rig.send_unanswered(bytes);
        assert_eq!(reply, Reply::Ack);
        if losses.next().is_none_or(|n| n != 0) {
            return;
        }
    }
}

/// Sends a command until it is answered, then POLLs until the answer is heard and the device has
/// heard so.
fn ask(
    rig: &mut Rig,
    losses: &mut impl Iterator<Item = u8>,
    bytes: &[u8],
    codes: &[u8],
) -> Vec<u8> {
    let mut command = bytes.to_vec();
    let mut heard = None;
    for _ in 0..400 {
        let reply = rig.send_unanswered(&command);
        let loss = losses.next().unwrap_or(3);
        match reply {
            // 0: the master does not hear it.
            Reply::Ack if loss != 0 => command = vec![0x12],
            Reply::Data(block) => {
                if loss == 0 {
                    rig.device.unacknowledged(rig.now);
                    continue;
                }
                assert!(codes.contains(&block.bytes()[0]), "{block:?}");
                heard = Some(block.bytes().to_vec());
                command = vec![0x12];
                // 1: the device does not hear the master's ACK.
                if loss == 1 {
                    rig.device.unacknowledged(rig.now);
                    continue;
                }
                rig.device.acknowledged(rig.now);
                return heard.unwrap();
            }
            Reply::Ack | Reply::Silence => {}
        }
    }
    panic!("never answered: {heard:02X?}");
}
