//! Checks of a cashless device. What they share: a conversation, with the level and options that are
//! agreed in it.

pub(in crate::device) mod sessions;
pub(in crate::device) mod vends;

use super::common::{unreached, until_just_reset};
use crate::check::{Run, Seen};
use crate::device::polling::poll_until;
use crate::device::presumptions::Leeway;
use crate::device::typed::maker_of_this_bench;
use crate::device::{Answer, Bench, Close, POLL_EVERY};
use payrig_mdb::cashless::{
    Command, Kind, Level, Mode, Negotiation, PriceRange, ReaderConfig, Report, Response,
    VendRequest, VmcConfig,
};
use payrig_units::{Micros, Money, Place, words};

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

impl AsMut<Bench> for Talk<'_> {
    fn as_mut(&mut self) -> &mut Bench {
        self.bench
    }
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
        Command::new(self.bench.reader(), kind).emit(&self.mode())
    }

    fn reports(&mut self, kind: &Kind, answer: &Answer) -> Vec<Report> {
        let command = Command::new(self.bench.reader(), kind.clone());
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

    /// Gives an order: ACK, or data at once. Where it is answered with nothing it is given again.
    fn order(&mut self, kind: Kind) -> Result<Vec<Report>, Seen> {
        let name = Command::new(self.bench.reader(), kind.clone()).name();
        let by = self.bench.now() + self.non_response();
        loop {
            match self.send(kind.clone(), Close::Ack) {
                (Answer::Ack | Answer::Data(_), reports) => return Ok(reports),
                // As a board does: silence is a NAK (2.2), and a reader may be silent for a while (7.5).
                (Answer::Silence, _) if self.bench.now() < by => self.bench.wait(POLL_EVERY),
                (other, _) => return Err(unreached(format!("{name} brought {}", other.text()))),
            }
        }
    }

    /// POLLs for a time, or until a report that ends the waiting.
    fn watch(&mut self, time: Micros, until: impl Fn(&Report) -> bool) -> Vec<Report> {
        let poll = |talk: &mut Self| talk.send(Kind::Poll, Close::Ack).1;
        poll_until(self, time, poll, until)
    }

    /// An order whose answer may come at a later POLL.
    fn ask(&mut self, kind: Kind, wanted: fn(&Report) -> bool) -> Result<Report, Seen> {
        let name = Command::new(self.bench.reader(), kind.clone()).name();
        let mut reports = self.order(kind)?;
        if !reports.iter().any(wanted) {
            let patience = self.non_response() + Micros::ms(500);
            reports.extend(self.watch(patience, wanted));
        }
        let found = reports.into_iter().find(wanted);
        found.ok_or_else(|| unreached(format!("{name} is never answered")))
    }

    /// How long its application may take (7.5), and a polling interval.
    fn patience(&mut self) -> Micros {
        self.bench.works_from(Leeway::Decision);
        self.non_response() + Micros::ms(500)
    }

    fn non_response(&self) -> Micros {
        let seconds = self.config.map_or(5, |c| c.non_response_seconds());
        Micros::secs(u64::from(seconds))
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
            other => Err(unreached(format!("SETUP brought {other}"))),
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
        let is_id = |r: &Report| matches!(r, Report::PeripheralId(_));
        self.ask(Kind::RequestId(maker_of_this_bench()), is_id)?;
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
        self.bench.act(self.bench.card(BALANCE))?;
        let reports = self.watch(Micros::secs(10), is_begin);
        match reports.iter().any(is_begin) {
            true => Ok(reports),
            false => Err(unreached("no session begins with a card")),
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

    fn receipts(&mut self) -> Money {
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

fn sessions_in(t: &mut Talk<'_>) -> Result<usize, Seen> {
    t.bench.act(t.bench.card(BALANCE))?;
    let reports = t.watch(Micros::secs(5), never);
    Ok(reports.iter().filter(|r| is_begin(r)).count())
}

fn none_began(begun: usize) -> Run {
    let text = match begun {
        0 => "no session".to_owned(),
        n => format!("BEGIN SESSION {n}", n = words::times(n)),
    };
    Ok(Seen::judge(begun == 0, text))
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
