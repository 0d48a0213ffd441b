//! Devices on pulse lines.

use payrig_controller::{Expected, ExpectedKind, HopperLink, PulseLink};
use payrig_peripherals::pulse::{
    PulseAcceptorConfig, PulseCardReaderConfig, PulseCoinAcceptorConfig, PulseHopperConfig,
};
use payrig_pulse::{PayoutSetup, Profile};
use payrig_units::Money;
use payrig_wire::recording::LineRole;

/// A device on pulse lines.
#[derive(Clone, Debug)]
pub enum PulsePlan {
    /// Bill validator.
    Bill(PulseAcceptorConfig),
    /// Coin acceptor, alone or above a payout hopper.
    Coin(PulseCoinAcceptorConfig),
    /// Payout hopper.
    Hopper(PulseHopperConfig),
    /// Card reader.
    Card(PulseCardReaderConfig),
}

impl PulsePlan {
    /// The profile it sends credit by; a hopper sends none.
    #[must_use]
    pub fn profile(&self) -> Option<&Profile> {
        match self {
            Self::Bill(c) => Some(&c.pulse),
            Self::Coin(c) => Some(&c.pulse),
            Self::Card(c) => Some(&c.pulse),
            Self::Hopper(_) => None,
        }
    }

    /// What it can bring in at once; empty where the customer chooses.
    #[must_use]
    pub fn values(&self) -> Vec<Money> {
        match self {
            Self::Bill(c) => c.bills.clone(),
            Self::Coin(c) => c.coins.clone(),
            Self::Card(_) | Self::Hopper(_) => Vec::new(),
        }
    }

    /// The hopper it is, or has below it.
    #[must_use]
    pub fn hopper(&self) -> Option<&PulseHopperConfig> {
        match self {
            Self::Coin(c) => c.hopper.as_ref(),
            Self::Hopper(c) => Some(c),
            Self::Bill(_) | Self::Card(_) => None,
        }
    }

    /// What the board knows of it: an acceptor, a hopper, or both.
    pub(crate) fn expected(&self, name: &str) -> Vec<Expected> {
        let acceptor = self.profile().map(|profile| Expected {
            name: name.to_owned(),
            kind: ExpectedKind::Pulse(Box::new(PulseLink {
                profile: profile.clone(),
                values: self.values(),
            })),
        });
        let hopper = self.hopper().map(|h| Expected {
            name: h.name.clone(),
            kind: ExpectedKind::Hopper(Box::new(HopperLink {
                wire: name.to_owned(),
                coin: h.coin,
                coins: h.fill,
                capacity: h.capacity,
                fed_by: acceptor.is_some().then(|| name.to_owned()),
                motor_line: h.motor_line.clone(),
                motor_on: h.motor_on,
                exit_line: h.exit_line.clone(),
                exit: PayoutSetup {
                    exit_active: h.exit_active,
                    ..PayoutSetup::default()
                },
            })),
        });
        acceptor.into_iter().chain(hopper).collect()
    }

    /// The lines it listens to, as they are before anything happens.
    pub(crate) fn lines(&self) -> Vec<PulseInput> {
        let mut lines = Vec::new();
        if let Some(profile) = self.profile() {
            let inhibit = &profile.inhibit;
            lines.push(PulseInput {
                name: inhibit.line.clone(),
                role: LineRole::Inhibit,
                high: !inhibit.inhibits.is_high(),
            });
        }
        if let Some(hopper) = self.hopper() {
            lines.push(PulseInput {
                name: hopper.motor_line.clone(),
                role: LineRole::Motor,
                high: !hopper.motor_on.is_high(),
            });
        }
        lines
    }

    /// The actions it can be the object of, power apart.
    pub(crate) fn actions(&self) -> &'static [&'static str] {
        match self {
            Self::Bill(_) => &["insert-bill"],
            Self::Coin(_) => &["insert-coin"],
            Self::Card(_) => &["present-card", "remove-card"],
            Self::Hopper(_) => &[],
        }
    }
}

/// A line that the board drives.
pub(crate) struct PulseInput {
    pub(crate) name: String,
    pub(crate) role: LineRole,
    pub(crate) high: bool,
}
