//! What the bench measures on pulse lines: every credit line against the profile its rig gives it,
//! whoever counts its pulses. The same looks at a bench that runs and at its recording.

use super::outages::Outages;
use super::pulse_finding;
use super::pulse_words::{Excuse, describe, fit, setting};
use crate::recording::{Entry, LineRecord, LineRole, TrainRecord};
use crate::{Edge, Finding, Origin, Party, RuleName};
use payrig_pulse::{CreditCounter, Profile, ProfileRecord, PulseRule, Severity, Train};
use payrig_units::{Decimals, Micros, Money, Movement, Place};
use std::collections::BTreeMap;

/// A device with credit lines.
#[derive(Clone, Debug)]
struct Device {
    name: String,
    /// The bridge that counts its pulses; none for the board.
    counted_by: Option<String>,
    counter: CreditCounter,
    /// Lines that moved.
    moved: bool,
    /// It took money.
    fed: bool,
    /// It is real: whether it took any is not seen.
    outside: bool,
    /// Found to rest at the level that should be a pulse: read the other way round from the next
    /// edge on, so that its trains can still be read.
    reversed: Reversed,
    levels: BTreeMap<String, bool>,
    /// What its pulses were worth in all.
    reported: Money,
    /// Its power cut in the middle of its last train.
    cut_short: Option<Excuse>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Reversed {
    No,
    Found,
    Read,
}

impl Device {
    fn new(name: String, counted_by: Option<String>, profile: Profile) -> Self {
        Self {
            name,
            counted_by,
            counter: CreditCounter::new(profile, Micros::ZERO),
            moved: false,
            fed: false,
            outside: false,
            reversed: Reversed::No,
            levels: BTreeMap::new(),
            reported: Money::ZERO,
            cut_short: None,
        }
    }

    fn level(&mut self, at: Micros, line: &str, high: bool) {
        self.levels.insert(line.to_owned(), high);
        self.counter.start_level(line, at, high);
    }

    fn edge(&mut self, line: &str, edge: Edge, uncertainty: Micros) {
        if self.reversed == Reversed::Found {
            self.reversed = Reversed::Read;
            let mut profile = self.counter.profile().clone();
            profile.active = profile.active.other();
            self.counter = CreditCounter::new(profile, Micros::ZERO);
            for (name, high) in &self.levels {
                // The inhibit line's level counts too.
                self.counter.edge(name, edge.at, *high);
                self.counter.start_level(name, edge.at, *high);
            }
        }
        self.levels.insert(line.to_owned(), edge.high);
        self.counter
            .edge_within(line, edge.at, edge.high, uncertainty);
        self.moved |= line != self.counter.profile().inhibit.line;
    }

    /// True for a line the profile speaks of; a hopper's lines are none of them.
    fn knows(&self, line: &str) -> bool {
        let profile = self.counter.profile();
        profile.inhibit.line == line || profile.lines().contains(&line)
    }
}

/// All of them.
#[derive(Clone, Debug, Default)]
pub struct PulseLines {
    devices: Vec<Device>,
    records: Vec<LineRecord>,
    outages: Outages,
    /// Stretches in which nobody looked.
    asleep: Vec<(Micros, Micros)>,
    /// What was counted since it was last asked for, with the name of the device.
    counted: Vec<(String, Counted)>,
    trains: u64,
}

/// Money that was counted in pulses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Counted {
    /// How much.
    pub amount: Money,
    /// Pulses that were counted.
    pub pulses: u64,
    /// Pulses of no width of the profile.
    pub refused: u64,
    /// How far an edge may be off.
    pub uncertainty: Micros,
}

impl PulseLines {
    /// A line that a device listens to: held at this level as the bench begins.
    pub fn add_input(&mut self, device: &str, line: &str, role: LineRole, high: bool) {
        self.record(device, line, role, high, None);
    }

    /// A device that sends credit by a profile. `counted_by` is the bridge that counts its pulses,
    /// none for the board; an `outside` device is real, and what it takes is not seen.
    pub fn add_credit(
        &mut self,
        device: &str,
        profile: Profile,
        counted_by: Option<String>,
        outside: bool,
    ) {
        let device = Device::new(device.to_owned(), counted_by, profile);
        self.devices.push(Device { outside, ..device });
    }

    /// The lines of a recording; none when it was written without saying what its lines are.
    pub fn of_records<'a>(records: impl Iterator<Item = &'a LineRecord>) -> Self {
        let mut lines = Self::default();
        for record in records {
            let known = lines.devices.iter().any(|d| d.name == record.device);
            let profile = record.profile.clone().map(Profile::try_from);
            if let (false, Some(Ok(profile))) = (known, profile) {
                let counted_by = record.counted_by.clone();
                let device = Device {
                    outside: record.outside,
                    ..Device::new(record.device.clone(), counted_by, profile)
                };
                lines.devices.push(device);
            }
            let line = record.line.strip_prefix(record.device.as_str());
            let line = line.map(str::trim_start).unwrap_or_default();
            for device in lines.of(&record.device) {
                device.level(record.at_us, line, record.high);
            }
            if !lines.has(&record.line) {
                lines.records.push(record.clone());
            }
        }
        lines
    }

    fn of(&mut self, name: &str) -> impl Iterator<Item = &mut Device> {
        self.devices.iter_mut().filter(move |d| d.name == name)
    }

    fn record(
        &mut self,
        device: &str,
        line: &str,
        role: LineRole,
        high: bool,
        profile: Option<ProfileRecord>,
    ) {
        let counted_by = match profile {
            Some(_) => self.of(device).find_map(|d| d.counted_by.clone()),
            None => None,
        };
        let outside = profile.is_some() && self.of(device).any(|d| d.outside);
        self.records.push(LineRecord {
            at_us: Micros::ZERO,
            device: device.to_owned(),
            line: format!("{device} {line}"),
            role,
            high,
            counted_by,
            outside,
            profile,
        });
    }

    /// The level of a line that a device drives, as the bench begins.
    pub fn level(&mut self, device: &str, line: &str, high: bool) {
        let mut profile = None;
        for known in self.of(device).filter(|d| d.knows(line)) {
            known.level(Micros::ZERO, line, high);
            profile = Some(ProfileRecord::from(known.counter.profile()));
        }
        let role = match profile {
            Some(_) => LineRole::Credit,
            None => LineRole::Exit,
        };
        self.record(device, line, role, high, profile);
    }

    /// What a recording says of the lines at its beginning.
    pub fn records(&mut self) -> impl Iterator<Item = LineRecord> + use<> {
        std::mem::take(&mut self.records).into_iter()
    }

    /// An edge, whoever made it, and how far its time may be off.
    pub fn edge(&mut self, device: &str, line: &str, edge: Edge, uncertainty: Micros) {
        for device in self.of(device).filter(|d| d.knows(line)) {
            device.edge(line, edge, uncertainty);
        }
    }

    /// The power of a device, or of the board, came or went.
    pub fn power(&mut self, who: Option<&str>, at: Micros, on: bool) {
        self.outages.power(who, at, on);
    }

    /// Nobody looked between these times: what is wrong with a train in there accuses nobody.
    pub fn slept(&mut self, from: Micros, to: Micros) {
        self.asleep.push((from, to));
    }

    /// An edge by the name a recording gives its line.
    pub fn named_edge(&mut self, line: &str, edge: Edge, uncertainty: Micros) {
        let known = self.records.iter().find(|r| r.line == line);
        let Some(device) = known.map(|r| r.device.clone()) else {
            return;
        };
        let own = line.strip_prefix(device.as_str()).map(str::trim_start);
        self.edge(&device, own.unwrap_or_default(), edge, uncertainty);
    }

    /// True when a recording's line is one of these.
    pub fn has(&self, line: &str) -> bool {
        self.records.iter().any(|r| r.line == line)
    }

    /// Money moved: perhaps one of the devices took it.
    pub fn moved(&mut self, movement: &Movement) {
        let place = match (&movement.from, &movement.to) {
            (Place::Supply, _) => return,
            (_, Place::CashBox(d) | Place::Stacker(d) | Place::Hopper(d)) => d,
            (_, Place::CardReceipts(d)) => d,
            _ => return,
        };
        self.of(&place.clone()).for_each(|d| d.fed = true);
    }

    /// Time has passed.
    pub fn idle(&mut self, now: Micros) {
        for device in &mut self.devices {
            device.counter.idle(now);
        }
    }

    /// When [`idle`](Self::idle) has something to say.
    pub fn next_deadline(&self) -> Micros {
        let each = self.devices.iter().map(|d| d.counter.next_deadline());
        each.min().unwrap_or(Micros::NEVER)
    }

    /// Start of the earliest train that is going on.
    pub fn open_since(&self) -> Option<Micros> {
        let open = self.devices.iter().filter_map(|d| d.counter.open_since());
        open.min()
    }

    /// The end.
    pub fn finish(&mut self, now: Micros) {
        for device in &mut self.devices {
            device.counter.finish(now);
        }
    }

    /// True for a device with credit lines.
    pub fn has_credit(&self, device: &str) -> bool {
        self.devices.iter().any(|d| d.name == device)
    }

    /// What the pulses of a device were worth in all.
    pub fn reported(&self, device: &str) -> Money {
        let mut all = self.devices.iter().filter(|d| d.name == device);
        all.next().map_or(Money::ZERO, |d| d.reported)
    }

    /// Money that was counted in pulses since the last call, by device.
    pub fn take_counted(&mut self) -> Vec<(String, Counted)> {
        std::mem::take(&mut self.counted)
    }

    /// Trains so far.
    pub fn trains(&self) -> u64 {
        self.trains
    }

    /// True when there is something to be taken.
    pub fn has_news(&self) -> bool {
        !self.counted.is_empty() || self.devices.iter().any(|d| d.counter.has_news())
    }

    /// Trains and findings since the last call.
    pub fn take_entries(&mut self, decimals: Decimals) -> Vec<Entry> {
        let mut entries = Vec::new();
        for device in &mut self.devices {
            if !device.counter.has_news() {
                continue;
            }
            let named = |line: &str| format!("{} {line}", device.name);
            let profile = device.counter.profile().clone();
            let credits = device.counter.take_credits();
            let trains = device.counter.take_trains();
            for mut found in device.counter.take_findings() {
                // A line that rests because nobody fed the device, or because its coin did not
                // come, is no news; of a real device nobody knows whether it was fed.
                let silent = found.rule == PulseRule::LineSilent;
                let known = device.fed || device.outside;
                if silent && (!known || device.moved) {
                    continue;
                }
                if found.rule == PulseRule::LineReversed && device.reversed == Reversed::No {
                    device.reversed = Reversed::Found;
                }
                let train = trains.iter().find(|t| t.start() == found.at);
                let excuse = train
                    .filter(|_| found.is_limit())
                    .and_then(|t| self.outages.excuse(found.rule, &device.name, t, &profile));
                // A train that was cut goes on in the next one, whatever its first pulse makes whole.
                let excuse = match found.rule {
                    PulseRule::PulseRemainder => {
                        let before = std::mem::replace(&mut device.cut_short, excuse);
                        excuse.or(before)
                    }
                    _ => excuse,
                };
                let until = train.map_or(found.at, Train::end);
                let unseen = self.asleep.iter();
                let unseen = unseen
                    .filter(|(from, to)| found.is_limit() && found.at <= *to && until >= *from);
                let width = found.rule == PulseRule::PulseWidth && found.is_limit();
                if let Some((from, to)) = unseen.copied().next() {
                    found.severity = Severity::Advice;
                    found.text = format!(
                        "{}. This tool did not look from {from} to {to}: that says nothing of the line",
                        found.text
                    );
                } else if let Some(excuse) = excuse {
                    found.severity = Severity::Advice;
                    found.text = format!(
                        "{}. The power of {} went at {}, {}",
                        found.text, device.name, excuse.at, excuse.says
                    );
                } else if width
                    && let Some(advice) = train.and_then(|t| setting(t, &profile, decimals))
                {
                    found.text = format!("{}. {advice}", found.text);
                }
                found.line = named(&found.line);
                entries.push(Entry::Finding(pulse_finding(&found)));
            }
            for (train, credit) in trains.iter().zip(&credits) {
                self.trains += 1;
                device.reported = device.reported.saturating_add(credit.amount);
                let all = u64::try_from(train.count()).unwrap_or(u64::MAX);
                let counted = Counted {
                    amount: credit.amount,
                    pulses: credit.pulses,
                    refused: all.saturating_sub(credit.pulses),
                    uncertainty: train.uncertainty,
                };
                self.counted.push((device.name.clone(), counted));
                let counted_by = device.counted_by.as_deref();
                let unheard = self.outages.unheard(counted_by, train, &profile, decimals);
                if let Some(text) = unheard {
                    let who = Party::Line(named(&train.line).into());
                    let found = Finding::advice(RuleName::PulseUnheard, train.start(), text)
                        .from_origin(Origin::CommonPractice)
                        .of(who);
                    entries.push(Entry::Finding(found));
                }
                let fit = fit(train, &profile);
                let text = describe(credit, train, &profile, fit.as_ref(), decimals);
                entries.push(Entry::Train(TrainRecord {
                    line: named(&train.line),
                    text: Some(text),
                    ..TrainRecord::of(train, fit.as_ref().map_or("none", |p| &p.name))
                }));
            }
        }
        entries
    }
}
