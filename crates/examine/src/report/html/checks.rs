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
                dd { (plain(&check.seen)) @if !check.seen_by.is_wire() { " (" (check.seen_by.words()) ")" } }
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

/// Findings by the same rule, as one.
struct Group<'a> {
    first: &'a Finding,
    /// Who it is about, each once, in the order found.
    who: Vec<&'a str>,
    count: usize,
    longest: Option<Micros>,
}

/// How grave a group is: also its place in the table.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Weight {
    Limit,
    Advice,
    /// The tool itself, which breaks rules to see what the subject does.
    Own,
}

fn weight(examination: &Examination, finding: &Finding) -> Weight {
    let about_board = finding.who.as_deref().map(|who| who == "master");
    let of_the_board = examination.subject.kind == "board";
    match about_board {
        Some(about_board) if about_board != of_the_board => Weight::Own,
        _ if finding.is_limit() => Weight::Limit,
        _ => Weight::Advice,
    }
}

fn names(who: &[&str]) -> String {
    const NAMED: usize = 3;
    let some: Vec<String> = who.iter().take(NAMED).map(|w| plain(w)).collect();
    match who.len().saturating_sub(NAMED) {
        0 => some.join(", "),
        more => format!("{} and {more} more", some.join(", ")),
    }
}

pub(super) fn findings(examination: &Examination) -> Markup {
    let mut groups: BTreeMap<(Weight, &str), Group<'_>> = BTreeMap::new();
    for finding in &examination.findings {
        let group = groups
            .entry((weight(examination, finding), &finding.rule))
            .or_insert(Group {
                first: finding,
                who: Vec::new(),
                count: 0,
                longest: None,
            });
        let who = finding.who.as_deref().unwrap_or_default();
        if !who.is_empty() && !group.who.contains(&who) {
            group.who.push(who);
        }
        group.count += 1;
        group.longest = group.longest.max(finding.measured);
    }
    if groups.is_empty() {
        return html! {};
    }
    let sign = |weight: Weight| match weight {
        Weight::Limit => ("fail", "\u{2715}"),
        Weight::Advice => ("cannot-tell", "i"),
        Weight::Own => ("skipped", "\u{2013}"),
    };
    let body = html! {
        table.findings {
            thead {
                tr {
                    th { "rule" } th { "about" } th.n { "times" } th.n { "limit" } th.n { "longest" }
                    th { "the first" }
                }
            }
            tbody {
                @for ((weight, rule), group) in &groups {
                    @let (class, sign) = sign(*weight);
                    tr.own[*weight == Weight::Own] {
                        td.rule { span.punch.(class) { (sign) } " " code { (plain(rule)) } }
                        td.about { (names(&group.who)) }
                        td.n { (group.count) }
                        td.n { @if let Some(limit) = group.first.limit { (limit) } }
                        td.n { @if let Some(longest) = group.longest { (longest) } }
                        td { (plain(&group.first.text)) " " cite { (plain(&section(&group.first.section))) } }
                    }
                }
            }
        }
    };
    let note = "\u{2715} a limit broken, i advice, \u{2013} about payrig itself, which breaks rules on purpose";
    part("wire", "Found on the wire", note, &body)
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
                        p { (plain(&check.seen)) @if !check.seen_by.is_wire() { em { " " (check.seen_by.words()) } } }
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
