//! Which checks a kind of device has, in the order they are done.

use super::checks::{bill, cashless, changer, common, hopper, pulse, recycler};
use super::{DeviceCheck, Kind, Setup};
use crate::check::Quirk;

/// Of every device on the bus.
const COMMON: [&[DeviceCheck]; 4] = [
    common::resets::CHECKS,
    common::times::CHECKS,
    common::blocks::CHECKS,
    common::life::CHECKS,
];

const CHANGER: [&[DeviceCheck]; 3] = [
    changer::coins::CHECKS,
    changer::payout::CHECKS,
    changer::service::CHECKS,
];

const BILL: [&[DeviceCheck]; 3] = [
    bill::taking::CHECKS,
    bill::escrow::CHECKS,
    bill::service::CHECKS,
];

const RECYCLER: [&[DeviceCheck]; 2] = [recycler::stores::CHECKS, recycler::payouts::CHECKS];

const CASHLESS: [&[DeviceCheck]; 2] = [cashless::sessions::CHECKS, cashless::vends::CHECKS];

/// Of every acceptor on pulse lines.
const PULSE: [&[DeviceCheck]; 6] = [
    pulse::line::CHECKS,
    pulse::times::CHECKS,
    pulse::counts::CHECKS,
    pulse::edges::CHECKS,
    pulse::inhibit::CHECKS,
    pulse::power::CHECKS,
];

const CARD: [&[DeviceCheck]; 1] = [pulse::card::CHECKS];

const HOPPER: [&[DeviceCheck]; 1] = [hopper::payouts::CHECKS];

const FED: [&[DeviceCheck]; 1] = [hopper::fed::CHECKS];

/// The checks of a kind, in order.
pub fn checks(kind: Kind) -> impl Iterator<Item = &'static DeviceCheck> {
    let parts: &[&'static [&'static [DeviceCheck]]] = match kind {
        Kind::Changer => &[&COMMON, &CHANGER],
        Kind::BillValidator => &[&COMMON, &BILL],
        Kind::BillRecycler => &[&COMMON, &BILL, &RECYCLER],
        Kind::Cashless => &[&COMMON, &CASHLESS],
        Kind::PulseBill | Kind::PulseCoin => &[&PULSE],
        Kind::PulseCoinHopper => &[&PULSE, &HOPPER, &FED],
        Kind::PulseHopper => &[&HOPPER],
        Kind::PulseCard => &[&PULSE, &CARD],
    };
    parts.iter().copied().flatten().copied().flatten()
}

/// The quirks that the checks of a kind catch.
pub fn quirks(kind: Kind) -> impl Iterator<Item = &'static Quirk<Setup>> {
    checks(kind).map(|check| &check.quirk)
}

/// A quirk of a kind by its name.
#[must_use]
pub fn quirk(kind: Kind, name: &str) -> Option<&'static Quirk<Setup>> {
    quirks(kind).find(|q| q.name == name)
}
