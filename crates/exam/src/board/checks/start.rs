//! The bus reset, and the set-up of each peripheral.

use super::common::given;
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, READER, What};
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Weight};
use payrig_controller::Item;
use payrig_mdb::cashless;
use payrig_mdb::cashless::PriceRange;
use payrig_mdb::changer::Report;
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "bus-reset-length",
        title: "Resets the bus at power-up",
        expected: "the line held for at least 100 ms",
        section: "2.2, 3.2",
        advice: "Peripherals may not start afresh: lengthen the bus reset.",
        weight: Weight::Rule,
        arrange: Some(|s| s.from_cold = true),
        run: |b| {
            b.secs(3);
            Ok(match b.breaks().first() {
                None => Seen::fail("no bus reset"),
                Some((from, to)) => {
                    let length = to.since(*from);
                    let text = format!("held for {length}");
                    let length = b.of_a_break(length);
                    Seen::at_least(&[length], Micros::ms(100), text)
                }
            })
        },
        quirk: Quirk::new("short-bus-reset", "holds the line for 60 ms only", |s| {
            s.board.timing.bus_reset = Micros::ms(60)
        }),
    },
    BoardCheck {
        id: "bus-reset-pause",
        title: "Waits after a bus reset",
        expected: "at least 200 ms of silence",
        section: "3.2",
        advice: "Peripherals are not ready yet: wait longer.",
        weight: Weight::Rule,
        arrange: Some(|s| s.from_cold = true),
        run: |b| reset_pause(b, Micros::ms(200)),
        quirk: Quirk::new(
            "no-pause-after-reset",
            "waits 100 ms only after a bus reset",
            |s| s.board.timing.setup = Micros::ms(100),
        ),
    },
    BoardCheck {
        id: "bus-reset-margin",
        title: "Waits long enough for old peripherals",
        expected: "at least 500 ms of silence after a bus reset",
        section: "Appendix 3, section 2",
        advice: "Old peripherals need 500 ms: wait longer.",
        weight: Weight::Advice,
        arrange: Some(|s| s.from_cold = true),
        run: |b| reset_pause(b, Micros::ms(500)),
        quirk: Quirk::new(
            "short-pause-after-reset",
            "waits 300 ms after a bus reset",
            |s| s.board.timing.setup = Micros::ms(300),
        ),
    },
    BoardCheck {
        id: "finds-every-peripheral",
        title: "Speaks to every peripheral",
        expected: "commands to 08H, 10H and 30H within 10 s",
        section: "2.3, 2.4.3",
        advice: "A peripheral is never used: see the board's settings.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.secs(10);
            let known = [
                (CHANGER, "changer"),
                (BILL, "bill validator"),
                (READER, "card reader"),
            ];
            let known = known.into_iter().filter(|(a, _)| b.has(*a));
            let spoken = |a| b.blocks().iter().any(|block| block.is_command_to(a));
            let missing: Vec<&str> = known.filter(|(a, _)| !spoken(*a)).map(|(_, n)| n).collect();
            let text = match missing.is_empty() {
                true => "all are spoken to".to_owned(),
                false => format!("never spoken to: {}", missing.join(", ")),
            };
            Ok(Seen::judge(missing.is_empty(), text))
        },
        quirk: Quirk::new("ignores-bill-validator", "never speaks to 30H", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x30..=0x37, ..] => Said::Nothing,
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "first-command",
        title: "Begins with POLL or RESET",
        expected: "no other command before JUST RESET was asked for",
        section: "5.3, 6.3, 7.4.1",
        advice: "Older peripherals do not answer before: start with POLL.",
        weight: Weight::Rule,
        arrange: Some(|s| s.from_cold = true),
        run: |b| {
            b.secs(5);
            let first = |a| b.blocks().iter().find(|block| block.is_command_to(a));
            let firsts: Vec<_> = [CHANGER, BILL, READER]
                .into_iter()
                .filter_map(first)
                .collect();
            let asks = |what| matches!(what, Some(What::Poll(_) | What::Reset(_)));
            let good = !firsts.is_empty() && firsts.iter().all(|block| asks(block.what()));
            let names: Vec<&str> = firsts.iter().map(|block| block.name()).collect();
            Ok(Seen::judge(good, names.join(", ")))
        },
        quirk: Quirk::new(
            "asks-setup-first",
            "sends the changer SETUP before the first POLL",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0B] if !m.commands.contains_key(&0x0B) => Said::Instead(vec![0x09]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "changer-initialised",
        title: "Sets a changer up",
        expected: "SETUP, TUBE STATUS and COIN TYPE, in this order",
        section: "5.3",
        advice: "Coins are refused: the start sequence is not whole.",
        weight: Weight::Rule,
        arrange: None,
        run: changer_initialised,
        quirk: Quirk::new("no-coin-type", "never sends COIN TYPE", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x0C, ..] => Said::Instead(vec![0x0B]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "bill-validator-initialised",
        title: "Sets a bill validator up",
        expected: "SETUP, then BILL TYPE",
        section: "6.3",
        advice: "Bills are refused: the start sequence is not whole.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| initialised(b, &[What::Setup(BILL), What::BillType]),
        quirk: Quirk::new("no-bill-type", "never sends BILL TYPE", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x34, ..] => Said::Instead(vec![0x33]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "reader-initialised",
        title: "Sets a card reader up",
        expected: "CONFIG DATA, MAX/MIN PRICES, REQUEST ID, READER ENABLE in this order",
        section: "7.4.1, Appendix 3, section 4",
        advice: "Readers stay off or misbehave: send all of the sequence.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let wanted = [
                What::SetupConfig,
                What::SetupPrices,
                What::RequestId,
                What::ReaderEnable,
            ];
            initialised(b, &wanted)
        },
        quirk: Quirk::new("no-prices", "never tells MAX/MIN PRICES", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x11, 0x01, ..] => Said::Instead(vec![0x12]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "reader-enabled",
        title: "Enables a card reader",
        expected: "READER ENABLE after the set-up",
        section: "7.4.13",
        advice: "Cards are refused: enable the reader.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[READER])?;
            let from = b.now();
            b.ready_or_not();
            given(b, from, What::ReaderEnable)
        },
        quirk: Quirk::new("no-reader-enable", "never sends READER ENABLE", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x14, 0x01] => Said::Instead(vec![0x12]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "price-range",
        title: "Sends a card reader its prices",
        expected: "the lowest and the highest card price in the reader's scaling",
        section: "7.4.2",
        advice: "Readers refuse or mislead: send the real range.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[READER])?;
            b.ready_or_not();
            let mut told = b
                .blocks()
                .iter()
                .filter(|block| block.is_command_to(READER));
            let prices = told.find_map(|block| match block.to_reader() {
                Some(cashless::Kind::SetupPrices(prices)) => Some(prices),
                _ => None,
            });
            let Some(PriceRange { max, min, .. }) = prices else {
                return Ok(Seen::fail("the reader never hears of it"));
            };
            let most = match max {
                Some(most) => words::count(*most, "count"),
                None => "an unknown number of counts".to_owned(),
            };
            let least = words::count(*min, "count");
            let text = format!(
                "at most {most} and at least {least} of {}",
                b.show(b.kit().count())
            );
            let told = |price: fn(&Item) -> Money| {
                let scale = b.kit().count().as_minor().max(1);
                let prices = || b.items().iter().map(price);
                let count = |amount: Option<Money>| {
                    let amount = amount?.as_minor();
                    (amount % scale == 0).then_some(amount / scale)
                };
                // What the reader cannot express is not known to it.
                let most = count(prices().max());
                let least = count(prices().min()).unwrap_or(0);
                (max.map(i64::from), i64::from(*min)) == (most, least)
            };
            let right = told(Item::card_price);
            let cash = !right && told(|item| item.price);
            let text = match cash {
                true => format!("{text}, which are the cash prices"),
                false => text,
            };
            Ok(Seen::judge(right, text))
        },
        quirk: Quirk::new(
            "wrong-price-range",
            "tells a reader less than the highest price",
            |s| {
                s.bad.says = Some(|_, c| match c {
                    [0x11, 0x01, h, l, rest @ ..] => {
                        let mut out = vec![0x11, 0x01, *h, l / 2];
                        out.extend(rest);
                        Said::Changed(out)
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "tube-status-late",
        title: "Asks for tubes 500 ms after a reset",
        expected: "no TUBE STATUS earlier than 500 ms after JUST RESET",
        section: "5.3, RESET, note 1",
        advice: "Older changers tell empty tubes: ask later.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            b.fit(&[CHANGER])?;
            b.ready_or_not();
            let mut blocks = b.blocks().iter();
            let reset = blocks.find(|block| block.changer_reports() == [Report::JUST_RESET]);
            let asked = b.blocks().iter().find(|block| block.is(What::TubeStatus));
            let (Some(reset), Some(asked)) = (reset, asked) else {
                return Ok(Seen::cannot_tell("JUST RESET or TUBE STATUS was not seen"));
            };
            let after = asked.at.since(reset.end);
            Ok(Seen::judge(
                after >= Micros::ms(490),
                format!("asked after {after}"),
            ))
        },
        quirk: Quirk::new(
            "asks-tubes-early",
            "sends TUBE STATUS in place of the first POLL after SETUP",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0B] if m.commands.contains_key(&0x09) && m.count == 0 => {
                        m.count = 1;
                        Said::Instead(vec![0x0A])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
];

fn reset_pause(b: &mut BoardBench, least: Micros) -> Run {
    b.secs(3);
    let Some((_, end)) = b.breaks().first().copied() else {
        return Ok(Seen::cannot_tell("no bus reset"));
    };
    let Some(first) = b.since(end).find(|block| block.is_command()) else {
        return Ok(Seen::cannot_tell("no command followed"));
    };
    let pause = first.at.since(end);
    let text = format!("first command after {pause}");
    Ok(Seen::at_least(&[b.of_a_break(pause)], least, text))
}

/// True when these commands were given in this order.
fn in_order(b: &BoardBench, wanted: &[What]) -> bool {
    let mut wanted = wanted.iter().peekable();
    for block in b.blocks() {
        wanted.next_if(|what| block.is(**what));
    }
    wanted.peek().is_none()
}

/// Pass when a peripheral was given these commands in this order.
fn initialised(b: &mut BoardBench, wanted: &[What]) -> Run {
    let addresses: Vec<_> = wanted.iter().map(|what| what.address()).collect();
    b.fit(&addresses)?;
    b.ready_or_not();
    let good = in_order(b, wanted);
    let address = wanted.first().map(|what| what.address());
    let commands = b.blocks().iter().filter(|block| block.is_command());
    let mut given: Vec<&str> = Vec::new();
    for block in commands.filter(|block| Some(block.address) == address) {
        let name = block.name();
        if !block.is(What::Poll(block.address)) && !given.contains(&name) {
            given.push(name);
        }
    }
    Ok(Seen::judge(good, format!("given: {}", given.join(", "))))
}

/// Pass when the changer was set up.
pub(super) fn changer_initialised(b: &mut BoardBench) -> Run {
    let wanted = [What::Setup(CHANGER), What::TubeStatus, What::CoinType];
    initialised(b, &wanted)
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
