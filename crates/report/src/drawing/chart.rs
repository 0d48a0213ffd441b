//! Histograms and waveforms as inline SVG. Colours come from the page's style, so that the pictures
//! turn dark and print with it.

use crate::figures;
use maud::{Markup, html};
use payrig_exam::Interval;
use payrig_units::Micros;
use payrig_wire::recording::TrainRecord;

const WIDTH: u64 = 360;
const BARS: u64 = 60;
const HIGH: u64 = 74;

/// A time for an axis: "0", "250 us", "4.5 ms", "12 s".
fn tick(time: Micros) -> String {
    let us = time.as_us();
    let (unit, size) = match us {
        0 => return "0".to_owned(),
        1..1_000 => return format!("{us} us"),
        1_000..1_000_000 => ("ms", 1_000),
        _ => ("s", 1_000_000),
    };
    let (whole, thousandths) = (us / size, us % size * 1_000 / size);
    let fraction = format!("{thousandths:03}");
    match fraction.trim_end_matches('0') {
        "" => format!("{whole} {unit}"),
        fraction => format!("{whole}.{fraction} {unit}"),
    }
}

/// A round step (1, 2 or 5 times a power of ten) so that at most `parts` of them fill `span`.
fn step(span: u64, parts: u64) -> u64 {
    let mut power = 1u64;
    loop {
        for factor in [1, 2, 5] {
            let step = power.saturating_mul(factor);
            if step.saturating_mul(parts) >= span {
                return step;
            }
        }
        power = power.saturating_mul(10);
    }
}

/// `time` on an axis of `span` that is `width` wide.
fn scale(time: u64, span: u64, width: u64) -> u64 {
    let scaled = u128::from(time) * u128::from(width) / u128::from(span.max(1));
    u64::try_from(scaled).unwrap_or(width).min(width)
}

fn ticks(span: u64) -> Vec<u64> {
    let step = step(span, 5);
    (0..=5)
        .map(|i| step.saturating_mul(i))
        .take_while(|t| *t <= span)
        .collect()
}

/// Times from zero on, each bar as wide as a sixtieth of the axis; bars beyond a limit stand out.
pub(crate) fn histogram(interval: &Interval) -> Markup {
    let Some(f) = figures(&interval.values_us) else {
        return html! {};
    };
    let longest = f.max.as_us();
    let limit = interval.limit_us.map(Micros::as_us);
    // A limit far beyond all that was measured would press everything into one bar.
    let near = limit.filter(|l| *l <= longest.saturating_mul(12));
    let least = interval.least_us.map(Micros::as_us);
    let least = least.filter(|l| *l <= longest.saturating_mul(12));
    let end = longest.max(near.or(least).unwrap_or(0)).max(1);
    let span = end.saturating_add(end / 12).max(BARS);
    let bar = span / BARS + 1;
    let span = bar.saturating_mul(BARS);
    let mut bars: std::collections::BTreeMap<(u64, bool), u64> = Default::default();
    for value in &interval.values_us {
        let over = interval.is_outside(*value);
        *bars.entry((value.as_us() / bar, over)).or_default() += 1;
    }
    let most = bars.values().copied().max().unwrap_or(1);
    let height = |n: u64| (n.saturating_mul(HIGH * HIGH) / most).isqrt().max(3);
    let wide = WIDTH / BARS;
    let label = format!(
        "{}: {} measured, {} to {}",
        interval.what, f.count, f.min, f.max
    );
    html! {
        svg.histogram viewBox={ "0 0 " (WIDTH + 20) " " (HIGH + 36) } role="img" aria-label=(crate::words::plain(&label)) {
            g transform="translate(10 14)" {
                @for ((i, over), n) in &bars {
                    @let high = height(*n);
                    rect.bar.over[*over] x=(i * wide) y=(HIGH - high) width=(wide - 1) height=(high) {}
                }
                line.axis x1="0" x2=(WIDTH) y1=(HIGH) y2=(HIGH) {}
                @for t in ticks(span) {
                    @let x = scale(t, span, WIDTH);
                    line.axis x1=(x) x2=(x) y1=(HIGH) y2=(HIGH + 4) {}
                    text.tick x=(x) y=(HIGH + 15) text-anchor=(anchor(x)) { (tick(Micros(t))) }
                }
                @for at in [least, near].into_iter().flatten() {
                    @let x = scale(at, span, WIDTH);
                    line.limit x1=(x) x2=(x) y1="-2" y2=(HIGH + 4) {}
                }
                @if let Some((x, text)) = limits(least, near, limit, span) {
                    // One text for both, so that they are never written over each other.
                    @let half = 4 * text.chars().count() as u64;
                    @match (x < half, x + half > WIDTH) {
                        (_, true) => text.limit x=(WIDTH) y="-5" text-anchor="end" { (text) }
                        (true, _) => text.limit x="0" y="-5" text-anchor="start" { (text) }
                        _ => text.limit x=(x) y="-5" text-anchor="middle" { (text) }
                    }
                }
            }
        }
    }
}

/// What is written of the limits, and above which place. `near` is a limit that is in the picture.
fn limits(
    least: Option<u64>,
    near: Option<u64>,
    limit: Option<u64>,
    span: u64,
) -> Option<(u64, String)> {
    let x = |time: u64| scale(time, span, WIDTH);
    let tick = |time: u64| tick(Micros(time));
    Some(match (least, near, limit) {
        (Some(from), Some(to), _) => {
            let middle = u64::midpoint(x(from), x(to));
            (middle, format!("{} to {} allowed", tick(from), tick(to)))
        }
        (Some(from), None, Some(to)) => {
            let text = format!(
                "{} to {} allowed, far to the right \u{2192}",
                tick(from),
                tick(to)
            );
            (WIDTH, text)
        }
        (Some(from), None, None) => (x(from), format!("from {}", tick(from))),
        (None, Some(to), _) => (x(to), format!("limit {}", tick(to))),
        (None, None, Some(to)) => (
            WIDTH,
            format!("limit {}, far to the right \u{2192}", tick(to)),
        ),
        (None, None, None) => return None,
    })
}

fn anchor(x: u64) -> &'static str {
    match x {
        0..12 => "start",
        x if x > WIDTH - 20 => "end",
        _ => "middle",
    }
}

/// Pulses drawn, at most.
pub(crate) const PULSES: usize = 16;

/// The line over time: high while active. Widths are written on the pulses, where there is room.
pub(crate) fn waveform(train: &TrainRecord) -> Markup {
    const TOP: u64 = 14;
    const BOTTOM: u64 = 50;
    let mut at = 0u64;
    let mut pulses = Vec::new();
    for (i, width) in train.widths_us.iter().take(PULSES).enumerate() {
        let start = at;
        at = at.saturating_add(width.as_us());
        pulses.push((start, at, *width));
        if i + 1 < train.widths_us.len().min(PULSES) {
            at = at.saturating_add(train.gaps_us.get(i).map_or(0, |g| g.as_us()));
        }
    }
    let rest = (at / 14).max(1);
    let span = at.saturating_add(rest.saturating_mul(2)).max(1);
    let x = |t: u64| scale(t.saturating_add(rest), span, WIDTH);
    let mut path = format!("M0 {BOTTOM}");
    for (start, end, _) in &pulses {
        let (a, b) = (x(*start), x(*end).max(x(*start) + 1));
        path.push_str(&format!(" H{a} V{TOP} H{b} V{BOTTOM}"));
    }
    path.push_str(&format!(" H{WIDTH}"));
    // A width is written where it does not run into the one before.
    let mut free = 0;
    let mut labels = Vec::new();
    for (start, end, width) in &pulses {
        let (middle, text) = ((x(*start) + x(*end)) / 2, tick(*width));
        let half = 4 * text.len() as u64 + 3;
        if middle >= free + half && middle + half <= WIDTH + 10 {
            free = middle + half;
            labels.push((middle, text));
        }
    }
    html! {
        svg.waveform viewBox={ "0 0 " (WIDTH + 20) " 82" } role="img"
            aria-label={ (crate::words::plain(&train.line)) ": " (train.pulses) " pulses" } {
            g transform="translate(10 4)" {
                @for (start, end, _) in &pulses {
                    @let (a, b) = (x(*start), x(*end).max(x(*start) + 1));
                    rect.on x=(a) y=(TOP) width=(b - a) height=(BOTTOM - TOP) {}
                }
                @for (x, text) in labels {
                    text.tick x=(x) y=(TOP - 4) text-anchor="middle" { (text) }
                }
                path.wave d=(path) {}
                @for t in ticks(at) {
                    @let x = x(t);
                    line.axis x1=(x) x2=(x) y1=(BOTTOM + 4) y2=(BOTTOM + 8) {}
                    text.tick x=(x) y=(BOTTOM + 20) text-anchor=(anchor(x)) { (tick(Micros(t))) }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ticks_are_round_and_read_well() {
        assert_eq!(ticks(23_000), vec![0, 5_000, 10_000, 15_000, 20_000]);
        assert_eq!(tick(Micros(4_500)), "4.5 ms");
        assert_eq!(tick(Micros(12_000_000)), "12 s");
        assert_eq!(tick(Micros(250)), "250 us");
        assert_eq!(tick(Micros(0)), "0");
    }

    #[test]
    fn a_single_late_answer_among_thousands_is_a_bar_of_its_own() {
        let mut values = vec![Micros::ms(2); 5_000];
        values.push(Micros(5_001));
        let interval = Interval {
            what: "answer time".to_owned(),
            least_us: None,
            limit_us: Some(Micros::ms(5)),
            values_us: values,
        };
        let svg = histogram(&interval).into_string();
        let doc = roxmltree::Document::parse(&svg).unwrap();
        let over: Vec<_> = doc
            .descendants()
            .filter(|n| n.attribute("class") == Some("bar over"))
            .collect();
        assert_eq!(over.len(), 1);
        assert_eq!(over[0].attribute("height"), Some("3"));
    }

    #[test]
    fn both_limits_are_one_text_wherever_they_are() {
        for (least, limit, says) in [
            (40, 60, "40 ms to 60 ms allowed"),
            (1, 2, "1 ms to 2 ms allowed"),
            (1, 60, "1 ms to 60 ms allowed"),
            (1, 9_000, "1 ms to 9 s allowed, far to the right \u{2192}"),
        ] {
            let interval = Interval {
                what: "pulse".to_owned(),
                least_us: Some(Micros::ms(least)),
                limit_us: Some(Micros::ms(limit)),
                values_us: vec![Micros::ms(50); 3],
            };
            let svg = histogram(&interval).into_string();
            let doc = roxmltree::Document::parse(&svg).unwrap();
            let nodes = doc.descendants().filter(|n| n.has_tag_name("text"));
            let limits: Vec<_> = nodes
                .filter(|n| n.attribute("class") == Some("limit"))
                .map(|n| n.text().unwrap())
                .collect();
            assert_eq!(limits, [says]);
        }
    }

    proptest! {
        #[test]
        fn any_series_and_any_train_draws_within_the_picture(
            values in proptest::collection::vec(any::<u64>(), 0..40),
            least in proptest::option::of(any::<u64>()),
            limit in proptest::option::of(any::<u64>()),
            small in any::<bool>(),
        ) {
            let values: Vec<Micros> = values.iter().map(|v| Micros(if small { v % 9_000 } else { *v })).collect();
            let interval = Interval { what: "<&>".to_owned(), least_us: least.map(Micros), limit_us: limit.map(Micros), values_us: values.clone() };
            let train = TrainRecord {
                line: "\"<credit>".to_owned(), start_us: Micros::ZERO, pulses: values.len() as u64,
                widths_us: values.clone(), gaps_us: values, profile: "none".to_owned(), text: None,
            };
            for svg in [histogram(&interval).into_string(), waveform(&train).into_string()] {
                if svg.is_empty() { continue; }
                let doc = roxmltree::Document::parse(&svg).unwrap();
                for node in doc.descendants().filter(|n| n.has_tag_name("rect")) {
                    let at = |name: &str| node.attribute(name).unwrap().parse::<u64>().unwrap();
                    prop_assert!(at("x") + at("width") <= WIDTH + 1);
                    prop_assert!(at("y") + at("height") <= HIGH);
                }
            }
        }
    }
}
