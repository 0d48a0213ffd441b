//! Advice is gathered while watching and given once at the end, one finding per rule and device,
//! so that a device that is a little slow a thousand times does not fill a report.

use super::table::{POLL_LONGEST, POLL_RECOMMENDED, POLL_SHORTEST};
use super::{BusRule, Certainty, Finding, Origin, Party};
use payrig_mdb::Address;
use payrig_units::{Micros, words};
use std::collections::BTreeMap;

/// How often something happened, and the worst of it.
#[derive(Clone, Debug)]
struct Tally {
    count: u64,
    at: Micros,
    worst: Option<(Micros, Micros)>,
    what: String,
}

/// When a device was last spoken to, and at what pace it is polled.
#[derive(Clone, Copy, Debug, Default)]
struct Pace {
    command: Option<Micros>,
    answered_poll: Option<Micros>,
    polls: u64,
    below_recommended: u64,
}

/// Gathers advice.
#[derive(Clone, Debug, Default)]
pub(crate) struct Advice {
    /// By rule and device; where the worst is the shortest, by what it should not be shorter than, too.
    tallies: BTreeMap<(BusRule, Party, Option<Micros>), Tally>,
    paces: BTreeMap<Address, Pace>,
    /// Commands left unanswered on purpose: since when, and how many.
    asked: BTreeMap<Party, (Micros, u64)>,
}

impl Advice {
    /// Counts something; `worst` is a measured time and its uncertainty.
    pub(crate) fn count(
        &mut self,
        rule: BusRule,
        who: &Party,
        at: Micros,
        worst: Option<(Micros, Micros)>,
        what: &str,
    ) {
        self.tally(rule, who, at, worst, what, None);
    }

    /// A device did not answer a command, because it was kept from it.
    pub(crate) fn as_asked(&mut self, who: &Party, at: Micros) {
        let (_, count) = self.asked.entry(who.clone()).or_insert((at, 0));
        *count += 1;
    }

    fn tally(
        &mut self,
        rule: BusRule,
        who: &Party,
        at: Micros,
        worst: Option<(Micros, Micros)>,
        what: &str,
        least: Option<Micros>,
    ) {
        let tally = self
            .tallies
            .entry((rule, who.clone(), least))
            .or_insert_with(|| Tally {
                count: 0,
                at,
                worst: None,
                what: what.to_owned(),
            });
        tally.count += 1;
        let worse = match (worst, tally.worst) {
            (Some((new, _)), Some((old, _))) if least.is_some() => new < old,
            (Some((new, _)), Some((old, _))) => new > old,
            (Some(_), None) => true,
            (None, _) => false,
        };
        if worse {
            tally.worst = worst;
            tally.at = at;
        }
    }

    /// A command started.
    pub(crate) fn command(&mut self, address: Address, byte: u8, start: Micros) {
        let pace = self.paces.entry(address).or_default();
        let is_poll = poll_byte(address) == Some(byte);
        let since_command = pace
            .command
            .replace(start)
            .map(|before| start.since(before));
        let since_poll = if is_poll {
            pace.answered_poll.take().map(|before| start.since(before))
        } else {
            None
        };
        if let Some(interval) = since_poll {
            pace.polls += 1;
            pace.below_recommended += u64::from(interval < POLL_RECOMMENDED);
        }
        let who = Party::Device(address);
        let exact = |time: Micros| Some((time, Micros(1)));
        if let Some(interval) = since_command.filter(|i| *i > POLL_LONGEST) {
            let what = "is left without a command for longer than 200 ms";
            self.count(BusRule::PollInterval, &who, start, exact(interval), what);
        }
        if let Some(interval) = since_poll.filter(|i| *i < POLL_SHORTEST) {
            let what = "is polled again within 25 ms of a poll it had answered";
            let least = Some(POLL_SHORTEST);
            self.tally(
                BusRule::PollInterval,
                &who,
                start,
                exact(interval),
                what,
                least,
            );
        }
    }

    /// The last command to that address was answered.
    pub(crate) fn answered(&mut self, address: Address, byte: u8, command_start: Micros) {
        if poll_byte(address) == Some(byte) {
            self.paces.entry(address).or_default().answered_poll = Some(command_start);
        }
    }

    /// A bus reset: paces start again.
    pub(crate) fn reset(&mut self) {
        for pace in self.paces.values_mut() {
            pace.command = None;
            pace.answered_poll = None;
        }
    }

    /// Everything gathered, in order of time.
    pub(crate) fn take(&mut self) -> Vec<Finding> {
        let paces: Vec<_> = self.paces.iter().map(|(a, p)| (*a, *p)).collect();
        for (address, pace) in paces {
            if pace.polls >= 4 && pace.below_recommended * 2 > pace.polls {
                let what = format!(
                    "{} of {} polls follow the one before within 125 ms",
                    pace.below_recommended, pace.polls
                );
                let at = pace.command.unwrap_or_default();
                let who = Party::Device(address);
                self.count(BusRule::PollRecommended, &who, at, None, &what);
            }
        }
        self.paces.clear();
        let mut tallies: Vec<_> = std::mem::take(&mut self.tallies).into_iter().collect();
        // Of one time, in the order of their names.
        tallies
            .sort_by_cached_key(|((rule, who, least), _)| (rule.name(), who.to_string(), *least));
        let mut findings: Vec<Finding> = tallies
            .into_iter()
            .map(|((rule, who, least), tally)| finding(rule, who, least, &tally))
            .collect();
        for (who, (at, count)) in std::mem::take(&mut self.asked) {
            let times = match count {
                1 => String::new(),
                more => format!(", {}", words::times(more)),
            };
            let text = format!(
                "{who} did not answer a command{times}, as asked: it was kept silent on purpose"
            );
            let finding = Finding::advice(BusRule::Silent, at, text).of(who);
            findings.push(finding.from_origin(Origin::Script));
        }
        findings.sort_by_key(|f| f.at);
        findings
    }
}

fn finding(rule: BusRule, who: Party, least: Option<Micros>, tally: &Tally) -> Finding {
    let mut text = format!("{who} {}", tally.what);
    if tally.count > 1 {
        text.push_str(&format!(", {}", words::times(tally.count)));
    }
    if let Some((worst, _)) = tally.worst {
        text.push_str(if tally.count > 1 {
            match least {
                Some(_) => ", the shortest ",
                None => ", the longest ",
            }
        } else {
            ": "
        });
        text.push_str(&worst.to_string());
    }
    if let Some(row) = rule.row() {
        text.push_str(&format!(". {}", capital(row.action)));
    }
    let mut finding = Finding::advice(rule, tally.at, text).of(who);
    if let Some((worst, uncertainty)) = tally.worst {
        finding = finding.measured(worst, uncertainty);
    }
    finding.limit = least.or(finding.limit);
    if rule == BusRule::TooCloseToTell {
        finding.certainty = Certainty::CannotTell;
    }
    finding
}

/// First letter in upper case.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().chain(chars).collect())
        .unwrap_or_default()
}

/// The POLL command of a device: sections 5.3, 6.3, 7.3, 8.3, 9.3, 10.3.
fn poll_byte(address: Address) -> Option<u8> {
    let command = match address.byte() {
        0x08 | 0x30 | 0x58 | 0x70 => 3,
        0x10 | 0x60 | 0x18 | 0x40 | 0x48 | 0x50 => 2,
        _ => return None,
    };
    Some(address.with(command))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polling_too_slowly_is_said_once_with_the_longest() {
        let mut advice = Advice::default();
        for at in [0, 100, 500, 1_200, 1_300] {
            advice.command(Address::CHANGER, 0x0B, Micros::ms(at));
            advice.answered(Address::CHANGER, 0x0B, Micros::ms(at));
        }
        let found = advice.take();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rule, "poll-interval");
        assert_eq!(found[0].measured, Some(Micros::ms(700)));
        assert!(
            found[0].text.starts_with("changer is left"),
            "{}",
            found[0].text
        );
    }

    #[test]
    fn a_repeated_poll_after_silence_is_not_too_fast() {
        let mut advice = Advice::default();
        advice.command(Address::CHANGER, 0x0B, Micros::ms(0));
        advice.command(Address::CHANGER, 0x0B, Micros::ms(8));
        assert!(advice.take().is_empty());
        advice.command(Address::CHANGER, 0x0B, Micros::ms(0));
        advice.answered(Address::CHANGER, 0x0B, Micros::ms(0));
        advice.command(Address::CHANGER, 0x0B, Micros::ms(8));
        advice.answered(Address::CHANGER, 0x0B, Micros::ms(8));
        advice.command(Address::CHANGER, 0x0B, Micros::ms(13));
        let found = advice.take();
        assert_eq!(found.len(), 1);
        assert!(
            found[0].text.contains("the shortest 5.000 ms"),
            "{}",
            found[0].text
        );
        // It is held against what it broke: not the longest interval, but the shortest.
        assert_eq!(found[0].limit, Some(POLL_SHORTEST));
        assert_eq!(found[0].measured, Some(Micros::ms(5)));
    }
}
