//! Which pulse line of which device is on which modem line of which port.

use crate::plan::{DeviceLink, DevicePlan, Kind, LineLink, Pin, Plan, PulsePlan};
use payrig_units::Place;
use payrig_wire::port::{InLine, OutLine};

/// A line on a port.
#[derive(Clone, Debug)]
struct Route {
    device: String,
    line: String,
    port: String,
    pin: Pin,
    /// The device is real.
    outside: bool,
    /// The level it has while nothing happens, as far as the rig knows.
    rest: bool,
    /// The level that holds the device off, for an inhibit.
    holds_off: Option<bool>,
    /// The level while nobody drives the modem line; one that is watched reads the same with nothing
    /// connected (common practice, no source: adapters pull an open input to its idle level).
    released: bool,
    /// The last level of a line that is watched, where one is known.
    level: Option<bool>,
    /// Whoever is outside has shown on a line that is watched that it is there.
    seen: bool,
}

/// A line of a device at the other end of a modem line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FarEnd<'a> {
    pub(crate) device: &'a str,
    pub(crate) line: &'a str,
    /// The device is real; otherwise it is ours, and a board is there.
    pub(crate) outside: bool,
    /// The level it has while nothing happens.
    pub(crate) rest: bool,
}

/// All of them, and what is outside.
#[derive(Clone, Debug, Default)]
pub(crate) struct Wiring {
    routes: Vec<Route>,
    /// Devices that are outside, and where such a device puts money.
    outside: Vec<(String, Place)>,
}

impl Wiring {
    pub(crate) fn new(rig: &Plan, bus_devices_outside: bool) -> Self {
        let mut wiring = Self::default();
        for device in &rig.devices {
            if let Some(DeviceLink::Lines(link)) = &device.link {
                wiring.device(device, link);
            }
            let on_bus = device.address().is_some() && !matches!(device.kind, Kind::Bridge(_));
            if device.is_outside() || bus_devices_outside && on_bus {
                let place = place_of(device);
                wiring.outside.push((device.name.clone(), place));
            }
        }
        wiring
    }

    pub(crate) fn device(&mut self, device: &DevicePlan, link: &LineLink) {
        let profile = device.credit_profile();
        for (line, pin) in &link.wires {
            let inhibit = profile.map(|p| &p.inhibit).filter(|i| i.line == *line);
            let rest = match (inhibit, profile) {
                (Some(inhibit), _) => !inhibit.inhibits.is_high(),
                (None, Some(profile)) => !profile.active.is_high(),
                (None, None) => true,
            };
            self.routes.push(Route {
                device: device.name.clone(),
                line: line.clone(),
                port: link.port.clone(),
                pin: *pin,
                outside: link.device_outside,
                rest,
                holds_off: inhibit.map(|i| i.inhibits.is_high()),
                released: !link.asserted_is_high,
                level: None,
                seen: false,
            });
        }
    }

    /// Where an edge of a device's line goes out, if it is on a port.
    pub(crate) fn out(&self, device: &str, line: &str) -> Option<(&str, OutLine)> {
        let mut all = self.routes.iter();
        let route = all.find(|r| r.device == device && r.line == line)?;
        match route.pin {
            Pin::Out(out) => Some((&route.port, out)),
            Pin::In(_) => None,
        }
    }

    /// The level of a line that is watched, as it was read when the bench began.
    pub(crate) fn level(&mut self, port: &str, pin: Pin, high: bool) {
        if let Some(route) = self.route_mut(port, pin) {
            route.level = Some(high);
            // A board holds a line where an open input would not be. An acceptor that does no more than
            // that has sent nothing yet.
            route.seen |= !route.outside && high != route.released;
        }
    }

    /// A line that is watched took this level.
    pub(crate) fn moved(&mut self, port: &str, pin: Pin, high: bool) {
        if let Some(route) = self.route_mut(port, pin) {
            route.seen |= route.level.replace(high) != Some(high);
        }
    }

    fn route_mut(&mut self, port: &str, pin: Pin) -> Option<&mut Route> {
        let mut all = self.routes.iter_mut();
        all.find(|r| r.port == port && r.pin == pin)
    }

    /// Devices on whose lines nothing came from outside in the whole run, each in a sentence. A board
    /// that drives none of the lines cannot be seen: it is not missed here, but cautioned of.
    pub(crate) fn silences(&self) -> Vec<String> {
        let watched = |r: &&Route| matches!(r.pin, Pin::In(_));
        let mut devices: Vec<&str> = Vec::new();
        for route in self.routes.iter().filter(watched) {
            if !devices.contains(&route.device.as_str()) {
                devices.push(&route.device);
            }
        }
        let silence = |device: &str| {
            let own: Vec<&Route> = self
                .routes
                .iter()
                .filter(watched)
                .filter(|r| r.device == device)
                .collect();
            if own.iter().any(|r| r.seen) {
                return None;
            }
            let lines: Vec<String> = own
                .iter()
                .map(|r| format!("{} ({} of {})", r.line, r.pin, r.port))
                .collect();
            let lines = lines.join(", ");
            Some(match own.iter().any(|r| r.outside) {
                true => format!(
                    "{device} sent no pulse: {lines} never moved. Connect it there, and have it take money"
                ),
                false => format!(
                    "no board was seen at the other end of the lines of {device}: {lines} never moved. \
                     Connect a board there, and have it move a line once; one that never does looks like no \
                     board at all"
                ),
            })
        };
        devices.into_iter().filter_map(silence).collect()
    }

    /// The device's line on a modem line.
    pub(crate) fn far_end(&self, port: &str, pin: Pin) -> Option<FarEnd<'_>> {
        let mut all = self.routes.iter();
        let route = all.find(|r| r.port == port && r.pin == pin)?;
        Some(route.far_end())
    }

    /// The lines that come in: port, modem line, and what is at its other end.
    pub(crate) fn inputs(&self) -> impl Iterator<Item = (&str, InLine, FarEnd<'_>)> {
        self.routes.iter().filter_map(|r| match r.pin {
            Pin::In(line) => Some((r.port.as_str(), line, r.far_end())),
            Pin::Out(_) => None,
        })
    }

    /// The inhibit lines of real devices: device, line, and the level that holds it off.
    pub(crate) fn inhibits(&self) -> impl Iterator<Item = (&str, &str, bool)> {
        let real = self.routes.iter().filter(|r| r.outside);
        real.filter_map(|r| Some((r.device.as_str(), r.line.as_str(), r.holds_off?)))
    }

    /// What somebody who connects real acceptors or boards must know: device and words.
    pub(crate) fn cautions(&self) -> Vec<(String, String)> {
        let mut cautions = Vec::new();
        for route in self.routes.iter().filter(|r| !r.outside) {
            let mut own = self.routes.iter().filter(|r| r.device == route.device);
            let known = cautions.iter().any(|(device, _)| *device == route.device);
            if !known && own.all(|r| matches!(r.pin, Pin::Out(_))) {
                let text = "no line that a board drives is on a modem line: whether one is there is not seen";
                cautions.push((route.device.clone(), text.to_owned()));
            }
        }
        for (device, _) in &self.outside {
            let mut own = self
                .routes
                .iter()
                .filter(|r| r.device == *device)
                .peekable();
            if own.peek().is_none() {
                continue;
            }
            let Some(inhibit) = own.find(|r| r.holds_off.is_some()) else {
                let text =
                    "its inhibit is on no modem line: nothing holds it off while nobody counts";
                cautions.push((device.clone(), text.to_owned()));
                continue;
            };
            if inhibit.holds_off != Some(inhibit.released) {
                let text = format!(
                    "when payrig or the adapter is gone, {} of {} is released, and that lets it take \
                     money nobody counts: fit a resistor at the acceptor, or turn the level round",
                    inhibit.pin, inhibit.port
                );
                cautions.push((device.clone(), text));
            }
        }
        cautions
    }

    /// Where a device that is outside puts money; `None` for one of ours.
    pub(crate) fn outside_place(&self, device: &str) -> Option<Place> {
        let mut all = self.outside.iter();
        all.find(|(name, _)| name == device)
            .map(|(_, place)| place.clone())
    }

    /// True when a device is outside.
    pub(crate) fn any_outside(&self) -> bool {
        !self.outside.is_empty()
    }

    /// True when something is on modem lines.
    pub(crate) fn any(&self) -> bool {
        !self.routes.is_empty()
    }
}

impl Route {
    fn far_end(&self) -> FarEnd<'_> {
        FarEnd {
            device: &self.device,
            line: &self.line,
            outside: self.outside,
            rest: self.rest,
        }
    }
}

fn place_of(device: &DevicePlan) -> Place {
    let name = device.name.clone();
    match &device.kind {
        Kind::Bill(..) => Place::Stacker(name),
        Kind::Cashless(_) => Place::CardReceipts(name),
        Kind::Pulse(rig) => match **rig {
            PulsePlan::Bill(_) => Place::Stacker(name),
            PulsePlan::Card(_) => Place::CardReceipts(name),
            PulsePlan::Coin(_) | PulsePlan::Hopper(_) => Place::CashBox(name),
        },
        Kind::Changer(..) | Kind::Bridge(_) => Place::CashBox(name),
    }
}
