//! Checks of a coin changer.

use super::bench::{Act, Answer, Bench, Close, POLL_EVERY};
use super::common::{data, found, order, patient_order};
use super::setup::Setup as BenchSetup;
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::changer::{
    CoinCredit, CoinType, CoinTypes, Command, DiagnosticCode, DispenseCount, Features, Report,
    Response, Routing, Setup, Status, TubeStatus,
};
use payrig_units::{Micros, Money, Place};

/// How long a coin may take from the slot to its report. Common practice, no source.
const COIN_TIME: Micros = Micros::secs(3);

/// How long a payout of a few coins may take (section 5.3, DISPENSE: the changer is busy
/// meanwhile; Appendix 3, section 2: 30 s for what takes long).
const PAYOUT_TIME: Micros = Micros::secs(30);

fn ask(b: &mut Bench, command: &Command) -> Result<Response, Seen> {
    let bytes = data(b, command.emit().bytes(), command.name())?;
    Response::parse(command, &bytes)
        .map_err(|error| Seen::fail(format!("{}: {error}", command.name())))
}

fn setup(b: &mut Bench) -> Result<Setup, Seen> {
    match ask(b, &Command::Setup)? {
        Response::Setup(setup) => {
            b.set_scale(i64::from(setup.scaling_factor));
            Ok(setup)
        }
        other => Err(Seen::fail(format!("SETUP brought {other}"))),
    }
}

fn tubes(b: &mut Bench) -> Result<TubeStatus, Seen> {
    match ask(b, &Command::TubeStatus)? {
        Response::TubeStatus(status) => Ok(status),
        other => Err(Seen::fail(format!("TUBE STATUS brought {other}"))),
    }
}

fn accept(b: &mut Bench, accept: CoinTypes) -> Result<(), Seen> {
    let command = Command::CoinType {
        accept,
        manual_dispense: CoinTypes::ALL,
    };
    order(b, command.emit().bytes(), command.name())
}

/// Everything a board does before the first coin (section 5.3), with these features on.
fn start_with(b: &mut Bench, features: Features) -> Result<Setup, Seen> {
    found(b);
    let setup = setup(b)?;
    if setup.level >= 3 {
        let command = Command::FeatureEnable(features);
        order(b, command.emit().bytes(), command.name())?;
    }
    b.wait(Micros::ms(600));
    accept(b, CoinTypes::ALL)?;
    Ok(setup)
}

fn start(b: &mut Bench) -> Result<Setup, Seen> {
    start_with(b, Features::NONE)
}

fn reports_of(answer: &Answer) -> Vec<Report> {
    let parsed = answer.data().map(|d| Response::parse(&Command::Poll, d));
    match parsed {
        Some(Ok(Response::Poll(reports))) => reports,
        _ => Vec::new(),
    }
}

fn poll(b: &mut Bench) -> Vec<Report> {
    let answer = b.ask(Command::Poll.emit().bytes());
    reports_of(&answer)
}

/// POLLs for a time and gives all that was reported.
fn watch(b: &mut Bench, time: Micros) -> Vec<Report> {
    let by = b.now() + time;
    let mut reports = Vec::new();
    while b.now() < by {
        reports.extend(poll(b));
        b.wait(POLL_EVERY);
    }
    reports
}

fn coins(reports: &[Report]) -> Vec<(CoinType, Routing)> {
    let coin = |r: &Report| match r {
        Report::CoinsDeposited {
            coin_type, routing, ..
        } => Some((*coin_type, *routing)),
        _ => None,
    };
    let taken = reports.iter().filter_map(coin);
    taken
        .filter(|(_, routing)| matches!(routing, Routing::Tubes | Routing::CashBox))
        .collect()
}

fn has(reports: &[Report], status: Status) -> usize {
    let same = |r: &&Report| **r == Report::Status(status);
    reports.iter().filter(same).count()
}

/// Coin types of known value, with it.
fn used(setup: &Setup) -> Vec<(CoinType, Money)> {
    let value = |t: CoinType| match setup.credit(t) {
        CoinCredit::Worth(value) => Some((t, value)),
        _ => None,
    };
    CoinType::all().filter_map(value).collect()
}

fn inside(b: &Bench) -> Money {
    b.sum(|p| matches!(p, Place::Tube(..) | Place::CashBox(_)))
}

fn in_tube(b: &Bench, coin_type: CoinType) -> Money {
    b.sum(|p| matches!(p, Place::Tube(_, t) if *t == coin_type.get()))
}

/// Pays out and waits for the end. How many coins left, by the money, and the reports.
fn pay(b: &mut Bench, coin_type: CoinType, coins: u8) -> Result<(Money, bool), Seen> {
    let before = in_tube(b, coin_type);
    let command = Command::Dispense {
        coin_type,
        coins: DispenseCount::saturating(usize::from(coins)),
    };
    // A lost ACK is not this check's matter, and DISPENSE is never sent twice.
    b.ask(command.emit().bytes());
    let ended = payout_ends(b);
    Ok((before.saturating_sub(in_tube(b, coin_type)), ended))
}

fn payout_ends(b: &mut Bench) -> bool {
    let by = b.now() + PAYOUT_TIME;
    while b.now() < by {
        b.wait(POLL_EVERY);
        let answer = b.ask(Command::Poll.emit().bytes());
        let busy = has(&reports_of(&answer), Status::ChangerPayoutBusy) > 0;
        if !busy && answer != Answer::Silence {
            return true;
        }
    }
    false
}

/// The checks.
pub(super) const CHECKS: &[Check<Bench, BenchSetup>] = &[
    Check {
        id: "coin-values",
        title: "Says what its coins are worth",
        expected: "level 2 or 3, a scaling factor, coin values in ascending order",
        section: "5.3, SETUP",
        advice: "Boards credit wrong amounts. Check its coin set and configuration.",
        weight: Weight::Rule,
        quirk: "scaling-zero",
        arrange: None,
        run: coin_values,
    },
    Check {
        id: "each-coin-reported-once",
        title: "Reports each coin once",
        expected: "every coin type fed is reported exactly once, by its own type",
        section: "5.3, POLL",
        advice: "Boards credit too much or too little. Clean the coin path; then replace it.",
        weight: Weight::Rule,
        quirk: "duplicate-report-after-ack",
        arrange: None,
        run: each_coin_once,
    },
    Check {
        id: "coin-repeated-after-lost-ack",
        title: "Repeats a coin whose report was not acknowledged",
        expected: "the same report at the next POLL, and not again after its ACK",
        section: "2.2, Appendix 3, section 3",
        advice: "Customers lose money on a noisy bus. Do not install it.",
        weight: Weight::Rule,
        quirk: "forgets-unacknowledged",
        arrange: None,
        run: coin_repeated,
    },
    Check {
        id: "disabled-coins-refused",
        title: "Refuses each coin that is disabled",
        expected: "one type off at a time: that one falls through, the next is taken",
        section: "5.3, COIN TYPE",
        advice: "It takes coins the board will not credit. Replace the acceptor.",
        weight: Weight::Rule,
        quirk: "accepts-disabled-coins",
        arrange: None,
        run: disabled_coins,
    },
    Check {
        id: "all-coins-off-after-reset",
        title: "Takes no coin after RESET",
        expected: "every coin falls through until COIN TYPE enables it",
        section: "5.3, RESET",
        advice: "Coins are taken while the board cannot credit them. Replace it.",
        weight: Weight::Rule,
        quirk: "stays-enabled",
        arrange: None,
        run: off_after_reset,
    },
    Check {
        id: "slug-not-credited",
        title: "Credits no slug",
        expected: "no coin reported for an object that is none",
        section: "5.3, POLL",
        advice: "Clean the acceptor and teach it its coins again; then replace it.",
        weight: Weight::Rule,
        quirk: "credits-slugs",
        arrange: None,
        run: slug,
    },
    Check {
        id: "coin-routing-true",
        title: "Sends coins where it says",
        expected: "a coin told to its tube raises that tube by one, another goes to the cash box",
        section: "5.3, POLL, TUBE STATUS",
        advice: "Change runs out while the board believes there is some. Check the coin gates.",
        weight: Weight::Rule,
        quirk: "reports-wrong-routing",
        arrange: None,
        run: routing,
    },
    Check {
        id: "tube-status-follows",
        title: "Counts a coin that went into its tube",
        expected: "TUBE STATUS one higher, and the same as in the coin's report",
        section: "5.3, TUBE STATUS",
        advice: "The board cannot know what change it has. Check the tube sensors.",
        weight: Weight::Rule,
        quirk: "tube-status-frozen",
        arrange: None,
        run: tube_status_follows,
    },
    Check {
        id: "tube-counts-honest",
        title: "Has as many coins as it says",
        expected: "the smallest tube pays out as many coins as TUBE STATUS told",
        section: "5.3, TUBE STATUS",
        advice: "Empty the tubes, count, fill again by the manual; then replace the sensors.",
        weight: Weight::Rule,
        quirk: "wrong-tube-count",
        arrange: None,
        run: counts_honest,
    },
    Check {
        id: "pays-from-each-tube",
        title: "Pays the coins it is asked for, from each tube",
        expected: "two coins of each type come out, and TUBE STATUS is two lower",
        section: "5.3, DISPENSE",
        advice: "Customers are paid too little or too much. Check the dispenser of that tube.",
        weight: Weight::Rule,
        quirk: "dispenses-one-coin-less",
        arrange: None,
        run: pays_each_tube,
    },
    Check {
        id: "payout-ends",
        title: "Ends a payout",
        expected: "CHANGER PAYOUT BUSY is gone within 30 s of a payout of three coins",
        section: "5.3, POLL, Appendix 3, section 2",
        advice: "The machine is blocked after the first change. Check the payout sensors.",
        weight: Weight::Rule,
        quirk: "always-busy",
        arrange: None,
        run: ends,
    },
    Check {
        id: "dispense-acknowledged",
        title: "Acknowledges DISPENSE",
        expected: "ACK",
        section: "5.3, DISPENSE",
        advice: "Boards pay twice, or not at all. Do not install it.",
        weight: Weight::Rule,
        quirk: "dispense-without-ack",
        arrange: None,
        run: dispense_acknowledged,
    },
    Check {
        id: "dispense-not-doubled",
        title: "Does not pay twice when DISPENSE is repeated",
        expected: "a repetition during the payout pays nothing more",
        section: "Appendix 3, section 3, condition 1",
        advice: "A noisy bus makes it pay twice. Use it only with boards that never repeat.",
        weight: Weight::Rule,
        quirk: "double-dispense-on-repeat",
        arrange: None,
        run: dispense_not_doubled,
    },
    Check {
        id: "several-coins-at-once",
        title: "Reports waiting coins together",
        expected: "three coins fed while nobody polls are all in the next answer",
        section: "5.3, POLL, Appendix 3, section 4",
        advice: "It works, but credit lags behind when coins come quickly.",
        weight: Weight::Advice,
        quirk: "reports-one-coin-per-poll-only",
        arrange: None,
        run: several_coins,
    },
    Check {
        id: "coin-survives-reset",
        title: "Remembers a coin over a RESET",
        expected: "a coin not yet reported is reported after the reset",
        section: COMMON_PRACTICE,
        advice: "A reset at the wrong moment costs the customer a coin.",
        weight: Weight::Advice,
        quirk: "reset-loses-report",
        arrange: None,
        run: coin_survives_reset,
    },
    Check {
        id: "tube-status-after-reset",
        title: "Tells its tubes rightly soon after a reset",
        expected: "the right counts, or no answer, within 500 ms of a reset",
        section: "5.3, RESET, note 1",
        advice: "Boards that ask early show exact change. Use boards that wait 500 ms.",
        weight: Weight::Advice,
        quirk: "tube-status-too-early",
        arrange: None,
        run: early_tube_status,
    },
    Check {
        id: "escrow-request-once",
        title: "Says ESCROW REQUEST once per press of the lever",
        expected: "one report while the lever is held for 3 s",
        section: "Appendix 3, section 2",
        advice: "Some boards pay back again and again. Free the lever and its switch.",
        weight: Weight::Advice,
        quirk: "escrow-repeats-while-held",
        arrange: None,
        run: escrow_once,
    },
    Check {
        id: "escrow-request-said",
        title: "Reports the return lever",
        expected: "ESCROW REQUEST after a press",
        section: "5.3, POLL, 01H",
        advice: "Customers cannot get their money back. Check the lever's switch.",
        weight: Weight::Rule,
        quirk: "hides-lever",
        arrange: None,
        run: escrow_said,
    },
    Check {
        id: "tube-sensor-defect-told",
        title: "Tells of a defective tube sensor",
        expected: "DEFECTIVE TUBE SENSOR, and the tube told as full and empty at once",
        section: "5.3, POLL 04H, TUBE STATUS",
        advice: "The board goes on paying from a tube nobody counts. Replace the sensor.",
        weight: Weight::Rule,
        quirk: "hides-sensor-defect",
        arrange: None,
        run: sensor_defect,
    },
    Check {
        id: "diagnostics-clear",
        title: "Has nothing wrong by its own diagnostics",
        expected: "no error code of its diagnostic table",
        section: "5.3, 0FH 05H",
        advice: "See what it says, mend that and examine it again.",
        weight: Weight::Rule,
        quirk: "has-a-coin-jam",
        arrange: None,
        run: diagnostics,
    },
    Check {
        id: "payout-by-value",
        title: "Pays a value in coins of its own choice",
        expected: "PAYOUT 0.40 pays 0.40, and PAYOUT STATUS says the same",
        section: "5.3, 0FH 02H, 0FH 03H",
        advice: "Boards that use this feature book wrong amounts. Switch the feature off there.",
        weight: Weight::Rule,
        quirk: "payout-status-wrong",
        arrange: None,
        run: payout_by_value,
    },
];

fn coin_values(b: &mut Bench) -> Run {
    found(b);
    let setup = setup(b)?;
    let values: Vec<Money> = used(&setup).into_iter().map(|(_, v)| v).collect();
    let shown: Vec<String> = values.iter().map(|v| b.show(*v)).collect();
    let mut wrong = Vec::new();
    if !matches!(setup.level, 2 | 3) {
        wrong.push(format!("level {} is none of this standard", setup.level));
    }
    if setup.scaling_factor == 0 {
        wrong.push("the scaling factor is 0: coins are worth nothing".to_owned());
    }
    if values.is_empty() {
        wrong.push("no coin has a value".to_owned());
    }
    if values.iter().zip(values.iter().skip(1)).any(|(a, b)| a > b) {
        wrong.push("values do not ascend".to_owned());
    }
    let text = format!(
        "level {}, scaling factor {}, coins {}{}{}",
        setup.level,
        setup.scaling_factor,
        shown.join(" "),
        if wrong.is_empty() { "" } else { ": " },
        wrong.join(", ")
    );
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn each_coin_once(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let mut wrong = Vec::new();
    let used = used(&setup);
    for (coin_type, value) in &used {
        b.act(Act::Coin(coin_type.get()))?;
        let seen = coins(&watch(b, COIN_TIME));
        let own = seen.iter().filter(|(t, _)| t == coin_type).count();
        if own != 1 || seen.len() != 1 {
            let value = b.show(*value);
            wrong.push(format!(
                "{value} reported {own} times, others {}",
                seen.len() - own
            ));
        }
    }
    let text = match wrong.is_empty() {
        true => format!("{} coins fed, each reported once", used.len()),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

/// Feeds a coin while nobody polls, so that its report waits.
fn waiting_coin(b: &mut Bench) -> Result<CoinType, Seen> {
    let setup = start(b)?;
    let Some((coin_type, _)) = used(&setup).into_iter().next() else {
        return Err(Seen::cannot_tell("no coin has a value"));
    };
    watch(b, Micros::ms(500));
    b.act(Act::Coin(coin_type.get()))?;
    b.wait(Micros::ms(1_500));
    Ok(coin_type)
}

fn coin_repeated(b: &mut Bench) -> Run {
    waiting_coin(b)?;
    let poll_block = Command::Poll.emit();
    let first = b.exchange(poll_block.bytes(), Close::Silence);
    let first_coins = coins(&reports_of(&first)).len();
    if first_coins == 0 {
        return Ok(Seen::cannot_tell("no coin was reported"));
    }
    let again = coins(&poll(b)).len();
    let text = format!("reported {first_coins} time, after the lost ACK {again} times");
    Ok(Seen::judge(again == first_coins, text))
}

fn disabled_coins(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let mut wrong = Vec::new();
    let used = used(&setup);
    for (coin_type, value) in &used {
        accept(b, CoinTypes::ALL.without(*coin_type))?;
        let before = inside(b);
        b.act(Act::Coin(coin_type.get()))?;
        let seen = coins(&watch(b, COIN_TIME));
        if !seen.is_empty() || inside(b) != before {
            wrong.push(format!("{} taken while disabled", b.show(*value)));
        }
        if let Some((other, value)) = used.iter().find(|(t, _)| t != coin_type) {
            b.act(Act::Coin(other.get()))?;
            if !coins(&watch(b, COIN_TIME)).iter().any(|(t, _)| t == other) {
                wrong.push(format!("{} refused while enabled", b.show(*value)));
            }
        }
    }
    let text = match wrong.is_empty() {
        true => format!("{} types, each refused when it was off", used.len()),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn off_after_reset(b: &mut Bench) -> Run {
    let setup = start(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    super::common::until_just_reset(b);
    watch(b, Micros::secs(1));
    let before = inside(b);
    let used = used(&setup);
    for (coin_type, _) in &used {
        b.act(Act::Coin(coin_type.get()))?;
        watch(b, COIN_TIME);
    }
    let taken = inside(b).saturating_sub(before);
    let text = format!("{} coins fed, {} taken", used.len(), b.show(taken));
    Ok(Seen::judge(taken.is_zero(), text))
}

fn slug(b: &mut Bench) -> Run {
    start(b)?;
    b.act(Act::Slug)?;
    let reports = watch(b, COIN_TIME);
    let credited = coins(&reports).len();
    let said: Vec<String> = reports.iter().map(ToString::to_string).collect();
    let text = match said.is_empty() {
        true => "nothing reported".to_owned(),
        false => said.join("; "),
    };
    Ok(Seen::judge(credited == 0, text))
}

fn routing(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let mut wrong = Vec::new();
    for (coin_type, value) in used(&setup) {
        let before = in_tube(b, coin_type);
        b.act(Act::Coin(coin_type.get()))?;
        let seen = coins(&watch(b, COIN_TIME));
        let to_tube = in_tube(b, coin_type) > before;
        for (_, routing) in seen {
            if (routing == Routing::Tubes) != to_tube {
                let where_to = if to_tube { "tube" } else { "cash box" };
                let value = b.show(value);
                wrong.push(format!("{value} went to the {where_to}, told otherwise"));
            }
        }
    }
    let text = match wrong.is_empty() {
        true => "every coin is where it was told".to_owned(),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn tube_status_follows(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let before = tubes(b)?;
    let mut wrong = Vec::new();
    let mut followed = 0;
    for (coin_type, value) in used(&setup) {
        b.act(Act::Coin(coin_type.get()))?;
        let reports = watch(b, COIN_TIME);
        let to_tube = coins(&reports).contains(&(coin_type, Routing::Tubes));
        let after = tubes(b)?;
        let rise = i32::from(after.counts.get(coin_type)) - i32::from(before.counts.get(coin_type));
        if to_tube && setup.routing.contains(coin_type) {
            followed += 1;
            if rise != 1 {
                wrong.push(format!("{}: changed by {rise}", b.show(value)));
            }
        }
    }
    if followed == 0 {
        return Ok(Seen::cannot_tell("no coin went to a tube"));
    }
    let text = match wrong.is_empty() {
        true => format!("{followed} tubes, each counts one more"),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn counts_honest(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let status = tubes(b)?;
    let filled = used(&setup)
        .into_iter()
        .map(|(t, v)| (t, v, status.counts.get(t)));
    let Some((coin_type, value, told)) = filled.filter(|(_, _, n)| *n > 0).min_by_key(|f| f.2)
    else {
        return Ok(Seen::cannot_tell("all tubes are empty"));
    };
    let mut out = Money::ZERO;
    for _ in 0..u32::from(told).div_ceil(10) + 1 {
        out = out.saturating_add(pay(b, coin_type, 10)?.0);
    }
    let came = out.as_minor() / value.as_minor().max(1);
    let text = format!("tube of {}: told {told}, {came} came out", b.show(value));
    Ok(Seen::judge(came == i64::from(told), text))
}

fn pays_each_tube(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let status = tubes(b)?;
    let mut wrong = Vec::new();
    let mut tried = 0;
    for (coin_type, value) in used(&setup) {
        if status.counts.get(coin_type) < 2 {
            continue;
        }
        tried += 1;
        let (out, _) = pay(b, coin_type, 2)?;
        let wanted = value.saturating_add(value);
        let after = tubes(b)?.counts.get(coin_type);
        let fewer = status.counts.get(coin_type).saturating_sub(after);
        if out != wanted || fewer != 2 {
            wrong.push(format!(
                "asked for {}, {} came out, TUBE STATUS {fewer} coins lower",
                b.show(wanted),
                b.show(out)
            ));
        }
    }
    if tried == 0 {
        return Ok(Seen::cannot_tell("all tubes are empty"));
    }
    let text = match wrong.is_empty() {
        true => format!("{tried} tubes paid two coins each"),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

/// The tube with the most coins.
fn fullest(b: &mut Bench) -> Result<(CoinType, Money), Seen> {
    let setup = start(b)?;
    let status = tubes(b)?;
    let most = used(&setup)
        .into_iter()
        .max_by_key(|(t, _)| status.counts.get(*t));
    match most {
        Some((t, value)) if status.counts.get(t) >= 6 => Ok((t, value)),
        _ => Err(Seen::cannot_tell("no tube holds six coins: fill it")),
    }
}

fn ends(b: &mut Bench) -> Run {
    let (coin_type, _) = fullest(b)?;
    let from = b.now();
    let (_, ended) = pay(b, coin_type, 3)?;
    let took = b.now().since(from);
    let text = match ended {
        true => format!("three coins in {took}"),
        false => format!("still busy after {took}"),
    };
    Ok(Seen::judge(ended, text))
}

fn dispense(coin_type: CoinType, coins: usize) -> Command {
    Command::Dispense {
        coin_type,
        coins: DispenseCount::saturating(coins),
    }
}

fn dispense_acknowledged(b: &mut Bench) -> Run {
    let (coin_type, _) = fullest(b)?;
    let answer = b.ask(dispense(coin_type, 1).emit().bytes());
    payout_ends(b);
    Ok(Seen::judge(answer == Answer::Ack, answer.text()))
}

fn dispense_not_doubled(b: &mut Bench) -> Run {
    let (coin_type, value) = fullest(b)?;
    let before = in_tube(b, coin_type);
    let command = dispense(coin_type, 2);
    b.ask(command.emit().bytes());
    let second = b.ask(command.emit().bytes());
    payout_ends(b);
    let out = before.saturating_sub(in_tube(b, coin_type));
    let wanted = value.saturating_add(value);
    let text = format!(
        "asked twice for {}, the second time {}: {} came out",
        b.show(wanted),
        second.text(),
        b.show(out)
    );
    Ok(Seen::judge(out <= wanted, text))
}

fn several_coins(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let used = used(&setup);
    watch(b, Micros::ms(500));
    let fed: Vec<CoinType> = used.iter().map(|(t, _)| *t).cycle().take(3).collect();
    for coin_type in &fed {
        b.act(Act::Coin(coin_type.get()))?;
    }
    b.wait(Micros::secs(2));
    let first = coins(&poll(b)).len();
    let rest = coins(&watch(b, COIN_TIME)).len();
    let text = format!("{first} in the first answer, {rest} later");
    Ok(Seen::judge(first == fed.len(), text))
}

fn coin_survives_reset(b: &mut Bench) -> Run {
    let coin_type = waiting_coin(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    let seen = coins(&watch(b, COIN_TIME));
    let said = seen.iter().any(|(t, _)| *t == coin_type);
    let text = if said {
        "reported after the reset"
    } else {
        "never reported"
    };
    Ok(Seen::judge(said, text))
}

fn early_tube_status(b: &mut Bench) -> Run {
    start(b)?;
    let right = tubes(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    b.wait(Micros::ms(150));
    let answer = b.ask(Command::TubeStatus.emit().bytes());
    let Some(early) = answer.data() else {
        return Ok(Seen::pass("no answer that early"));
    };
    let parsed = Response::parse(&Command::TubeStatus, early);
    let same = parsed == Ok(Response::TubeStatus(right));
    let text = if same {
        "the right counts"
    } else {
        "other counts than before"
    };
    Ok(Seen::judge(same, text))
}

fn escrow_presses(b: &mut Bench) -> Result<usize, Seen> {
    start(b)?;
    watch(b, Micros::ms(500));
    b.act(Act::PressLever)?;
    let said = has(&watch(b, Micros::secs(3)), Status::EscrowRequest);
    b.act(Act::ReleaseLever)?;
    Ok(said)
}

fn escrow_once(b: &mut Bench) -> Run {
    let said = escrow_presses(b)?;
    if said == 0 {
        return Ok(Seen::cannot_tell("ESCROW REQUEST never came"));
    }
    Ok(Seen::judge(said == 1, format!("said {said} times")))
}

fn escrow_said(b: &mut Bench) -> Run {
    let said = escrow_presses(b)?;
    Ok(Seen::judge(said > 0, format!("said {said} times")))
}

fn sensor_defect(b: &mut Bench) -> Run {
    let (coin_type, _) = fullest(b)?;
    watch(b, Micros::ms(500));
    b.act(Act::BreakTubeSensor(coin_type.get()))?;
    let said = has(&watch(b, Micros::secs(2)), Status::DefectiveTubeSensor) > 0;
    let told = tubes(b)?.is_defective(coin_type);
    let text = format!(
        "DEFECTIVE TUBE SENSOR {}, TUBE STATUS {}",
        if said { "said" } else { "not said" },
        if told { "tells it" } else { "does not tell it" }
    );
    Ok(Seen::judge(said && told, text))
}

fn diagnostics(b: &mut Bench) -> Run {
    let setup = start_with(b, Features::EXTENDED_DIAGNOSTIC)?;
    if setup.level < 3 {
        return Ok(Seen::skipped("a changer of level 2 has no diagnostics"));
    }
    let Response::DiagnosticStatus(codes) = ask(b, &Command::SendDiagnosticStatus)? else {
        return Ok(Seen::fail("no diagnostic codes"));
    };
    let bad = codes.iter().any(|c: &DiagnosticCode| c.is_error());
    let words: Vec<String> = codes.iter().map(ToString::to_string).collect();
    Ok(Seen::judge(!bad, words.join("; ")))
}

fn payout_by_value(b: &mut Bench) -> Run {
    let setup = start_with(b, Features::ALTERNATIVE_PAYOUT)?;
    if setup.level < 3 {
        return Ok(Seen::skipped("a changer of level 2 pays no values"));
    }
    let Response::Identification(id) = ask(b, &Command::Identification)? else {
        return Ok(Seen::fail("no identification"));
    };
    if !id.features.contains(Features::ALTERNATIVE_PAYOUT) {
        return Ok(Seen::skipped("the feature is not offered"));
    }
    let amount = Money(40);
    let counts = amount.as_minor() / b.scale();
    let value = u8::try_from(counts).unwrap_or(u8::MAX);
    let before = inside(b);
    let payout = Command::Payout { value };
    patient_order(b, payout.emit().bytes(), payout.name())?;
    if !payout_ends(b) {
        return Ok(Seen::fail("the payout does not end"));
    }
    let out = before.saturating_sub(inside(b));
    let Response::PayoutStatus(paid) = ask(b, &Command::PayoutStatus)? else {
        return Ok(Seen::fail("no payout status"));
    };
    let told: Money = used(&setup)
        .into_iter()
        .filter_map(|(t, value)| value.checked_mul(i64::from(paid.get(t))))
        .sum();
    let text = format!(
        "asked for {}, {} came out, PAYOUT STATUS says {}",
        b.show(amount),
        b.show(out),
        b.show(told)
    );
    Ok(Seen::judge(out == amount && told == out, text))
}
