//! What fell short, what was found on the wire, and every check.

use super::{class, part, sign};
use crate::words::{plain, section};
use maud::{Markup, html};
use payrig_exam::{Cause, because_of_this};
use payrig_exam::{CheckResult, Examination, Outcome};
use payrig_units::{Micros, words};
use payrig_wire::{BusRule, Finding, Party, RuleName};
use std::collections::BTreeMap;

fn card(number: usize, check: &CheckResult) -> Markup {
    html! {
        article.card.(class(check)) {
            h3 {
                span.punch.(class(check)) { (sign(check)) }
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

/// A cause with what is folded under it.
fn group(examination: &Examination, cause: &Cause) -> Markup {
    let numbered = |id: &str| {
        let mut checks = examination.checks.iter().enumerate();
        checks.find(|(_, c)| c.id == id)
    };
    let more = because_of_this(cause);
    html! {
        div.cause {
            @if let Some((i, check)) = numbered(&cause.id) { (card(i + 1, check)) }
            @if let Some(more) = &more {
                details.more {
                    summary { (more) }
                    div.cards {
                        @for (i, check) in cause.all().filter_map(numbered) { (card(i + 1, check)) }
                    }
                }
                // Paper does not unfold.
                p.names { (more) ": " (plain(&cause.all().collect::<Vec<_>>().join(", "))) }
            }
        }
    }
}

pub(super) fn fell_short(examination: &Examination) -> Markup {
    let causes = examination.to_mend();
    let by_itself = |id: &str| !causes.iter().any(|c| c.all().any(|other| other == id));
    let open = examination.checks.iter().enumerate();
    let open = open.filter(|(_, c)| c.outcome == Outcome::CannotTell && by_itself(&c.id));
    let cards = html! {
        div.cards {
            @for cause in &causes { (group(examination, cause)) }
            @for (i, check) in open { (card(i + 1, check)) }
        }
    };
    let (fail, open) = (
        examination.count(Outcome::Fail),
        examination.count(Outcome::CannotTell),
    );
    match (fail, open) {
        (0, 0) => html! {},
        (0, _) => part("short", "What stayed open", "", &cards),
        _ => part("short", "What fell short", "to mend in this order", &cards),
    }
}

/// Findings by the same rule, as one.
struct Group<'a> {
    first: &'a Finding,
    /// Who it is about, each once, in the order found.
    who: Vec<String>,
    count: usize,
    worst: Option<Micros>,
}

/// Rules that judge the master although they name the peripheral concerned.
const OF_THE_MASTER: [RuleName; 2] = [
    RuleName::Bus(BusRule::PollInterval),
    RuleName::Bus(BusRule::PollRecommended),
];

/// A rule about the capture itself: a report is of the subject.
const OF_THE_CAPTURE: RuleName = RuleName::Bus(BusRule::Cut);

/// The worse of two times: the shorter where less than the limit was measured.
fn worse(one: Option<Micros>, other: Option<Micros>, limit: Option<Micros>) -> Option<Micros> {
    match one.zip(other) {
        Some((a, b)) if limit.is_some_and(|l| a < l) => Some(a.min(b)),
        Some((a, b)) => Some(a.max(b)),
        None => one.or(other),
    }
}

/// How grave a group is: also its place in the table.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Weight {
    Limit,
    Advice,
    /// The tool itself, which breaks rules to see what the subject does, or an address where nobody
    /// is.
    Own,
}

/// True when a peripheral by this name on the bus may be a subject of this kind.
fn may_be(kind: &str, who: &str) -> bool {
    let first = |text: &str| text.split(' ').next().unwrap_or_default().to_owned();
    first(kind) == first(who)
}

/// What the subject is called on the bus: of the names it may have, the one that occurs most often.
fn own_name(examination: &Examination) -> Option<&Party> {
    let mut said: BTreeMap<&Party, usize> = BTreeMap::new();
    let names = examination.findings.iter().filter_map(|f| f.who.as_ref());
    for who in names.filter(|who| may_be(&examination.subject.kind, &who.to_string())) {
        *said.entry(who).or_default() += 1;
    }
    said.into_iter().max_by_key(|(_, n)| *n).map(|(who, _)| who)
}

fn weight(examination: &Examination, name: Option<&Party>, finding: &Finding) -> Weight {
    let kind = examination.subject.kind.as_str();
    let of_the_master = OF_THE_MASTER.contains(&finding.rule);
    let about_board = finding.who.as_ref();
    let about_board = about_board.map(|who| of_the_master || *who == Party::Master);
    let nobody = finding.rule == RuleName::Bus(BusRule::Silent) && finding.who.as_ref() != name;
    match about_board {
        Some(about_board) if about_board != (kind == "board") => Weight::Own,
        _ if nobody => Weight::Own,
        _ if finding.is_limit() => Weight::Limit,
        _ => Weight::Advice,
    }
}

fn names(who: &[String]) -> String {
    const NAMED: usize = 3;
    let some: Vec<String> = who.iter().take(NAMED).map(|w| plain(w)).collect();
    match who.len().saturating_sub(NAMED) {
        0 => some.join(", "),
        more => format!("{} and {more} more", some.join(", ")),
    }
}

pub(super) fn findings(examination: &Examination) -> Markup {
    let mut groups: BTreeMap<(Weight, &str, Option<Micros>), Group<'_>> = BTreeMap::new();
    let name = own_name(examination);
    let findings = examination.findings.iter();
    for finding in findings.filter(|f| f.rule != OF_THE_CAPTURE) {
        let weight = weight(examination, name, finding);
        let group = groups
            .entry((weight, finding.rule.as_str(), finding.limit))
            .or_insert(Group {
                first: finding,
                who: Vec::new(),
                count: 0,
                worst: None,
            });
        let who = finding.who.as_ref().map(Party::to_string);
        if let Some(who) = who.filter(|who| !who.is_empty() && !group.who.contains(who)) {
            group.who.push(who);
        }
        group.count += 1;
        group.worst = worse(group.worst, finding.measured, finding.limit);
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
                    th { "rule" } th { "about" } th.n { "times" } th.n { "limit" } th.n { "worst" }
                    th { "the first" }
                }
            }
            tbody {
                @for ((weight, rule, _), group) in &groups {
                    @let (class, sign) = sign(*weight);
                    tr.own[*weight == Weight::Own] {
                        td.rule { span.punch.(class) { (sign) } " " code { (plain(rule)) } }
                        td.about { (names(&group.who)) }
                        td.n { (group.count) }
                        td.n { @if let Some(limit) = group.first.limit { (limit) } }
                        td.n { @if let Some(worst) = group.worst { (worst) } }
                        td { (plain(&group.first.text)) " " cite { (plain(&section(group.first.origin.as_str()))) } }
                    }
                }
            }
        }
    };
    let own = match examination.subject.kind.as_str() {
        "board" => ", \u{2013} = about payrig itself, which breaks rules on purpose",
        _ => {
            ", \u{2013} = about payrig itself, which breaks rules on purpose, or an address where nobody is"
        }
    };
    // Paper has no room for what is not about the subject.
    let only_own = groups.keys().all(|(weight, ..)| *weight == Weight::Own);
    html! {
        section id="wire" class=[only_own.then_some("screen")] {
            h2 {
                "Found on the wire"
                small { "\u{2715} = a limit broken, i = advice" span.screen { (own) } }
            }
            (body)
        }
    }
}

/// It fell short and is no consequence of another: "What fell short" says all of it.
fn in_a_card(examination: &Examination, check: &CheckResult) -> bool {
    let fell_short = matches!(check.outcome, Outcome::Fail | Outcome::CannotTell);
    fell_short && examination.because_of(&check.id).is_none()
}

pub(super) fn all(examination: &Examination) -> Markup {
    let body = html! {
        ol.checks {
            @for (i, check) in examination.checks.iter().enumerate() {
                // What has a card above stands there in full.
                @let above = in_a_card(examination, check);
                li.(class(check)).above[above] id={ "check-" (i + 1) } {
                    span.punch.(class(check)) title=(check.words()) { (sign(check)) }
                    div.what {
                        b { (plain(&check.title)) }
                        code { (plain(&check.id)) }
                    }
                    div.seen {
                        p { (plain(&check.seen)) @if !check.seen_by.is_wire() { em { " " (check.seen_by.words()) } } }
                        p.expected {
                            "expected: " (plain(&check.expected))
                            @if let Some(cause) = examination.because_of(&check.id) {
                                "; because of " (plain(cause))
                            }
                        }
                    }
                    cite { (plain(&check.section)) }
                }
            }
        }
    };
    let passed: Vec<&CheckResult> = examination
        .checks
        .iter()
        .filter(|c| c.outcome == Outcome::Pass)
        .collect();
    let is_number = |c: &CheckResult| c.section.starts_with(|c: char| c.is_ascii_digit());
    let numbered = examination.checks.iter().any(is_number);
    html! {
        section id="checks" {
            h2 {
                "Every check"
                small {
                    "in the order they were done"
                    @if numbered { "; numbers are sections of MDB/ICP 4.3" }
                }
            }
            (body)
            // On paper those that pass are names, and only the others are there in full.
            @if !passed.is_empty() {
                div.passed {
                    b { (words::count(passed.len(), "check")) " passed:" }
                    ol { @for check in &passed { li { (sign(check)) " " (plain(&check.id)) } } }
                }
            }
        }
    }
}
