//! The text of a new rig.

use super::facts::label;
use super::questions::{amounts, coins, prices, pulses};
use super::{Answer, Draft, From};
use payrig_controller::CardPrice;
use payrig_units::{Decimals, Money};

/// What marks an answer that nobody gave.
const CHECK: &str = "# CHECK: not said; this is usual";

/// The column at which notes begin, where the line is shorter.
const NOTES: usize = 44;

struct Page<'a> {
    draft: &'a Draft,
    decimals: Decimals,
    lines: Vec<String>,
}

pub(super) fn write(draft: &Draft) -> String {
    let mut page = Page {
        draft,
        decimals: draft.currency().1,
        lines: Vec::new(),
    };
    page.head();
    page.machine();
    page.coins();
    page.bills();
    page.cards();
    page.add("");
    page.add(
        "# What happens: the board sets all up, and nobody does anything. See the guide, Rigs.",
    );
    page.add("[[script]]");
    page.add("do = \"wait-ready\"");
    let mut text = page.lines.join("\n");
    text.push('\n');
    text
}

/// A text in TOML.
fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

impl Page<'_> {
    fn add(&mut self, line: impl Into<String>) {
        self.lines.push(line.into());
    }

    /// A line with a note behind it.
    fn noted(&mut self, line: impl Into<String>, note: &str) {
        let line = line.into();
        match note {
            "" => self.add(line),
            _ => self.add(format!("{line:NOTES$} {note}")),
        }
    }

    fn show(&self, amount: Money) -> String {
        quoted(&amount.show(self.decimals).to_string())
    }

    fn note(answer: &Answer) -> &'static str {
        match answer.from {
            From::Person => "",
            From::Device => "# as it said itself",
            From::Nobody => CHECK,
        }
    }

    fn head(&mut self) {
        let name = self.draft.get("name");
        self.add("# A rig made of answers. Lines marked CHECK are what is usual: nobody said so.");
        self.add("");
        self.add("[bench]");
        self.noted(format!("name = {}", quoted(&name.text)), Self::note(&name));
        let answer = self.draft.get("currency");
        let (number, decimals) = self.draft.currency();
        self.noted(format!("currency = {number}"), Self::note(&answer));
        if decimals != Decimals(2) {
            self.add(format!("decimals = {}", decimals.0));
        }
    }

    fn machine(&mut self) {
        self.add("");
        self.add("[machine]");
        for id in ["site", "asset", "board", "technician"] {
            let answer = self.draft.get(id);
            match answer.text.is_empty() {
                true => self.add(format!("# {id} = \"\"")),
                false => self.noted(
                    format!("{id} = {}", quoted(&answer.text)),
                    Self::note(&answer),
                ),
            }
        }
        let keys = self.draft.get("selections");
        self.noted(format!("keys = {}", quoted(&keys.text)), Self::note(&keys));
        let price = self.draft.get("price");
        self.noted(
            format!("price = {}", quoted(&price.text)),
            Self::note(&price),
        );
        if self.draft.is("cards", "yes") {
            let card = self.draft.get("card-price");
            self.noted(
                format!("card-price = {}", quoted(&card.text)),
                Self::note(&card),
            );
        }
        self.said_of_prices();
        let rows = self.draft.get("prices").text;
        let rows = prices(&rows, self.decimals).unwrap_or_default();
        if rows.is_empty() {
            self.board();
            return;
        }
        self.add("");
        self.add("[machine.selections]");
        for (keys, price, card) in rows {
            let price = self.show(price);
            let line = match card {
                None => format!("{} = {price}", quoted(&keys)),
                Some(card) => format!(
                    "{} = {{ price = {price}, card-price = {} }}",
                    quoted(&keys),
                    self.card(card)
                ),
            };
            self.add(line);
        }
        self.board();
    }

    fn card(&self, card: CardPrice) -> String {
        let show = |m: Money| m.show(self.decimals).to_string();
        quoted(&match card {
            CardPrice::Same => "same".to_owned(),
            CardPrice::Fixed(price) => show(price),
            CardPrice::More(less) if less < Money::ZERO => format!("-{}", show(-less)),
            CardPrice::More(more) => format!("+{}", show(more)),
        })
    }

    /// What the board said of its prices: which selection an item number is, only a person knows.
    fn said_of_prices(&mut self) {
        let show = |m: Money| m.show(self.decimals).to_string();
        let announced = self.draft.facts.announced().map(|(least, most)| {
            let most = most.map_or_else(|| "an unknown price".to_owned(), show);
            format!(
                "# The board announced card prices from {} to {most}.",
                show(least)
            )
        });
        let asked: Vec<String> = self
            .draft
            .facts
            .asked()
            .into_iter()
            .take(20)
            .map(|(item, price)| format!("item {item} for {}", show(price)))
            .collect();
        if let Some(line) = announced {
            self.add(line);
        }
        if !asked.is_empty() {
            self.add(format!("# Cards were asked: {}.", asked.join(", ")));
        }
    }

    fn board(&mut self) {
        self.add("");
        self.add("[board]");
        self.add("kind = \"controller\"                        # payrig plays the board");
    }

    fn device(&mut self, kind: &str, name: &str, said: Option<&String>) {
        self.add("");
        self.add("[[device]]");
        self.add(format!("kind = \"{kind}\""));
        self.add(format!("name = \"{name}\""));
        if let Some(said) = said {
            self.noted(format!("model = {}", quoted(said)), "# as it said itself");
        }
    }

    fn switches(&mut self, id: &str) {
        let answer = self.draft.get(id);
        match answer.text.is_empty() {
            true => {
                self.add("# switches = \"\"                           # CHECK: their positions")
            }
            false => self.add(format!("switches = {}", quoted(&answer.text))),
        }
    }

    fn pulse(&mut self, id: &str, inhibits: &str, measured: bool) {
        let answer = self.draft.get(id);
        let (profile, count, unit) = pulses(&answer.text, self.decimals)
            .unwrap_or_else(|_| ("short".to_owned(), 1, Money(100)));
        self.noted(
            format!(
                "pulse = {{ profile = \"{profile}\", pulses = {count}, per = {}, inhibits = \"{inhibits}\" }}",
                self.show(unit)
            ),
            match answer.from {
                From::Person if measured && self.draft.get("bill-inhibit").from == From::Nobody => {
                    "# CHECK: at which level it takes nothing"
                }
                From::Person => "",
                From::Device => "# CHECK: the amount; the profile is the nearest",
                From::Nobody => CHECK,
            },
        );
        if measured {
            let trains = self.draft.facts.trains.iter();
            let lines: Vec<String> = trains
                .map(|(line, m)| format!("# Measured on {}: {}.", line.escape_debug(), m.text()))
                .collect();
            self.lines.extend(lines);
        }
    }

    fn coins(&mut self) {
        let answer = self.draft.get("coin-values");
        let all = coins(&answer.text, self.decimals).unwrap_or_default();
        if self.draft.is("coins", "changer") {
            let facts = &self.draft.facts;
            let (said, level) = (
                facts.said.changer_id.as_ref().map(label),
                facts.said.changer.as_ref().map(|c| c.level),
            );
            let features = facts.said.changer_features.filter(|_| level == Some(3));
            let scaling = facts
                .said
                .changer
                .as_ref()
                .map(|c| u64::from(c.scaling_factor));
            let scaling = scaling.filter(|_| answer.from == From::Device);
            self.device("changer", "changer", said.as_ref());
            if let Some(level) = level.filter(|l| (2..=3).contains(l)) {
                self.noted(format!("level = {level}"), "# as it said itself");
            }
            if let Some(features) = features {
                self.features(features);
            }
            let scaling = scaling.unwrap_or_else(|| divisor(all.iter().map(|c| c.value), 255));
            self.add(format!("scaling = {scaling}"));
            self.noted("coin = [", Self::note(&answer));
            for coin in all {
                let value = self.show(coin.value);
                self.add(match coin.tube {
                    Some((count, room)) => {
                        format!("  {{ value = {value}, count = {count}, capacity = {room} }},")
                    }
                    None => format!("  {{ value = {value} }},"),
                });
            }
            self.add("]");
        } else if self.draft.is("coins", "pulses") {
            self.device("pulse-coin-acceptor", "coins", None);
            self.switches("coin-switches");
            let values: Vec<String> = all.iter().map(|c| self.show(c.value)).collect();
            self.noted(
                format!("coins = [{}]", values.join(", ")),
                Self::note(&answer),
            );
            self.pulse("coin-pulses", "high", false);
            let hopper = self.draft.get("hopper");
            let below = coins(&hopper.text, self.decimals).unwrap_or_default();
            if let [coin] = below.as_slice()
                && let Some((count, room)) = coin.tube
            {
                self.add(format!(
                    "hopper = {{ name = \"hopper\", coin = {}, count = {count}, capacity = {room} }}",
                    self.show(coin.value)
                ));
            }
        }
    }

    fn features(&mut self, features: payrig_mdb::changer::Features) {
        use payrig_mdb::changer::Features;
        let names = [
            ("alternative-payout", Features::ALTERNATIVE_PAYOUT),
            ("extended-diagnostic", Features::EXTENDED_DIAGNOSTIC),
            ("manual-fill-payout", Features::MANUAL_FILL_PAYOUT),
            ("file-transport", Features::FTL),
        ];
        let offered = names
            .into_iter()
            .filter(|(_, bit)| features.0 & bit.0 == bit.0);
        let offered: Vec<String> = offered.map(|(name, _)| format!("\"{name}\"")).collect();
        self.noted(
            format!("features = [{}]", offered.join(", ")),
            "# as it said itself",
        );
    }

    fn bills(&mut self) {
        let answer = self.draft.get("bill-values");
        let all = amounts(&answer.text, self.decimals).unwrap_or_default();
        let shown: Vec<String> = all.iter().map(|m| self.show(*m)).collect();
        let bills = format!("bills = [{}]", shown.join(", "));
        if self.draft.is("bills", "bus") {
            let setup = self.draft.facts.said.bill.clone();
            let said = self.draft.facts.said.bill_id.as_ref().map(label);
            self.device("bill-validator", "bill", said.as_ref());
            let own = setup.as_ref().map(|s| u64::from(s.scaling.factor));
            let own = own.filter(|n| *n > 0 && answer.from == From::Device);
            let scaling = own.unwrap_or_else(|| divisor(all.iter().copied(), 65_535));
            self.add(format!("scaling = {scaling}"));
            self.noted(bills, Self::note(&answer));
            if let Some(setup) = setup {
                let escrow = setup.escrow == payrig_mdb::bill::EscrowCapability::Capable;
                self.noted(format!("escrow = {escrow}"), "# as it said itself");
                if setup.stacker_capacity < 32_768 {
                    let capacity = setup.stacker_capacity;
                    self.noted(
                        format!("stacker-capacity = {capacity}"),
                        "# as it said itself",
                    );
                }
            }
        } else if self.draft.is("bills", "pulses") {
            self.device("pulse-bill-validator", "old bill", None);
            self.switches("bill-switches");
            self.noted(bills, Self::note(&answer));
            let inhibits = self.draft.get("bill-inhibit").text;
            self.pulse("bill-pulses", &inhibits, true);
        }
    }

    fn cards(&mut self) {
        if !self.draft.is("cards", "yes") {
            return;
        }
        let answer = self.draft.get("cards");
        let facts = &self.draft.facts;
        let (said, reader) = (facts.said.reader_id.as_ref().map(label), facts.said.reader);
        let options = facts.option_names();
        self.device("cashless", "reader", said.as_ref());
        let Some(reader) = reader else {
            let scaling = match self.all_prices_by_five() {
                true => 5,
                false => 1,
            };
            let note = match answer.from {
                From::Person => "# CHECK: the reader says its own",
                _ => CHECK,
            };
            self.noted(format!("scaling = {scaling}"), note);
            return;
        };
        use payrig_mdb::cashless::ReaderConfig;
        let has = |bit: u8| reader.misc & bit != 0;
        let level = match options.is_empty() {
            true => reader.level.0.clamp(1, 3),
            false => 3,
        };
        for (key, value) in [
            ("level", level.to_string()),
            ("scaling", reader.scale.max(1).to_string()),
            ("response-time", reader.response_time.to_string()),
            ("multi-vend", has(ReaderConfig::MULTIVEND).to_string()),
            ("refunds", has(ReaderConfig::RESTORES_FUNDS).to_string()),
            ("cash-sale", has(ReaderConfig::CASH_SALE).to_string()),
            ("display", has(ReaderConfig::DISPLAY).to_string()),
        ] {
            self.noted(format!("{key} = {value}"), "# as it said itself");
        }
        if !options.is_empty() {
            let always_idle = options.contains(&"always-idle");
            let alone = |o: &&&str| always_idle || **o != "ask-begin-session";
            let names: Vec<String> = options
                .iter()
                .filter(alone)
                .map(|o| format!("\"{o}\""))
                .collect();
            self.noted(
                format!("options = [{}]", names.join(", ")),
                "# as it said itself",
            );
        }
    }

    /// Whether a reader that counts in fives can express all prices.
    fn all_prices_by_five(&self) -> bool {
        let mut all = Vec::new();
        let usual = Money::parse(&self.draft.get("price").text, self.decimals).unwrap_or_default();
        let card = self.draft.get("card-price").text;
        let usual_card = super::super::selections::parse_card_price(&card, self.decimals);
        let usual_card = usual_card.unwrap_or_default();
        let rows = prices(&self.draft.get("prices").text, self.decimals).unwrap_or_default();
        all.extend([usual, usual_card.of(usual)]);
        for (_, price, card) in rows {
            all.extend([price, card.unwrap_or(usual_card).of(price)]);
        }
        all.iter().all(|m| m.as_minor() % 5 == 0)
    }
}

/// The largest number up to `most` that all amounts are multiples of.
fn divisor(amounts: impl Iterator<Item = Money>, most: u64) -> u64 {
    let mut all = 0_u64;
    for amount in amounts {
        let (mut a, mut b) = (all, amount.as_minor().unsigned_abs());
        while b != 0 {
            (a, b) = (b, a % b);
        }
        all = a;
    }
    let fits = |d: &u64| all.checked_rem(*d) == Some(0);
    match all {
        0 => 1,
        n if n <= most => n,
        _ => (1..=most.min(1_000)).rev().find(fits).unwrap_or(1),
    }
}
