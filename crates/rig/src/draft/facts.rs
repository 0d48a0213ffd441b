//! What devices and a board said of themselves in a recording or a capture, and what was measured.

use super::super::cashless::OPTIONS;
use crate::said::{Identity, Said};
use payrig_mdb::changer::{CoinCredit, CoinType};
use payrig_mdb::{CurrencyCode, bill, cashless};
use payrig_pulse::Profile;
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::recording::{Entry, Meaning};
use std::collections::{BTreeMap, BTreeSet};

/// What is known of the devices of a machine by what passed on its wires.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// What was said on the bus.
    pub(super) said: Said,
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
                        facts.said.hear(typed);
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
        self.said.changer.is_none()
            && self.said.bill.is_none()
            && self.said.reader.is_none()
            && self.trains.is_empty()
            && self.said.announced.is_none()
    }

    /// ISO 4217 number and decimals.
    pub(super) fn currency(&self) -> Option<(u16, Decimals)> {
        let changer = self.said.changer.as_ref().map(|c| (c.currency, c.decimals));
        let bill = self
            .said
            .bill
            .as_ref()
            .map(|b| (b.currency, b.scaling.decimals));
        let reader = self.said.reader.map(|r| (r.currency, r.decimals));
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
        let scaling = self.said.reader?.scaling();
        Some(Money(scaling.to_minor(count)))
    }

    /// Prices as cards were asked for them, by item.
    pub(super) fn asked(&self) -> BTreeMap<u16, Money> {
        let of = |(item, count): (&u16, &u32)| Some((*item, self.of_reader(*count)?));
        self.said.asked.iter().filter_map(of).collect()
    }

    /// Lowest and highest price that the board announced.
    pub(super) fn announced(&self) -> Option<(Money, Option<Money>)> {
        let (least, most) = self.said.announced?;
        Some((self.of_reader(least)?, most.and_then(|m| self.of_reader(m))))
    }

    /// Optional features the reader offers, by their names in a rig.
    pub(super) fn option_names(&self) -> Vec<&'static str> {
        let level_3 = self
            .said
            .reader
            .is_some_and(|r| r.level >= cashless::Level::THREE);
        let offered = |o: &&(&'static str, cashless::Options)| {
            level_3 && self.said.reader_options.contains(o.1)
        };
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
            "board" => self.said.board_id.as_ref().map(label),
            "coins" => self.said.changer.as_ref().map(|_| "changer".to_owned()),
            "coin-values" => self.coins(),
            "bills" => match (&self.said.bill, self.trains.is_empty()) {
                (Some(_), _) => Some("bus".to_owned()),
                (None, false) => Some("pulses".to_owned()),
                (None, true) => None,
            },
            "bill-values" => self.bills(),
            "bill-pulses" => {
                let nearest = self.trains.values().find_map(Measured::nearest)?;
                self.said.bill.is_none().then(|| {
                    let unit = Money(10_i64.pow(u32::from(self.decimals().0)));
                    format!("{} 1 {}", nearest.name, self.show(unit))
                })
            }
            "cards" => self.said.reader.map(|_| "yes".to_owned()),
            _ => None,
        }
    }

    fn coins(&self) -> Option<String> {
        let setup = self.said.changer.as_ref()?;
        let mut coins = Vec::new();
        for n in 0..16 {
            let Some(coin_type) = CoinType::new(n) else {
                continue;
            };
            let CoinCredit::Worth(value) = setup.credit(coin_type) else {
                continue;
            };
            let count = self.said.tubes.get(&n).copied().unwrap_or(0);
            coins.push(match setup.routing.contains(coin_type) {
                // How much room a tube has nobody says on the bus.
                true => format!("{} {count}/{}", self.show(value), count.max(80)),
                false => self.show(value),
            });
        }
        (!coins.is_empty()).then(|| coins.join(", "))
    }

    fn bills(&self) -> Option<String> {
        let setup = self.said.bill.as_ref()?;
        let value = |t: u8| match setup.value(t) {
            bill::BillValue::Minor(n) => Some(self.show(Money(n))),
            bill::BillValue::Unused | bill::BillValue::Token => None,
        };
        let bills: Vec<String> = (0..16).filter_map(value).collect();
        (!bills.is_empty()).then(|| bills.join(", "))
    }
}

/// What a device says of itself, as a line: what is not printable becomes a blank.
pub(super) fn label(id: &Identity) -> String {
    id.line(|bytes| {
        let plain = |b: &u8| match b {
            0x21..=0x7E => char::from(*b),
            _ => ' ',
        };
        let text: String = bytes.iter().map(plain).collect();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    })
}
