//! A bench as JSON has it.

use crate::api;
use crate::desk::{self, Desk};
use payrig_bench::plan::{BridgeWay, DevicePlan, Kind, PulsePlan};
use payrig_bench::{Bench, Observation, Observed, Plan};
use payrig_units::{Decimals, LedgerEntry};
use payrig_wire::recording::{Entry, MovementRecord};
use serde::Serialize;
use serde_json::Value;

/// Any value of ours as JSON.
pub(crate) fn json(value: &impl Serialize) -> Value {
    serde_json::to_value(value).unwrap_or_default()
}

/// What was seen, as JSON.
pub(crate) fn observed(seen: &Observed) -> Value {
    match seen {
        Observed::Amount(amount) => Value::from(amount.as_minor()),
        Observed::Text(text) => Value::from(text.as_str()),
        Observed::Count(count) => Value::from(*count),
        Observed::Flag(flag) => Value::from(*flag),
    }
}

fn kind(device: &DevicePlan) -> &'static str {
    match &device.kind {
        Kind::Changer(..) => "changer",
        Kind::Bill(..) => "bill-validator",
        Kind::Cashless(_) => "cashless",
        Kind::Pulse(plan) => match **plan {
            PulsePlan::Bill(_) => "pulse-bill-validator",
            PulsePlan::Coin(_) => "pulse-coin-acceptor",
            PulsePlan::Hopper(_) => "pulse-hopper",
            PulsePlan::Card(_) => "pulse-card-reader",
        },
        Kind::Bridge(bridge) => match bridge.way {
            BridgeWay::ToMdb { .. } | BridgeWay::ToPulse { .. } => "bridge",
        },
    }
}

fn board(bench: &Bench) -> Option<api::Board> {
    let look = |what| bench.observe(&what).ok();
    let credit = match look(Observation::Credit)? {
        Observed::Amount(amount) => amount.as_minor(),
        _ => return None,
    };
    Some(api::Board {
        ready: look(Observation::BoardReady)?.is_true(),
        credit,
        display: match look(Observation::Display)? {
            Observed::Text(text) => text,
            _ => return None,
        },
        exact_change: look(Observation::ExactChange)?.is_true(),
    })
}

/// A bench as it is now.
pub(crate) fn bench(id: &str, plan: &Plan, (bench, desk): (&Bench, &Desk)) -> api::Bench {
    let device = |device: &DevicePlan| {
        let ready = bench.observe(&Observation::Ready(device.name.clone()));
        api::Device {
            name: device.name.clone(),
            kind: kind(device).to_owned(),
            outside: plan.is_real(device),
            ready: ready.is_ok_and(|ready| ready.is_true()),
            acts: device.actions().into_iter().map(str::to_owned).collect(),
        }
    };
    let selection = |selection: &payrig_bench::machine::Selection| api::Selection {
        number: selection.number,
        key: selection.key.to_string(),
        name: selection.name.clone(),
        price: selection.price.as_minor(),
    };
    api::Bench {
        bench: id.to_owned(),
        name: plan.name.clone(),
        seed: plan.seed,
        decimals: plan.decimals.0,
        pace: desk.pace,
        now_us: bench.now().as_us(),
        ended: bench.ended(),
        live: bench.is_live(),
        at_rest: bench.is_at_rest(),
        next: desk.log.next(),
        waits: u64::try_from(desk.waiting()).unwrap_or(u64::MAX),
        board: board(bench),
        sold: u64::try_from(bench.delivered().len()).unwrap_or(u64::MAX),
        devices: plan.devices.iter().map(device).collect(),
        selections: plan.machine.selections.iter().map(selection).collect(),
        links: desk.links.clone(),
        recording: recording(desk),
        failed: failed(desk),
        passed: verdict(desk).map(|(passed, ..)| passed),
    }
}

fn recording(desk: &Desk) -> Option<String> {
    let recording = desk.recording.as_ref().filter(|r| r.stays())?;
    Some(recording.path().display().to_string())
}

fn failed(desk: &Desk) -> Option<String> {
    let link = desk.failed.as_ref().map(|failed| failed.detail.to_string());
    link.or_else(|| desk.recording.as_ref()?.failed().map(str::to_owned))
}

fn verdict(desk: &Desk) -> Option<(bool, &str, u64)> {
    match &desk.verdict {
        Some(Entry::Verdict {
            passed,
            text,
            at_us,
            ..
        }) => Some((*passed, text, at_us.as_us())),
        _ => None,
    }
}

fn balances(bench: &Bench) -> Vec<api::Balance> {
    let all = bench.books().ledger().balances();
    all.map(|(place, amount)| api::Balance {
        place: place.to_string(),
        amount: amount.as_minor(),
        physical: place.is_physical(),
    })
    .collect()
}

/// The ledger.
pub(crate) fn ledger(bench: &Bench) -> api::Ledger {
    let movement = |entry: &LedgerEntry| json(&MovementRecord::from(entry));
    api::Ledger {
        decimals: bench.decimals().0,
        balances: balances(bench),
        movements: bench
            .books()
            .ledger()
            .entries()
            .iter()
            .map(movement)
            .collect(),
    }
}

/// A bench that has ended.
pub(crate) fn closed(id: &str, bench: &Bench, desk: &Desk) -> api::Closed {
    let (passed, text, at_us) = verdict(desk).unwrap_or((false, "no verdict", bench.now().as_us()));
    api::Closed {
        bench: id.to_owned(),
        passed: passed && desk.failed.is_none(),
        text: text.to_owned(),
        at_us,
        verdict: json(&desk.verdict),
        balances: balances(bench),
        findings: desk.findings.iter().map(json).collect(),
        recording: recording(desk),
        failed: failed(desk),
    }
}

/// How a wait ended.
pub(crate) fn waited(waited: desk::Waited, text: String, decimals: Decimals) -> api::Waited {
    let parsed = |event: &str| serde_json::from_str(event).unwrap_or_default();
    let events = waited.evidence.events.iter();
    let evidence = events.map(|event| parsed(event.json()));
    api::Waited {
        met: waited.met,
        text,
        missed: waited.missed.map(|missed| api::Missed {
            text: missed.text(decimals),
            found: observed(&missed.found),
            wanted: observed(&missed.wanted),
        }),
        ended: waited.ended,
        began_us: waited.began.as_us(),
        at_us: waited.at.as_us(),
        next: waited.next,
        event: waited.event.map(|event| parsed(event.json())),
        evidence: evidence.chain(waited.evidence.unsettled).collect(),
        left_out: waited.evidence.left_out,
    }
}
