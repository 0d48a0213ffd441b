//! What happens to a bill validator, or is done at it.

use payrig_peripherals::bill::{BillValidator, DispenserFault, Fault};
use payrig_units::Micros;
use std::fmt;

/// What happens to a bill validator, or is done at it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BillAction {
    /// Something breaks, or a bill jams.
    Break(Fault),
    /// It is repaired, or the jam cleared.
    Repair(Fault),
    /// Something breaks in the recycler.
    BreakDispenser(DispenserFault),
    /// It is repaired.
    RepairDispenser(DispenserFault),
    /// The cash box is taken out.
    RemoveCashBox,
    /// It is put back.
    ReplaceCashBox {
        /// Its bills were taken out.
        emptied: bool,
    },
    /// The stacker is filled to the last bill.
    FillStacker,
    /// The customer presses the return lever of the recycler.
    PressEscrowLever,
    /// The customer takes the bill that waits in the inlet.
    TakeBill,
    /// Somebody pulls the bill out of the escrow position.
    PullBill,
    /// Somebody fishes for a bill in the stacker.
    FishInStacker {
        /// And gets one.
        success: bool,
    },
}

impl BillAction {
    /// Their names in a script.
    pub const NAMES: [&'static str; 11] = [
        "jam",
        "clear-jam",
        "break",
        "repair",
        "remove-cash-box",
        "replace-cash-box",
        "fill-stacker",
        "press-escrow-lever",
        "take-bill",
        "pull-bill",
        "fish-in-stacker",
    ];

    /// Does it.
    ///
    /// # Errors
    /// When there is nothing to take, pull or put back.
    pub fn perform(self, validator: &mut BillValidator, now: Micros) -> Result<(), String> {
        let done = |so: bool, why: &str| match so {
            true => Ok(()),
            false => Err(why.to_owned()),
        };
        match self {
            Self::Break(fault) => validator.break_down(now, fault),
            Self::Repair(fault) => {
                return done(
                    validator.repair(now, fault),
                    "nothing of the kind is broken",
                );
            }
            Self::BreakDispenser(fault) => validator.break_dispenser(now, fault),
            Self::RepairDispenser(fault) => {
                let was = validator.repair_dispenser(now, fault);
                return done(was, "nothing of the kind is broken in the recycler");
            }
            Self::RemoveCashBox => validator.remove_cash_box(now),
            Self::ReplaceCashBox { emptied } => {
                let was_out = validator.replace_cash_box(now, emptied);
                return done(was_out, "the cash box was not out");
            }
            Self::FillStacker => {
                validator.fill_stacker(now);
            }
            Self::PressEscrowLever => validator.press_return_lever(now),
            Self::TakeBill => {
                let taken = validator.customer_takes_bill(now);
                return done(taken, "there is no bill to take");
            }
            Self::PullBill => {
                let pulled = validator.pull_bill_from_escrow(now);
                return done(pulled, "there is no bill in the escrow position");
            }
            Self::FishInStacker { success } => {
                validator.fish_in_stacker(now, success);
            }
        }
        Ok(())
    }
}

impl fmt::Display for BillAction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Break(Fault::Jam) => f.write_str("a bill jams"),
            Self::Repair(Fault::Jam) => f.write_str("the jam is cleared"),
            Self::Break(fault) => write!(f, "breaks: {fault:?}"),
            Self::Repair(fault) => write!(f, "repaired: {fault:?}"),
            Self::BreakDispenser(fault) => write!(f, "recycler breaks: {fault:?}"),
            Self::RepairDispenser(fault) => write!(f, "recycler repaired: {fault:?}"),
            Self::RemoveCashBox => f.write_str("the cash box is taken out"),
            Self::ReplaceCashBox { emptied: true } => {
                f.write_str("the cash box is put back, empty")
            }
            Self::ReplaceCashBox { emptied: false } => f.write_str("the cash box is put back"),
            Self::FillStacker => f.write_str("the stacker is filled up"),
            Self::PressEscrowLever => f.write_str("the escrow lever is pressed"),
            Self::TakeBill => f.write_str("the customer takes the bill"),
            Self::PullBill => f.write_str("the bill is pulled out of the escrow position"),
            Self::FishInStacker { success: true } => f.write_str("a bill is fished out"),
            Self::FishInStacker { success: false } => f.write_str("somebody fishes and gets none"),
        }
    }
}
