//! Telling a repeated report from a new one (MDB/ICP 4.3, Appendix 3, section 3, condition 2).

use payrig_mdb::Block;
use payrig_units::Micros;

/// A repetition comes with the POLL that follows a report after 20 ms; a second coin or bill
/// cannot be that fast. Up to here it counts as a repetition.
const WINDOW: Micros = Micros::ms(100);

/// Remembers the last answer that brought money.
#[derive(Clone, Debug, Default)]
pub(crate) struct RepeatGuard {
    last: Option<(Block, Micros)>,
}

impl RepeatGuard {
    /// True when this answer is the last one again, because its ACK was not heard.
    pub(crate) fn is_repetition(&mut self, now: Micros, data: &Block, brings_money: bool) -> bool {
        let same = self
            .last
            .is_some_and(|(last, at)| last == *data && now.since(at) <= WINDOW);
        self.last = brings_money.then_some((*data, now));
        same && brings_money
    }

    /// POLL was answered with ACK: whatever comes next is new.
    pub(crate) fn quiet(&mut self) {
        self.last = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_answer_at_once_is_a_repetition_later_or_after_an_ack_it_is_not() {
        let coin = Block::new(&[0x52, 0x1A]).unwrap();
        let mut guard = RepeatGuard::default();
        assert!(!guard.is_repetition(Micros::ms(0), &coin, true));
        assert!(guard.is_repetition(Micros::ms(28), &coin, true));
        assert!(
            guard.is_repetition(Micros::ms(56), &coin, true),
            "twice lost"
        );
        assert!(!guard.is_repetition(Micros::ms(500), &coin, true));
        guard.quiet();
        assert!(!guard.is_repetition(Micros::ms(520), &coin, true));
        let other = Block::new(&[0x53, 0x05]).unwrap();
        assert!(!guard.is_repetition(Micros::ms(540), &other, true));
    }
}
