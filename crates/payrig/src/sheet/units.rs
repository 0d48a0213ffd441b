//! Board and devices of a rig, each with its settings as they were made and as they were seen.

use super::heard::label;
use super::{Given, Read};
use payrig_bench::Plan;
use payrig_bench::plan::{BridgeWay, DevicePlan, Kind, PulsePlan};
use payrig_exam::Examination;
use payrig_mdb::cashless::Unit;
use payrig_peripherals::bill::{BillConfig, BillKind};
use payrig_peripherals::changer::CoinWorth;
use payrig_pulse::{Coding, Level, Profile};
use payrig_report::{Setting, SheetUnit};
use payrig_units::{Decimals, Micros, Money, words};
use payrig_wire::recording::TrainRecord;

/// Something that can be examined: the board, or a device.
pub(super) struct Subject<'a> {
    /// As examinations call it; some devices may be examined as one kind or another.
    pub(super) kinds: Vec<&'static str>,
    name: String,
    device: Option<&'a DevicePlan>,
    /// There is no other of these kinds in the rig.
    only_one: bool,
}

impl Subject<'_> {
    /// True for an examination of this one.
    pub(super) fn is_of(&self, examination: &Examination) -> bool {
        let subject = &examination.subject;
        self.is_called(&subject.kind) && (self.only_one || subject.name == self.name)
    }

    /// True where a unit of that kind can be no other.
    pub(super) fn is_a(&self, kind: &str) -> bool {
        self.only_one && self.is_called(kind)
    }

    fn is_called(&self, kind: &str) -> bool {
        let mut kinds = self.kinds.iter();
        kinds.any(|own| payrig_tickets::same_kind(own, kind))
    }

    /// Its name, and what it is where that says more.
    pub(super) fn called(&self) -> String {
        let kind = self.kinds.first().copied().unwrap_or_default();
        match kind.contains(&self.name) {
            true => kind.to_owned(),
            false => format!("{}, {kind}", self.name),
        }
    }
}

fn kinds(device: &DevicePlan) -> Vec<&'static str> {
    match &device.kind {
        Kind::Changer(..) => vec!["changer"],
        Kind::Bill(config, _) if config.recycler.is_empty() => vec!["bill validator"],
        Kind::Bill(..) => vec!["bill recycler", "bill validator"],
        Kind::Cashless(_) => vec!["cashless device"],
        Kind::Pulse(pulse) => match &**pulse {
            PulsePlan::Bill(_) => vec!["pulse bill validator"],
            PulsePlan::Coin(config) if config.hopper.is_some() => {
                vec!["pulse coin acceptor with hopper", "pulse coin acceptor"]
            }
            PulsePlan::Coin(_) => vec!["pulse coin acceptor"],
            PulsePlan::Hopper(_) => vec!["pulse hopper"],
            PulsePlan::Card(_) => vec!["pulse card reader"],
        },
        Kind::Bridge(_) => vec!["bridge"],
    }
}

/// The board, and the devices in the order of the rig.
pub(super) fn subjects(rig: &Plan) -> Vec<Subject<'_>> {
    let board = Subject {
        kinds: vec!["board"],
        name: "board".to_owned(),
        device: None,
        only_one: true,
    };
    let all: Vec<Vec<&str>> = rig.devices.iter().map(kinds).collect();
    let alike = |kinds: &[&str]| {
        let mut same = all.iter().filter(|k| k.first() == kinds.first());
        same.by_ref().take(2).count() < 2
    };
    let device = |d: &'_ DevicePlan| (kinds(d), d.name.clone());
    let devices = rig.devices.iter().map(|d| {
        let (kinds, name) = device(d);
        Subject {
            only_one: alike(&kinds),
            kinds,
            name,
            device: Some(d),
        }
    });
    std::iter::once(board).chain(devices).collect()
}

fn coins_of(device: &DevicePlan) -> Vec<Money> {
    match &device.kind {
        Kind::Changer(config, _) => {
            let coins = config.coins.iter().flatten();
            let value = |worth: &CoinWorth| match worth {
                CoinWorth::Money(value) => Some(*value),
                _ => None,
            };
            coins.filter_map(|c| value(&c.worth)).collect()
        }
        Kind::Pulse(pulse) => match &**pulse {
            PulsePlan::Coin(config) => config.coins.clone(),
            _ => Vec::new(),
        },
        _ => Vec::new(),
    }
}

fn bills_of(config: &BillConfig) -> Vec<Money> {
    let value = |bill: &BillKind| match bill {
        BillKind::Value(value) => Some(*value),
        _ => None,
    };
    config.bills.iter().filter_map(value).collect()
}

/// Coins and bills that the machine takes.
pub(super) fn taken(rig: &Plan) -> (Vec<Money>, Vec<Money>) {
    let (mut coins, mut bills) = (Vec::new(), Vec::new());
    for device in &rig.devices {
        coins.extend(coins_of(device));
        bills.extend(match &device.kind {
            Kind::Bill(config, _) => {
                let mut its = bills_of(config);
                its.retain(|bill| !rig.board.bills.refused.contains(bill));
                its
            }
            Kind::Pulse(pulse) if matches!(**pulse, PulsePlan::Bill(_)) => pulse.values(),
            _ => Vec::new(),
        });
    }
    coins.retain(|coin| !rig.board.refused_coins.contains(coin));
    for all in [&mut coins, &mut bills] {
        all.sort_unstable();
        all.dedup();
    }
    (coins, bills)
}

fn setting(what: &str, set: impl Into<String>, seen: Option<String>) -> Setting {
    Setting {
        what: what.to_owned(),
        set: set.into(),
        seen,
    }
}

struct Describing<'a> {
    rig: &'a Plan,
    given: &'a Given,
    decimals: Decimals,
}

/// All units of a rig, the board first.
pub(super) fn units(rig: &Plan, given: &Given) -> Vec<SheetUnit> {
    let describing = Describing {
        rig,
        given,
        decimals: rig.decimals,
    };
    let all = subjects(rig);
    all.iter().map(|s| describing.unit(s)).collect()
}

impl Describing<'_> {
    fn show(&self, amount: Money) -> String {
        amount.show(self.decimals).to_string()
    }

    fn list(&self, amounts: &[Money]) -> String {
        let all: Vec<String> = amounts.iter().map(|m| self.show(*m)).collect();
        all.join(", ")
    }

    /// What a real one reported of itself in an examination of it.
    fn reported(&self, subject: &Subject<'_>) -> Option<String> {
        let read = self.given.real().find(|r| subject.is_of(&r.examination))?;
        let subject = &read.examination.subject;
        let parts = [
            ("", &subject.maker),
            ("", &subject.model),
            ("serial ", &subject.serial),
            ("version ", &subject.version),
        ];
        let known = parts.iter().filter(|(_, text)| !text.trim().is_empty());
        let known: Vec<String> = known
            .map(|(what, text)| format!("{what}{}", text.trim()))
            .collect();
        (!known.is_empty()).then(|| known.join(", "))
    }

    fn unit(&self, subject: &Subject<'_>) -> SheetUnit {
        let heard = &self.given.heard.said;
        let about = &self.rig.machine.about;
        let (label, settings, in_recording) = match subject.device {
            None => (
                about.board.clone(),
                self.board(),
                heard.board_id.as_ref().map(label),
            ),
            Some(device) => {
                let id = match &device.kind {
                    Kind::Changer(..) => heard.changer_id.as_ref().map(label),
                    Kind::Bill(..) => heard.bill_id.as_ref().map(label),
                    Kind::Cashless(_) => heard.reader_id.as_ref().map(label),
                    Kind::Pulse(_) | Kind::Bridge(_) => None,
                };
                (
                    device.settings.model.clone(),
                    self.device(subject, device),
                    id,
                )
            }
        };
        SheetUnit {
            kind: subject
                .kinds
                .first()
                .copied()
                .unwrap_or_default()
                .to_owned(),
            name: subject.name.clone(),
            label: label.unwrap_or_default(),
            reported: self.reported(subject).or(in_recording).unwrap_or_default(),
            settings,
        }
    }

    fn board(&self) -> Vec<Setting> {
        let board = &self.rig.board;
        let has = |kind: &str| subjects(self.rig).iter().any(|s| s.kinds.contains(&kind));
        let mut all = Vec::new();
        let policy = |is: bool, text: &str, other: &str| if is { text } else { other }.to_owned();
        if has("cashless device") {
            let level = self.given.heard.said.vmc_level.map(|l| l.to_string());
            all.push(setting(
                "level to card readers",
                board.cashless_level.to_string(),
                level,
            ));
            let multi = policy(
                board.multi_vend,
                "several vends in a session",
                "one vend in a session",
            );
            all.push(setting("card sessions", multi, None));
        }
        if let Some(keeps) = board.keep_credit {
            let text = policy(keeps, "kept for another sale", "change paid at once");
            all.push(setting("credit after a sale", text, None));
        }
        if has("bill validator") {
            let text = policy(
                board.hold_bills,
                "held in escrow until a selection",
                "stacked at once",
            );
            all.push(setting("bills", text, None));
        }
        if let Some(limit) = board.changer.credit_limit {
            all.push(setting("no coins from a credit of", self.show(limit), None));
        }
        all
    }

    fn device(&self, subject: &Subject<'_>, device: &DevicePlan) -> Vec<Setting> {
        let heard = &self.given.heard.said;
        let mut all = Vec::new();
        let own = &device.settings;
        if let Some(switches) = &own.switches {
            all.push(setting("switches", switches.clone(), None));
        }
        match &device.kind {
            Kind::Changer(config, _) => {
                let level = heard.changer.as_ref().map(|s| s.level.to_string());
                all.push(setting("level", config.level.to_string(), level));
                let on = heard.changer_on.map(|f| format!("enabled: {f}"));
                all.push(setting("options", config.features.to_string(), on));
                let coins = coins_of(device);
                all.push(setting("coins", self.list(&coins), None));
                let tubes = config
                    .coins
                    .iter()
                    .flatten()
                    .filter(|c| c.tube.is_some())
                    .count();
                all.push(setting("tubes", tubes.to_string(), None));
            }
            Kind::Bill(config, _) => {
                let level = heard.bill.as_ref().map(|s| s.level.to_string());
                all.push(setting("level", config.level.to_string(), level));
                if let Some(on) = heard.bill_on {
                    all.push(setting("options", "", Some(format!("enabled: {on}"))));
                }
                all.push(setting("bills", self.list(&bills_of(config)), None));
                let escrow = if config.escrow { "yes" } else { "no" };
                all.push(setting("escrow", escrow, None));
                if !config.recycler.is_empty() {
                    let stores = words::count(config.recycler.len(), "bill store");
                    all.push(setting("recycler", stores, None));
                }
            }
            Kind::Cashless(config) => {
                let level = heard.reader.map(|r| r.level.0.to_string());
                all.push(setting("level", config.level.0.to_string(), level));
                let on = heard.reader_on.map(|o| format!("enabled: {o}"));
                all.push(setting("options", config.options.to_string(), on));
                let address = if config.unit == Unit::Two {
                    "60H"
                } else {
                    "10H"
                };
                all.push(setting("address", address, None));
            }
            Kind::Pulse(pulse) => {
                if let Some(profile) = pulse.profile() {
                    self.pulses(subject, profile, &mut all);
                }
                let values = pulse.values();
                if !values.is_empty() {
                    let what = match **pulse {
                        PulsePlan::Bill(_) => "bills",
                        _ => "coins",
                    };
                    all.push(setting(what, self.list(&values), None));
                }
                if let Some(hopper) = pulse.hopper() {
                    let text = format!("{}, holds {}", self.show(hopper.coin), hopper.capacity);
                    all.push(setting("hopper", text, None));
                }
            }
            Kind::Bridge(bridge) => {
                let to = match &bridge.way {
                    BridgeWay::ToMdb { .. } => "onto the bus",
                    BridgeWay::ToPulse { .. } => "onto a credit line",
                };
                all.push(setting("brings", format!("{} {to}", bridge.from), None));
            }
        }
        if let Some(note) = &own.note {
            all.push(setting("note", note.clone(), None));
        }
        all
    }

    /// The profile of a credit line beside what was measured of it.
    fn pulses(&self, subject: &Subject<'_>, profile: &Profile, all: &mut Vec<Setting>) {
        let examined = self.given.real().filter(|r| subject.is_of(&r.examination));
        // A board is sent its pulses by payrig; those of an acceptor are its own.
        let mut trains: Vec<&TrainRecord> = examined
            .flat_map(|r: &Read| &r.examination.trains)
            .collect();
        let of_it = |line: &&String| line.starts_with(&format!("{} ", subject.name));
        let recorded = &self.given.heard.trains;
        let lines = recorded
            .keys()
            .filter(|line| subject.only_one_line(recorded.len()) || of_it(line));
        trains.extend(lines.filter_map(|line| recorded.get(line)).flatten());
        let times = |get: fn(&TrainRecord) -> &Vec<Micros>| {
            let all: Vec<Micros> = trains.iter().flat_map(|t| get(t)).copied().collect();
            match (all.iter().min(), all.iter().max()) {
                (Some(least), Some(most)) => Some(format!("{least} to {most}")),
                _ => None,
            }
        };
        let fits = (!trains.is_empty()).then(|| {
            let mut names: Vec<&str> = trains.iter().map(|t| t.profile.as_str()).collect();
            names.sort_unstable();
            names.dedup();
            names.join(", ")
        });
        all.push(setting("profile", profile.name.clone(), fits));
        let allowed = |nominal: Micros| nominal.to_string();
        all.push(setting(
            "pulse",
            allowed(profile.on),
            times(|t| &t.widths_us),
        ));
        all.push(setting(
            "pause",
            allowed(profile.off),
            times(|t| &t.gaps_us),
        ));
        let worth = match &profile.coding {
            Coding::Count { pulses, unit } => {
                format!(
                    "{} per {}",
                    words::count(*pulses as usize, "pulse"),
                    self.show(*unit)
                )
            }
            Coding::Lines(lines) => {
                format!("{}, one coin to a pulse", words::count(lines.len(), "line"))
            }
            Coding::Widths(widths) => format!("by width, {}", words::count(widths.len(), "value")),
        };
        all.push(setting("worth", worth, None));
        let level = |level: Level| if level.is_high() { "high" } else { "low" };
        let inhibit = &profile.inhibit;
        all.push(setting(
            "levels",
            format!(
                "pulse {}, held off while {} is {}",
                level(profile.active),
                inhibit.line,
                level(inhibit.inhibits)
            ),
            None,
        ));
    }
}

impl Subject<'_> {
    /// Recordings of a single acceptor name its lines by themselves.
    fn only_one_line(&self, lines: usize) -> bool {
        self.only_one && lines == 1
    }
}
