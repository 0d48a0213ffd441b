//! Links of a rig held against each other.

use super::error::RigError;
use super::fields::Fields;
use super::link::with_hint;
use payrig_bench::plan::{BusLink, DeviceLink, DevicePlan, Pin, PortName};

/// What can only be checked in the rig as a whole: a port is used once, a pin too, and everything has
/// one other end.
pub(super) fn check(
    main: Option<&BusLink>,
    devices: &[(&Fields<'_>, &DevicePlan)],
) -> Result<(), RigError> {
    let mut buses: Vec<(&str, &str)> = Vec::new();
    if let Some(PortName::Serial(port)) = main.map(|l| &l.port) {
        buses.push((port, "the board's bus"));
    }
    let mut pins: Vec<(&str, Pin, &str)> = Vec::new();
    let mut levels: Vec<(&str, bool, &str)> = Vec::new();
    for (fields, device) in devices {
        let Some(link) = &device.link else { continue };
        let name = device.name.as_str();
        other_end(fields, device, link)?;
        match link {
            DeviceLink::Bus(bus) => {
                let PortName::Serial(port) = &bus.port else {
                    continue;
                };
                let used = buses.iter().find(|(p, _)| p == port).map(|(_, who)| *who);
                let used = used.or(pins
                    .iter()
                    .find(|(p, ..)| p == port)
                    .map(|(_, _, who)| *who));
                if let Some(other) = used {
                    let message = format!("port {port} is used by {other} already");
                    return Err(fields.error(message));
                }
                buses.push((port, name));
            }
            DeviceLink::Lines(lines) => {
                let port = lines.port.as_str();
                if let Some((_, other)) = buses.iter().find(|(p, _)| *p == port) {
                    let message = format!("port {port} is used by {other} already");
                    return Err(fields.error(message));
                }
                for (_, pin) in &lines.wires {
                    let used = pins.iter().find(|(p, q, _)| *p == port && q == pin);
                    if let Some((_, _, other)) = used {
                        let message = format!("{pin} of port {port} is used by {other} already");
                        return Err(fields.error(message));
                    }
                    pins.push((port, *pin, name));
                }
                let high = lines.asserted_is_high;
                let other = levels.iter().find(|(p, h, _)| *p == port && *h != high);
                if let Some((_, _, other)) = other {
                    let message = format!(
                        "`asserted` must be the same for all lines of port {port}, and {other} has \
                         the other level"
                    );
                    return Err(fields.error(message));
                }
                levels.push((port, high, name));
            }
        }
    }
    Ok(())
}

fn other_end(fields: &Fields<'_>, device: &DevicePlan, link: &DeviceLink) -> Result<(), RigError> {
    let name = &device.name;
    match (&device.behind, link.device_outside()) {
        (Some(bridge), false) => {
            let message = format!(
                "\"{name}\" has two other ends: the bridge \"{bridge}\", and a board on its link"
            );
            let hint =
                "give the bridge the link; or, if the device is real, write outside = \"device\"";
            Err(with_hint(fields.error(message), hint))
        }
        (None, true) if matches!(link, DeviceLink::Bus(_)) => {
            let message =
                format!("\"{name}\" is outside on a port of its own, and no bridge is its VMC");
            let hint = format!(
                "add a [[device]] with kind = \"bridge\" and from = \"{name}\"; for a device of the \
                 board's bus write [link] with outside = \"devices\""
            );
            Err(with_hint(fields.error(message), &hint))
        }
        _ => Ok(()),
    }
}
