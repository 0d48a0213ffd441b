//! Readers of other levels and options.

use super::super::bench::{BoardBench, READER};
use super::super::habit::{Memory, Said};
use super::super::{BoardSetup, Entry, entry};
use super::buy;
use crate::check::{Run, Seen};
use payrig_mdb::cashless::{Level, Options};
use payrig_units::{Micros, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "level-2-reader",
        "Speaks level 2 to a level 2 reader",
        "no EXPANSION command of level 3",
        "2.4.4, Appendix 3, section 4",
        "Older readers hang or say COMMAND OUT OF SEQUENCE: go down to their level.",
        Rule,
        level_2,
        None,
        "options-to-level-2",
        "enables options of a level 2 reader",
        |s| s.habits.says = Some(|m, c| match c {
            [0x12] if m.commands.contains_key(&0x14) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x17, 0x04, 0, 0, 0, 2])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "options-only-where-offered",
        "Enables only options a level 3 reader offers",
        "the option bits of EXPANSION 04H are among those of PERIPHERAL ID",
        "7.4.20, 7.4.24",
        "Readers answer in a form the board does not expect: enable what is offered.",
        Rule,
        offered,
        Some(|s| level_3(s, Options::MONEY_32)),
        "enables-everything",
        "enables every option there is",
        |s| s.habits.says = Some(|_, c| match c {
            [0x17, 0x04, ..] => Said::Changed(vec![0x17, 0x04, 0, 0, 0x07, 0xFF]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "money-of-32-bits",
        "Speaks of money in 32 bits to a reader that does",
        "VEND REQUEST of 13 counts in four bytes, and an item",
        "7.4.5, 7.4.24",
        "Prices are misread: with the option on, every amount has four bytes.",
        Rule,
        wide_sale,
        Some(|s| level_3(s, Options::MONEY_32)),
        "asks-in-16-bits",
        "asks in 16 bits though 32 were agreed on",
        |s| s.habits.says = Some(narrow)
    ),
    entry!(
        "expanded-currency",
        "Sells on a reader of several currencies",
        "VEND REQUEST in four bytes after the longer BEGIN SESSION, and an item",
        "7.4.4, 7.4.24",
        "Such readers cannot be used: read the longer BEGIN SESSION, or do not enable the option.",
        Rule,
        wide_sale,
        Some(several_currencies),
        "drops-longer-sessions",
        "does not understand the longer BEGIN SESSION",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x12] && matches!(d.as_slice(), [0x03, ..]) && d.len() > 10 {
                d.clear();
            }
        })
    ),
    entry!(
        "always-idle-sale",
        "Sells on an always-idle reader",
        "VEND REQUEST for a selection without a card, and an item once a card is shown",
        "7.4.5, 7.4.24",
        "Customers must show their card twice: ask as soon as there is a selection.",
        Rule,
        always_idle,
        Some(idle_reader),
        "knows-no-always-idle",
        "asks no card that is not there yet",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x00, ..] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
];

fn level_3(s: &mut BoardSetup, options: Options) {
    s.cashless.level = Level::THREE;
    s.cashless.options = options;
}

fn several_currencies(s: &mut BoardSetup) {
    let options = Options::MONEY_32 | Options::MULTI_CURRENCY;
    level_3(s, options);
    s.board.cashless.options = s.board.cashless.options | options;
}

fn idle_reader(s: &mut BoardSetup) {
    let options = Options::ALWAYS_IDLE;
    level_3(s, options);
    s.board.cashless.options = s.board.cashless.options | options;
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

fn requests(b: &BoardBench, from: Micros) -> Vec<Vec<u8>> {
    let lines = b.since(from).filter(|l| l.is_command());
    let requests = lines.filter(|l| l.bytes.starts_with(&[0x13, 0x00]));
    requests.map(|l| l.bytes.clone()).collect()
}

fn level_2(b: &mut BoardBench) -> Run {
    buy(b, 11);
    let of_level_3 = |l: &&crate::board::Line| l.is_command() && l.bytes.starts_with(&[0x17, 0x04]);
    let sent = b.lines().iter().filter(of_level_3).count();
    Ok(Seen::judge(
        sent == 0,
        format!("{} to enable options", words::count(sent, "command")),
    ))
}

fn bits(bytes: Option<&[u8]>) -> Option<u32> {
    bytes?.try_into().ok().map(u32::from_be_bytes)
}

fn offered(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let ids = b.lines().iter().filter(|l| !l.board && l.address == READER);
    let mut ids = ids.filter(|l| l.bytes.first() == Some(&0x09));
    let offered = ids.find_map(|l| bits(l.bytes.get(30..34))).unwrap_or(0);
    let mut enabling = b.lines().iter().filter(|l| l.is_command());
    let enabling = enabling.find(|l| l.bytes.starts_with(&[0x17, 0x04]));
    let enabled = enabling.and_then(|l| bits(l.bytes.get(2..6)));
    Ok(match enabled {
        None => Seen::pass("no option is enabled"),
        Some(enabled) => Seen::judge(
            enabled & !offered == 0,
            format!("offered {offered:08X}H, enabled {enabled:08X}H"),
        ),
    })
}

fn wide_sale(b: &mut BoardBench) -> Run {
    let from = buy(b, 11);
    let Some(request) = requests(b, from).first().cloned() else {
        return Ok(Seen::fail("no VEND REQUEST"));
    };
    let good = request.get(2..6) == Some(&[0, 0, 0, 13]);
    let sold = b.delivered().len();
    let text = format!(
        "{sold} sold, asked with {}",
        words::count(request.len(), "byte")
    );
    Ok(Seen::judge(good && sold == 1, text))
}

fn always_idle(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.select(11);
    b.secs(2);
    let asked = requests(b, from).len();
    b.card(Some(1_000));
    b.secs(8);
    let sold = b.delivered().len();
    let text = format!(
        "VEND REQUEST {asked} before the card, {sold} sold with it",
        asked = words::times(asked)
    );
    Ok(Seen::judge(asked > 0 && sold == 1, text))
}
