//! Checks of a cashless device.

use super::bench::{Act, Answer, Bench, Close, POLL_EVERY};
use super::common::until_just_reset;
use super::setup::Setup;
use crate::check::{Check, Run, Seen, Weight};
use payrig_mdb::cashless::{
    Command, Identification, Kind, Level, Mode, Negotiation, PriceRange, ReaderConfig, Report,
    Response, State, Unit, VendFailure, VendRequest, VendSuccess, VmcConfig,
};
use payrig_units::{Micros, Money, Place};

/// The balance of the test card, minor units.
const BALANCE: i64 = 1_000;

/// The price asked for, minor units.
const PRICE: i64 = 150;

/// A conversation with one device: the mode it is in.
#[derive(Debug)]
struct Talk<'a> {
    bench: &'a mut Bench,
    negotiation: Negotiation,
    config: Option<ReaderConfig>,
}

impl<'a> Talk<'a> {
    fn new(bench: &'a mut Bench) -> Self {
        Self {
            bench,
            negotiation: Negotiation::new(),
            config: None,
        }
    }

    fn mode(&self) -> Mode {
        self.negotiation.mode()
    }

    fn block(&self, kind: Kind) -> payrig_mdb::Block {
        Command::new(Unit::One, kind).emit(&self.mode())
    }

    fn reports(&mut self, kind: &Kind, answer: &Answer) -> Vec<Report> {
        let command = Command::new(Unit::One, kind.clone());
        if *answer != Answer::Silence {
            self.negotiation.command(&command);
        }
        let Some(data) = answer.data() else {
            return Vec::new();
        };
        match Response::parse_any(&command, data, &self.mode()) {
            Ok((response, _)) => {
                self.negotiation.response(&response);
                response.reports().to_vec()
            }
            Err(_) => Vec::new(),
        }
    }

    /// Sends a command; the answer and what it reports.
    fn send(&mut self, kind: Kind, close: Close) -> (Answer, Vec<Report>) {
        let block = self.block(kind.clone());
        let answer = self.bench.exchange(block.bytes(), close);
        let reports = self.reports(&kind, &answer);
        (answer, reports)
    }

    /// Gives an order: ACK, or data at once.
    fn order(&mut self, kind: Kind) -> Result<Vec<Report>, Seen> {
        let name = Command::new(Unit::One, kind.clone()).name();
        match self.send(kind, Close::Ack) {
            (Answer::Ack | Answer::Data(_), reports) => Ok(reports),
            (other, _) => Err(Seen::fail(format!("{name} brought {}", other.text()))),
        }
    }

    /// POLLs for a time, or until a report that ends the waiting.
    fn watch(&mut self, time: Micros, until: impl Fn(&Report) -> bool) -> Vec<Report> {
        let by = self.bench.now() + time;
        let mut all = Vec::new();
        while self.bench.now() < by {
            let (_, reports) = self.send(Kind::Poll, Close::Ack);
            let over = reports.iter().any(&until);
            all.extend(reports);
            if over {
                break;
            }
            self.bench.wait(POLL_EVERY);
        }
        all
    }

    /// An order whose answer may come at a later POLL.
    fn ask(&mut self, kind: Kind, wanted: fn(&Report) -> bool) -> Result<Report, Seen> {
        let name = Command::new(Unit::One, kind.clone()).name();
        let mut reports = self.order(kind)?;
        if !reports.iter().any(wanted) {
            let patience = self.patience();
            reports.extend(self.watch(patience, wanted));
        }
        let found = reports.into_iter().find(wanted);
        found.ok_or_else(|| Seen::fail(format!("{name} is never answered")))
    }

    /// How long its application may take (7.5), and a polling interval.
    fn patience(&self) -> Micros {
        let seconds = self.config.map_or(5, |c| c.non_response_seconds());
        Micros::secs(u64::from(seconds)) + Micros::ms(500)
    }

    fn counts(&self, minor: i64) -> u32 {
        let scale = self.config.map_or(1, |c| i64::from(c.scale.max(1)));
        u32::try_from(minor / scale).unwrap_or(0)
    }

    fn money(&self, counts: u32) -> Money {
        let scale = self.config.map_or(1, |c| i64::from(c.scale));
        Money(i64::from(counts) * scale)
    }

    fn setup(&mut self, level: Level) -> Result<ReaderConfig, Seen> {
        let config = VmcConfig {
            level,
            columns: 0,
            rows: 0,
            display: 0,
        };
        let is_config = |r: &Report| matches!(r, Report::ReaderConfig(_));
        match self.ask(Kind::SetupConfig(config), is_config)? {
            Report::ReaderConfig(config) => {
                self.config = Some(config);
                Ok(config)
            }
            other => Err(Seen::fail(format!("SETUP brought {other}"))),
        }
    }

    /// Everything a board does before the first card (7.4.1), up to READER ENABLE.
    fn start(&mut self, level: Level) -> Result<(), Seen> {
        self.bench.bus_reset();
        until_just_reset(self.bench);
        self.setup(level)?;
        let prices = PriceRange {
            max: Some(self.counts(PRICE)),
            min: self.counts(PRICE),
            currency: None,
        };
        self.order(Kind::SetupPrices(prices))?;
        let id = Identification::new("ZZZ", "000000000001", "PAYRIG BENCH", [0x01, 0x00]);
        let is_id = |r: &Report| matches!(r, Report::PeripheralId(_));
        self.ask(Kind::RequestId(id), is_id)?;
        Ok(())
    }

    fn enabled(&mut self) -> Result<(), Seen> {
        self.start(Level::THREE)?;
        self.order(Kind::ReaderEnable)?;
        Ok(())
    }

    /// A card is there, and its session.
    fn session(&mut self) -> Result<Vec<Report>, Seen> {
        self.enabled()?;
        self.present()
    }

    fn present(&mut self) -> Result<Vec<Report>, Seen> {
        self.bench.act(Act::Card(BALANCE))?;
        let reports = self.watch(Micros::secs(10), is_begin);
        match reports.iter().any(is_begin) {
            true => Ok(reports),
            false => Err(Seen::fail("no session begins with a card")),
        }
    }

    fn request(&self, minor: i64) -> Kind {
        Kind::VendRequest(VendRequest {
            price: self.counts(minor),
            item: 1,
            basket: None,
        })
    }

    /// The device decides a vend; `None` when it never does.
    fn vend(&mut self, minor: i64) -> Result<Option<Report>, Seen> {
        let request = self.request(minor);
        let mut reports = self.order(request)?;
        if !reports.iter().any(is_decision) {
            let patience = self.patience();
            reports.extend(self.watch(patience, is_decision));
        }
        Ok(reports.into_iter().find(is_decision))
    }

    fn approved(&mut self) -> Result<u32, Seen> {
        match self.vend(PRICE)? {
            Some(Report::VendApproved { amount, .. }) => Ok(amount.unwrap_or(0)),
            Some(other) => Err(Seen::cannot_tell(format!("the vend brought {other}"))),
            None => Err(Seen::cannot_tell("the vend is never decided")),
        }
    }

    fn receipts(&self) -> Money {
        self.bench.sum(|p| matches!(p, Place::CardReceipts(_)))
    }

    fn show(&self, amount: Money) -> String {
        self.bench.show(amount)
    }
}

fn is_begin(r: &Report) -> bool {
    matches!(r, Report::BeginSession(_))
}

fn is_decision(r: &Report) -> bool {
    matches!(r, Report::VendApproved { .. } | Report::VendDenied)
}

fn is_end(r: &Report) -> bool {
    *r == Report::EndSession
}

fn never(_: &Report) -> bool {
    false
}

fn texts(reports: &[Report]) -> String {
    let texts: Vec<String> = reports.iter().map(ToString::to_string).collect();
    match texts.is_empty() {
        true => "nothing".to_owned(),
        false => texts.join("; "),
    }
}

fn level_3(setup: &mut Setup) {
    setup.cashless.level = Level::THREE;
}

/// The checks.
pub(super) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "reader-configuration",
        title: "Says its level, scaling and options",
        expected: "level 1 to 3, a scale factor, a maximum response time",
        section: "7.4.2",
        advice: "Boards ask for wrong prices. Check its configuration.",
        weight: Weight::Rule,
        quirk: "scaling-zero",
        arrange: None,
        run: reader_configuration,
    },
    Check {
        id: "level-respected",
        title: "Speaks no higher level than the board",
        expected: "to a level 1 board: BEGIN SESSION and VEND messages of level 1 length",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Old boards misread amounts. Do not install it on those.",
        weight: Weight::Rule,
        quirk: "responds-above-vmc-level",
        arrange: Some(level_3),
        run: level_respected,
    },
    Check {
        id: "no-session-while-disabled",
        title: "Begins no session while it is disabled",
        expected: "no BEGIN SESSION before READER ENABLE",
        section: "7.2.2, 7.4.12",
        advice: "Customers are charged while the machine cannot sell. Do not install it.",
        weight: Weight::Rule,
        quirk: "session-while-disabled",
        arrange: None,
        run: no_session_while_disabled,
    },
    Check {
        id: "disable-obeyed",
        title: "Begins no session after READER DISABLE",
        expected: "no BEGIN SESSION until it is enabled again",
        section: "7.4.12",
        advice: "The board cannot hold it off. Do not install it.",
        weight: Weight::Rule,
        quirk: "shrugs-disable",
        arrange: None,
        run: disable_obeyed,
    },
    Check {
        id: "session-begins-once",
        title: "Begins one session per card",
        expected: "BEGIN SESSION once, acknowledged",
        section: "7.4.4",
        advice: "Boards may show a balance twice or begin again. Update its software.",
        weight: Weight::Rule,
        quirk: "begin-session-repeated",
        arrange: None,
        run: session_begins_once,
    },
    Check {
        id: "session-repeated-after-lost-ack",
        title: "Repeats BEGIN SESSION until it is acknowledged",
        expected: "the same report at the next POLL after a lost ACK",
        section: "2.2",
        advice: "Cards are ignored on a noisy bus. Replace it.",
        weight: Weight::Rule,
        quirk: "forgets-unacknowledged",
        arrange: None,
        run: session_repeated,
    },
    Check {
        id: "approves-what-was-asked",
        title: "Takes no more than was asked",
        expected: "VEND APPROVED for the price or less, and as much deducted",
        section: "7.4.5",
        advice: "Customers are overcharged. Do not install it.",
        weight: Weight::Rule,
        quirk: "approves-more-than-asked",
        arrange: None,
        run: approves_what_was_asked,
    },
    Check {
        id: "vend-decided-in-time",
        title: "Decides a vend within its maximum response time",
        expected: "VEND APPROVED or VEND DENIED in the time it announced",
        section: "7.4.2, 7.5",
        advice: "Boards cancel or hang. Check its network; then replace it.",
        weight: Weight::Rule,
        quirk: "never-answers-vend-request",
        arrange: None,
        run: vend_decided,
    },
    Check {
        id: "vend-above-balance-denied",
        title: "Denies a vend above the balance",
        expected: "VEND DENIED",
        section: "7.4.5",
        advice: "It sells on credit nobody gave. Check its settings.",
        weight: Weight::Rule,
        quirk: "approves-everything",
        arrange: None,
        run: vend_above_balance,
    },
    Check {
        id: "repeated-request-charged-once",
        title: "Charges a repeated VEND REQUEST once",
        expected: "one price deducted when the request is sent twice",
        section: "Appendix 3, section 3",
        advice: "Customers pay twice on a noisy bus. Do not install it.",
        weight: Weight::Rule,
        quirk: "charges-twice-on-repeat",
        arrange: None,
        run: repeated_request,
    },
    Check {
        id: "repeat-not-out-of-sequence",
        title: "Bears a repeated command",
        expected: "no COMMAND OUT OF SEQUENCE for a repetition",
        section: "Appendix 3, section 3",
        advice: "A lost ACK costs a whole reset and the customer's session.",
        weight: Weight::Advice,
        quirk: "out-of-sequence-on-repeat",
        arrange: None,
        run: repeat_not_out_of_sequence,
    },
    Check {
        id: "vend-failure-refunded",
        title: "Refunds a failed vend",
        expected: "the price back on the card, or a MALFUNCTION/ERROR that says it is not",
        section: "7.4.8",
        advice: "Customers pay for nothing. Do not install it.",
        weight: Weight::Rule,
        quirk: "no-refund-on-vend-failure",
        arrange: None,
        run: vend_failure,
    },
    Check {
        id: "vend-success-kept",
        title: "Keeps the price after VEND SUCCESS",
        expected: "the price with the owner when the session is over",
        section: "7.4.7",
        advice: "The owner is not paid. Check its settings.",
        weight: Weight::Rule,
        quirk: "shrugs-vend-request",
        arrange: None,
        run: vend_success,
    },
    Check {
        id: "vend-cancel-obeyed",
        title: "Gives up a vend on VEND CANCEL",
        expected: "VEND DENIED, and nothing charged",
        section: "7.4.6",
        advice: "A customer who steps back is charged. Do not install it.",
        weight: Weight::Rule,
        quirk: "ignores-vend-cancel",
        arrange: Some(slow_decisions),
        run: vend_cancel,
    },
    Check {
        id: "session-ends",
        title: "Ends a session on SESSION COMPLETE",
        expected: "END SESSION within the response time",
        section: "7.4.9",
        advice: "The machine is blocked after the first card. Replace it.",
        weight: Weight::Rule,
        quirk: "never-ends-session",
        arrange: None,
        run: session_ends,
    },
    Check {
        id: "out-of-sequence-told",
        title: "Says that a command is out of sequence",
        expected: "COMMAND OUT OF SEQUENCE for a VEND REQUEST without a session",
        section: "7.4.4, 0BH",
        advice: "A board that lost track is not told. Update its software.",
        weight: Weight::Rule,
        quirk: "hides-out-of-sequence",
        arrange: None,
        run: out_of_sequence,
    },
    Check {
        id: "patient-with-silence",
        title: "Bears ten seconds without a POLL in a session",
        expected: "the session goes on",
        section: "Appendix 3, section 2",
        advice: "Sessions break while a motor turns. Use boards that never stop polling.",
        weight: Weight::Advice,
        quirk: "never-polled-gives-up",
        arrange: None,
        run: patient,
    },
    Check {
        id: "reader-off-after-reset",
        title: "Begins no session after RESET",
        expected: "no BEGIN SESSION until it is set up and enabled again",
        section: "7.2.1, 7.4.1",
        advice: "Customers are charged while the machine cannot sell. Do not install it.",
        weight: Weight::Rule,
        quirk: "resets-only-in-words",
        arrange: None,
        run: off_after_reset,
    },
    Check {
        id: "revalue-refused-as-such",
        title: "Refuses revalue by REVALUE DENIED",
        expected: "REVALUE DENIED, or a limit above zero, after REVALUE LIMIT REQUEST",
        section: "7.4.19, Appendix 3, section 4",
        advice: "Boards take a limit of zero for an offer and keep bills. Update its software.",
        weight: Weight::Advice,
        quirk: "limit-of-zero",
        arrange: None,
        run: revalue_refused,
    },
];

fn slow_decisions(setup: &mut Setup) {
    setup.cashless.approve_delay = Micros::secs(3);
}

fn reader_configuration(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.bench.bus_reset();
    until_just_reset(t.bench);
    let config = t.setup(Level::THREE)?;
    let good = (1..=3).contains(&config.level.0) && config.scale > 0;
    let text = format!(
        "level {}, scale factor {}, {} decimals, response time {} s",
        config.level.0,
        config.scale,
        config.decimals,
        config.non_response_seconds()
    );
    Ok(Seen::judge(good, text))
}

fn level_respected(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.start(Level::ONE)?;
    t.order(Kind::ReaderEnable)?;
    t.bench.act(Act::Card(BALANCE))?;
    let by = t.bench.now() + Micros::secs(10);
    while t.bench.now() < by {
        let (answer, _) = t.send(Kind::Poll, Close::Ack);
        if let Some(data) = answer.data().filter(|d| d.first() == Some(&0x03)) {
            let text = format!("BEGIN SESSION of {} bytes to a level 1 board", data.len());
            return Ok(Seen::judge(data.len() == 3, text));
        }
        t.bench.wait(POLL_EVERY);
    }
    Ok(Seen::cannot_tell("no session began"))
}

fn sessions_in(t: &mut Talk<'_>) -> Result<usize, Seen> {
    t.bench.act(Act::Card(BALANCE))?;
    let reports = t.watch(Micros::secs(5), never);
    Ok(reports.iter().filter(|r| is_begin(r)).count())
}

fn none_began(begun: usize) -> Run {
    let text = match begun {
        0 => "no session".to_owned(),
        n => format!("BEGIN SESSION {n} times"),
    };
    Ok(Seen::judge(begun == 0, text))
}

fn no_session_while_disabled(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.start(Level::THREE)?;
    let begun = sessions_in(&mut t)?;
    none_began(begun)
}

fn disable_obeyed(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    t.order(Kind::ReaderDisable)?;
    let begun = sessions_in(&mut t)?;
    none_began(begun)
}

fn off_after_reset(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    t.order(Kind::Reset)?;
    until_just_reset(t.bench);
    let begun = sessions_in(&mut t)?;
    none_began(begun)
}

fn session_begins_once(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let more = t.watch(Micros::secs(5), never);
    let more = more.iter().filter(|r| is_begin(r)).count();
    let text = format!("BEGIN SESSION {} times", more + 1);
    Ok(Seen::judge(more == 0, text))
}

fn session_repeated(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    t.bench.act(Act::Card(BALANCE))?;
    let by = t.bench.now() + Micros::secs(10);
    while t.bench.now() < by {
        let (_, reports) = t.send(Kind::Poll, Close::Silence);
        if reports.iter().any(is_begin) {
            let (_, again) = t.send(Kind::Poll, Close::Ack);
            let text = format!("after the lost ACK: {}", texts(&again));
            return Ok(Seen::judge(again.iter().any(is_begin), text));
        }
        t.bench.wait(POLL_EVERY);
    }
    Ok(Seen::cannot_tell("no session began"))
}

fn approves_what_was_asked(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let approved = t.approved()?;
    let approved = t.money(approved);
    let deducted = t.receipts();
    let text = format!(
        "asked {}, approved {}, deducted {}",
        t.show(Money(PRICE)),
        t.show(approved),
        t.show(deducted)
    );
    let good = approved <= Money(PRICE) && deducted == approved;
    Ok(Seen::judge(good, text))
}

fn vend_decided(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let from = t.bench.now();
    let decided = t.vend(PRICE)?;
    let took = t.bench.now().since(from);
    let text = match &decided {
        Some(report) => format!("{report} after {took}"),
        None => format!("nothing for {took}"),
    };
    Ok(Seen::judge(decided.is_some(), text))
}

fn vend_above_balance(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let decided = t.vend(BALANCE + PRICE)?;
    let text = decided
        .as_ref()
        .map_or("nothing".to_owned(), ToString::to_string);
    Ok(Seen::judge(decided == Some(Report::VendDenied), text))
}

/// VEND REQUEST twice in a row, as when its ACK is lost; everything reported afterwards.
fn twice(t: &mut Talk<'_>) -> Result<Vec<Report>, Seen> {
    t.session()?;
    let request = t.request(PRICE);
    t.order(request.clone())?;
    let (_, mut reports) = t.send(request, Close::Ack);
    let patience = t.patience();
    reports.extend(t.watch(patience, is_decision));
    reports.extend(t.watch(Micros::secs(1), never));
    Ok(reports)
}

fn repeated_request(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    twice(&mut t)?;
    let deducted = t.receipts();
    let text = format!(
        "asked twice for {}, deducted {}",
        t.show(Money(PRICE)),
        t.show(deducted)
    );
    Ok(Seen::judge(deducted <= Money(PRICE), text))
}

fn repeat_not_out_of_sequence(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    let reports = twice(&mut t)?;
    let out = reports
        .iter()
        .any(|r| matches!(r, Report::OutOfSequence(_)));
    Ok(Seen::judge(!out, texts(&reports)))
}

fn settle(t: &mut Talk<'_>) -> Result<Vec<Report>, Seen> {
    let mut reports = t.watch(Micros::secs(2), never);
    reports.extend(t.order(Kind::SessionComplete)?);
    if !reports.iter().any(is_end) {
        let patience = t.patience();
        reports.extend(t.watch(patience, is_end));
    }
    Ok(reports)
}

fn vend_failure(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    t.approved()?;
    t.order(Kind::VendFailure(VendFailure { detail: None }))?;
    let reports = settle(&mut t)?;
    let kept = t.receipts();
    let said = reports.iter().any(|r| matches!(r, Report::Malfunction(_)));
    let text = format!(
        "{} kept{}",
        t.show(kept),
        if said { ", and told so" } else { "" }
    );
    Ok(Seen::judge(kept.is_zero() || said, text))
}

fn vend_success(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let approved = match t.vend(PRICE)? {
        Some(Report::VendApproved { amount, .. }) => amount.unwrap_or(0),
        _ => return Ok(Seen::fail("a vend that the card can pay is not approved")),
    };
    let approved = t.money(approved);
    let success = VendSuccess {
        item: 1,
        dispensed: None,
        basket: None,
    };
    t.order(Kind::VendSuccess(success))?;
    settle(&mut t)?;
    let kept = t.receipts();
    let text = format!("approved {}, kept {}", t.show(approved), t.show(kept));
    Ok(Seen::judge(kept == approved, text))
}

fn vend_cancel(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let request = t.request(PRICE);
    t.order(request)?;
    t.watch(Micros::ms(500), is_decision);
    let mut reports = t.order(Kind::VendCancel)?;
    reports.extend(t.watch(Micros::secs(6), is_decision));
    reports.extend(t.watch(Micros::secs(1), never));
    let denied = reports.contains(&Report::VendDenied);
    let kept = t.receipts();
    let text = format!("{}; {} kept", texts(&reports), t.show(kept));
    Ok(Seen::judge(denied && kept.is_zero(), text))
}

fn session_ends(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let from = t.bench.now();
    let mut reports = t.order(Kind::SessionComplete)?;
    if !reports.iter().any(is_end) {
        let patience = t.patience();
        reports.extend(t.watch(patience, is_end));
    }
    let took = t.bench.now().since(from);
    let ended = reports.iter().any(is_end);
    let text = match ended {
        true => format!("END SESSION after {took}"),
        false => format!("no END SESSION for {took}"),
    };
    Ok(Seen::judge(ended, text))
}

fn out_of_sequence(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    let request = t.request(PRICE);
    let mut reports = t.order(request)?;
    reports.extend(t.watch(Micros::secs(2), never));
    let state = reports.iter().find_map(|r| match r {
        Report::OutOfSequence(state) => Some(*state),
        _ => None,
    });
    let told = state.is_some();
    let text = match state {
        Some(Some(State::Enabled)) => "COMMAND OUT OF SEQUENCE, state Enabled".to_owned(),
        _ => texts(&reports),
    };
    Ok(Seen::judge(told, text))
}

fn patient(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    t.bench.wait(Micros::secs(10));
    let reports = t.watch(Micros::secs(1), never);
    let lost = reports.iter().any(|r| {
        matches!(
            r,
            Report::JustReset | Report::EndSession | Report::SessionCancelRequest
        )
    });
    Ok(Seen::judge(!lost, texts(&reports)))
}

fn revalue_refused(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    if t.config.is_some_and(|c| c.level < Level::TWO) {
        return Ok(Seen::skipped("a reader of level 1 does not revalue"));
    }
    let is_limit = |r: &Report| matches!(r, Report::RevalueLimit(_) | Report::RevalueDenied);
    let answer = t.ask(Kind::RevalueLimitRequest, is_limit)?;
    Ok(Seen::judge(
        answer != Report::RevalueLimit(0),
        answer.to_string(),
    ))
}
