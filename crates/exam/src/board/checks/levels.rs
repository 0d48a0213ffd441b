//! Levels and options: older peripherals are spoken to in their own terms, newer ones in what they
//! offer.

use super::common::{buy, times};
use crate::board::bad_habit::{Memory, Said};
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, HeardBlock, READER, What};
use crate::board::kit::Pick;
use crate::board::setup::BoardSetup;
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Weight};
use crate::skip::Skip;
use payrig_mdb::cashless::{Level, Options};
use payrig_mdb::changer::Features;
use payrig_mdb::{Address, bill, cashless, changer};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "level-2-changer",
        title: "Speaks level 2 to a level 2 changer",
        expected: "no EXPANSION command",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Old changers hang: go down to their level.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            s.changer.level = 2;
            s.changer.features = Features::NONE;
        }),
        run: |b| {
            b.fit(&[CHANGER])?;
            b.ready_or_not();
            let known = b.since(met(b, CHANGER));
            let to_changer = known.filter(|c| c.is_command_to(CHANGER));
            let sent = to_changer.filter(|c| c.expansion().is_some()).count();
            Ok(Seen::judge(
                sent == 0,
                words::count(sent, "EXPANSION command"),
            ))
        },
        quirk: Quirk::new(
            "expansion-to-level-2",
            "asks the changer for its identification whatever its level",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0B] if m.commands.contains_key(&0x0C) && m.count == 0 => {
                        m.count = 1;
                        Said::Instead(vec![0x0F, 0x00])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "features-only-where-offered",
        title: "Enables only features a changer offers",
        expected: "the bits of FEATURE ENABLE are among those of IDENTIFICATION",
        section: "5.3, 0FH 00H, 0FH 01H",
        advice: "Changers act in a way the board does not expect: enable what is offered.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[CHANGER])?;
            b.ready();
            let ids = b.blocks().iter().filter_map(HeardBlock::of_changer);
            let mut features = ids.filter_map(|response| match response {
                changer::Response::Identification(id) => Some(id.features),
                _ => None,
            });
            let offered = features.next().unwrap_or(Features::NONE);
            let mut commands = b.blocks().iter().filter_map(HeardBlock::to_changer);
            let enabled = commands.find_map(|command| match command {
                changer::Command::FeatureEnable(features) => Some(*features),
                _ => None,
            });
            Ok(match enabled {
                None => Seen::pass("no feature is enabled"),
                Some(enabled) => within(offered.0, enabled.0),
            })
        },
        quirk: Quirk::new(
            "enables-every-feature",
            "enables every feature of a changer that there is",
            |s| {
                s.bad.says = Some(|_, c| match c {
                    [0x0F, 0x01, ..] => Said::Changed(vec![0x0F, 0x01, 0xFF, 0xFF, 0xFF, 0xFF]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "level-1-validator",
        title: "Speaks level 1 to a level 1 validator",
        expected: "no EXPANSION command of level 2",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Old validators hang: go down to their level.",
        weight: Weight::Rule,
        arrange: Some(|s| s.bill.level = 1),
        run: |b| {
            b.fit(&[BILL])?;
            b.ready();
            let known = b.since(met(b, BILL));
            let to_bill = known.filter(|c| c.is_command_to(BILL));
            // 00H is of level 1.
            let sent = to_bill
                .filter(|c| c.expansion().is_some_and(|sub| sub != 0))
                .count();
            Ok(Seen::judge(
                sent == 0,
                words::count(sent, "command of level 2"),
            ))
        },
        quirk: Quirk::new(
            "level-2-to-level-1",
            "asks the validator for its options whatever its level",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x33] if m.commands.contains_key(&0x34) && m.count == 0 => {
                        m.count = 1;
                        Said::Instead(vec![0x37, 0x02])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "level-1-reader",
        title: "Speaks level 1 to a level 1 reader",
        expected: "no optional feature enabled",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Old readers hang: go down to their level.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            s.cashless.level = Level::ONE;
            s.cashless.options = Options::NONE;
        }),
        run: |b| {
            b.fit(&[READER])?;
            b.ready_or_not();
            let sent = b.count(met(b, READER), What::EnableOptions);
            Ok(Seen::judge(
                sent == 0,
                format!(
                    "{} to enable optional features",
                    words::count(sent, "command")
                ),
            ))
        },
        quirk: Quirk::new(
            "options-to-level-1",
            "enables options of a level 1 reader",
            |s| s.bad.says = Some(|m, c| options_to(m, c, 1)),
        ),
    },
    BoardCheck {
        id: "level-2-reader",
        title: "Speaks level 2 to a level 2 reader",
        expected: "no EXPANSION command of level 3",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Older readers hang or say COMMAND OUT OF SEQUENCE: go down to their level.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            s.cashless.level = Level::TWO;
            s.cashless.options = Options::NONE;
        }),
        run: |b| {
            buy(b, Pick::Cheap);
            let sent = b.count(met(b, READER), What::EnableOptions);
            Ok(Seen::judge(
                sent == 0,
                format!("{} to enable options", words::count(sent, "command")),
            ))
        },
        quirk: Quirk::new(
            "options-to-level-2",
            "enables options of a level 2 reader",
            |s| s.bad.says = Some(|m, c| options_to(m, c, 2)),
        ),
    },
    BoardCheck {
        id: "options-only-where-offered",
        title: "Enables only options a level 3 reader offers",
        expected: "the option bits of EXPANSION 04H are among those of PERIPHERAL ID",
        section: "7.4.20, 7.4.24",
        advice: "Readers answer in a form the board does not expect: enable what is offered.",
        weight: Weight::Rule,
        arrange: Some(|s| level_3(s, Options::MONEY_32)),
        run: |b| {
            b.fit(&[READER])?;
            b.ready_or_not();
            let mut reports = b.blocks().iter().flat_map(HeardBlock::reader_reports);
            let offered = reports.find_map(|report| match report {
                cashless::Report::PeripheralId(id) => Some(id.options.unwrap_or_default()),
                _ => None,
            });
            let offered = offered.unwrap_or_default();
            let mut commands = b.blocks().iter().filter_map(HeardBlock::to_reader);
            let enabled = commands.find_map(|command| match command {
                cashless::Kind::EnableOptions(options) => Some(*options),
                _ => None,
            });
            Ok(match enabled {
                None => Seen::pass("no option is enabled"),
                Some(enabled) => within(offered.0, enabled.0),
            })
        },
        quirk: Quirk::new(
            "enables-everything",
            "enables every option of a reader that there is",
            |s| {
                s.bad.says = Some(|_, c| match c {
                    [0x17, 0x04, ..] => Said::Changed(vec![0x17, 0x04, 0, 0, 0x07, 0xFF]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "money-of-32-bits",
        title: "Speaks of money in 32 bits to a reader that does",
        expected: "VEND REQUEST of {counts} in four bytes, and an item",
        section: "7.4.5, 7.4.24",
        advice: "Prices are misread: with the option on, every amount has four bytes.",
        weight: Weight::Rule,
        arrange: Some(|s| level_3(s, Options::MONEY_32)),
        run: wide_sale,
        quirk: Quirk::new(
            "asks-in-16-bits",
            "asks in 16 bits though 32 were agreed on",
            |s| s.bad.says = Some(narrow),
        ),
    },
    BoardCheck {
        id: "expanded-currency",
        title: "Sells on a reader of several currencies",
        expected: "VEND REQUEST in four bytes after the longer BEGIN SESSION, and an item",
        section: "7.4.4, 7.4.24",
        advice: "Such readers cannot be used: read the longer BEGIN SESSION, or do not enable the option.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            let options = Options::MONEY_32 | Options::MULTI_CURRENCY;
            level_3(s, options);
            s.board.cashless.options = s.board.cashless.options | options;
        }),
        run: wide_sale,
        quirk: Quirk::new(
            "drops-longer-sessions",
            "does not understand the longer BEGIN SESSION",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    // The reader's options: several currencies are among them.
                    (_, [0x09, .., options]) if d.len() > 30 => {
                        m.count = u32::from(options & 0x04 != 0)
                    }
                    ([0x12], [0x03, ..]) if m.count == 1 && d.len() > 10 => d.clear(),
                    _ => {}
                })
            },
        ),
    },
    BoardCheck {
        id: "always-idle-sale",
        title: "Sells on an always-idle reader",
        expected: "VEND REQUEST for a selection without a card, and an item once a card is shown",
        section: "7.4.5, 7.4.24",
        advice: "Customers must show their card twice: ask as soon as there is a selection.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            let options = Options::ALWAYS_IDLE;
            level_3(s, options);
            s.board.cashless.options = s.board.cashless.options | options;
        }),
        run: |b| {
            let from = b.ready();
            offered(b)?;
            b.select(Pick::Cheap);
            b.secs(2);
            let asked = times(b, from, What::VendRequest);
            let before = b.count(from, What::VendRequest) > 0;
            b.rich_card();
            b.vend_over(from);
            let sold = b.delivered().len();
            let text = format!("{asked} before the card, {sold} sold with it");
            Ok(Seen::judge(before && sold == 1, text))
        },
        quirk: Quirk::new(
            "knows-no-always-idle",
            "asks no card that is not there yet",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    ([0x12], [0x03, ..]) => m.count = 1,
                    ([0x12], [0x07]) => m.count = 0,
                    _ => {}
                });
                s.bad.says = Some(|m, c| match c {
                    [0x13, 0x00, ..] if m.count == 0 => Said::Instead(vec![0x12]),
                    _ => Said::AsIs,
                });
            },
        ),
    },
];

fn level_3(s: &mut BoardSetup, options: Options) {
    s.cashless.level = Level::THREE;
    s.cashless.options = options;
}

/// Enables options of a reader of this level, which has none.
fn options_to(m: &mut Memory, command: &[u8], level: u8) -> Said {
    if let Some([0x01, own, ..]) = m.last_data.get(&READER).map(Vec::as_slice) {
        m.kept = vec![*own];
    }
    match command {
        [0x12] if m.count == 0 && m.kept == [level] && m.commands.contains_key(&0x14) => {
            m.count = 1;
            Said::Instead(vec![0x17, 0x04, 0, 0, 0, 2])
        }
        _ => Said::AsIs,
    }
}

/// Ends a check of an option of level 3 where the board speaks no level 3 (section 7.4.2, SETUP, Y2): it
/// may not be offered any (section 2.4.4).
fn offered(b: &BoardBench) -> Result<(), Seen> {
    b.fit(&[READER])?;
    match b.habits().cashless_level {
        Some(level) if level < Level::THREE => Err(Seen::skipped(not_offered(level))),
        _ => Ok(()),
    }
}

/// Why a board that speaks this level does without options of level 3.
pub(in crate::board) fn not_offered(level: Level) -> Skip {
    Skip::NotOffered(format!(
        "an option of level 3, it speaks level {} to card readers",
        level.0
    ))
}

/// VEND REQUEST without the upper half of its price.
fn narrow(_: &mut Memory, command: &[u8]) -> Said {
    match command {
        [0x13, 0x00, _, _, h, l, item @ ..] if item.len() == 2 => {
            let mut out = vec![0x13, 0x00, *h, *l];
            out.extend(item);
            Said::Changed(out)
        }
        _ => Said::AsIs,
    }
}

/// When the board could first know what is at an address: the peripheral had reported JUST RESET. A
/// board outside may until then speak to the one of the check before.
fn met(b: &BoardBench, address: Address) -> Micros {
    let reported = |block: &HeardBlock| {
        let changer = block.changer_reports();
        let (bill, reader) = (block.bill_reports(), block.reader_reports());
        changer.contains(&changer::Report::JUST_RESET)
            || bill.contains(&bill::Report::JustReset)
            || reader.contains(&cashless::Report::JustReset)
    };
    let mut own = b.blocks().iter().filter(|block| block.address == address);
    own.find(|block| reported(block))
        .map_or(Micros::ZERO, |block| block.end)
}

/// Pass when the bits that are enabled are among those offered.
fn within(offered: u32, enabled: u32) -> Seen {
    Seen::judge(
        enabled & !offered == 0,
        format!("offered {offered:08X}H, enabled {enabled:08X}H"),
    )
}

/// Bytes of VEND REQUEST with a price of four bytes (section 7.4.5), CHK included.
const WIDE_REQUEST: usize = 9;

/// Pass when an item is sold, and was asked for with its price in four bytes.
fn wide_sale(b: &mut BoardBench) -> Run {
    b.ready();
    offered(b)?;
    let from = buy(b, Pick::Cheap);
    let asked = b.since(from).find_map(|block| match block.to_reader() {
        Some(cashless::Kind::VendRequest(request)) => Some((request.price, block.length())),
        _ => None,
    });
    let Some((price, length)) = asked else {
        return Ok(Seen::fail("no VEND REQUEST"));
    };
    let sold = b.delivered().len();
    let text = format!("{sold} sold, asked with {}", words::count(length, "byte"));
    let price_is_right = i64::from(price) == b.kit().counts(b.kit().card_price());
    let good = price_is_right && length == WIDE_REQUEST;
    Ok(Seen::judge(good && sold == 1, text))
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
