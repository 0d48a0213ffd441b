//! Staying there, identity, power cuts.

use super::{ask, data, found, no_just_reset, non_response, order, poll, until_just_reset};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::habit::{Context, UNKNOWN};
use crate::device::presumptions::Leeway;
use crate::device::setup::Kind;
use crate::device::typed::{Common, Request};
use crate::device::{Answer, Bench, DeviceCheck, POLL_EVERY, altered};
use payrig_mdb::{CurrencyCode, bill, cashless, changer};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "never-away",
        title: "Is never away for longer than its non-response time",
        expected: "an answer at least every non-response time, over two minutes",
        section: "5.4, 6.4, 7.5",
        advice: "Boards take it for gone and reset it. Check power and cabling. If that does not \
                 help, replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("goes-away", "is silent for 8 s now and then", |s| {
            s.habits.away = Some((Micros::secs(20), Micros::secs(8)))
        }),
        arrange: None,
        run: |b| {
            found(b);
            let limit = non_response(b) + POLL_EVERY;
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
        },
    },
    Check {
        id: "unknown-command-survived",
        title: "Survives a command it does not know",
        expected: "POLL is answered afterwards",
        section: "2.4.4, Appendix 3, section 4",
        advice: "A newer board can hang it. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "hangs-on-unknown",
            "hangs after an unknown sub-command",
            |s| s.habits.hangs_on_unknown = true,
        ),
        arrange: None,
        run: |b| {
            found(b);
            let unknown = b.ask(&unknown(b));
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
        },
    },
    Check {
        id: "no-nak-for-good-command",
        title: "Answers no undamaged command with NAK",
        expected: "no NAK to a command that it does not know and whose CHK is right",
        section: "Appendix 3, section 3",
        advice: "Boards take its NAK for a noisy bus and repeat the command for nothing.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "naks-unknown",
            "answers an unknown sub-command with NAK",
            |s| s.habits.naks_unknown = true,
        ),
        arrange: None,
        run: |b| {
            found(b);
            let mut naks = 0;
            for _ in 0..5 {
                let unknown = unknown(b);
                naks += u32::from(b.ask(&unknown) == Answer::Nak);
                b.wait(POLL_EVERY);
                poll(b);
            }
            let text = format!("NAK {naks} of five", naks = words::times(naks));
            Ok(Seen::judge(naks == 0, text))
        },
    },
    Check {
        id: "identity-readable",
        title: "Says who it is",
        expected: "maker code, serial and model number in printable characters",
        section: "5.3, 6.3, 7.4.20",
        advice: "A shop cannot tell units apart; telemetry reports nonsense.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "unprintable-identity",
            "identity with control characters",
            |s| s.habits.rewrite = Some(unprintable),
        ),
        arrange: None,
        run: |b| {
            found(b);
            let (level, _) = set_up(b)?;
            b.works_from(Leeway::Level);
            if b.kind() == Kind::Changer && level < 3 {
                return Ok(Seen::skipped("a changer of level 2 has no identification"));
            }
            let command = Common::Identification.at(b);
            let Some(id) = ask(b, &command)?.identity() else {
                return Ok(Seen::fail("no identification"));
            };
            let fields = [&id.maker[..], &id.serial, &id.model];
            let is_printable = |c: &u8| (0x20..0x7F).contains(c);
            let good = fields.iter().all(|field| field.iter().all(is_printable));
            let [maker, serial, model] = fields.map(|field| {
                let shown = field.iter().map(|c| match is_printable(c) {
                    true => char::from(*c),
                    false => '?',
                });
                shown.collect::<String>()
            });
            let text = format!("maker {maker}, serial {serial}, model {model}");
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "currency-known",
        title: "Says a country or currency code that exists",
        expected: "ISO 4217 with a leading 1, or a telephone code",
        section: "5.3, 6.3, 7.4.2",
        advice: "Some boards refuse the device. Check its configuration.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "nonsense-currency",
            "a currency code that does not exist",
            |s| s.habits.rewrite = Some(nonsense_currency),
        ),
        arrange: None,
        run: |b| {
            found(b);
            let (_, code) = set_up(b)?;
            let known = code.letters().is_some() || code.telephone().is_some_and(|t| t > 0);
            Ok(Seen::judge(known, code.to_string()))
        },
    },
    Check {
        id: "setup-stays",
        title: "Says the same at every SETUP",
        expected: "the same answer before and after RESET",
        section: COMMON_PRACTICE,
        advice: "Its memory is unsafe: values may change in the field. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("setup-changes", "SETUP differs from time to time", |s| {
            s.habits.rewrite = Some(setup_changes)
        }),
        arrange: None,
        run: |b| {
            found(b);
            let first = setup_data(b)?;
            let reset = Common::Reset.at(b);
            order(b, &reset)?;
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
        },
    },
    Check {
        id: "power-cut-survived",
        title: "Starts again after a power cut",
        expected: "JUST RESET within the non-response time",
        section: "2.2, 3.2",
        advice: "It stays dead after a power cut. Check its supply. If that does not help, \
                 replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "dead-after-power-cut",
            "does not start again after a power cut",
            |s| s.habits.dead_after_power_cut = true,
        ),
        arrange: None,
        run: |b| {
            found(b);
            b.act(b.device_power(false))?;
            b.wait(Micros::secs(2));
            b.act(b.device_power(true))?;
            Ok(match until_just_reset(b) {
                Some(took) => Seen::pass(format!("JUST RESET {took} after power came back")),
                None => no_just_reset(b, "no JUST RESET after power came back", RUNS_UNSAID),
            })
        },
    },
];

/// The bytes that answer SETUP.
fn setup_data(b: &mut Bench) -> Result<Vec<u8>, Seen> {
    let setup = Common::Setup.at(b);
    data(b, &setup)
}

/// Level and currency, as SETUP says them.
fn set_up(b: &mut Bench) -> Result<(u8, CurrencyCode), Seen> {
    let setup = Common::Setup.at(b);
    let said = ask(b, &setup)?.set_up();
    said.ok_or_else(|| Seen::fail("SETUP brought something else"))
}

/// A command that no section knows.
fn unknown(b: &Bench) -> [u8; 2] {
    [Common::Identification.at(b).block().first(), UNKNOWN]
}

fn unprintable(context: &Context<'_>, bytes: &mut Vec<u8>) {
    let spoil = |[_, _, third, ..]: &mut [u8; 12]| *third = 0x07;
    altered::changer(context, bytes, |response| {
        if let changer::Response::Identification(id) = response {
            spoil(&mut id.serial);
        }
    });
    altered::bill(context, bytes, |response| {
        if let bill::Response::Identification(id) = response {
            spoil(&mut id.serial);
        }
    });
    altered::reader(context, bytes, |reports| {
        for report in reports {
            if let cashless::Report::PeripheralId(id) = report {
                spoil(&mut id.id.serial);
            }
        }
    });
}

/// Alters the currency and the decimals of SETUP.
fn alter_setup(
    context: &Context<'_>,
    bytes: &mut Vec<u8>,
    alter: impl Fn(&mut CurrencyCode, &mut u8),
) {
    altered::changer(context, bytes, |response| {
        if let changer::Response::Setup(setup) = response {
            alter(&mut setup.currency, &mut setup.decimals);
        }
    });
    altered::bill(context, bytes, |response| {
        if let bill::Response::Setup(setup) = response {
            alter(&mut setup.currency, &mut setup.scaling.decimals);
        }
    });
    altered::reader(context, bytes, |reports| {
        for report in reports {
            if let cashless::Report::ReaderConfig(config) = report {
                alter(&mut config.currency, &mut config.decimals);
            }
        }
    });
}

fn nonsense_currency(context: &Context<'_>, bytes: &mut Vec<u8>) {
    alter_setup(context, bytes, |currency, _| {
        *currency = CurrencyCode([0xEE, 0xEE])
    });
}

fn setup_changes(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.count % 2 == 1 {
        alter_setup(context, bytes, |_, decimals| *decimals ^= 1);
    }
}

/// A device that runs after a power cut and does not say that it started anew.
const RUNS_UNSAID: &str = "It runs again, but does not say that it started anew: a board may not set \
     it up. Update its software or replace it.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
