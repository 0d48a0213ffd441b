//! Links in a rig: `[link]` for the board's bus, `[device.link]` for a device of its own.

use super::error::RigError;
use super::fields::Fields;
use payrig_bench::plan::{
    BridgeWay, BusLink, DeviceLink, Kind, LineLink, Pin, PortName, PulsePlan,
};
use payrig_pulse::Profile;
use payrig_wire::Source;
use payrig_wire::port::{InLine, OutLine, WordCoding};

const SIDES: [(&str, Source); 3] = [
    ("board", Source::Master),
    ("devices", Source::Peripheral),
    ("device", Source::Peripheral),
];

/// Reads the `[link]` table of a rig.
pub(super) fn read_bus(fields: &Fields<'_>) -> Result<BusLink, RigError> {
    let link = bus(fields)?;
    fields.finish()?;
    Ok(link)
}

fn bus(fields: &Fields<'_>) -> Result<BusLink, RigError> {
    let port = port(
        fields,
        "\"pty\", or the path of a serial port of this machine (/dev/ttyUSB0)",
    )?;
    let port = match port.as_str() {
        "pty" => PortName::Pty,
        _ => PortName::Serial(port),
    };
    let codings = [
        ("marked-parity", WordCoding::MarkedParity),
        ("plain", WordCoding::Plain),
    ];
    let coding = fields.word("coding", &codings)?;
    if coding == Some(WordCoding::Plain) && port != PortName::Pty {
        let message = "`coding = \"plain\"` is for a pseudo-terminal; on a serial port the mode bit \
                       is the parity bit";
        return Err(fields.error(message));
    }
    let reconnect = fields.time("reconnect")?;
    if reconnect.is_some() && port == PortName::Pty {
        return Err(fields.error("`reconnect` is for adapters; a pseudo-terminal does not vanish"));
    }
    Ok(BusLink {
        port,
        outside: fields.word("outside", &SIDES)?.unwrap_or(Source::Master),
        coding: coding.unwrap_or_default(),
        reconnect,
    })
}

fn port(fields: &Fields<'_>, expected: &str) -> Result<String, RigError> {
    let port = fields.string("port")?;
    let port = fields.need("port", expected, port)?;
    if port.trim().is_empty() {
        return Err(fields.error(format!("`port` is empty: give {expected}")));
    }
    Ok(port)
}

/// Reads the `[device.link]` table of a device, if it has one.
pub(super) fn read(fields: &Fields<'_>, kind: &Kind) -> Result<Option<DeviceLink>, RigError> {
    let Some(table) = fields.table("link", "[device.link]")? else {
        return Ok(None);
    };
    let link = match kind {
        Kind::Pulse(rig) => DeviceLink::Lines(lines(&table, &Lines::of(rig))?),
        Kind::Bridge(bridge) => match &bridge.way {
            BridgeWay::ToPulse { config, .. } => {
                let lines_of = Lines::of_profile(&config.profile);
                let link = lines(&table, &lines_of)?;
                if link.device_outside {
                    let message = "a bridge is always ours: what is outside is the board";
                    return Err(with_hint(table.error(message), "outside = \"board\""));
                }
                DeviceLink::Lines(link)
            }
            BridgeWay::ToMdb { .. } => DeviceLink::Bus(of_ours(&table, bus(&table)?)?),
        },
        Kind::Bill(..) => DeviceLink::Bus(bus(&table)?),
        Kind::Changer(..) | Kind::Cashless(_) => DeviceLink::Bus(of_ours(&table, bus(&table)?)?),
    };
    table.finish()?;
    Ok(Some(link))
}

pub(super) fn with_hint(mut error: RigError, hint: &str) -> RigError {
    error.hint = Some(hint.to_owned());
    error
}

/// On a port of its own only a bill validator can be outside, behind a bridge.
fn of_ours(table: &Fields<'_>, link: BusLink) -> Result<BusLink, RigError> {
    if link.outside == Source::Master {
        return Ok(link);
    }
    let error =
        table.error("only a bill validator behind a bridge can be outside on a port of its own");
    let hint =
        "real devices of the board's bus share one port: write [link] with outside = \"devices\"";
    Err(with_hint(error, hint))
}

/// The lines a device has.
struct Lines {
    /// From the device.
    from: Vec<String>,
    /// To it.
    to: Vec<String>,
    hopper: bool,
}

impl Lines {
    fn of_profile(profile: &Profile) -> Self {
        let from = profile.lines().into_iter().map(str::to_owned);
        Self {
            from: from.collect(),
            to: vec![profile.inhibit.line.clone()],
            hopper: false,
        }
    }

    fn of(rig: &PulsePlan) -> Self {
        let mut lines = match rig.profile() {
            Some(profile) => Self::of_profile(profile),
            None => Self {
                from: Vec::new(),
                to: Vec::new(),
                hopper: false,
            },
        };
        if let Some(hopper) = rig.hopper() {
            lines.from.push(hopper.exit_line.clone());
            lines.to.push(hopper.motor_line.clone());
            lines.hopper = true;
        }
        lines
    }

    fn names(&self) -> String {
        let all = self.from.iter().chain(&self.to);
        let all: Vec<&str> = all.map(String::as_str).collect();
        all.join(", ")
    }
}

fn lines(table: &Fields<'_>, device: &Lines) -> Result<LineLink, RigError> {
    let port = port(table, "the path of a serial port, as in \"/dev/ttyUSB1\"")?;
    if port == "pty" {
        let error = table.error("a pseudo-terminal has no modem lines for pulses");
        return Err(with_hint(
            error,
            "give the path of a serial port of this machine (/dev/ttyUSB0)",
        ));
    }
    let device_outside = table.word("outside", &SIDES)? == Some(Source::Peripheral);
    if device_outside && device.hopper {
        let message = "a hopper cannot be outside: what it really pays out cannot be seen";
        return Err(table.error(message));
    }
    let levels = [("low", false), ("high", true)];
    let asserted_is_high = table.word("asserted", &levels)?.unwrap_or(false);
    let wires = match table.table("lines", "the table `lines`")? {
        Some(given) => wires(&given, device, device_outside)?,
        None => usual(table, device, device_outside)?,
    };
    Ok(LineLink {
        port,
        device_outside,
        asserted_is_high,
        wires,
        reconnect: table.time("reconnect")?,
    })
}

/// One credit line and the inhibit, where the rig names no lines: crossed over as with a wire between two
/// ports.
fn usual(
    table: &Fields<'_>,
    device: &Lines,
    outside: bool,
) -> Result<Vec<(String, Pin)>, RigError> {
    let (out, into) = (Pin::Out(OutLine::Rts), Pin::In(InLine::Cts));
    match (device.from.as_slice(), device.to.as_slice()) {
        ([from], [to]) => {
            let (from_pin, to_pin) = if outside { (into, out) } else { (out, into) };
            Ok(vec![(from.clone(), from_pin), (to.clone(), to_pin)])
        }
        _ => {
            let message = "this device has several lines: say which modem line each is on";
            let hint = format!(
                "lines = {{ {} = \"rts\", ... }}; it has {}",
                device.from.first().map_or("credit", String::as_str),
                device.names()
            );
            Err(with_hint(table.error(message), &hint))
        }
    }
}

fn wires(
    table: &Fields<'_>,
    device: &Lines,
    outside: bool,
) -> Result<Vec<(String, Pin)>, RigError> {
    let mut wires: Vec<(String, Pin)> = Vec::new();
    for (name, value) in table.entries() {
        let from = device.from.iter().any(|l| l == name);
        if !from && !device.to.iter().any(|l| l == name) {
            let error = table
                .text
                .error(&value.span(), format!("the device has no line `{name}`"));
            return Err(with_hint(
                error,
                &format!("lines it has: {}", device.names()),
            ));
        }
        // From the device to us is in, unless the device is ours.
        let goes_out = from != outside;
        let able: Vec<&str> = Pin::ALL
            .iter()
            .filter(|(_, pin)| pin.output().is_some() == goes_out)
            .map(|(name, _)| *name)
            .collect();
        let said = value.get_ref().as_str().unwrap_or_default();
        let pin = Pin::ALL
            .iter()
            .find(|(n, _)| *n == said && able.contains(n));
        let Some((_, pin)) = pin else {
            let way = match goes_out {
                true => "goes out: payrig drives it",
                false => "comes in: payrig watches it",
            };
            let expected = format!("one of {} (this line {way})", able.join(", "));
            return Err(table.wrong(name, value, &expected));
        };
        if let Some((other, _)) = wires.iter().find(|(_, p)| p == pin) {
            let message = format!("`{name}` and `{other}` are on the same modem line {pin}");
            return Err(table.text.error(&value.span(), message));
        }
        wires.push((name.to_owned(), *pin));
    }
    let credit = |name: &String| wires.iter().any(|(n, _)| n == name);
    if !device.from.iter().any(credit) {
        let message = "none of the device's own lines is on a modem line: nothing could come of it";
        return Err(with_hint(
            table.error(message),
            &format!("lines it has: {}", device.names()),
        ));
    }
    Ok(wires)
}
