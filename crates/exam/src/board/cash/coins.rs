//! Coins: credited, once, by their reports only.

use super::super::bench::BoardBench;
use super::super::{Entry, entry, refunds};
use crate::check::{Run, Seen};
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_units::Money;
use payrig_wire::Source;

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "coin-to-tube-credited",
        "Credits a coin that went to its tube",
        "0.25 comes back on return",
        "5.3, POLL",
        "Customers lose coins: credit both routings.",
        Rule,
        |b| coins(b, &[2], 25),
        None,
        "misses-tube-coins",
        "does not credit coins to tubes",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && matches!(d.as_slice(), [0x50..=0x5F, _]) {
                d.clear();
            }
        })
    ),
    entry!(
        "coin-to-cash-box-credited",
        "Credits a coin that went to the cash box",
        "1.00 comes back on return",
        "5.3, POLL",
        "Customers lose coins: credit both routings.",
        Rule,
        |b| coins(b, &[3], 100),
        None,
        "misses-cash-box-coins",
        "does not credit coins to the cash box",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && matches!(d.as_slice(), [0x40..=0x4F, _]) {
                d.clear();
            }
        })
    ),
    entry!(
        "several-coins-credited",
        "Credits several coins of one answer",
        "0.25 and 0.10 in one answer: 0.35 comes back",
        "5.3, Appendix 3, section 4",
        "Coins put in quickly are lost: read the whole answer.",
        Rule,
        two_coins,
        None,
        "reads-first-coin-only",
        "reads only the first report of an answer",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && d.len() >= 4 {
                d.truncate(2);
            }
        })
    ),
    entry!(
        "coin-credited-once",
        "Credits a coin once when its ACK was lost",
        "0.25 reported twice: 0.25 comes back",
        "Appendix 3, section 3, condition 2",
        "Where more came back, a noisy bus makes money: tell repetitions from new coins. Where less did, coins are lost.",
        Rule,
        coin_once,
        None,
        "credits-repetitions",
        "takes a repeated report for a new coin",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x0B] && matches!(d.as_slice(), [0x50..=0x5F, _]) {
                m.count += 1;
                if m.count > 1
                    && let Some(last) = d.last_mut()
                {
                    *last = last.wrapping_add(1);
                }
            }
        })
    ),
    entry!(
        "bad-checksum-not-credited",
        "Credits nothing by a wrong checksum",
        "a damaged report of 0.25: 0.25 comes back, not 1.00",
        "2.2, 2.5 D",
        "Where more came back, noise makes money: check the sum of every answer. Where less did, coins are lost.",
        Rule,
        bad_checksum,
        None,
        "ignores-checksums",
        "takes answers with a wrong CHK",
        |s| s.habits.ignores_checksum = true
    ),
    entry!(
        "slug-not-credited",
        "Credits no slug",
        "nothing comes back on return",
        "5.3, POLL",
        "Slugs make money: read the report's code.",
        Rule,
        slug,
        None,
        "credits-slugs",
        "takes a slug for a coin",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && matches!(d.as_slice(), [0x20..=0x3F]) {
                *d = vec![0x52, 0x1A];
            }
        })
    ),
    entry!(
        "double-arrival-not-credited",
        "Credits nothing for DOUBLE ARRIVAL",
        "nothing comes back on return",
        "5.3, POLL 05H",
        "Status codes make money: read the report's code.",
        Rule,
        double_arrival,
        None,
        "credits-double-arrival",
        "takes DOUBLE ARRIVAL for a coin",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && *d == [0x05] {
                *d = vec![0x52, 0x1A];
            }
        })
    ),
    entry!(
        "lever-pays-back",
        "Pays back at the return lever",
        "0.25 comes back on ESCROW REQUEST",
        "5.3, POLL 01H",
        "Customers cannot get their money back: act on ESCROW REQUEST.",
        Rule,
        lever,
        None,
        "ignores-lever",
        "takes no notice of the lever",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && *d == [0x01] {
                d.clear();
            }
        })
    ),
];

fn fault(kind: FaultKind, from: Source, frame: FrameKind, count: u32) -> Fault {
    Fault {
        kind,
        from,
        frame,
        address: Some(Address::CHANGER),
        skip: 0,
        count,
    }
}

fn two_coins(b: &mut BoardBench) -> Run {
    b.ready();
    b.fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Block, 12));
    b.coin(2);
    b.coin(1);
    b.secs(4);
    refunds(b, 35)
}

fn coin_once(b: &mut BoardBench) -> Run {
    b.ready();
    b.fault(fault(FaultKind::Deaf, Source::Master, FrameKind::Ack, 1));
    b.coin(2);
    b.secs(4);
    refunds(b, 25)
}

fn bad_checksum(b: &mut BoardBench) -> Run {
    b.ready();
    let flip = FaultKind::Flip { word: 0, bit: 0 };
    b.fault(fault(flip, Source::Peripheral, FrameKind::Block, 1));
    b.coin(2);
    b.secs(4);
    refunds(b, 25)
}

fn slug(b: &mut BoardBench) -> Run {
    b.ready();
    b.changer_do(|c, now| c.insert_slug(now));
    b.secs(2);
    refunds(b, 0)
}

fn double_arrival(b: &mut BoardBench) -> Run {
    b.ready();
    b.changer_do(|c, now| c.insert_two_at_once(now));
    b.secs(2);
    refunds(b, 0)
}

fn lever(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(2);
    b.secs(2);
    b.changer_do(|c, now| c.press_escrow_lever(now));
    b.secs(10);
    let back = b.customer().saturating_add(Money(25));
    let text = format!("{} of 0.25 came back", b.show(back));
    Ok(Seen::judge(back == Money(25), text))
}

fn coins(b: &mut BoardBench, types: &[u8], wanted: i64) -> Run {
    b.ready();
    for coin_type in types {
        b.coin(*coin_type);
        b.secs(2);
    }
    refunds(b, wanted)
}
