//! The words all reports share.

use payrig_exam::{Examination, Outcome};

pub(crate) const OUTCOMES: [Outcome; 4] = [
    Outcome::Pass,
    Outcome::Fail,
    Outcome::CannotTell,
    Outcome::Skipped,
];

/// `58 pass, 2 fail, 1 cannot tell, 3 skipped`, without what there is none of.
pub(crate) fn tally(examination: &Examination) -> String {
    let parts: Vec<String> = OUTCOMES
        .into_iter()
        .map(|outcome| (outcome, examination.count(outcome)))
        .filter(|(_, n)| *n > 0)
        .map(|(outcome, n)| format!("{n} {}", outcome.words()))
        .collect();
    if parts.is_empty() {
        "no checks".to_owned()
    } else {
        parts.join(", ")
    }
}

/// Maker, model, serial and version, as far as they are known.
pub(crate) fn identity(examination: &Examination) -> Vec<(&'static str, &str)> {
    let subject = &examination.subject;
    [
        ("maker", subject.maker.as_str()),
        ("model", subject.model.as_str()),
        ("serial", subject.serial.as_str()),
        ("version", subject.version.as_str()),
    ]
    .into_iter()
    .filter(|(_, value)| !value.is_empty())
    .collect()
}

/// "MDB/ICP 4.3, 3.2" for a section of the standard; other sources as they are.
pub(crate) fn section(section: &str) -> String {
    let of_the_standard =
        section.starts_with(|c: char| c.is_ascii_digit()) || section.starts_with("App");
    if of_the_standard {
        format!("MDB/ICP 4.3, {section}")
    } else {
        section.to_owned()
    }
}

/// Control characters and marks that turn the direction of writing, which a device could put into
/// its name, shown as `\u{1b}`; line feeds stay.
pub(crate) fn plain(text: &str) -> String {
    let odd = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{200e}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match odd(c) {
            true => out.extend(c.escape_unicode()),
            false => out.push(c),
        }
    }
    out
}
