//! The table of wrong behaviours: each a named switch, and the checks that must catch it. No check
//! is without one.

macro_rules! habit {
    ($name:literal, $about:literal, [$($caught:literal),+], $field:ident = $value:expr) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| {
                s.habits.$field = $value;
            },
        }
    };
}

macro_rules! own {
    ($name:literal, $about:literal, [$($caught:literal),+], $device:ident) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| own::$device(s, $name),
        }
    };
}

macro_rules! pulse {
    ($name:literal, $about:literal, [$($caught:literal),+], $($field:ident = $value:expr),+) => {
        Quirk {
            name: $name,
            about: $about,
            caught_by: &[$($caught),+],
            apply: |s| {
                $(s.pulse.faults(s.kind).$field = $value;)+
            },
        }
    };
}

mod bill;
mod cashless;
mod changer;
mod common;
mod hopper;
mod pulse;
mod recycler;
mod rewrite;

use super::setup::{Kind, Setup};
use crate::check::Quirk;

/// Quirks that make sense for a kind.
pub fn quirks(kind: Kind) -> impl Iterator<Item = &'static Quirk<Setup>> {
    let tables: &[&'static [Quirk<Setup>]] = match kind {
        Kind::Changer => &[changer::CHANGER, common::COMMON],
        Kind::BillValidator => &[bill::BILL, common::COMMON],
        Kind::BillRecycler => &[bill::BILL, recycler::RECYCLER, common::COMMON],
        Kind::Cashless => &[cashless::CASHLESS, common::COMMON],
        Kind::PulseBill | Kind::PulseCoin => &[pulse::PULSE],
        Kind::PulseCoinHopper => &[pulse::PULSE, hopper::HOPPER, hopper::FED],
        Kind::PulseHopper => &[hopper::HOPPER],
        Kind::PulseCard => &[pulse::PULSE, pulse::CARD],
    };
    tables.iter().copied().flatten()
}

/// Quirks the devices have by themselves.
mod own {
    use super::super::setup::Setup;

    pub(in super::super) fn changer(setup: &mut Setup, name: &str) {
        setup.changer_quirks.set(name, true);
    }
    pub(in super::super) fn bill(setup: &mut Setup, name: &str) {
        setup.bill_quirks.set(name, true);
    }
    pub(in super::super) fn cashless(setup: &mut Setup, name: &str) {
        setup.cashless.quirks.set(name, true);
    }
    pub(in super::super) fn all(setup: &mut Setup, name: &str) {
        changer(setup, name);
        bill(setup, name);
        cashless(setup, name);
    }
}
