//! What stands between a device and the board, and speaks another language to each.

use payrig_bridge::{Appearance, MdbToPulseConfig, PulseToMdbConfig};
use payrig_controller::{Expected, ExpectedKind, PulseLink};
use payrig_mdb::Address;
use payrig_units::Money;

/// A bridge.
#[derive(Clone, Debug)]
pub struct BridgePlan {
    /// The device behind it.
    pub from: String,
    /// What it does.
    pub way: BridgeWay,
}

/// Which way round.
#[derive(Clone, Debug)]
pub enum BridgeWay {
    /// A pulse acceptor appears on the board's bus.
    ToMdb {
        /// How.
        config: PulseToMdbConfig,
        /// Its supply holds long enough to hear an ACK.
        hold_up: bool,
    },
    /// An MDB bill validator drives a credit line of the board.
    ToPulse {
        /// How.
        config: MdbToPulseConfig,
        /// What it may bring in.
        values: Vec<Money>,
    },
}

impl BridgePlan {
    /// The address on the board's bus, where it is on it.
    pub(crate) fn address(&self) -> Option<Address> {
        match &self.way {
            BridgeWay::ToMdb { config, .. } => Some(match config.appears {
                Appearance::BillValidator => Address::BILL_VALIDATOR,
                Appearance::Changer => Address::CHANGER,
            }),
            BridgeWay::ToPulse { .. } => None,
        }
    }

    /// The actions it can be the object of, power apart.
    pub(crate) fn actions(&self) -> &'static [&'static str] {
        match self.way {
            BridgeWay::ToMdb { .. } => &["ready"],
            BridgeWay::ToPulse { .. } => &[],
        }
    }

    /// What the board knows of it.
    pub(crate) fn expected(&self, name: &str) -> Expected {
        let kind = match &self.way {
            BridgeWay::ToMdb { config, .. } => match config.appears {
                Appearance::BillValidator => ExpectedKind::BillValidator,
                Appearance::Changer => ExpectedKind::Changer,
            },
            BridgeWay::ToPulse { config, values } => ExpectedKind::Pulse(Box::new(PulseLink {
                profile: config.profile.clone(),
                values: values.clone(),
            })),
        };
        let name = name.to_owned();
        Expected { name, kind }
    }
}
