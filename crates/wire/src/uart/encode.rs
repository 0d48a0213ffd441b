//! Edges from words: for exports, tests and simulated lines.

use super::bit_time::{BitTime, PS};
use super::sample::IdleLevel;
use crate::capture::{Capture, CaptureLine};
use crate::{BusEvent, Edge, Source};
use payrig_units::Micros;

/// The edges one side's words and breaks make on its line. Garbled words are left out: what was on
/// the wire is not known.
#[must_use]
pub fn encode(events: &[BusEvent], source: Source, idle: IdleLevel, bit: BitTime) -> Vec<Edge> {
    let mut edges: Vec<Edge> = Vec::new();
    let mut active = false;
    let mut level = |at: Micros, to: bool| {
        if active != to {
            active = to;
            edges.push(Edge {
                at,
                high: to != matches!(idle, IdleLevel::High),
            });
        }
    };
    for event in events {
        match event {
            BusEvent::Word(w) if w.source == source => {
                let at = |bits: u64| {
                    let us = (bit.half_bits(bits * 2) + PS / 2) / PS;
                    w.start + Micros(u64::try_from(us).unwrap_or(u64::MAX))
                };
                level(w.start, true);
                for i in 0..9 {
                    level(at(i + 1), w.word.bits() & (1 << i) == 0);
                }
                level(at(10), false);
            }
            BusEvent::Break {
                start,
                end,
                source: s,
                ..
            } if *s == source => {
                level(*start, true);
                level(*end, false);
            }
            _ => {}
        }
    }
    edges
}

/// A capture of both lines, `master` and `peripheral`, idle high, ready to be written as VCD or
/// CSV.
#[must_use]
pub fn capture_of_bus(file: &str, events: &[BusEvent], end: Micros) -> Capture {
    let line = |name: &str, source| CaptureLine {
        name: name.to_owned(),
        initial: true,
        edges: encode(events, source, IdleLevel::High, BitTime::NOMINAL),
    };
    let lines = vec![
        line("master", Source::Master),
        line("peripheral", Source::Peripheral),
    ];
    let last = lines
        .iter()
        .filter_map(|l| l.edges.last())
        .map(|e| e.at + BitTime::NOMINAL.bits(11))
        .fold(end, Micros::max);
    Capture {
        file: file.to_owned(),
        lines,
        start: Micros::ZERO,
        end: last,
        uncertainty: Micros(1),
        torn: false,
        shifted: Micros::ZERO,
    }
}
