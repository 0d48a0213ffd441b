//! The board's driver for a cashless device (MDB/ICP 4.3, section 7).

use crate::Report;
use crate::channel::{Driver, Setup as Next, Verdict};
use payrig_mdb::Block;
use payrig_mdb::cashless::{
    Command, Identification, Kind, Level, Mode, Negotiation, Options, PriceRange, ReaderConfig,
    Report as Activity, Response, Unit, VendFailure, VendRequest, VendSuccess, VmcConfig,
};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// Optional features of a level 03 reader that this board uses where they are offered.
const USED: Options = Options(Options::MONEY_32.0 | Options::FTL.0);

/// What the board says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VmcIdentity {
    /// Three letters.
    pub maker: String,
    /// Up to twelve characters.
    pub serial: String,
    /// Up to twelve characters.
    pub model: String,
}

impl VmcIdentity {
    /// Its manufacturer file (2.6.4, file ID 00H): the three letters, then model and serial number.
    pub(crate) fn file(&self) -> Vec<u8> {
        format!("{:3.3}{} {}", self.maker, self.model, self.serial).into_bytes()
    }
}

/// Of the invented maker `ZZZ`.
impl Default for VmcIdentity {
    fn default() -> Self {
        Self {
            maker: "ZZZ".to_owned(),
            serial: "000000000001".to_owned(),
            model: "PAYRIG BOARD".to_owned(),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Config,
    Prices,
    RequestId,
    EnableOptions,
    /// Prices again in 32 bit, when that was enabled (section 7.4.1).
    WidePrices,
    ReaderEnable,
    Done,
}

/// What the board waits for, in its application's time (sections 7.4.5, 7.5).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Owed {
    Nothing,
    /// READER CONFIGURATION DATA or PERIPHERAL ID, by then.
    SetupData(Micros),
    /// VEND APPROVED or DENIED, by then.
    VendAnswer(Micros),
    /// END SESSION, by then.
    EndSession(Micros),
}

/// The driver.
#[derive(Debug)]
pub(crate) struct Cashless {
    name: String,
    unit: Unit,
    level: Level,
    identity: VmcIdentity,
    prices: (Money, Money),
    step: Step,
    negotiation: Negotiation,
    reader: Option<ReaderConfig>,
    offered: Options,
    owed: Owed,
    in_session: bool,
    wanted: VecDeque<Kind>,
    reports: Vec<Report>,
}

impl Cashless {
    /// A driver for the reader called `name`. `prices` are the lowest and the highest.
    pub(crate) fn new(
        name: String,
        unit: Unit,
        level: Level,
        identity: VmcIdentity,
        prices: (Money, Money),
    ) -> Self {
        Self {
            name,
            unit,
            level,
            identity,
            prices,
            step: Step::Config,
            negotiation: Negotiation::new(),
            reader: None,
            offered: Options::NONE,
            owed: Owed::Nothing,
            in_session: false,
            wanted: VecDeque::new(),
            reports: Vec::new(),
        }
    }

    pub(crate) fn take_wanted(&mut self) -> Option<Block> {
        let kind = self.wanted.pop_front()?;
        Some(self.block(kind))
    }

    pub(crate) fn take_reports(&mut self) -> Vec<Report> {
        std::mem::take(&mut self.reports)
    }

    pub(crate) fn allows_multi_vend(&self) -> bool {
        self.reader
            .is_some_and(|r| r.misc & ReaderConfig::MULTIVEND != 0)
    }

    /// Non-response time: 5 s, or what the reader said when that is more (section 7.5).
    pub(crate) fn non_response(&self) -> Micros {
        Micros::secs(u64::from(
            self.reader.map_or(5, |r| r.non_response_seconds()),
        ))
    }

    pub(crate) fn request(&mut self, item: u16, price: Money) {
        match self.count(price) {
            Some(price) => {
                self.wanted.push_back(Kind::VendRequest(VendRequest {
                    price,
                    item,
                    basket: None,
                }));
            }
            None => self.reports.push(Report::VendDenied),
        }
    }

    pub(crate) fn cancel(&mut self) {
        self.wanted.push_back(Kind::VendCancel);
    }

    pub(crate) fn success(&mut self, item: u16) {
        self.wanted.push_back(Kind::VendSuccess(VendSuccess {
            item,
            dispensed: None,
            basket: None,
        }));
    }

    pub(crate) fn failure(&mut self) {
        self.wanted
            .push_back(Kind::VendFailure(VendFailure { detail: None }));
    }

    pub(crate) fn complete(&mut self) {
        self.wanted.push_back(Kind::SessionComplete);
    }

    fn mode(&self) -> Mode {
        self.negotiation.mode()
    }

    fn block(&self, kind: Kind) -> Block {
        Command::new(self.unit, kind).emit(&self.mode())
    }

    /// A price in the reader's counts; says so when its scaling cannot express it.
    fn count(&mut self, price: Money) -> Option<u32> {
        let scaling = self.reader?.scaling();
        match scaling.to_count(price.as_minor(), self.mode().money_max() - 1) {
            Ok(count) => Some(count),
            Err(error) => {
                self.note(error);
                None
            }
        }
    }

    fn money(&self, count: u32) -> Money {
        Money(self.reader.map_or(0, |r| r.scaling().to_minor(count)))
    }

    fn note(&mut self, text: impl std::fmt::Display) {
        self.reports
            .push(Report::Notice(format!("{}: {text}", self.name)));
    }

    fn price_range(&mut self) -> PriceRange {
        let (min, max) = self.prices;
        // A price that this reader cannot express is left out here: asked for, it is an error.
        let scaling = self.reader.map(|r| r.scaling());
        let top = self.mode().money_max() - 1;
        let count = |m: Money| scaling?.to_count(m.as_minor(), top).ok();
        PriceRange {
            max: count(max),
            min: count(min).unwrap_or(0),
            currency: self
                .reader
                .map(|r| r.currency)
                .filter(|_| self.mode().expanded()),
        }
    }

    fn took(&mut self, now: Micros, activity: &Activity) -> Verdict {
        match activity {
            Activity::JustReset => return Verdict::JustReset,
            Activity::ReaderConfig(config) => {
                self.reader = Some(*config);
                if self.step == Step::Config {
                    self.step = Step::Prices;
                    self.owed = Owed::Nothing;
                }
            }
            Activity::PeripheralId(id) => {
                self.offered = id.options.unwrap_or(Options::NONE);
                if self.step == Step::RequestId {
                    self.owed = Owed::Nothing;
                    let three = self.mode().level >= Level::THREE;
                    self.step = if three {
                        Step::EnableOptions
                    } else {
                        Step::ReaderEnable
                    };
                }
            }
            Activity::BeginSession(begin)
                // Some readers repeat it until something is done with it: one session is one.
                if !self.in_session => {
                    self.in_session = true;
                    let funds = begin.funds.map(|n| self.money(n));
                    self.reports.push(Report::SessionBegan {
                        device: self.name.clone(),
                        funds,
                    });
                }
            Activity::VendApproved { amount, .. } => {
                self.owed = Owed::Nothing;
                let amount = self.money(amount.unwrap_or(0));
                self.reports.push(Report::VendApproved { amount });
            }
            Activity::VendDenied => {
                self.owed = Owed::Nothing;
                self.reports.push(Report::VendDenied);
            }
            Activity::SessionCancelRequest => self.reports.push(Report::SessionCancelled),
            Activity::EndSession => {
                self.owed = Owed::Nothing;
                self.in_session = false;
                self.reports.push(Report::SessionEnded);
            }
            Activity::OutOfSequence(_) => {
                // The only sure way back to a known state (Appendix 3, section 3).
                self.note("command out of sequence: reset");
                return Verdict::Desynchronised;
            }
            Activity::DisplayRequest { text, .. } => {
                let text: String = text.iter().map(|b| char::from(*b)).collect();
                self.note(format_args!("\"{}\"", text.trim_end()));
            }
            Activity::Malfunction(code) => self.note(code.text()),
            Activity::Cancelled => self.note("cancelled"),
            _ => {}
        }
        let _ = now;
        Verdict::Fine
    }

    fn check_patience(&mut self, now: Micros) {
        match self.owed {
            Owed::VendAnswer(by) if now > by => {
                self.owed = Owed::Nothing;
                self.note("no answer to the vend request in time: cancelled");
                self.cancel();
                self.reports.push(Report::VendDenied);
            }
            Owed::EndSession(by) if now > by => {
                self.owed = Owed::Nothing;
                self.in_session = false;
                self.note("no END SESSION after SESSION COMPLETE");
                self.reports.push(Report::SessionEnded);
            }
            Owed::SetupData(by) if now > by => self.owed = Owed::Nothing,
            _ => {}
        }
    }
}

impl Driver for Cashless {
    fn poll(&self) -> Block {
        self.block(Kind::Poll)
    }

    fn reset(&self) -> Block {
        self.block(Kind::Reset)
    }

    fn begin_setup(&mut self, _: Micros) {
        self.step = Step::Config;
        self.owed = Owed::Nothing;
        self.negotiation = Negotiation::new();
        self.wanted.clear();
        if self.in_session {
            self.in_session = false;
            self.reports.push(Report::SessionEnded);
        }
    }

    fn next_setup(&mut self, now: Micros) -> Next {
        if let Owed::SetupData(by) = self.owed {
            if now <= by {
                return Next::Poll;
            }
            self.owed = Owed::Nothing;
        }
        let kind = match self.step {
            Step::Config => Kind::SetupConfig(VmcConfig {
                level: self.level,
                columns: 16,
                rows: 2,
                display: 0,
            }),
            Step::Prices | Step::WidePrices => Kind::SetupPrices(self.price_range()),
            Step::RequestId => {
                let VmcIdentity {
                    maker,
                    serial,
                    model,
                } = &self.identity;
                Kind::RequestId(Identification::new(maker, serial, model, [0x01, 0x00]))
            }
            Step::EnableOptions => Kind::EnableOptions(self.offered & USED),
            Step::ReaderEnable => Kind::ReaderEnable,
            Step::Done => return Next::Done,
        };
        Next::Send(self.block(kind))
    }

    fn answered(&mut self, now: Micros, block: &Block, data: Option<&Block>) -> Verdict {
        let mode = self.mode();
        let Ok((command, _)) = Command::parse_any(block.bytes(), &mode) else {
            return Verdict::Fine;
        };
        self.negotiation.command(&command);
        match &command.kind {
            Kind::SetupConfig(_) | Kind::RequestId(_) => {
                self.owed = Owed::SetupData(now + Micros::secs(30));
            }
            Kind::SetupPrices(_) if self.step == Step::Prices => self.step = Step::RequestId,
            Kind::SetupPrices(_) if self.step == Step::WidePrices => self.step = Step::ReaderEnable,
            Kind::EnableOptions(_) => {
                let wide = self.mode().expanded();
                self.step = if wide {
                    Step::WidePrices
                } else {
                    Step::ReaderEnable
                };
            }
            Kind::ReaderEnable => self.step = Step::Done,
            Kind::VendRequest(_) => self.owed = Owed::VendAnswer(now + self.non_response()),
            Kind::SessionComplete => self.owed = Owed::EndSession(now + self.non_response()),
            _ => {}
        }
        let mut verdict = Verdict::Fine;
        if let Some(data) = data {
            match Response::parse_any(&command, data.bytes(), &self.mode()) {
                Ok((response, _)) => {
                    self.negotiation.response(&response);
                    for activity in response.reports() {
                        match self.took(now, activity) {
                            Verdict::Fine => {}
                            other => verdict = other,
                        }
                    }
                }
                Err(error) => self.note(format_args!("answer not understood: {error}")),
            }
        }
        self.check_patience(now);
        verdict
    }

    fn unanswered(&mut self, _: Micros, _: &Block) -> bool {
        // Every command of section 7 may be repeated: a vend is charged at VEND SUCCESS or
        // approval, once per session state, not per message (7.2).
        true
    }

    fn lost(&mut self, _: Micros) {
        self.note("does not answer any more");
        self.owed = Owed::Nothing;
        if self.in_session {
            self.in_session = false;
            self.reports.push(Report::SessionEnded);
        }
    }
}
