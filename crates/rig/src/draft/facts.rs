//! What devices and a board said of themselves in a recording or a capture, and what was measured.

use super::super::cashless::OPTIONS;
use payrig_mdb::changer::{CoinCredit, CoinType};
use payrig_mdb::{CurrencyCode, Typed, bill, cashless, changer};
use payrig_pulse::Profile;
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::recording::{Entry, Meaning};
use std::collections::{BTreeMap, BTreeSet};

/// What is known of the devices of a machine by what passed on its wires.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// SETUP of the changer.
    pub(super) changer: Option<changer::Setup>,
    pub(super) changer_id: Option<String>,
    pub(super) changer_features: Option<changer::Features>,
    /// Coins in each tube, when they were last counted.
    pub(super) tubes: BTreeMap<u8, u16>,
    /// SETUP of the bill validator.
    pub(super) bill: Option<bill::Setup>,
    pub(super) bill_id: Option<String>,
    /// Configuration of the card reader.
    pub(super) reader: Option<cashless::ReaderConfig>,
    pub(super) reader_id: Option<String>,
    pub(super) reader_options: cashless::Options,
    /// Lowest and highest price the board announced, in counts.
    announced: Option<(u32, Option<u32>)>,
    /// What cards were asked for, by item, in counts.
    asked: BTreeMap<u16, u32>,
    /// Board, as it said who it is.
    pub(super) board: Option<String>,
    /// Pulses on each line.
    pub(super) trains: BTreeMap<String, Measured>,
}

/// Pulses of a line as they were.
#[derive(Clone, Debug, Default)]
pub(super) struct Measured {
    widths: Vec<Micros>,
    gaps: Vec<Micros>,
    counts: BTreeSet<u64>,
}

impl Measured {
    fn middle(times: &[Micros]) -> Option<Micros> {
        let mut times = times.to_vec();
        times.sort_unstable();
        times.get(times.len() / 2).copied()
    }

    /// The profile that is nearest by the width of its pulses.
    pub(super) fn nearest(&self) -> Option<Profile> {
        let on = Self::middle(&self.widths)?;
        let off = |p: &Profile| p.on.0.abs_diff(on.0);
        Profile::all().into_iter().min_by_key(off)
    }

    /// In words: how long pulses and gaps were.
    pub(super) fn text(&self) -> String {
        let range = |times: &[Micros]| {
            let (least, most) = (times.iter().min(), times.iter().max());
            match (least, most) {
                (Some(least), Some(most)) => {
                    format!("{} to {}", Micros(least.0), Micros(most.0))
                }
                _ => "not seen".to_owned(),
            }
        };
        let counts: Vec<String> = self.counts.iter().map(u64::to_string).collect();
        format!(
            "pulses of {}, gaps of {}, trains of {}",
            range(&self.widths),
            range(&self.gaps),
            counts.join(", ")
        )
    }
}

impl Facts {
    /// What these entries of a recording or capture say.
    #[must_use]
    pub fn of(entries: &[Entry]) -> Self {
        let mut facts = Self::default();
        for entry in entries {
            match entry {
                Entry::Block(block) => {
                    if let Meaning::Decoded(decoded) = &block.meaning
                        && let Some(typed) = &decoded.typed
                    {
                        facts.heard(typed);
                    }
                }
                Entry::Train(train) => {
                    let line = facts.trains.entry(train.line.clone()).or_default();
                    line.widths.extend(&train.widths_us);
                    line.gaps.extend(&train.gaps_us);
                    line.counts.insert(train.pulses);
                }
                _ => {}
            }
        }
        facts
    }

    /// True when nothing was said and nothing measured.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.changer.is_none()
            && self.bill.is_none()
            && self.reader.is_none()
            && self.trains.is_empty()
            && self.announced.is_none()
    }

    fn heard(&mut self, typed: &Typed) {
        match typed {
            Typed::ChangerResponse(changer::Response::Setup(setup)) => {
                self.changer = Some(setup.clone());
            }
            Typed::ChangerResponse(changer::Response::Identification(id)) => {
                self.changer_id = Some(label(&id.maker, &id.model, &id.serial, id.version));
                self.changer_features = Some(id.features);
            }
            Typed::ChangerResponse(changer::Response::TubeStatus(status)) => {
                for n in 0..16 {
                    if let Some(coin_type) = CoinType::new(n) {
                        self.tubes
                            .insert(n, u16::from(status.counts.get(coin_type)));
                    }
                }
            }
            Typed::BillResponse(bill::Response::Setup(setup)) => self.bill = Some(setup.clone()),
            Typed::BillResponse(
                bill::Response::Identification(id)
                | bill::Response::IdentificationWithOptions(id, _),
            ) => {
                let text = label(&id.manufacturer, &id.model, &id.serial, id.version);
                self.bill_id = Some(text);
            }
            Typed::CashlessResponse(
                cashless::Response::Poll(reports) | cashless::Response::Direct(reports),
            ) => {
                for report in reports {
                    self.reader_said(report);
                }
            }
            Typed::CashlessCommand(command) => match &command.kind {
                cashless::Kind::SetupPrices(range) => {
                    self.announced = Some((range.min, range.max));
                }
                cashless::Kind::VendRequest(request) if request.item != u16::MAX => {
                    self.asked.insert(request.item, request.price);
                }
                cashless::Kind::RequestId(id) => {
                    self.board = Some(label(&id.maker, &id.model, &id.serial, id.version));
                }
                _ => {}
            },
            _ => {}
        }
    }

    fn reader_said(&mut self, report: &cashless::Report) {
        match report {
            cashless::Report::ReaderConfig(config) => self.reader = Some(*config),
            cashless::Report::PeripheralId(id) => {
                let options = id.options.unwrap_or_default();
                self.reader_options = options;
                let id = &id.id;
                self.reader_id = Some(label(&id.maker, &id.model, &id.serial, id.version));
            }
            _ => {}
        }
    }

    /// ISO 4217 number and decimals.
    pub(super) fn currency(&self) -> Option<(u16, Decimals)> {
        let changer = self.changer.as_ref().map(|c| (c.currency, c.decimals));
        let bill = self.bill.as_ref().map(|b| (b.currency, b.scaling.decimals));
        let reader = self.reader.map(|r| (r.currency, r.decimals));
        let iso = |(code, decimals): (CurrencyCode, u8)| {
            let number = code.iso4217().filter(|n| *n > 0)?;
            (decimals < 5).then_some((number, Decimals(decimals)))
        };
        [changer, bill, reader].into_iter().flatten().find_map(iso)
    }

    fn decimals(&self) -> Decimals {
        self.currency().map_or(Decimals(2), |(_, d)| d)
    }

    fn show(&self, amount: Money) -> String {
        amount.show(self.decimals()).to_string()
    }

    fn of_reader(&self, count: u32) -> Option<Money> {
        let scaling = self.reader?.scaling();
        Some(Money(scaling.to_minor(count)))
    }

    /// Prices as cards were asked for them, by item.
    pub(super) fn asked(&self) -> BTreeMap<u16, Money> {
        let of = |(item, count): (&u16, &u32)| Some((*item, self.of_reader(*count)?));
        self.asked.iter().filter_map(of).collect()
    }

    /// Lowest and highest price that the board announced.
    pub(super) fn announced(&self) -> Option<(Money, Option<Money>)> {
        let (least, most) = self.announced?;
        Some((self.of_reader(least)?, most.and_then(|m| self.of_reader(m))))
    }

    /// Optional features the reader offers, by their names in a rig.
    pub(super) fn option_names(&self) -> Vec<&'static str> {
        let level_3 = self
            .reader
            .is_some_and(|r| r.level >= cashless::Level::THREE);
        let offered =
            |o: &&(&'static str, cashless::Options)| level_3 && self.reader_options.contains(o.1);
        OPTIONS
            .iter()
            .filter(offered)
            .map(|(name, _)| *name)
            .collect()
    }

    /// What answers a question.
    pub(super) fn answer(&self, id: &str) -> Option<String> {
        match id {
            "currency" => self
                .currency()
                .map(|(number, decimals)| format!("{number} {}", decimals.0)),
            "board" => self.board.clone(),
            "coins" => self.changer.as_ref().map(|_| "changer".to_owned()),
            "coin-values" => self.coins(),
            "bills" => match (&self.bill, self.trains.is_empty()) {
                (Some(_), _) => Some("bus".to_owned()),
                (None, false) => Some("pulses".to_owned()),
                (None, true) => None,
            },
            "bill-values" => self.bills(),
            "bill-pulses" => {
                let nearest = self.trains.values().find_map(Measured::nearest)?;
                self.bill.is_none().then(|| {
                    let unit = Money(10_i64.pow(u32::from(self.decimals().0)));
                    format!("{} 1 {}", nearest.name, self.show(unit))
                })
            }
            "cards" => self.reader.map(|_| "yes".to_owned()),
            _ => None,
        }
    }

    fn coins(&self) -> Option<String> {
        let setup = self.changer.as_ref()?;
        let mut coins = Vec::new();
        for n in 0..16 {
            let Some(coin_type) = CoinType::new(n) else {
                continue;
            };
            let CoinCredit::Worth(value) = setup.credit(coin_type) else {
                continue;
            };
            let count = self.tubes.get(&n).copied().unwrap_or(0);
            coins.push(match setup.routing.contains(coin_type) {
                // How much room a tube has nobody says on the bus.
                true => format!("{} {count}/{}", self.show(value), count.max(80)),
                false => self.show(value),
            });
        }
        (!coins.is_empty()).then(|| coins.join(", "))
    }

    fn bills(&self) -> Option<String> {
        let setup = self.bill.as_ref()?;
        let value = |t: u8| match setup.value(t) {
            bill::BillValue::Minor(n) => Some(self.show(Money(n))),
            bill::BillValue::Unused | bill::BillValue::Token => None,
        };
        let bills: Vec<String> = (0..16).filter_map(value).collect();
        (!bills.is_empty()).then(|| bills.join(", "))
    }
}

/// What a device says of itself, as a line: what is not printable becomes a blank.
fn label(maker: &[u8], model: &[u8], serial: &[u8], version: [u8; 2]) -> String {
    let text = |bytes: &[u8]| {
        let plain = |b: &u8| match b {
            0x21..=0x7E => char::from(*b),
            _ => ' ',
        };
        let text: String = bytes.iter().map(plain).collect();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let [high, low] = version;
    format!(
        "{} {}, serial {}, version {high:02X}{low:02X}",
        text(maker),
        text(model),
        text(serial)
    )
}
