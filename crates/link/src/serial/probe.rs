//! The self-test of an adapter.

use super::low_latency::LowLatency;
use super::ninth::{NinthBit, ninth_bit};
use super::report::{AdapterReport, ParitySwitching, Verdict, VerdictKind};
use super::wire::Wire;
use crate::{Figures, Lengths, UsbIdentity};
use payrig_units::Micros;
use payrig_wire::WORD_TIME;
use std::io;

/// Longest pause between words of a block (MDB/ICP 4.3, section 3.2, t-inter-byte).
const INTER_BYTE: Micros = Micros::ms(1);
/// Longest time to an answer (section 3.2, t-response).
const RESPONSE: Micros = Micros::ms(5);
/// What a sender should keep to (Appendix 3, section 2).
const RESPONSE_ADVISED: Micros = Micros::ms(4);
/// The same for pauses.
const INTER_BYTE_ADVISED: Micros = Micros(800);

const SWITCHES: usize = 40;
const ROUND_TRIPS: usize = 200;
/// So many words take 458 ms with eleven bits and 417 ms with ten: further apart than any adapter
/// keeps bytes back.
const LONG_RUN: usize = 400;
/// A byte that is not back by then is lost.
const LOST: Micros = Micros::ms(200);
/// Alternating bits; neither a mark of the coding nor a break.
const TEST_BYTE: u8 = 0x55;
/// Half-way between a word of ten bits (1041.7 us) and one of eleven (1145.8 us).
const TEN_OR_ELEVEN: u64 = 1_094;

/// Runs the self-test, about 2 seconds, and 1 more when the ninth bit is looked at.
pub(super) fn run(
    wire: &mut impl Wire,
    usb: Option<UsbIdentity>,
    low_latency: LowLatency,
) -> io::Result<AdapterReport> {
    let takes = wire.set_ninth(true)? && wire.set_ninth(false)?;
    discard(wire, Micros::ms(20))?;
    let (switch_gap, drain_waits) = if takes { switches(wire)? } else { (None, true) };
    let loopback = there_and_back(wire)?.is_some();
    let mut spoiled = 0;
    let mut round_trips = Lengths::default();
    let mut eleven = None;
    if loopback {
        for _ in 0..ROUND_TRIPS {
            match there_and_back(wire)? {
                Some(length) => round_trips.add(length),
                None => spoiled += 1,
            }
        }
        if takes {
            eleven = sends_eleven(wire, round_trips.figures().map(|f| f.p50))?;
        }
    }
    let ninth = match eleven {
        Some(_) => ninth_bit(wire)?,
        None => NinthBit::Unseen,
    };
    let parity = match (takes, loopback, eleven) {
        (false, _, _) => ParitySwitching::Refused,
        (true, false, _) | (true, true, None) => ParitySwitching::Unseen,
        (true, true, Some(false)) => ParitySwitching::Ignored,
        (true, true, Some(true)) => ParitySwitching::Sent,
    };
    let round_trip = round_trips.figures();
    let uncertainty = match (&round_trip, &low_latency) {
        (Some(figures), _) => figures.most.since(figures.least).max(Micros(100)),
        (None, LowLatency::Keeps { up_to_us, .. }) => *up_to_us,
        (None, LowLatency::Unknown) => super::UNMEASURED,
    };
    let can = matches!(parity, ParitySwitching::Sent | ParitySwitching::Unseen)
        && ninth != NinthBit::Wrong;
    let seen = round_trip.is_some();
    Ok(AdapterReport {
        port: wire.name().to_owned(),
        usb,
        parity,
        ninth,
        loopback,
        spoiled,
        drain_waits,
        round_trip,
        switch_gap,
        low_latency,
        uncertainty,
        keeps_inter_byte: keeps(
            can,
            "a parity switch",
            switch_gap,
            INTER_BYTE_ADVISED,
            INTER_BYTE,
        ),
        keeps_response: keeps(
            can,
            "there and back",
            round_trip,
            RESPONSE_ADVISED,
            RESPONSE,
        ),
        judges_inter_byte: judges(seen, uncertainty, INTER_BYTE),
        judges_response: judges(seen, uncertainty, RESPONSE),
        lines: None,
    })
}

fn keeps(can: bool, what: &str, took: Option<Figures>, advised: Micros, limit: Micros) -> Verdict {
    let (kind, why) = match took {
        _ if !can => (
            VerdictKind::No,
            "this adapter cannot send the mode bit".to_owned(),
        ),
        None => (
            VerdictKind::Unknown,
            "connect TX to RX and try again".to_owned(),
        ),
        Some(f) if f.most <= advised => {
            (VerdictKind::Yes, format!("{what} took {} at most", f.most))
        }
        Some(f) if f.p99 <= limit => (
            VerdictKind::Mostly,
            format!("{what} took {} at most, 99% within {}", f.most, f.p99),
        ),
        Some(f) => (
            VerdictKind::No,
            format!(
                "{what} took up to {}, half of the time over {}",
                f.most, f.p50
            ),
        ),
    };
    Verdict { kind, why }
}

fn judges(seen: bool, uncertainty: Micros, limit: Micros) -> Verdict {
    let (kind, why) = if uncertainty >= limit {
        (
            VerdictKind::No,
            format!("times may be off by {uncertainty}"),
        )
    } else if uncertainty * 4 > limit {
        (
            VerdictKind::Mostly,
            format!("within {uncertainty} of the limit it cannot tell"),
        )
    } else if seen {
        (
            VerdictKind::Yes,
            format!("except within {uncertainty} of the limit"),
        )
    } else {
        (
            VerdictKind::Unknown,
            "connect TX to RX and try again".to_owned(),
        )
    };
    Verdict { kind, why }
}

/// Sends two words with a parity switch in between, again and again: the pauses between them, and
/// whether the driver's drain waits for the wire.
fn switches(wire: &mut impl Wire) -> io::Result<(Option<Figures>, bool)> {
    let (mut gaps, mut drains) = (Lengths::default(), Lengths::default());
    for _ in 0..SWITCHES {
        wire.set_ninth(true)?;
        let first = wire.now();
        wire.write(&[TEST_BYTE])?;
        wire.drain()?;
        drains.add(wire.now().since(first));
        sleep(wire, first + WORD_TIME)?;
        wire.set_ninth(false)?;
        let second = wire.now();
        wire.write(&[TEST_BYTE])?;
        gaps.add(second.since(first + WORD_TIME));
        wire.drain()?;
        sleep(wire, second + WORD_TIME)?;
    }
    discard(wire, Micros::ms(60))?;
    // A drain that waits for the wire takes a word's time; a tenth is left for rounding.
    let waits = drains
        .figures()
        .is_some_and(|f| f.p50 * 10 >= WORD_TIME * 9);
    Ok((gaps.figures(), waits))
}

/// Sends a byte and waits for it: how long it took beyond its time on the wire. `None` when it did
/// not come, or came wrong.
fn there_and_back(wire: &mut impl Wire) -> io::Result<Option<Micros>> {
    let begun = wire.now();
    wire.write(&[TEST_BYTE])?;
    let heard = receive(wire, 1, begun + LOST)?;
    let took = wire.now().since(begun + WORD_TIME);
    if heard == [TEST_BYTE] {
        return Ok(Some(took));
    }
    discard(wire, Micros::ms(20))?;
    Ok(None)
}

/// Sends many words at once: eleven bits each, or ten? `None` when they did not all come back.
fn sends_eleven(wire: &mut impl Wire, overhead: Option<Micros>) -> io::Result<Option<bool>> {
    let begun = wire.now();
    wire.write(&[TEST_BYTE; LONG_RUN])?;
    let heard = receive(wire, LONG_RUN, begun + Micros::ms(458) + LOST)?;
    let took = wire.now().since(begun + overhead.unwrap_or_default());
    let whole = heard.len() == LONG_RUN && heard.iter().all(|b| *b == TEST_BYTE);
    Ok(whole.then(|| took.as_us() / LONG_RUN as u64 >= TEN_OR_ELEVEN))
}

fn receive(wire: &mut impl Wire, count: usize, until: Micros) -> io::Result<Vec<u8>> {
    let mut heard = Vec::new();
    while heard.len() < count && wire.now() < until {
        let woken = wire.wait(until, true, None)?;
        if woken.readable {
            wire.read(&mut heard)?;
        } else if woken.hung_up {
            return Err(io::ErrorKind::BrokenPipe.into());
        }
    }
    Ok(heard)
}

fn discard(wire: &mut impl Wire, pause: Micros) -> io::Result<()> {
    let until = wire.now() + pause;
    receive(wire, usize::MAX >> 1, until).map(|_| ())
}

fn sleep(wire: &mut impl Wire, until: Micros) -> io::Result<()> {
    while wire.now() < until {
        wire.wait(until, false, None)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::simulated::{Adapter, Parity};
    use super::*;

    fn report(change: impl FnOnce(&mut Adapter)) -> AdapterReport {
        let mut adapter = Adapter::good();
        adapter.loopback = true;
        change(&mut adapter);
        run(&mut adapter, None, LowLatency::Unknown).unwrap()
    }

    #[test]
    fn a_good_adapter_keeps_and_judges_both_limits() {
        let report = report(|_| {});
        assert_eq!(report.parity, ParitySwitching::Sent);
        assert_eq!((report.spoiled, report.drain_waits), (0, true));
        assert_eq!(report.switch_gap.unwrap().most, Micros(200));
        assert_eq!(report.round_trip.unwrap().p50, Micros(100));
        let verdicts = [
            &report.keeps_inter_byte,
            &report.keeps_response,
            &report.judges_inter_byte,
            &report.judges_response,
        ];
        assert!(
            verdicts.iter().all(|v| v.kind == VerdictKind::Yes),
            "{report}"
        );
    }

    #[test]
    fn ten_bits_are_told_from_eleven() {
        let report = report(|a| a.sends_ninth = false);
        assert_eq!(report.parity, ParitySwitching::Ignored);
        assert_eq!(report.keeps_response.kind, VerdictKind::No);
    }

    #[test]
    fn an_adapter_that_sends_odd_for_mark_is_found_out_by_a_second_wire() {
        let unseen = report(|a| a.parity = Parity::OddAndEven);
        assert_eq!(
            (unseen.parity, unseen.ninth),
            (ParitySwitching::Sent, NinthBit::Unseen)
        );
        assert!(
            unseen.to_string().contains("Connect TX to CTS as well"),
            "{unseen}"
        );
        let seen = report(|a| (a.parity, a.cts_on_tx) = (Parity::OddAndEven, true));
        assert_eq!(seen.ninth, NinthBit::Wrong);
        assert_eq!(seen.keeps_response.kind, VerdictKind::No);
        assert!(seen.to_string().contains("WRONG"), "{seen}");
        let good = report(|a| a.cts_on_tx = true);
        assert_eq!((good.ninth, good.spoiled), (NinthBit::Right, 0));
    }

    #[test]
    fn a_refused_setting_is_a_finding_not_an_error() {
        let report = report(|a| a.takes_ninth = false);
        assert_eq!(report.parity, ParitySwitching::Refused);
        assert!(report.to_string().contains("cannot speak on the bus"));
    }

    /// What `payrig ports --probe` ends with: known faults are held against an adapter, each alone, and
    /// what was not seen is not.
    #[test]
    fn an_adapter_that_cannot_do_is_told_from_one_that_can() {
        type Change = fn(&mut Adapter);
        let faults: [Change; 3] = [
            |a| a.takes_ninth = false,
            |a| a.switch_time = Micros(2_500),
            |a| a.kept_back = Micros(6_000),
        ];
        assert!(report(|_| {}).can_speak());
        for fault in faults {
            let report = report(fault);
            assert!(!report.can_speak(), "{report}");
        }
        let unseen = run(&mut Adapter::good(), None, LowLatency::Unknown);
        assert!(unseen.unwrap().can_speak());
        let mut wrong = report(|_| {});
        wrong.ninth = NinthBit::Wrong;
        assert!(!wrong.can_speak());
        wrong.ninth = NinthBit::Unseen;
        assert!(wrong.can_speak());
    }

    #[test]
    fn a_slow_switch_and_late_bytes_are_told() {
        let report = report(|a| (a.switch_time, a.kept_back) = (Micros(2_500), Micros(6_000)));
        assert_eq!(report.keeps_inter_byte.kind, VerdictKind::No);
        assert_eq!(report.keeps_response.kind, VerdictKind::No);
    }

    #[test]
    fn without_a_loopback_it_says_what_it_does_not_know() {
        let file = "/sys/example/latency_timer".to_owned();
        let low = LowLatency::Keeps {
            up_to_us: Micros::ms(16),
            file,
        };
        let report = run(&mut Adapter::good(), None, low).unwrap();
        assert_eq!(report.parity, ParitySwitching::Unseen);
        assert_eq!(report.uncertainty, Micros::ms(16));
        assert_eq!(report.keeps_response.kind, VerdictKind::Unknown);
        assert_eq!(report.judges_response.kind, VerdictKind::No);
        let text = report.to_string();
        assert!(
            text.contains("echo 1 | sudo tee /sys/example/latency_timer"),
            "{text}"
        );
        let json = serde_json::to_string(&report).unwrap();
        assert_eq!(
            serde_json::from_str::<AdapterReport>(&json).unwrap(),
            report
        );
    }

    #[test]
    fn a_drain_that_does_not_wait_is_noticed() {
        assert!(!report(|a| a.drain_waits = false).drain_waits);
    }
}
