//! What fell short, what was found on the wire, and every check.

use super::super::words::{plain, section};
use super::{class, part, sign};
use crate::{CheckResult, Examination, Outcome};
use maud::{Markup, html};
use payrig_units::Micros;
use payrig_wire::Finding;
use std::collections::BTreeMap;

fn card(number: usize, check: &CheckResult) -> Markup {
    html! {
        article.card.(class(check.outcome)) {
            h3 {
                span.punch.(class(check.outcome)) { (sign(check.outcome)) }
                " " a href={ "#check-" (number) } { (plain(&check.title)) }
                code { (plain(&check.id)) }
            }
            dl {
                dt { "Seen" }
                dd { (plain(&check.seen)) @if check.seen_by_person { " (by a person)" } }
                dt { "Expected" }
                dd { (plain(&check.expected)) " " cite { (plain(&section(&check.section))) } }
                @if !check.advice.is_empty() {
                    dt { "What to do" }
                    dd.advice { (plain(&check.advice)) }
                }
            }
        }
    }
}

pub(super) fn fell_short(examination: &Examination) -> Markup {
    let of = |outcome: Outcome| {
        let numbered = examination.checks.iter().enumerate();
        numbered.filter(move |(_, c)| c.outcome == outcome)
    };
    let cards = html! {
        div.cards {
            @for (i, check) in of(Outcome::Fail).chain(of(Outcome::CannotTell)) {
                (card(i + 1, check))
            }
        }
    };
    let (fail, open) = (
        examination.count(Outcome::Fail),
        examination.count(Outcome::CannotTell),
    );
    match (fail, open) {
        (0, 0) => html! {},
        (0, _) => part("short", "What stayed open", "", &cards),
        _ => part("short", "What fell short", "", &cards),
    }
}

/// Findings by the same rule about the same party, as one.
struct Group<'a> {
    first: &'a Finding,
    count: usize,
    longest: Option<Micros>,
}

pub(super) fn findings(examination: &Examination) -> Markup {
    let mut groups: BTreeMap<(bool, &str, &str), Group<'_>> = BTreeMap::new();
    for finding in &examination.findings {
        let who = finding.who.as_deref().unwrap_or_default();
        let group = groups
            .entry((!finding.is_limit(), &finding.rule, who))
            .or_insert(Group {
                first: finding,
                count: 0,
                longest: None,
            });
        group.count += 1;
        group.longest = group.longest.max(finding.measured);
    }
    if groups.is_empty() {
        return html! {};
    }
    let body = html! {
        table.findings {
            thead { tr { th { "rule" } th { "who" } th.n { "times" } th.n { "limit" } th.n { "longest" } th { "the first" } } }
            tbody {
                @for ((advice, rule, who), group) in &groups {
                    tr.advice[*advice] {
                        td {
                            span.punch.(if *advice { "cannot-tell" } else { "fail" }) {
                                (if *advice { "i" } else { "\u{2715}" })
                            }
                            " " code { (plain(rule)) }
                        }
                        td { (plain(who)) }
                        td.n { (group.count) }
                        td.n { @if let Some(limit) = group.first.limit { (limit) } }
                        td.n { @if let Some(longest) = group.longest { (longest) } }
                        td { (plain(&group.first.text)) " " cite { (plain(&section(&group.first.section))) } }
                    }
                }
            }
        }
    };
    part(
        "wire",
        "Found on the wire",
        "\u{2715} a limit broken, i advice",
        &body,
    )
}

pub(super) fn all(examination: &Examination) -> Markup {
    let body = html! {
        ol.checks {
            @for (i, check) in examination.checks.iter().enumerate() {
                li.(class(check.outcome)) id={ "check-" (i + 1) } {
                    span.punch.(class(check.outcome)) title=(check.outcome.words()) { (sign(check.outcome)) }
                    div.what {
                        b { (plain(&check.title)) }
                        code { (plain(&check.id)) }
                    }
                    div.seen {
                        p { (plain(&check.seen)) @if check.seen_by_person { em { " seen by a person" } } }
                        p.expected { "expected: " (plain(&check.expected)) }
                    }
                    cite { (plain(&check.section)) }
                }
            }
        }
    };
    let note = "in the order they were done; numbers are sections of MDB/ICP 4.3";
    part("checks", "Every check", note, &body)
}
