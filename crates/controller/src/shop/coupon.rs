//! Coupons: one at a time, for one vend, never paid out (MDB/ICP 4.3, sections 7.4.4 and 7.4.13).

use super::{Item, Means, Order, Stage, Vending};
use crate::drivers::Coupon;
use payrig_units::{Micros, Money, Place};

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Pending {
    pub(super) coupon: Coupon,
    pub(super) until: Micros,
}

impl Vending {
    pub(super) fn coupon_came(&mut self, now: Micros, coupon: Coupon, means: &dyn Means) {
        // One at a time: a second one is refused with the first (7.4.4).
        if self.coupon.is_some() {
            self.reject_coupon();
            self.refuse(&coupon);
            return;
        }
        let unknown = coupon
            .item
            .is_some_and(|n| !self.items.iter().any(|i| i.number == n));
        let mixed = coupon.alone && self.credit > Money::ZERO;
        if unknown || mixed || self.stage != Stage::Idle {
            self.refuse(&coupon);
            return;
        }
        match coupon.value {
            Some(value) => self.show(format!("Coupon {}", value.show(self.policy.decimals))),
            None => self.show("Coupon for one item"),
        }
        let at_once = coupon.item.filter(|_| coupon.at_once);
        let until = now + self.policy.session_timeout;
        self.coupon = Some(Pending { coupon, until });
        if let Some(item) = at_once {
            self.select(now, item, means);
        }
    }

    fn refuse(&mut self, coupon: &Coupon) {
        self.show("Coupon refused");
        self.orders.push_back(Order::CouponReply {
            device: coupon.device.clone(),
            used: false,
            item: coupon.item.unwrap_or(0xFFFF),
            value: coupon.value,
        });
    }

    /// The pending coupon goes back to where it came from.
    pub(super) fn reject_coupon(&mut self) {
        if let Some(pending) = self.coupon.take() {
            self.refuse(&pending.coupon);
        }
    }

    /// What the pending coupon pays of this item; `None` when there is none for it.
    pub(super) fn coupon_for(&self, item: &Item) -> Option<(Money, Coupon)> {
        let coupon = &self.coupon.as_ref()?.coupon;
        let fits = coupon.item.is_none_or(|n| n == item.number);
        let worth = coupon
            .value
            .map_or(item.price, |value| value.min(item.price));
        fits.then(|| (worth, coupon.clone()))
    }

    /// The item was delivered: the coupon is used up.
    pub(super) fn use_coupon(&mut self, column: u16, worth: Money) {
        let Some(pending) = self.coupon.take() else {
            return;
        };
        let device = pending.coupon.device;
        let why = "a coupon was used".to_owned();
        let place = Place::BoardReceived(device.clone());
        self.claim(place, Place::BoardSales, worth, why);
        self.orders.push_back(Order::CouponReply {
            device,
            used: true,
            item: column,
            value: Some(worth),
        });
    }
}
