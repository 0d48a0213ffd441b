//! Measured times and pulses, as pictures with their figures.

use super::super::chart::{PULSES, histogram, waveform};
use super::super::figures;
use super::super::words::plain;
use super::part;
use crate::Examination;
use maud::{Markup, html};
use payrig_wire::recording::TrainRecord;

/// More trains than this are counted, not drawn.
const TRAINS: usize = 6;

pub(super) fn times(examination: &Examination) -> Markup {
    let measured: Vec<_> = examination
        .series()
        .into_iter()
        .filter_map(|i| figures(&i.values_us).map(|f| (i, f)))
        .collect();
    if measured.is_empty() {
        return html! {};
    }
    let body = html! {
        div.charts {
            @for (interval, f) in &measured {
                figure {
                    figcaption {
                        b { (plain(&interval.what)) }
                        span {
                            @let outside = interval.values_us.iter().filter(|v| interval.is_outside(**v)).count();
                            @match (interval.least_us, interval.limit_us) {
                                (None, None) => { "no limit" }
                                (None, Some(limit)) => {
                                    "limit " (limit) ", "
                                    @if outside == 0 { "none over" } @else { strong { (outside) " over" } }
                                }
                                _ => {
                                    "allowed " (interval.allowed()) ", "
                                    @if outside == 0 { "none outside" } @else { strong { (outside) " outside" } }
                                }
                            }
                        }
                    }
                    (histogram(interval))
                    p.figures {
                        (f.count) " measured: " (f.min) " shortest, " (f.median) " median, "
                        (f.p95) " for 95 of 100, " (f.max) " longest"
                    }
                }
            }
        }
    };
    let note =
        "height is the square root of the count: one late answer among thousands still shows";
    part("times", "Measured times", note, &body)
}

/// The first train of each profile and number of pulses; those of no profile first, since they are
/// the ones to look at.
fn worth_drawing(examination: &Examination) -> Vec<&TrainRecord> {
    let mut drawn: Vec<&TrainRecord> = Vec::new();
    for train in &examination.trains {
        let like = |d: &&TrainRecord| {
            (&d.line, &d.profile, d.pulses) == (&train.line, &train.profile, train.pulses)
        };
        if !drawn.iter().any(like) {
            drawn.push(train);
        }
    }
    drawn.sort_by_key(|t| t.profile != "none");
    drawn.truncate(TRAINS);
    drawn
}

pub(super) fn pulses(examination: &Examination) -> Markup {
    let drawn = worth_drawing(examination);
    if drawn.is_empty() {
        return html! {};
    }
    let more = examination.trains.len() - drawn.len();
    let body = html! {
        div.charts.trains {
            @for train in drawn {
                @let odd = train.profile == "none";
                figure.odd[odd] {
                    figcaption {
                        b { (plain(&train.line)) " at " (train.start_us) }
                        span {
                            (train.pulses) (if train.pulses == 1 { " pulse, " } else { " pulses, " })
                            @if train.widths_us.len() > PULSES { "the first " (PULSES) " drawn, " }
                            @if odd { strong { "no known profile" } } @else { (plain(&train.profile)) }
                        }
                    }
                    (waveform(train))
                    @if let Some(text) = &train.text { p.figures { (plain(text)) } }
                }
            }
        }
        @if more > 0 { p.more { "and " (more) " more trains" } }
    };
    part("pulses", "Credit pulses", "", &body)
}
