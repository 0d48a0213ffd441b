//! `kind = "bridge"`: what stands between a device and the board, and speaks another language to
//! each.

use super::error::{RigError, nearest};
use super::fields::Fields;
use super::pulse::profile;
use super::setting::Setting;
use payrig_bench::plan::{BridgePlan, BridgeWay, DevicePlan, Kind, PulsePlan};
use payrig_bridge::{Appearance, MdbToPulseConfig, PulseToMdbConfig, Release};
use payrig_mdb::Scaling;
use payrig_peripherals::bill::BillKind;
use payrig_pulse::Profile;
use payrig_units::{Micros, Money};

/// Reads a bridge; `all` are the devices that stand before it in the rig.
pub(super) fn read(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
    all: &[DevicePlan],
) -> Result<BridgePlan, RigError> {
    let from = fields.string("from")?;
    let from = fields.need("from", "the name of the device behind the bridge", from)?;
    let able: Vec<&str> = all
        .iter()
        .filter(|d| bills_of(d).is_some() || credit_of(d).is_some())
        .map(|d| d.name.as_str())
        .collect();
    let Some(device) = all.iter().find(|d| d.name == from) else {
        let message = format!("no device \"{from}\" stands before this bridge in the rig");
        let mut error = fields.error(message);
        error.hint = Some(match nearest(&from, &able) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("devices a bridge can be for: {}", able.join(", ")),
        });
        return Err(error);
    };
    if let Some(other) = &device.behind {
        let message = format!("\"{from}\" is behind the bridge \"{other}\" already");
        return Err(fields.error(message));
    }
    let way = match (bills_of(device), credit_of(device)) {
        (Some(values), _) => to_pulse(fields, setting, name, values)?,
        (_, Some(credit)) => to_mdb(fields, setting, name, &credit)?,
        _ => {
            let message = format!("a bridge cannot be for \"{from}\"");
            let mut error = fields.error(message);
            error.hint =
                Some("it can be for a device with credit pulses, or for a bill-validator".into());
            return Err(error);
        }
    };
    Ok(BridgePlan { from, way })
}

/// The bills of what speaks as a bill validator on a bus: a validator, or a bridge that is one.
fn bills_of(device: &DevicePlan) -> Option<Vec<Money>> {
    match &device.kind {
        Kind::Bill(config, _) => {
            let kind = |t| match config.kind(t) {
                BillKind::Value(value) => Some(value),
                _ => None,
            };
            Some((0..16).filter_map(kind).collect())
        }
        Kind::Bridge(bridge) => match &bridge.way {
            BridgeWay::ToMdb { config, .. } => match config.appears {
                Appearance::BillValidator => Some(config.values.clone()),
                Appearance::Changer => None,
            },
            BridgeWay::ToPulse { .. } => None,
        },
        _ => None,
    }
}

/// What says credit by pulses: an acceptor, or a bridge that drives a credit line.
struct CreditOf {
    profile: Profile,
    values: Vec<Money>,
    appears: Appearance,
}

fn credit_of(device: &DevicePlan) -> Option<CreditOf> {
    match &device.kind {
        Kind::Pulse(pulse) => Some(CreditOf {
            profile: pulse.profile()?.clone(),
            values: pulse.values(),
            appears: match **pulse {
                PulsePlan::Coin(_) => Appearance::Changer,
                _ => Appearance::BillValidator,
            },
        }),
        Kind::Bridge(bridge) => match &bridge.way {
            BridgeWay::ToPulse { config, values } => Some(CreditOf {
                profile: config.profile.clone(),
                values: values.clone(),
                appears: Appearance::BillValidator,
            }),
            BridgeWay::ToMdb { .. } => None,
        },
        _ => None,
    }
}

fn to_pulse(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
    values: Vec<Money>,
) -> Result<BridgeWay, RigError> {
    let poll_every = fields.time("poll")?.unwrap_or(Micros::ms(125));
    if poll_every < Micros::ms(10) || poll_every > Micros::secs(5) {
        return Err(
            fields.error("`poll` must be between 10 ms and 5 s (section 2.4.3 advises 25-200 ms)")
        );
    }
    let profile = profile(fields, setting)?;
    let sayable = |v: &Money| {
        let plan = profile.plan(*v);
        plan.remainder.is_zero() && !plan.runs.is_empty()
    };
    if !values.iter().any(sayable) {
        return Err(fields.error(format!(
            "none of the validator's bills can be expressed in pulses of profile \"{}\"",
            profile.name
        )));
    }
    let values = values.into_iter().filter(sayable).collect();
    let config = MdbToPulseConfig {
        name: name.to_owned(),
        profile,
        poll_every,
    };
    Ok(BridgeWay::ToPulse { config, values })
}

fn to_mdb(
    fields: &Fields<'_>,
    setting: &Setting,
    name: &str,
    credit: &CreditOf,
) -> Result<BridgeWay, RigError> {
    let appearances = [
        ("bill-validator", Appearance::BillValidator),
        ("changer", Appearance::Changer),
    ];
    let appears = fields.word("as", &appearances)?;
    let appears = appears.unwrap_or(credit.appears);
    let mut values = Vec::new();
    for value in fields.array("values")? {
        values.push(fields.money_of("values", value, setting.decimals)?);
    }
    if values.is_empty() {
        values.clone_from(&credit.values);
    }
    let (default, most) = match appears {
        Appearance::BillValidator => (100, 65_536),
        Appearance::Changer => (5, 256),
    };
    let factor = fields.number("scaling", 1..most)?.unwrap_or(default);
    let own = fields.table("pulse", "[device.pulse]")?.is_some();
    let profile = match own {
        true => profile(fields, setting)?,
        false => credit.profile.clone(),
    };
    let releases = [
        ("all-enabled", Release::AllEnabled),
        ("any-enabled", Release::AnyEnabled),
    ];
    let config = PulseToMdbConfig {
        name: name.to_owned(),
        appears,
        profile,
        values,
        scaling: Scaling {
            factor: u16::try_from(factor).unwrap_or(1),
            decimals: setting.decimals.0,
        },
        currency: setting.currency,
        release: fields.word("release", &releases)?.unwrap_or_default(),
    };
    config
        .check()
        .map_err(|error| fields.error(error.to_string()))?;
    let hold_up = fields.boolean_or_none("hold-up")?.unwrap_or(true);
    Ok(BridgeWay::ToMdb { config, hold_up })
}
