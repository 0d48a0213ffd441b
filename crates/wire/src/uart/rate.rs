//! The bit rate of a line, measured from the distances between its edges.
//!
//! Every edge of a word lies a whole number of bits after the edge of its start bit. The bit time is
//! the one that fits best (least squares through the origin, first over short distances, then over
//! longer ones, so that a small error of the first guess does not miscount the long ones).

use super::bit_time::{BitTime, PS};
use super::sample::IdleLevel;
use crate::{BAUD, Edge};
use payrig_units::Micros;

/// Rates a serial port is likely to be set to (common practice, no source), slowest first.
const STANDARD_RATES: [u32; 12] = [
    300, 600, 1_200, 2_400, 4_800, 9_600, 14_400, 19_200, 38_400, 57_600, 115_200, 230_400,
];

/// Fewest edges that make a measurement.
const ENOUGH: usize = 6;

/// A measured bit rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BitRate {
    /// The bit time.
    pub bit: BitTime,
    /// How far it may be off either way, in picoseconds (two standard
    /// errors of the fit, and the rounding of the time stamps).
    pub uncertainty_ps: u64,
    /// How many edges it was measured from.
    pub edges: usize,
}

/// Measures the bit rate of a line. `None` when too little moves, or when the edges of its words
/// fit no bit time. `uncertainty` is how far an edge may be off, either way.
#[must_use]
pub fn measure_rate(edges: &[Edge], idle: IdleLevel, uncertainty: Micros) -> Option<BitRate> {
    // Rounded time stamps may all be off the same way; over ten bits that is a tenth per bit.
    let systematic = uncertainty.0.saturating_mul(1_000_000 / 20);
    let mut rate = measure(edges, idle)?;
    rate.uncertainty_ps = rate.uncertainty_ps.saturating_add(systematic);
    Some(rate)
}

fn measure(edges: &[Edge], idle: IdleLevel) -> Option<BitRate> {
    let nominal = fit(edges, idle, BitTime::NOMINAL, 5, Variety::Any);
    let others = STANDARD_RATES.iter().filter(|b| **b != BAUD);
    nominal
        .or_else(|| {
            others
                .copied()
                .find_map(|baud| fit(edges, idle, BitTime::of_baud(baud), 5, Variety::Some))
        })
        .or_else(|| {
            // No standard rate: the shorter active levels are one bit.
            let mut active: Vec<u64> = edges
                .iter()
                .zip(edges.iter().skip(1))
                .filter(|(a, _)| idle.is_active(a.high))
                .map(|(a, b)| b.at.since(a.at).0)
                .collect();
            active.sort_unstable();
            let guess = active.get(active.len() / 10)?.checked_mul(1_000_000)?;
            fit(edges, idle, BitTime(guess), 20, Variety::Some)
        })
}

/// The standard rate nearest to a bit time.
#[must_use]
pub fn nearest_standard_rate(bit: BitTime) -> u32 {
    let off = |baud: u32| {
        let standard = BitTime::of_baud(baud).0.max(1);
        // Ratio in thousandths, the larger over the smaller.
        u128::from(standard.max(bit.0)) * 1_000 / u128::from(standard.min(bit.0).max(1))
    };
    STANDARD_RATES
        .into_iter()
        .min_by_key(|baud| off(*baud))
        .unwrap_or(BAUD)
}

/// What distances must be among the measured ones. A line that says nothing but ACK has a single
/// one, which fits several rates: then only 9600 baud is believed.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Variety {
    Any,
    Some,
}

/// Fits a bit time near `guess` (at most `percent` off), or `None` when the edges do not agree.
fn fit(
    edges: &[Edge],
    idle: IdleLevel,
    guess: BitTime,
    percent: u64,
    variety: Variety,
) -> Option<BitRate> {
    let mut bit = u128::from(guess.0);
    if bit < PS {
        return None;
    }
    for most in [2, 4, 7, 10] {
        let (mut moment, mut weight) = (0u128, 0u128);
        for (offset, k) in offsets(edges, idle, bit).near {
            if k <= most && residual(offset, k, bit) * 10 <= bit * 3 {
                moment = moment.checked_add(k * offset)?;
                weight += k * k;
            }
        }
        if let Some(mean) = (moment + weight / 2).checked_div(weight) {
            bit = mean;
        }
        if bit.abs_diff(u128::from(guess.0)) * 100 > u128::from(guess.0) * u128::from(percent) {
            return None;
        }
    }
    let offsets = offsets(edges, idle, bit);
    let good: Vec<(u128, u128)> = offsets
        .near
        .iter()
        .copied()
        .filter(|(offset, k)| residual(*offset, *k, bit) * 100 <= bit * 12 + 100 * PS)
        .collect();
    let mut kinds: Vec<u128> = good.iter().map(|(_, k)| *k).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let varied = kinds.len() >= 3;
    // Nothing but even distances: the bits are really twice as long.
    let all_even = varied && kinds.iter().all(|k| k % 2 == 0);
    let words = offsets.words.max(1);
    if good.len() < ENOUGH
        || good.len() * 100 < offsets.near.len() * 85
        || offsets.glitches * 5 > words
        || offsets.without_stop * 5 > words
        || all_even
        || (variety == Variety::Some && !varied)
    {
        return None;
    }
    let squares = good.iter().try_fold(0u128, |sum, (offset, k)| {
        let r = residual(*offset, *k, bit);
        sum.checked_add(r.checked_mul(r)?)
    })?;
    let weight: u128 = good.iter().map(|(_, k)| k * k).sum();
    let error = (4 * squares / good.len() as u128 / weight.max(1)).isqrt();
    Some(BitRate {
        bit: BitTime(u64::try_from(bit).ok()?),
        uncertainty_ps: u64::try_from(error).ok()?.max(1_000),
        edges: good.len(),
    })
}

/// Edges of words, framed by a bit time.
#[derive(Default)]
struct Offsets {
    /// Distance from the start bit's edge in picoseconds, and that in bits (1 to 10).
    near: Vec<(u128, u128)>,
    words: usize,
    /// Start bits shorter than half a bit.
    glitches: usize,
    /// Words still active where the stop bit should be (breaks left out).
    without_stop: usize,
}

fn offsets(edges: &[Edge], idle: IdleLevel, bit: u128) -> Offsets {
    let mut found = Offsets::default();
    let mut rest = edges;
    while let Some((start, after)) = rest.split_first() {
        rest = after;
        if !idle.is_active(start.high) {
            continue;
        }
        let offset = |edge: &Edge| u128::from(edge.at.since(start.at).0) * PS;
        let in_word = after
            .iter()
            .take_while(|e| offset(e) * 2 < bit * 21)
            .count();
        let (word, next) = after.split_at_checked(in_word).unwrap_or((after, &[]));
        if word.first().is_some_and(|e| offset(e) * 2 < bit) {
            found.glitches += 1;
            continue;
        }
        let active = word.last().is_none_or(|e| idle.is_active(e.high));
        if active {
            // The end of this active level; a long one is a break.
            let lasts = next.first().map_or(0, offset);
            if lasts < 50_000 * PS {
                found.words += 1;
                found.without_stop += 1;
            }
        } else {
            found.words += 1;
        }
        let near = word
            .iter()
            .map(|e| (offset(e), (offset(e) + bit / 2) / bit))
            .filter(|(_, k)| (1..=10).contains(k));
        found.near.extend(near);
        rest = next;
    }
    found
}

fn residual(offset: u128, k: u128, bit: u128) -> u128 {
    offset.abs_diff(k * bit)
}

impl BitRate {
    /// Share of the measured rate above (positive) or below 9600 baud, in hundredths of a percent.
    #[must_use]
    pub fn off_nominal(&self) -> i64 {
        let nominal = i128::from(BitTime::NOMINAL.0);
        let measured = i128::from(self.bit.0.max(1));
        i64::try_from((nominal - measured) * 10_000 / measured).unwrap_or(i64::MAX)
    }

    /// True when the words can be read at the measured bit time although it is not 9600 baud.
    #[must_use]
    pub fn is_near_nominal(&self) -> bool {
        self.off_nominal().abs() <= 1_500
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uart::encode;
    use crate::{BusEvent, Source, TimedWord};
    use payrig_mdb::Word;
    use proptest::prelude::*;

    fn edges(bytes: &[u16], baud: u32) -> Vec<Edge> {
        let bit = BitTime::of_baud(baud);
        let mut at = Micros(1_000);
        let events: Vec<BusEvent> = bytes
            .iter()
            .map(|b| {
                let start = at;
                at += bit.bits(11) + Micros(123);
                BusEvent::Word(TimedWord {
                    start,
                    end: at,
                    source: Source::Master,
                    word: Word::from_bits(*b),
                    uncertainty: Micros(1),
                })
            })
            .collect();
        encode(&events, Source::Master, IdleLevel::High, bit)
    }

    #[test]
    fn every_standard_rate_is_told_apart() {
        let poll = [0x10B, 0x0B, 0x00, 0x133, 0x33, 0x00, 0x112, 0x12, 0x00].repeat(4);
        for baud in [1_200, 2_400, 4_800, 9_600, 19_200, 38_400] {
            let rate = measure_rate(&edges(&poll, baud), IdleLevel::High, Micros(1)).unwrap();
            assert_eq!(nearest_standard_rate(rate.bit), baud);
            let off = rate.bit.0.abs_diff(BitTime::of_baud(baud).0);
            assert!(off <= rate.uncertainty_ps * 2, "{baud}: off by {off} ps");
        }
    }

    #[test]
    fn acknowledgements_alone_do_not_mislead() {
        let rate = measure_rate(&edges(&[0x100; 20], 9_600), IdleLevel::High, Micros(1)).unwrap();
        assert!(rate.off_nominal().abs() <= 5, "{rate:?}");
    }

    proptest! {
        #[test]
        fn a_sender_slightly_off_is_measured(
            words in proptest::collection::vec(0u16..0x200, 40..80), baud in 9_350u32..=9_850,
        ) {
            let rate = measure_rate(&edges(&words, baud), IdleLevel::High, Micros(1));
            prop_assert!(rate.is_some());
            let off = rate.unwrap().bit.0.abs_diff(BitTime::of_baud(baud).0);
            prop_assert!(off < 100_000, "off by {} ps", off);
        }

        #[test]
        fn any_edges_never_panic(at in proptest::collection::vec(any::<u64>(), 0..60)) {
            let edges: Vec<Edge> = at.into_iter().enumerate()
                .map(|(i, at)| Edge { at: Micros(at), high: i % 2 == 0 }).collect();
            let _ = measure_rate(&edges, IdleLevel::High, Micros(1));
        }
    }
}
