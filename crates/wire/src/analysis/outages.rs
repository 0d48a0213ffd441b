//! Who had no power, and when.

use payrig_units::Micros;
use std::collections::BTreeMap;

/// The power cuts of a bench, by device; `None` is the board.
#[derive(Clone, Debug, Default)]
pub(super) struct Outages(BTreeMap<Option<String>, Vec<(Micros, Micros)>>);

impl Outages {
    /// Power came or went.
    pub(super) fn power(&mut self, who: Option<&str>, at: Micros, on: bool) {
        let all = self.0.entry(who.map(str::to_owned)).or_default();
        let dark = all.last_mut().filter(|(_, end)| *end == Micros::NEVER);
        match (dark, on) {
            (Some((_, end)), true) => *end = at,
            (None, false) => all.push((at, Micros::NEVER)),
            _ => {}
        }
    }

    /// When the power went between two times, if it did.
    pub(super) fn cut_within(&self, who: Option<&str>, from: Micros, to: Micros) -> Option<Micros> {
        let mut all = self.of(who).map(|(start, _)| start);
        all.find(|start| (from..=to).contains(start))
    }

    /// True when there was no power at `at`.
    pub(super) fn is_dark(&self, who: Option<&str>, at: Micros) -> bool {
        self.of(who).any(|(start, end)| (start..end).contains(&at))
    }

    fn of(&self, who: Option<&str>) -> impl Iterator<Item = (Micros, Micros)> + '_ {
        let all = self.0.get(&who.map(str::to_owned));
        all.into_iter().flatten().copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cuts_are_kept_by_who_and_when() {
        let mut outages = Outages::default();
        let ms = Micros::ms;
        for (at, on) in [
            (10, false),
            (11, false),
            (20, true),
            (21, true),
            (30, false),
        ] {
            outages.power(Some("old"), ms(at), on);
        }
        outages.power(None, ms(5), false);
        assert_eq!(outages.cut_within(Some("old"), ms(0), ms(15)), Some(ms(10)));
        assert_eq!(outages.cut_within(Some("old"), ms(11), ms(29)), None);
        let dark: Vec<bool> = [9, 10, 19, 20, 30, 999]
            .map(|at| outages.is_dark(Some("old"), ms(at)))
            .to_vec();
        assert_eq!(dark, [false, true, true, false, true, true]);
        assert!(outages.is_dark(None, ms(6)) && !outages.is_dark(Some("other"), ms(6)));
    }
}
