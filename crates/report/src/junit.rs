//! JUnit XML, for build servers.
//!
//! One suite per examination, one test case per check. A check that cannot tell or was skipped is
//! a skipped case with the reason as its message: it neither passed nor failed. So is a missed margin. A
//! failure says which check it follows from.

use crate::ReportError;
use crate::words::{EMULATED, identity, section};
use chrono::DateTime;
use payrig_exam::{CheckResult, Examination, Outcome};
use payrig_units::Micros;
use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};
use std::io::Write;
use std::time::Duration;

const fn duration(time: Micros) -> Duration {
    Duration::from_micros(time.as_us())
}

fn case(examination: &Examination, check: &CheckResult) -> TestCase {
    let cause = examination.because_of(&check.id);
    let because = cause.map_or_else(String::new, |cause| format!("because of {cause}: "));
    let details = format!(
        "{}\nexpected: {}\nseen: {}\nsource: {}",
        check.title,
        check.expected,
        check.seen,
        section(&check.section)
    );
    let status = match check.outcome {
        Outcome::Pass => TestCaseStatus::success(),
        // A missed margin neither passed nor failed.
        Outcome::Fail if check.is_remark() => {
            let mut status = TestCaseStatus::skipped();
            status.set_message(format!("remark: {because}{}", check.seen));
            status
        }
        Outcome::Fail => {
            let mut status = TestCaseStatus::non_success(NonSuccessKind::Failure);
            let advice = match check.advice.as_str() {
                "" => String::new(),
                advice => format!("\nwhat to do: {advice}"),
            };
            status
                .set_type(check.id.as_str())
                .set_message(format!("{because}{}", check.seen))
                .set_description(format!("{details}{advice}"));
            status
        }
        Outcome::CannotTell | Outcome::Skipped => {
            let mut status = TestCaseStatus::skipped();
            status.set_message(format!(
                "{}: {because}{}",
                check.outcome.words(),
                check.seen
            ));
            status
        }
    };
    let mut case = TestCase::new(check.id.as_str(), status);
    case.set_time(duration(check.to_us.since(check.from_us)));
    case.add_property(("section", check.section.as_str()));
    if let Some(cause) = cause {
        case.add_property(("because-of", cause));
    }
    if !check.seen_by.is_wire() {
        case.add_property(("seen-by", check.seen_by.words()));
    }
    if check.outcome == Outcome::Pass {
        case.set_system_out(details);
    }
    case
}

/// Writes an examination as JUnit XML.
///
/// # Errors
/// When `out` fails.
pub fn write_junit(examination: &Examination, out: impl Write) -> Result<(), ReportError> {
    let subject = &examination.subject;
    let mut suite = TestSuite::new(format!("{} {}", subject.kind, subject.name));
    // A date that is no RFC 3339 is left out rather than invented.
    if let Ok(date) = DateTime::parse_from_rfc3339(&examination.date) {
        suite.set_timestamp(date);
    }
    let class = subject.kind.replace(' ', "-");
    let mut total = Micros::ZERO;
    for check in &examination.checks {
        let mut case = case(examination, check);
        case.set_classname(class.as_str());
        suite.add_test_case(case);
        total += check.to_us.since(check.from_us);
    }
    suite.set_time(duration(total));
    for (what, value) in identity(examination) {
        suite.add_property((what, value));
    }
    if examination.is_emulated() {
        suite.add_property(("emulated", EMULATED));
        suite.set_system_out(EMULATED);
    }
    let causes = examination.to_mend();
    let causes: Vec<&str> = causes.iter().map(|cause| cause.id.as_str()).collect();
    let causes = causes.join(", ");
    for (what, value) in [
        ("causes", causes.as_str()),
        ("tool", examination.tool.as_str()),
        ("link", examination.link.as_str()),
        ("grade", examination.grade_words()),
        ("recording-sha256", examination.recording_sha256.as_str()),
    ] {
        if !value.is_empty() {
            suite.add_property((what, value));
        }
    }
    let mut report = Report::new("payrig");
    report.set_time(duration(total));
    report.add_test_suite(suite);
    Ok(report.serialize(out)?)
}
