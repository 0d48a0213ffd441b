//! The emulated validator: its state, and how to look at it.

use super::faults::{DispenserFault, Fault};
use super::holdings::Holdings;
use super::path::Path;
use super::payout::Payout;
use super::reports::Reports;
use super::{BillConfig, BillConfigError, Quirks};
use payrig_mdb::Address;
use payrig_mdb::bill::{BillTypes, Options, RecyclerUse, Report};
use payrig_mdb::ftl::Station;
use payrig_units::{Micros, Money};
use std::collections::BTreeSet;

/// Notes waiting at most; later ones are dropped until [`crate::Device::take_notes`] is called.
const MAX_NOTES: usize = 4_096;

/// What the VMC has set; all of it is off after power-up and reset (section 6.3, 34H and 37H-01H).
#[derive(Clone, Debug, Default)]
pub(super) struct Settings {
    /// BILL TYPE, Y1-Y2.
    pub(super) enable: BillTypes,
    /// BILL TYPE, Y3-Y4.
    pub(super) escrow: BillTypes,
    /// SECURITY; `None` while the validator's own levels hold.
    pub(super) security: Option<BillTypes>,
    /// FEATURE ENABLE.
    pub(super) options: Options,
    /// RECYCLER SETUP was asked for.
    pub(super) recycler_set_up: bool,
    /// RECYCLER ENABLE, once it came.
    pub(super) recycler: Option<RecyclerSettings>,
}

/// RECYCLER ENABLE (section 6.3, 37H-04H).
#[derive(Clone, Copy, Debug)]
pub(super) struct RecyclerSettings {
    pub(super) manual_dispense: BillTypes,
    pub(super) use_for: [RecyclerUse; 16],
}

/// What the answer whose acknowledgment is awaited has reported.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum InFlight {
    Nothing,
    Reports,
    File,
    PayoutValue(u16),
    PayoutStatus,
}

/// An emulated bill validator or recycler (section 6). See the [module](super) for what it does.
#[derive(Clone, Debug)]
pub struct BillValidator {
    pub(super) config: BillConfig,
    pub(super) quirks: Quirks,
    pub(super) powered: bool,
    pub(super) silent_until: Micros,
    pub(super) settings: Settings,
    pub(super) faults: BTreeSet<Fault>,
    pub(super) dispenser_faults: BTreeSet<DispenserFault>,
    pub(super) path: Path,
    /// A bill waits in the inlet; when the customer takes it.
    pub(super) inlet: Option<Micros>,
    pub(super) payout: Payout,
    pub(super) reports: Reports,
    pub(super) in_flight: InFlight,
    pub(super) holdings: Holdings,
    pub(super) files: Station,
    /// The answer to the last POLL was a file message: conditions have their turn.
    pub(super) file_reported: bool,
    pub(super) notes: Vec<String>,
}

impl BillValidator {
    /// A validator that has just got power, at time zero, with nothing in its path. The opening
    /// fill of stacker and stores is waiting in [`crate::Device::take_movements`].
    ///
    /// # Errors
    /// When the standard cannot express what is configured: see [`BillConfig::check`].
    pub fn new(config: BillConfig, quirks: Quirks) -> Result<Self, BillConfigError> {
        config.check()?;
        let holdings = Holdings::new(&config);
        let id = &config.identification;
        let manufacturer = [id.manufacturer.as_slice(), &id.model].concat();
        let mut validator = Self {
            files: Station::new(Address::BILL_VALIDATOR, manufacturer),
            file_reported: false,
            config,
            quirks,
            powered: true,
            silent_until: Micros::ZERO,
            settings: Settings::default(),
            faults: BTreeSet::new(),
            dispenser_faults: BTreeSet::new(),
            path: Path::Empty,
            inlet: None,
            payout: Payout::default(),
            reports: Reports::default(),
            in_flight: InFlight::Nothing,
            holdings,
            notes: Vec::new(),
        };
        validator.report_just_reset();
        validator.silent_until = validator.config.start_up;
        Ok(validator)
    }

    /// What it is.
    #[must_use]
    pub fn config(&self) -> &BillConfig {
        &self.config
    }

    /// The quirks, to look at or to switch while running.
    pub fn quirks_mut(&mut self) -> &mut Quirks {
        &mut self.quirks
    }

    /// Its end of the file transport layer (section 2.6).
    #[must_use]
    pub fn files(&self) -> &Station {
        &self.files
    }

    /// The same, to offer, ask for or deny files.
    pub fn files_mut(&mut self) -> &mut Station {
        &mut self.files
    }

    /// Bills in the stacker.
    #[must_use]
    pub fn stacked(&self) -> u32 {
        self.holdings.stacked()
    }

    /// What the bills in the stacker are worth.
    #[must_use]
    pub fn stacked_money(&self) -> Money {
        self.holdings.stacked_money()
    }

    /// Bills in the recycler store of a type; zero where there is no store.
    #[must_use]
    pub fn recycled(&self, bill_type: u8) -> u32 {
        let mut stores = self.holdings.stores();
        stores.find(|(t, _)| *t == bill_type).map_or(0, |(_, n)| n)
    }

    /// What the bill in the path (up to the escrow position) is worth; `None` when no bill, or
    /// only unknown paper, is in it.
    #[must_use]
    pub fn in_path(&self) -> Option<Money> {
        let bill_type = self.path.bill()?.bill_type?;
        Some(self.holdings.worth(bill_type))
    }

    /// True while a bill is held in the escrow position and waits for ESCROW.
    #[must_use]
    pub fn holds_in_escrow(&self) -> bool {
        matches!(self.path, Path::Held { .. })
    }

    /// True while a bill waits in the inlet for the customer.
    #[must_use]
    pub fn inlet_blocked(&self) -> bool {
        self.inlet.is_some()
    }

    /// True when a bill may be put in: enabled by the VMC and not disabled by a fault, the cash
    /// box or a full stacker.
    #[must_use]
    pub fn is_accepting(&self) -> bool {
        let ordered = !self.settings.enable.is_empty() || self.quirks.accepts_disabled_bills;
        self.powered && ordered && !self.is_disabled_inside()
    }

    /// Disabled because of internal conditions (section 6.3, 33H, 09H).
    pub(super) fn is_disabled_inside(&self) -> bool {
        !self.faults.is_empty() || self.refuses_because_full()
    }

    pub(super) fn is_full(&self) -> bool {
        self.holdings.stacked() >= u32::from(self.config.stacker_capacity)
    }

    pub(super) fn refuses_because_full(&self) -> bool {
        self.is_full() && !self.quirks.stacker_full_never_reported
    }

    /// True when bills of a type are accepted.
    pub(super) fn accepts(&self, bill_type: u8) -> bool {
        self.settings.enable.contains(bill_type) || self.quirks.accepts_disabled_bills
    }

    /// Recycler commands are answered and its status is reported (section 6.1): the option is
    /// enabled, and RECYCLER SETUP was asked for.
    pub(super) fn recycler_speaks(&self) -> bool {
        self.settings.recycler_set_up && self.settings.options.contains(Options::RECYCLING)
            || self.quirks.recycler_needs_no_setup && !self.config.recycler.is_empty()
    }

    /// The dispenser does not pay out: a fault, or a bill in escrow (section 6.3, 33H, 29H).
    pub(super) fn dispenser_disabled(&self) -> bool {
        !self.dispenser_faults.is_empty()
            || self.faults.iter().any(|f| f.blocks_path())
            || matches!(self.path, Path::Held { .. } | Path::Stuck { .. })
    }

    /// Which reports may be sent now. Those of the recycler need it to be set up, its routings of
    /// bills RECYCLER ENABLE as well (section 6.3, 33H, notes).
    pub(super) fn sayable(&self) -> impl Fn(Report) -> bool + use<> {
        let speaks = self.recycler_speaks();
        let enabled = speaks && self.settings.recycler.is_some();
        move |report| match report {
            Report::Bill { .. } => enabled || !report.needs_recycler(),
            _ => speaks || !report.needs_recycler(),
        }
    }

    pub(super) fn report_just_reset(&mut self) {
        if !self.quirks.no_just_reset {
            self.reports.push_first(Report::JustReset);
        }
    }

    pub(super) fn note(&mut self, note: String) {
        if self.notes.len() < MAX_NOTES {
            self.notes.push(note);
        }
    }
}
