//! Whether the two lines of a bus were taken for each other.

use crate::rules::INTER_BYTE;
use crate::{BusEvent, Source, TimedWord};

/// True when both lines put their mode bits where the other side does (section 2.1): the master on
/// the first word of a block, peripherals on the last.
pub(super) fn look_swapped(events: &[BusEvent]) -> bool {
    // Per side: blocks that look like the master's, and like a peripheral's.
    let mut like = [[0u32; 2]; 2];
    let mut open: [Vec<TimedWord>; 2] = [Vec::new(), Vec::new()];
    let mut close = |side: usize, words: &mut Vec<TimedWord>| {
        if let ([first, .., last], Some(count)) = (words.as_slice(), like.get_mut(side)) {
            let [master, peripheral] = count;
            *master += u32::from(first.word.mode && !last.word.mode);
            *peripheral += u32::from(!first.word.mode && last.word.mode);
        }
        words.clear();
    };
    for event in events {
        let BusEvent::Word(word) = event else {
            continue;
        };
        let side = usize::from(word.source == Source::Peripheral);
        let Some(words) = open.get_mut(side) else {
            continue;
        };
        if words
            .last()
            .is_some_and(|w| word.start.since(w.end) > INTER_BYTE)
        {
            close(side, words);
        }
        words.push(*word);
    }
    for (side, mut words) in open.into_iter().enumerate() {
        close(side, &mut words);
    }
    let [[master, not_master], [not_peripheral, peripheral]] = like;
    not_master >= 3
        && not_peripheral >= 3
        && not_master > 3 * master
        && not_peripheral > 3 * peripheral
}
