//! Blocks on the wire: checksums, mode bits, and what follows data.

use super::common::{answers, refund};
use crate::board::heard::HeardBlock;
use crate::board::kit::CoinFor;
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Seen, Weight};
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_units::words;
use payrig_wire::Source;

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "command-checksums",
        title: "Sends right checksums",
        expected: "every command ends with its CHK",
        section: "2.2",
        advice: "Peripherals do not answer: correct the sum.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready_or_not();
            let commands: Vec<_> = b.blocks().iter().filter(|c| c.is_command()).collect();
            let wrong = commands.iter().filter(|c| !c.has_right_chk()).count();
            let text = format!(
                "{}, {wrong} with a wrong CHK",
                words::count(commands.len(), "command")
            );
            Ok(Seen::judge(wrong == 0, text))
        },
        quirk: Quirk::new(
            "wrong-checksums",
            "every fifth command has a wrong CHK",
            |s| s.bad.wrong_chk = true,
        ),
    },
    BoardCheck {
        id: "address-mode-bit",
        title: "Marks address bytes",
        expected: "the mode bit set on the first byte of a command, and only there",
        section: "2.2",
        advice: "Peripherals do not hear it: check the serial driver.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready_or_not();
            let commands: Vec<_> = b.blocks().iter().filter(|c| c.is_command()).collect();
            let wrong = commands
                .iter()
                .filter(|c| !c.marks_its_address_only())
                .count();
            let text = format!(
                "{}, {wrong} marked wrongly",
                words::count(commands.len(), "command")
            );
            Ok(Seen::judge(wrong == 0, text))
        },
        quirk: Quirk::new(
            "no-mode-bits",
            "every fifth address byte is not marked",
            |s| s.bad.no_mode_bit = true,
        ),
    },
    BoardCheck {
        id: "data-acknowledged",
        title: "Acknowledges data",
        expected: "ACK, NAK or RET after every answer with data",
        section: "2.2",
        advice: "Peripherals repeat for ever: acknowledge.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready_or_not();
            let all = answers(b);
            let judged = |next: &Option<&HeardBlock>| next.is_some_and(HeardBlock::is_verdict);
            let without = all.iter().filter(|(_, next)| !judged(next)).count();
            let text = format!(
                "{}, {without} not acknowledged",
                words::count(all.len(), "answer")
            );
            Ok(Seen::judge(without == 0 && !all.is_empty(), text))
        },
        quirk: Quirk::new("never-acknowledges", "sends no ACK", |s| {
            s.bad.never_acks = true
        }),
    },
    BoardCheck {
        id: "good-data-accepted",
        title: "Accepts good data",
        expected: "ACK, not NAK, after data with a right CHK",
        section: "2.2",
        advice: "Nothing is ever heard: check the sum of answers.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready_or_not();
            let all = answers(b);
            let naked = |next: &HeardBlock| next.is_verdict() && next.is_nak();
            let refused = all
                .iter()
                .filter(|(_, next)| next.is_some_and(naked))
                .count();
            let text = format!("{}, {refused} refused", words::count(all.len(), "answer"));
            Ok(Seen::judge(refused == 0, text))
        },
        quirk: Quirk::new("naks-good-data", "answers data with NAK", |s| {
            s.bad.naks_data = true
        }),
    },
    // vmc.py of ../shared/peers has this as `ret-for-ever`.
    BoardCheck {
        id: "damaged-answers-given-up",
        title: "Asks for a damaged answer a few times only",
        expected: "nine damaged reports of a coin: at most five RETs in a row, and {tube} comes back",
        section: "2.2, 2.5 D, Appendix 3, section 2",
        advice: "One peripheral on a bad wire stops the bus: give an answer up after a few RETs, and ask again at the next POLL.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.fault(Fault {
                kind: FaultKind::Flip { word: 0, bit: 0 },
                from: Source::Peripheral,
                frame: FrameKind::Block,
                address: Some(Address::CHANGER),
                skip: 0,
                count: DAMAGED,
            });
            b.coin(CoinFor::Tube);
            b.secs(5);
            let (mut most, mut row) = (0_usize, 0_usize);
            for block in b.since(from).filter(|block| block.board) {
                row = match block.is_ret() {
                    true => row + 1,
                    false => 0,
                };
                most = most.max(row);
            }
            let back = refund(b);
            let text = format!(
                "{} in a row at the most, and {} of {} came back",
                words::count(most, "RET"),
                b.show(back),
                b.show(tube)
            );
            Ok(Seen::judge(most <= RETS && back == tube, text).beside(back, tube))
        },
        quirk: Quirk::new(
            "ret-for-ever",
            "asks with RET until an answer is right",
            |s| s.board.timing.retransmits = u8::MAX,
        ),
    },
];

/// Damaged answers in a row: fewer than a changer's non-response time of 2 s (section 5.4) has POLLs, so
/// that no board resets it.
const DAMAGED: u32 = 9;

/// RETs in a row that are few (common practice, no source: section 2.5 D leaves it open).
const RETS: usize = 5;

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
