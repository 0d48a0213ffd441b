//! The serial ports of this machine, and which adapter is behind them.

use crate::LinkError;
use serde::{Deserialize, Serialize};
use serialport::SerialPortType;
use std::fmt;
use std::io;

/// Which adapter it is, wherever it is plugged in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct UsbIdentity {
    /// Vendor number.
    pub vendor: u16,
    /// Product number.
    pub product: u16,
    /// Serial number, if it has one.
    pub serial: Option<String>,
    /// Who made it, in its own words.
    pub maker: Option<String>,
    /// What it is, in its own words.
    pub model: Option<String>,
}

impl UsbIdentity {
    /// True for the same adapter, as far as can be known: two without serial numbers look alike.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        (self.vendor, self.product, &self.serial) == (other.vendor, other.product, &other.serial)
    }
}

impl fmt::Display for UsbIdentity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "USB {:04x}:{:04x}", self.vendor, self.product)?;
        for words in [&self.maker, &self.model].into_iter().flatten() {
            write!(f, " {}", printable(words))?;
        }
        match &self.serial {
            Some(serial) => write!(f, ", serial number {}", printable(serial)),
            None => f.write_str(", no serial number"),
        }
    }
}

/// What an adapter says of itself goes to terminals and reports: no control characters.
fn printable(words: &str) -> String {
    words.chars().filter(|c| !c.is_control()).collect()
}

/// A port of this machine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct PortFound {
    /// What to open.
    #[serde(rename = "port", alias = "path")]
    pub path: String,
    /// The adapter, if it is on USB.
    pub usb: Option<UsbIdentity>,
}

impl fmt::Display for PortFound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.usb {
            Some(usb) => write!(f, "{}  {usb}", self.path),
            None => write!(f, "{}  not on USB", self.path),
        }
    }
}

/// All serial ports of this machine, by path.
///
/// # Errors
/// When the system cannot be asked.
pub fn list() -> Result<Vec<PortFound>, LinkError> {
    // The library would panic on a Linux without /sys.
    if cfg!(target_os = "linux") && !std::path::Path::new("/sys/class/tty").is_dir() {
        return Ok(Vec::new());
    }
    let ports = serialport::available_ports().map_err(|e| {
        let source = io::Error::other(e.description);
        LinkError::from_io("(all)", "listing the ports", source)
    })?;
    let mut found: Vec<PortFound> = ports
        .into_iter()
        .map(|port| PortFound {
            path: port.port_name,
            usb: match port.port_type {
                SerialPortType::UsbPort(usb) => Some(UsbIdentity {
                    vendor: usb.vid,
                    product: usb.pid,
                    serial: usb.serial_number,
                    maker: usb.manufacturer,
                    model: usb.product,
                }),
                _ => None,
            },
        })
        .collect();
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(found)
}

/// The adapter behind a path; `None` when it is not on USB. Links such as those in
/// `/dev/serial/by-id` are followed.
///
/// # Errors
/// As [`list`].
pub fn identity(path: &str) -> Result<Option<UsbIdentity>, LinkError> {
    let real = std::fs::canonicalize(path).map_or_else(
        |_| path.to_owned(),
        |real| real.to_string_lossy().into_owned(),
    );
    Ok(list()?
        .into_iter()
        .find(|port| port.path == real)
        .and_then(|port| port.usb))
}

/// Where an adapter is now, if it is plugged in. Of two that look alike, the first by path.
///
/// # Errors
/// As [`list`].
pub fn find(identity: &UsbIdentity) -> Result<Option<String>, LinkError> {
    let is_it = |port: &PortFound| port.usb.as_ref().is_some_and(|usb| usb.is_same(identity));
    Ok(list()?.into_iter().find(is_it).map(|port| port.path))
}

/// Where an adapter is now that was at `was`; without a USB identity it can only be there.
pub(crate) fn back_as(
    identity: &Option<UsbIdentity>,
    was: &str,
) -> Result<Option<String>, LinkError> {
    match identity {
        Some(identity) => find(identity),
        None => Ok(std::path::Path::new(was).exists().then(|| was.to_owned())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn identity(serial: Option<&str>) -> UsbIdentity {
        UsbIdentity {
            vendor: 0x1209,
            product: 0x0001,
            serial: serial.map(str::to_owned),
            maker: Some("ZZZ\u{1b}[2J".into()),
            model: Some("Nine bits".into()),
        }
    }

    #[test]
    fn the_same_adapter_by_its_numbers() {
        let moved = UsbIdentity {
            maker: None,
            ..identity(Some("1"))
        };
        assert!(identity(Some("1")).is_same(&moved));
        assert!(!identity(Some("1")).is_same(&identity(Some("2"))));
        assert!(!identity(Some("1")).is_same(&identity(None)));
    }

    #[test]
    fn shown_without_control_characters() {
        assert_eq!(
            identity(Some("7")).to_string(),
            "USB 1209:0001 ZZZ[2J Nine bits, serial number 7"
        );
    }

    #[test]
    fn this_machine_can_be_listed_and_has_no_such_adapter() {
        let unknown = UsbIdentity {
            vendor: 0xFFFF,
            product: 0xFFFF,
            ..identity(Some("none"))
        };
        assert_eq!(find(&unknown).unwrap(), None);
        assert!(list().unwrap().is_sorted_by(|a, b| a.path <= b.path));
    }
}
