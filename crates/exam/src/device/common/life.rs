//! Staying there, identity, power cuts.

use super::super::bench::{Answer, Bench, POLL_EVERY};
use super::super::setup::{Kind, Setup};
use super::{bytes, data, found, no_just_reset, order, poll, until_just_reset};
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::CurrencyCode;
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "never-away",
        title: "Is never away for longer than its non-response time",
        expected: "an answer at least every non-response time, over two minutes",
        section: "5.4, 6.4, 7.5",
        advice: "Boards take it for gone and reset it. Check power and cabling. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "goes-away",
        arrange: None,
        run: never_away,
    },
    Check {
        id: "unknown-command-survived",
        title: "Survives a command it does not know",
        expected: "POLL is answered afterwards",
        section: "2.4.4, Appendix 3, section 4",
        advice: "A newer board can hang it. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "hangs-on-unknown",
        arrange: None,
        run: unknown_command_survived,
    },
    Check {
        id: "identity-readable",
        title: "Says who it is",
        expected: "maker code, serial and model number in printable characters",
        section: "5.3, 6.3, 7.4.20",
        advice: "A shop cannot tell units apart; telemetry reports nonsense.",
        weight: Weight::Advice,
        quirk: "unprintable-identity",
        arrange: None,
        run: identity_readable,
    },
    Check {
        id: "currency-known",
        title: "Says a country or currency code that exists",
        expected: "ISO 4217 with a leading 1, or a telephone code",
        section: "5.3, 6.3, 7.4.2",
        advice: "Some boards refuse the device. Check its configuration.",
        weight: Weight::Advice,
        quirk: "nonsense-currency",
        arrange: None,
        run: currency_known,
    },
    Check {
        id: "setup-stays",
        title: "Says the same at every SETUP",
        expected: "the same answer before and after RESET",
        section: COMMON_PRACTICE,
        advice: "Its memory is unsafe: values may change in the field. Replace it.",
        weight: Weight::Rule,
        quirk: "setup-changes",
        arrange: None,
        run: setup_stays,
    },
    Check {
        id: "power-cut-survived",
        title: "Starts again after a power cut",
        expected: "JUST RESET within the non-response time",
        section: "2.2, 3.2",
        advice: "It stays dead after a power cut. Check its supply. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "dead-after-power-cut",
        arrange: None,
        run: power_cut_survived,
    },
];

fn never_away(b: &mut Bench) -> Run {
    found(b);
    let limit = bytes(b).non_response + POLL_EVERY;
    let (from, mut last, mut longest) = (b.now(), b.now(), Micros::ZERO);
    while b.now() < from + Micros::secs(120) {
        if poll(b) != Answer::Silence {
            longest = longest.max(b.now().since(last));
            last = b.now();
        }
        b.wait(POLL_EVERY);
    }
    longest = longest.max(b.now().since(last));
    let text = format!("longest without an answer {longest}, allowed {limit}");
    Ok(Seen::judge(longest <= limit, text))
}

fn unknown_command_survived(b: &mut Bench) -> Run {
    found(b);
    let expansion = bytes(b).identification.first().copied();
    let unknown = b.ask(&[expansion.unwrap_or(0x0F), 0x55]);
    let mut answered = false;
    for _ in 0..60 {
        b.wait(POLL_EVERY);
        answered |= poll(b) != Answer::Silence;
    }
    let text = match answered {
        true => format!("the command brought {}, POLL is answered", unknown.text()),
        false => "POLL is not answered any more".to_owned(),
    };
    Ok(Seen::judge(answered, text))
}

fn setup_data(b: &mut Bench) -> Result<Vec<u8>, Seen> {
    let setup = bytes(b).setup;
    data(b, setup, "SETUP")
}

fn identity_readable(b: &mut Bench) -> Run {
    found(b);
    let level = setup_data(b)?;
    if b.kind() == Kind::Changer && level.first().is_some_and(|l| *l < 3) {
        return Ok(Seen::skipped("a changer of level 2 has no identification"));
    }
    let command = bytes(b).identification;
    let data = data(b, command, "IDENTIFICATION")?;
    let skip = usize::from(b.kind() == Kind::Cashless);
    let id: Vec<u8> = data.iter().copied().skip(skip).take(27).collect();
    let good = id.len() == 27 && id.iter().all(|c| (0x20..0x7F).contains(c));
    let text = |from: usize, n: usize| -> String {
        let part = id.iter().skip(from).take(n);
        let shown = part.map(|c| match c {
            0x20..0x7F => char::from(*c),
            _ => '?',
        });
        shown.collect()
    };
    let text = format!(
        "maker {}, serial {}, model {}",
        text(0, 3),
        text(3, 12),
        text(15, 12)
    );
    Ok(Seen::judge(good, text))
}

fn currency_known(b: &mut Bench) -> Run {
    found(b);
    let setup = setup_data(b)?;
    let skip = if b.kind() == Kind::Cashless { 2 } else { 1 };
    let code: Vec<u8> = setup.iter().copied().skip(skip).take(2).collect();
    let Ok(code) = <[u8; 2]>::try_from(code.as_slice()) else {
        return Ok(Seen::fail("SETUP is too short for a currency code"));
    };
    let code = CurrencyCode(code);
    let known = code.letters().is_some() || code.telephone().is_some_and(|t| t > 0);
    Ok(Seen::judge(known, code.to_string()))
}

fn setup_stays(b: &mut Bench) -> Run {
    found(b);
    let first = setup_data(b)?;
    let reset = bytes(b).reset;
    order(b, &[reset], "RESET")?;
    until_just_reset(b);
    let second = setup_data(b)?;
    let third = setup_data(b)?;
    let same = first == second && second == third;
    let text = match same {
        true => format!("three times the same {}", words::count(first.len(), "byte")),
        false => format!(
            "first {}, after RESET {}, then {}",
            Answer::Data(first).text(),
            Answer::Data(second).text(),
            Answer::Data(third).text()
        ),
    };
    Ok(Seen::judge(same, text))
}

/// A device that runs after a power cut and does not say that it started anew.
const RUNS_UNSAID: &str = "It runs again, but does not say that it started anew: a board may not set \
     it up. Update its software or replace it.";

fn power_cut_survived(b: &mut Bench) -> Run {
    found(b);
    b.act(super::super::bench::Act::Power(false))?;
    b.wait(Micros::secs(2));
    b.act(super::super::bench::Act::Power(true))?;
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("JUST RESET {took} after power came back")),
        None => no_just_reset(b, "no JUST RESET after power came back", RUNS_UNSAID),
    })
}
