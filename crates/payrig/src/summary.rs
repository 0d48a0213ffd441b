//! What stands under a log: findings, the ledger, the verdict.

use crate::log::{seconds, section};
use crate::style::STYLES;
use crate::terminal;
use payrig_units::{Decimals, Ledger, Money, Visible, visible};
use payrig_wire::Finding;
use payrig_wire::recording::Entry;
use std::io::{self, Write};

/// Every finding once more, limits first, so that nobody has to scroll.
pub(crate) fn findings(mut out: impl Write, entries: &[Entry]) -> io::Result<()> {
    let all: Vec<&Finding> = entries
        .iter()
        .filter_map(|e| {
            if let Entry::Finding(f) = e {
                Some(f)
            } else {
                None
            }
        })
        .collect();
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
            let text = format!(
                "  {} at {} s: {}",
                Visible(&f.rule),
                seconds(f.at),
                Visible(&f.text)
            );
            let lines = terminal::folded(&text, terminal::width()).join("\n");
            let rule = Visible(&f.rule).to_string();
            writeln!(
                out,
                "{}",
                lines.replacen(&rule, &format!("{on}{rule}{off}"), 1)
            )?;
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
            if !f.origin.is_empty() {
                facts.push(section(f.origin.as_str()));
            }
            let facts = format!("      {}", Visible(facts.join("; ")));
            for line in terminal::folded(&facts, terminal::width()) {
                writeln!(out, "{line}")?;
            }
        }
    }
    Ok(())
}

/// The balances of a ledger: first the money itself, then what the board believes. Either part
/// adds up to zero: what is in one place was taken from another.
pub(crate) fn ledger(mut out: impl Write, ledger: &Ledger, decimals: Decimals) -> io::Result<()> {
    let (on, off) = (STYLES.head.render(), STYLES.head.render_reset());
    let width = ledger
        .balances()
        .map(|(p, _)| Visible(p).to_string().chars().count())
        .max()
        .unwrap_or(0);
    let parts = [
        (
            true,
            "Money: where it is, and (below zero) where it came from",
        ),
        (
            false,
            "The board's books: what it owes and sold, and (below zero) what it says it received",
        ),
    ];
    for (physical, title) in parts {
        let title = terminal::folded(title, terminal::width()).join("\n");
        writeln!(out, "\n{on}{title}{off}")?;
        let mut sum = Money::ZERO;
        for (place, money) in ledger
            .balances()
            .filter(|(p, _)| p.is_physical() == physical)
        {
            sum = sum.saturating_add(money);
            writeln!(
                out,
                "  {:<width$} {:>10}",
                visible(&place.to_string()),
                money.show(decimals)
            )?;
        }
        writeln!(out, "  {:<width$} {:>10}", "sum", sum.show(decimals))?;
    }
    Ok(())
}

/// The last line.
pub(crate) fn verdict(mut out: impl Write, entries: &[Entry]) -> io::Result<()> {
    let Some(Entry::Verdict { passed, text, .. }) = entries.last() else {
        return Ok(());
    };
    let style = if *passed { STYLES.pass } else { STYLES.limit };
    let (on, off) = (style.render(), style.render_reset());
    let text = visible(text);
    let mut letters = text.chars();
    let first = letters
        .next()
        .map(|c| c.to_uppercase().to_string())
        .unwrap_or_default();
    writeln!(out, "\n{on}{first}{}{off}", letters.as_str())
}
