//! The words all reports share.

use payrig_exam::{Examination, Outcome};
use payrig_units::visible;

pub(crate) const OUTCOMES: [Outcome; 4] = [
    Outcome::Pass,
    Outcome::Fail,
    Outcome::CannotTell,
    Outcome::Skipped,
];

/// `58 pass, 2 fail, 1 remark, 1 cannot tell, 3 skipped`, without what there is none of.
pub(crate) fn tally(examination: &Examination) -> String {
    let mut parts: Vec<String> = Vec::new();
    for outcome in OUTCOMES {
        let all = || examination.checks.iter().filter(|c| c.outcome == outcome);
        let remarks = all().filter(|c| c.is_remark()).count();
        for (n, words) in [
            (all().count() - remarks, outcome.words()),
            (remarks, "remark"),
        ] {
            if n > 0 {
                parts.push(format!("{n} {words}"));
            }
        }
    }
    if parts.is_empty() {
        "no checks".to_owned()
    } else {
        parts.join(", ")
    }
}

/// What stands over the grade of what was emulated.
pub(crate) const EMULATED: &str = "Emulated: no real unit was examined";

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

/// Text from outside, with all that would act instead of being read written out; line feeds stay.
pub(crate) fn plain(text: &str) -> String {
    let lines: Vec<_> = text.split('\n').map(visible).collect();
    lines.join("\n")
}
