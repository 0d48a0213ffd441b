//! Telling a repeated report from a new one (MDB/ICP 4.3, Appendix 3, section 3, condition 2).

use payrig_mdb::changer::{Report, Routing, Status};
use payrig_units::Micros;

/// A repetition comes with the first POLL after a report that is heard and answered. The first is
/// sent after 20 ms, and again some 45 ms after one that was lost: up to here, with two lost, the
/// same report counts as a repetition, whatever it is. A second coin is hardly that fast.
const WINDOW: Micros = Micros::ms(130);

/// Remembers the events of the last answer that brought money.
#[derive(Clone, Debug, Default)]
pub(super) struct Guard {
    last: Option<(Vec<Report>, Micros)>,
    /// The changer was reset since: it takes no coins, so that what it reports first is old.
    was_reset: bool,
}

impl Guard {
    /// How many of these reports, from the first, are the last answer's over again, because its
    /// ACK was not heard. What has come meanwhile is appended (section 2.2). Only events count.
    pub(super) fn repeated(&mut self, now: Micros, reports: &[Report]) -> usize {
        let events: Vec<Report> = reports.iter().filter(is_event).copied().collect();
        let just_reset = reports.contains(&Report::JUST_RESET);
        self.was_reset |= just_reset;
        if events.is_empty() && just_reset {
            // The others may come with the next POLL.
            return 0;
        }
        let again = self.last.as_ref().and_then(|(last, at)| {
            let soon = now.since(*at) <= WINDOW;
            let same = soon || self.was_reset || last.iter().any(counts_itself);
            repeats(last, &events).filter(|_| same)
        });
        let repeated = again.unwrap_or_default();
        self.quiet();
        if events.iter().any(brings_money) {
            self.last = Some((events, now));
        }
        repeated
    }

    /// POLL was answered with ACK: whatever comes next is new.
    pub(super) fn quiet(&mut self) {
        *self = Self::default();
    }
}

/// How many of these events, from the first, are the last ones over again: all that brought money are
/// among them. A reset may drop the others, such as the lever.
fn repeats(last: &[Report], events: &[Report]) -> Option<usize> {
    let mut left = last.iter();
    let mut count = 0;
    for event in events {
        let mut rest = left.clone();
        let known = rest
            .by_ref()
            .find(|l| *l == event || brings_money(l))
            .is_some_and(|l| l == event);
        if !known {
            break;
        }
        left = rest;
        count += 1;
    }
    (count > 0 && !left.any(brings_money)).then_some(count)
}

/// Conditions are sent with each POLL while they last, and are no events; JUST RESET brings no
/// news either.
pub(super) fn is_event(report: &&Report) -> bool {
    !matches!(report, Report::Status(s) if s.is_condition() || *s == Status::JustReset)
}

/// Reports that credit or book coins.
pub(super) fn brings_money(report: &Report) -> bool {
    matches!(
        report,
        Report::CoinsDeposited { .. } | Report::CoinsDispensedManually { .. }
    )
}

/// A coin that went to its tube comes with the count of the tube, which the next coin would have
/// raised: the same report is the same coin, however late. 255 stands for more, too.
fn counts_itself(report: &Report) -> bool {
    matches!(report, Report::CoinsDeposited { routing: Routing::Tubes, in_tube, .. } if *in_tube < u8::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::changer::{CoinType, SlugCount};

    fn coin(routing: Routing, in_tube: u8) -> Report {
        let coin_type = CoinType::of(2);
        Report::CoinsDeposited {
            coin_type,
            routing,
            in_tube,
        }
    }

    #[test]
    fn the_same_at_once_is_a_repetition_later_or_after_an_ack_it_is_not() {
        let dollar = [coin(Routing::CashBox, 0)];
        let mut guard = Guard::default();
        assert_eq!(guard.repeated(Micros::ms(0), &dollar), 0);
        assert_eq!(guard.repeated(Micros::ms(28), &dollar), 1);
        assert_eq!(guard.repeated(Micros::ms(56), &dollar), 1, "twice lost");
        assert_eq!(guard.repeated(Micros::ms(500), &dollar), 0);
        guard.quiet();
        assert_eq!(guard.repeated(Micros::ms(520), &dollar), 0);
    }

    #[test]
    fn a_coin_in_its_tube_is_known_by_the_count() {
        let mut guard = Guard::default();
        let quarter = [coin(Routing::Tubes, 26)];
        assert_eq!(guard.repeated(Micros::ms(0), &quarter), 0);
        assert_eq!(guard.repeated(Micros::ms(1_900), &quarter), 1);
        assert_eq!(
            guard.repeated(Micros::ms(1_920), &[coin(Routing::Tubes, 27)]),
            0
        );
    }

    /// Section 2.2: what was not acknowledged is repeated, and what is new may be appended.
    #[test]
    fn what_is_appended_is_new() {
        let (first, second) = (coin(Routing::Tubes, 26), coin(Routing::CashBox, 0));
        let busy = Report::Status(Status::ChangerPayoutBusy);
        let mut guard = Guard::default();
        assert_eq!(guard.repeated(Micros::ms(0), &[first, busy]), 0);
        assert_eq!(guard.repeated(Micros::ms(28), &[first, second]), 1);
        assert_eq!(guard.repeated(Micros::ms(56), &[first, second]), 2);
    }

    /// Coins and the lever in one answer, and a reset that forgets the lever.
    #[test]
    fn a_repetition_without_what_brought_no_money() {
        let lever = Report::Status(Status::EscrowRequest);
        let (first, second) = (coin(Routing::Tubes, 26), coin(Routing::Tubes, 27));
        let slug = Report::Slug(SlugCount::saturating(1));
        for (first, again, repeated) in [
            (vec![first, lever], vec![first], 1),
            (vec![lever, first], vec![first], 1),
            (vec![lever, first, lever, second], vec![first, second], 2),
            (vec![lever, first], vec![first, second], 1),
            (vec![first, lever], vec![first, lever, slug], 2),
            // Not all of it, or something else first.
            (vec![first, second], vec![first], 0),
            (vec![first, second], vec![second], 0),
            (vec![first], vec![second], 0),
            (vec![first], vec![slug, first], 0),
        ] {
            let mut guard = Guard::default();
            assert_eq!(guard.repeated(Micros::ZERO, &first), 0);
            assert_eq!(guard.repeated(Micros::ms(400), &[Report::JUST_RESET]), 0);
            let found = guard.repeated(Micros::ms(450), &again);
            assert_eq!(found, repeated, "{first:?}, {again:?}");
        }
    }

    /// A reset comes between report and repetition: no coin is taken meanwhile.
    #[test]
    fn a_repetition_after_a_reset() {
        let dollar = coin(Routing::CashBox, 0);
        let mut guard = Guard::default();
        assert_eq!(guard.repeated(Micros::ms(0), &[dollar]), 0);
        assert_eq!(guard.repeated(Micros::ms(900), &[Report::JUST_RESET]), 0);
        assert_eq!(guard.repeated(Micros::ms(950), &[dollar]), 1);
        assert_eq!(
            guard.repeated(Micros::secs(5), &[Report::JUST_RESET, dollar]),
            1
        );
        assert_eq!(guard.repeated(Micros::secs(9), &[dollar]), 0);
    }
}
