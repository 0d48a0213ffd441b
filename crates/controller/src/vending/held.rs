//! Bills kept in escrow until something is bought, so that the coin return gives the same bill back.

use super::{Means, Order, Sale, Stage, Vending, is_payable};
use payrig_units::Money;

impl Vending {
    /// Keeps a welcome bill in escrow if it buys something. False when it is to be stacked.
    pub(super) fn hold(&mut self, device: &str, value: Money) -> bool {
        let total = self.credit.saturating_add(value);
        let buys = self.items.iter().any(|i| i.price <= total);
        let hold = self.policy.hold_bills && buys;
        if hold {
            self.held = Some((device.to_owned(), value));
            self.show_credit();
        }
        hold
    }

    pub(super) fn bill_returned(&mut self) {
        self.held = None;
        self.for_card = None;
        if let Stage::Stacking(..) = self.stage {
            self.stage = Stage::Idle;
        }
        self.show_credit();
    }

    /// Gives back whatever waits in escrow.
    pub(super) fn return_held(&mut self) {
        for (bill, _) in [self.held.take(), self.for_card.take()]
            .into_iter()
            .flatten()
        {
            self.orders.push_back(Order::Return(bill));
        }
    }

    /// Stacks the bill held in escrow if that is what the sale needs. True when the selection is
    /// dealt with.
    pub(super) fn spend_held(&mut self, sale: &Sale, due: Money, means: &dyn Means) -> bool {
        let Some((device, value)) = self.held.clone() else {
            return false;
        };
        let total = self.credit.saturating_add(value);
        if total < due {
            return false;
        }
        if is_payable(total.saturating_sub(due), means) {
            self.held = None;
            self.stage = Stage::Stacking(sale.clone(), due);
            self.orders.push_back(Order::Stack(device));
        } else {
            self.show("Use exact change");
        }
        true
    }

    /// The credit is certain now: the item that waited for it is delivered.
    pub(super) fn held_is_stacked(&mut self, means: &dyn Means) {
        let Stage::Stacking(sale, due) = &self.stage else {
            return;
        };
        let (sale, due) = (sale.clone(), *due);
        self.stage = Stage::Idle;
        let rest = self.credit.saturating_sub(due);
        if self.credit >= due && is_payable(rest, means) {
            self.deliver(sale.paid_in_cash(due));
        }
    }
}
