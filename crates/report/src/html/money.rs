//! Where the money is.

use super::part;
use crate::words::plain;
use maud::{Markup, html};
use payrig_exam::{Balance, Examination};
use payrig_units::Money;

/// More movements than this are not shown; the saved examination has them.
const SHOWN: usize = 500;

pub(super) fn ledger(examination: &Examination) -> Markup {
    if examination.balances.is_empty() && examination.movements.is_empty() {
        return html! {};
    }
    let decimals = examination.decimals;
    let sum: i128 = examination
        .balances
        .iter()
        .map(|b| i128::from(b.amount.as_minor()))
        .sum();
    let count = examination.movements.len();
    let body = html! {
        @if examination.checks.len() > 1 {
            p.more {
                "Every check has a bench with money of its own: these are the sums over all of them, and \
                 they must come to zero."
            }
        }
        @if !examination.balances.is_empty() {
            ul.balances {
                @for Balance { place, amount } in &examination.balances {
                    li.owed[*amount < Money::ZERO] {
                        span { (plain(place)) } " " b.n { (amount.show(decimals)) }
                    }
                }
                li.sum.off[sum != 0] {
                    span { "sum of all places" }
                    " " b.n {
                        @match i64::try_from(sum) {
                            Ok(sum) => { (Money(sum).show(decimals)) }
                            Err(_) => { "out of range" }
                        }
                    }
                }
            }
        }
        @if count > 0 {
            details {
                summary { "All " (count) " movements" }
                table.movements {
                    thead { tr { th.n { "at" } th { "from" } th { "to" } th.n { "amount" } th { "why" } } }
                    tbody {
                        @for entry in examination.movements.iter().take(SHOWN) {
                            tr {
                                td.n { (entry.at) }
                                td { (plain(&entry.movement.from.to_string())) }
                                td { (plain(&entry.movement.to.to_string())) }
                                td.n { (entry.movement.amount.show(decimals)) }
                                td { (plain(&entry.movement.why)) }
                            }
                        }
                    }
                }
                @if count > SHOWN {
                    p.more { "The first " (SHOWN) "; all are in the saved examination (JSON)." }
                }
            }
        }
    };
    let note = match count {
        0 => String::new(),
        n => format!("{n} movements between named places"),
    };
    part("ledger", "Where the money is", &note, &body)
}
