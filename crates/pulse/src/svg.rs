//! The map of a sweep as a picture.

use crate::Profile;
use crate::sweep::{Map, Outcome};
use payrig_units::Micros;
use std::fmt::Write;

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

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
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

impl Map {
    /// The map as an SVG picture, with the given profiles marked. On time to the right, off time
    /// downwards.
    #[must_use]
    pub fn svg(&self, title: &str, profiles: &[Profile]) -> String {
        let (wide, high) = (
            len(self.plan.on.len()) * CELL,
            len(self.plan.off.len()) * CELL,
        );
        let width = (LEFT + wide + 24).max(420);
        let height = TOP + high + BELOW;
        let mut svg = String::new();
        // Writing to a String cannot fail.
        let mut put = |line: String| {
            let _ = writeln!(svg, "{line}");
        };
        put(format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" \
             width=\"{width}\" height=\"{height}\" font-family=\"sans-serif\" font-size=\"11\">"
        ));
        put(format!("<title>{}</title>", escape(title)));
        put(format!(
            "<rect width=\"{width}\" height=\"{height}\" fill=\"#ffffff\"/>"
        ));
        put(format!(
            "<text x=\"{LEFT}\" y=\"22\" font-size=\"14\" font-weight=\"bold\">{}</text>",
            escape(title)
        ));
        for (y, row) in self.rows.iter().enumerate() {
            // Like cells beside each other are one rectangle.
            let mut x = 0;
            let mut rest = row.as_slice();
            while let Some((_, outcome)) = rest.first() {
                let same = rest.iter().take_while(|(_, o)| o == outcome).count();
                put(format!(
                    "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{CELL}\" fill=\"{}\"/>",
                    LEFT + x * CELL,
                    TOP + len(y) * CELL,
                    len(same) * CELL,
                    colour(*outcome)
                ));
                x += len(same);
                rest = rest.get(same..).unwrap_or_default();
            }
        }
        let every = |n: usize| (n / 10).max(1);
        let (on, off) = (&self.plan.on, &self.plan.off);
        for (i, time) in on.iter().enumerate().step_by(every(on.len())) {
            put(format!(
                "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
                LEFT + len(i) * CELL + CELL / 2,
                TOP + high + 14,
                time.0 / 1_000
            ));
        }
        for (i, time) in off.iter().enumerate().step_by(every(off.len())) {
            put(format!(
                "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">{}</text>",
                LEFT - 6,
                TOP + len(i) * CELL + CELL - 2,
                time.0 / 1_000
            ));
        }
        put(format!(
            "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">pulse width (on), ms</text>",
            LEFT + wide / 2,
            TOP + high + 32
        ));
        let middle = TOP + high / 2;
        put(format!(
            "<text x=\"14\" y=\"{middle}\" text-anchor=\"middle\" \
             transform=\"rotate(-90 14 {middle})\">pause (off), ms</text>"
        ));
        for profile in profiles {
            let place = position(on, profile.on).zip(position(off, profile.off));
            if let Some((x, y)) = place {
                put(format!(
                    "<circle cx=\"{}\" cy=\"{}\" r=\"5\" fill=\"#ffffff\" stroke=\"#111111\" \
                     stroke-width=\"2\"/><text x=\"{}\" y=\"{}\" stroke=\"#ffffff\" \
                     stroke-width=\"3\" paint-order=\"stroke\">{}</text>",
                    LEFT + x,
                    TOP + y,
                    LEFT + x + 9,
                    TOP + y + 4,
                    escape(&profile.name)
                ));
            }
        }
        for (i, outcome) in Outcome::ALL.into_iter().enumerate() {
            let y = TOP + high + 46 + len(i) * 18;
            put(format!(
                "<rect x=\"{LEFT}\" y=\"{y}\" width=\"12\" height=\"12\" fill=\"{}\"/>\
                 <text x=\"{}\" y=\"{}\">{}</text>",
                colour(outcome),
                LEFT + 18,
                y + 10,
                outcome.words()
            ));
        }
        put("</svg>".to_owned());
        svg
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{BoardWindow, SweepPlan, sweep};

    #[test]
    fn the_picture_covers_every_cell_once() {
        let board: BoardWindow =
            toml::from_str("min-on-ms = 30\nmax-on-ms = 80\nmin-off-ms = 30").unwrap();
        let map = sweep(
            &board,
            &SweepPlan::square(Micros::ms(10), Micros::ms(200), Micros::ms(10)),
        );
        let svg = map.svg("a <board>", &Profile::all());
        assert!(svg.contains("<title>a &lt;board&gt;</title>"));
        let cells: u64 = svg
            .lines()
            .filter(|l| l.starts_with("<rect x=") && !l.contains("<text"))
            .map(|l| {
                let rest = l.split_once("width=\"").unwrap().1;
                rest.split_once('"').unwrap().0.parse::<u64>().unwrap() / CELL
            })
            .sum();
        assert_eq!(cells, 20 * 20);
        assert_eq!(svg.matches("<circle").count(), 3);
        assert_eq!(svg.matches("<svg").count(), svg.matches("</svg>").count());
    }
}
