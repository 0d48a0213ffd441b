//! The map of a sweep: what a board makes of every pulse width and pause.

use maud::html;
use payrig_pulse::{Map, Outcome, Profile};
use payrig_units::Micros;

/// Side of a cell and margins around the map, in pixels.
const CELL: u64 = 12;
const LEFT: u64 = 56;
const TOP: u64 = 40;
const BELOW: u64 = 130;

/// Colours that also differ in lightness, so that the map reads without colour.
const fn colour(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Credited => "#1b7f5c",
        Outcome::EdgeCase => "#f2c14e",
        Outcome::Miscounted => "#d1495b",
        Outcome::Ignored => "#dcdfe3",
    }
}

fn len(items: usize) -> u64 {
    u64::try_from(items).unwrap_or(0)
}

/// Pixel of the middle of a time's cell on an axis, if the time lies on it.
fn position(times: &[Micros], time: Micros) -> Option<u64> {
    let (first, last) = (times.first()?, times.last()?);
    let span = last.since(*first).0;
    let cells = len(times.len()).checked_sub(1)?;
    if time < *first || time > *last || span == 0 {
        return None;
    }
    Some((time.since(*first).0.saturating_mul(cells * CELL)) / span + CELL / 2)
}

/// A row's cells from the left; like cells beside each other are one: first column, how many, what.
fn runs(row: &[(u64, Outcome)]) -> Vec<(u64, u64, Outcome)> {
    let mut runs: Vec<(u64, u64, Outcome)> = Vec::new();
    for (x, (_, outcome)) in row.iter().enumerate() {
        match runs.last_mut() {
            Some((_, wide, same)) if same == outcome => *wide += 1,
            _ => runs.push((len(x), 1, *outcome)),
        }
    }
    runs
}

/// About ten of an axis's times, each with its place on the axis.
fn marks(times: &[Micros]) -> impl Iterator<Item = (u64, Micros)> {
    let every = (times.len() / 10).max(1);
    let places = times.iter().enumerate().step_by(every);
    places.map(|(i, time)| (len(i) * CELL, *time))
}

/// A board's map as an SVG picture, with the given profiles marked. On time to the right, off time
/// downwards.
#[must_use]
pub fn board_map(map: &Map, title: &str, profiles: &[Profile]) -> String {
    let (on, off) = (&map.plan.on, &map.plan.off);
    let (wide, high) = (len(on.len()) * CELL, len(off.len()) * CELL);
    let width = (LEFT + wide + 24).max(420);
    let height = TOP + high + BELOW;
    let middle = TOP + high / 2;
    let marked = profiles.iter().filter_map(|profile| {
        let place = position(on, profile.on).zip(position(off, profile.off))?;
        Some((profile, place))
    });
    let picture = html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox={ "0 0 " (width) " " (height) }
            width=(width) height=(height) font-family="sans-serif" font-size="11" {
            title { (title) }
            rect width=(width) height=(height) fill="#ffffff" {}
            text x=(LEFT) y="22" font-size="14" font-weight="bold" { (title) }
            g.cells {
                @for (y, row) in map.rows.iter().enumerate() {
                    @for (x, wide, outcome) in runs(row) {
                        rect x=(LEFT + x * CELL) y=(TOP + len(y) * CELL) width=(wide * CELL)
                            height=(CELL) fill=(colour(outcome)) {}
                    }
                }
            }
            @for (x, time) in marks(on) {
                text x=(LEFT + x + CELL / 2) y=(TOP + high + 14) text-anchor="middle" {
                    (time.0 / 1_000)
                }
            }
            @for (y, time) in marks(off) {
                text x=(LEFT - 6) y=(TOP + y + CELL - 2) text-anchor="end" { (time.0 / 1_000) }
            }
            text x=(LEFT + wide / 2) y=(TOP + high + 32) text-anchor="middle" {
                "pulse width (on), ms"
            }
            text x="14" y=(middle) text-anchor="middle" transform={ "rotate(-90 14 " (middle) ")" } {
                "pause (off), ms"
            }
            @for (profile, (x, y)) in marked {
                circle cx=(LEFT + x) cy=(TOP + y) r="5" fill="#ffffff" stroke="#111111"
                    stroke-width="2" {}
                text x=(LEFT + x + 9) y=(TOP + y + 4) stroke="#ffffff" stroke-width="3"
                    paint-order="stroke" { (profile.name) }
            }
            @for (i, outcome) in Outcome::ALL.into_iter().enumerate() {
                @let y = TOP + high + 46 + len(i) * 18;
                rect x=(LEFT) y=(y) width="12" height="12" fill=(colour(outcome)) {}
                text x=(LEFT + 18) y=(y + 10) { (outcome.words()) }
            }
        }
    };
    // An element a line: the picture is kept under version control. In texts, `>` is escaped.
    let mut text = picture.into_string();
    for (maud, short) in [("></rect>", "/>"), ("></circle>", "/>"), ("><", ">\n<")] {
        text = text.replace(maud, short);
    }
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_pulse::{BoardWindow, Level, SweepPlan, sweep};
    use payrig_units::Money;

    #[test]
    fn the_picture_covers_every_cell_once() {
        let ms = Micros::ms;
        let board = BoardWindow {
            active: Level::Low,
            min_on: ms(30),
            max_on: ms(80),
            min_off: ms(30),
            train_timeout: ms(300),
            pulses: 1,
            unit: Money(100),
            carry: false,
        };
        let map = sweep(&board, &SweepPlan::square(ms(10), ms(200), ms(10)));
        let svg = board_map(&map, "a <board>", &Profile::all());
        let doc = roxmltree::Document::parse(&svg).unwrap();
        let named = |name: &str| doc.descendants().filter(|n| n.has_tag_name(name)).count();
        assert_eq!(named("circle"), 3);
        let title = doc.descendants().find(|n| n.has_tag_name("title")).unwrap();
        assert_eq!(title.text(), Some("a <board>"));
        let mut cells = std::collections::BTreeSet::new();
        let group = doc.descendants().find(|n| n.has_tag_name("g")).unwrap();
        for rect in group.children().filter(|n| n.has_tag_name("rect")) {
            let at = |name: &str| rect.attribute(name).unwrap().parse::<u64>().unwrap();
            assert_eq!(at("height"), CELL);
            for x in (at("x")..at("x") + at("width")).step_by(12) {
                assert!(cells.insert((x, at("y"))), "twice: {x} {}", at("y"));
            }
        }
        assert_eq!(cells.len(), 20 * 20);
    }
}
