//! What stands under a log: findings, the ledger, the verdict.

use crate::log::{section, seconds};
use crate::style::STYLES;
use payrig_units::{Decimals, Ledger, Money, Place};
use payrig_wire::Finding;
use payrig_wire::recording::Entry;
use std::io::{self, Write};

/// Every finding once more, limits first, so that nobody has to scroll.
pub(crate) fn findings(mut out: impl Write, entries: &[Entry]) -> io::Result<()> {
    let all: Vec<&Finding> =
        entries.iter().filter_map(|e| if let Entry::Finding(f) = e { Some(f) } else { None }).collect();
    for (limits, title) in [(true, "Findings"), (false, "Advice")] {
        let some: Vec<_> = all.iter().filter(|f| f.is_limit() == limits).collect();
        if some.is_empty() {
            continue;
        }
        let (on, off) = (STYLES.head.render(), STYLES.head.render_reset());
        writeln!(out, "\n{on}{title}{off}")?;
        let style = if limits { STYLES.limit } else { STYLES.advice };
        let (on, off) = (style.render(), style.render_reset());
        for f in some {
            writeln!(out, "  {on}{}{off} at {} s: {}", f.rule, seconds(f.at), f.text)?;
            let mut facts = Vec::new();
            if let Some(measured) = f.measured {
                facts.push(format!("measured {measured}"));
            }
            if let Some(limit) = f.limit {
                facts.push(format!("limit {limit}"));
            }
            match f.tolerant_peer_copes {
                Some(true) => facts.push("a tolerant peer would still cope".into()),
                Some(false) => facts.push("not even a tolerant peer copes".into()),
                None => {}
            }
            facts.push(section(&f.section));
            writeln!(out, "      {}", facts.join("; "))?;
        }
    }
    Ok(())
}

/// The balances of a ledger, what is real first.
pub(crate) fn ledger(mut out: impl Write, ledger: &Ledger, decimals: Decimals) -> io::Result<()> {
    let (on, off) = (STYLES.head.render(), STYLES.head.render_reset());
    writeln!(out, "\n{on}Ledger{off}  (opening fill from \"supply\"; the customer starts at zero)")?;
    let width = ledger.balances().map(|(p, _)| p.to_string().len()).max().unwrap_or(0);
    for physical in [true, false] {
        for (place, money) in ledger.balances().filter(|(p, _)| p.is_physical() == physical) {
            // Receipts are negative claims by construction; shown as what they are.
            let shown = match place {
                Place::BoardReceived(_) | Place::Supply => -money,
                _ => money,
            };
            writeln!(out, "  {:<width$} {:>10}", place.to_string(), shown.show(decimals))?;
        }
    }
    let sum = Money(i64::try_from(ledger.sum()).unwrap_or(i64::MAX));
    writeln!(out, "  {:<width$} {:>10}  (every cent accounted for)", "sum", sum.show(decimals))
}

/// The last line.
pub(crate) fn verdict(mut out: impl Write, entries: &[Entry]) -> io::Result<()> {
    let Some(Entry::Verdict { passed, text, .. }) = entries.last() else { return Ok(()) };
    let style = if *passed { STYLES.pass } else { STYLES.limit };
    let (on, off) = (style.render(), style.render_reset());
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    writeln!(out, "\n{on}{first}{}{off}", letters.as_str())
}
