//! Measured times and pulses, as pictures with their figures.

use super::part;
use crate::drawing::chart::{PULSES, histogram, waveform};
use crate::figures;
use crate::words::plain;
use maud::{Markup, html};
use payrig_exam::Examination;
use payrig_pulse::{Profile, Window};
use payrig_units::Micros;
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

/// What a train is by its pulses and pauses, whatever its profile was meant to be.
#[derive(Clone, PartialEq, Eq)]
enum Likeness {
    /// As its profile wants it, or its profile is not one of the ready-made ones.
    AsMeant,
    /// Otherwise; a ready-made profile it is like.
    Not(Option<String>),
    /// Of no profile.
    Unknown,
}

/// True when all pulses and pauses may be those of a profile, with times that may be off by so much.
fn is_like(train: &TrainRecord, profile: &Profile, off: Micros) -> bool {
    let within = |time: Micros, w: Window| time + off >= w.min && time.since(off) <= w.max;
    let widths = profile.width_windows();
    let mut pulses = train.widths_us.iter();
    let mut pauses = train.gaps_us.iter();
    pulses.all(|time| widths.iter().any(|w| within(*time, *w)))
        && pauses.all(|time| within(*time, profile.gap_window()))
}

fn likeness(train: &TrainRecord, off: Micros) -> Likeness {
    if train.profile == "none" {
        return Likeness::Unknown;
    }
    match Profile::named(&train.profile) {
        Some(meant) if !is_like(train, &meant, off) => {
            let other = Profile::all().into_iter().find(|p| is_like(train, p, off));
            Likeness::Not(other.map(|p| p.name))
        }
        _ => Likeness::AsMeant,
    }
}

/// The first train of each profile and number of pulses; those of no profile first, since they are
/// the ones to look at.
fn worth_drawing(examination: &Examination) -> Vec<(&TrainRecord, Likeness)> {
    let mut drawn: Vec<(&TrainRecord, Likeness)> = Vec::new();
    for train in &examination.trains {
        let likeness = likeness(train, examination.uncertainty_us);
        let like = |(d, as_it): &(&TrainRecord, Likeness)| {
            (&d.line, &d.profile, d.pulses) == (&train.line, &train.profile, train.pulses)
                && *as_it == likeness
        };
        if !drawn.iter().any(like) {
            drawn.push((train, likeness));
        }
    }
    drawn.sort_by_key(|(_, likeness)| *likeness == Likeness::AsMeant);
    drawn.truncate(TRAINS);
    drawn
}

pub(super) fn pulses(examination: &Examination) -> Markup {
    let drawn = worth_drawing(examination);
    if drawn.is_empty() {
        return html! {};
    }
    let more = examination.trains.len() - drawn.len();
    // A board hears pulses, and payrig sends them: right ones and wrong ones.
    let sent = examination.subject.kind == "board";
    let body = html! {
        div.charts.trains {
            @for (train, likeness) in drawn {
                @let odd = likeness != Likeness::AsMeant && !sent;
                figure.odd[odd] {
                    figcaption {
                        b { (plain(&train.line)) " at " (train.start_us) }
                        span {
                            (train.pulses) (if train.pulses == 1 { " pulse, " } else { " pulses, " })
                            @if train.widths_us.len() > PULSES { "the first " (PULSES) " drawn, " }
                            @match likeness {
                                _ if sent => "sent by payrig",
                                Likeness::AsMeant => (plain(&train.profile)),
                                Likeness::Unknown => strong { "no known profile" },
                                Likeness::Not(other) => {
                                    "set to " (plain(&train.profile)) ", "
                                    strong {
                                        @match other {
                                            Some(other) => { "but is " (other) }
                                            None => "but is no known profile",
                                        }
                                    }
                                }
                            }
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
