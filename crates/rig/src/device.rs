//! The `[[device]]` tables: what is emulated.

use super::error::RigError;
use super::fields::Fields;
use super::pulse::PulseWord;
use super::setting::Setting;
use super::{bill, bridge, cashless, changer, link, pulse};
use payrig_bench::plan::{DeviceLink, DevicePlan, Kind, Settings};
use payrig_peripherals::PortTiming;

#[derive(Clone, Copy)]
enum Word {
    Changer,
    Bill,
    Cashless,
    Pulse(PulseWord),
    Bridge,
}

/// Reads a device; `all` are those that stand before it in the rig.
pub(super) fn read(
    fields: &Fields<'_>,
    setting: &Setting,
    all: &[DevicePlan],
) -> Result<DevicePlan, RigError> {
    let kinds = [
        ("changer", Word::Changer),
        ("bill-validator", Word::Bill),
        ("cashless", Word::Cashless),
        ("pulse-bill-validator", Word::Pulse(PulseWord::Bill)),
        ("pulse-coin-acceptor", Word::Pulse(PulseWord::Coin)),
        ("pulse-hopper", Word::Pulse(PulseWord::Hopper)),
        ("pulse-card-reader", Word::Pulse(PulseWord::Card)),
        ("bridge", Word::Bridge),
    ];
    let kind = fields.word("kind", &kinds)?;
    let names: Vec<&str> = kinds.iter().map(|(name, _)| *name).collect();
    let kind = fields.need("kind", &format!("one of {}", names.join(", ")), kind)?;
    let name = fields.name("name")?;
    let name = fields.need("name", "what the bench calls it", name)?;
    let defaults = PortTiming::default();
    let timing = match kind {
        Word::Pulse(_) => defaults,
        _ => PortTiming {
            answer: fields.time("answer")?.unwrap_or(defaults.answer),
            gap: fields.time("gap")?.unwrap_or(defaults.gap),
        },
    };
    let kind = match kind {
        Word::Changer => changer::read(fields, setting, &name)?,
        Word::Bill => bill::read(fields, setting, &name)?,
        Word::Cashless => cashless::read(fields, setting, &name)?,
        Word::Bridge => Kind::Bridge(Box::new(bridge::read(fields, setting, &name, all)?)),
        Word::Pulse(word) => Kind::Pulse(Box::new(pulse::read(word, fields, setting, &name)?)),
    };
    let link = link::read(fields, &kind)?;
    if link.as_ref().is_some_and(DeviceLink::device_outside) && fields.get("faults").is_some() {
        return Err(
            fields.error("a real device is wrong in its own way: leave [device.faults] out")
        );
    }
    let settings = Settings {
        model: fields.free_text("model")?,
        switches: fields.free_text("switches")?,
        note: fields.free_text("note")?,
    };
    fields.finish()?;
    let behind = None;
    Ok(DevicePlan {
        name,
        kind,
        timing,
        behind,
        link,
        settings,
    })
}
