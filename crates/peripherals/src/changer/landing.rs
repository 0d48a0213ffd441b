//! Coins between the slot and where they land.

use super::Changer;
use super::falling::{Falling, Inserted};
use super::state::Manual;
use payrig_mdb::changer::{CoinType, Report, Routing, Status};
use payrig_units::{Micros, Place};

impl Changer {
    /// Puts something into the slot; it lands after the acceptance time, behind what already
    /// falls.
    pub(super) fn insert(&mut self, now: Micros, what: Inserted) {
        self.advance(now);
        if !self.powered {
            return self.note("returned: no power");
        }
        let from = self.falling.back().map_or(now, |f| f.due.max(now));
        let due = from + self.config.accept_time;
        self.falling.push_back(Falling { what, due });
        self.advance(now);
    }

    /// Power has gone: what falls is returned. Nothing has moved.
    pub(super) fn return_falling(&mut self) {
        for _ in std::mem::take(&mut self.falling) {
            self.note("returned: no power");
        }
    }

    /// The acceptor looks at coins at all.
    fn is_accepting(&self) -> bool {
        let wanted = !self.accept.is_empty() || self.quirks.accepts_disabled_coins;
        wanted && !self.unplugged && !self.coin_jam && self.manual.is_none()
    }

    pub(super) fn land(&mut self, what: Inserted) {
        if self.manual == Some(Manual::Fill) && !self.unplugged && !self.coin_jam {
            return self.land_in_manual_fill(what);
        }
        if !self.is_accepting() {
            return self.note("returned: acceptance is off");
        }
        match what {
            Inserted::Coin(t) if self.config.coin(t).is_some() => self.land_coin(t, false),
            Inserted::Misrouted(t) if self.config.coin(t).is_some() => self.land_coin(t, true),
            Inserted::OnString(t) if self.takes(t) => {
                self.note(format!("coin type {t} pulled back before it was credited"));
                self.events.push(Report::Status(Status::NoCredit));
            }
            Inserted::TwoAtOnce => {
                self.note("two coins returned: too close together");
                self.events.push(Report::Status(Status::DoubleArrival));
            }
            _ => {
                self.note("returned: not recognised");
                self.events.push_slug();
            }
        }
    }

    fn takes(&self, coin_type: CoinType) -> bool {
        let enabled = self.accept.contains(coin_type) || self.quirks.accepts_disabled_coins;
        enabled && self.config.coin(coin_type).is_some()
    }

    fn land_coin(&mut self, coin_type: CoinType, misrouted: bool) {
        if !self.takes(coin_type) {
            self.note(format!("coin type {coin_type} returned: not enabled"));
            if self.config.report_rejects {
                self.deposited(coin_type, Routing::Reject);
            }
            return;
        }
        let why = format!("coin type {coin_type} accepted");
        let in_tube = !misrouted
            && self
                .tubes
                .drop_into_tube(coin_type, Place::Customer, why.clone());
        if in_tube {
            self.deposited(coin_type, Routing::Tubes);
            return;
        }
        let had_room = self.tubes.has_room(coin_type);
        self.tubes.drop_into_cash_box(coin_type, why);
        let routing = if self.quirks.reports_wrong_routing {
            Routing::Tubes
        } else {
            Routing::CashBox
        };
        self.deposited(coin_type, routing);
        if misrouted && had_room {
            self.events.push(Report::Status(Status::CoinRoutingError));
        }
    }

    fn deposited(&mut self, coin_type: CoinType, routing: Routing) {
        let in_tube = self.reported_count(coin_type);
        self.events.push(Report::CoinsDeposited {
            coin_type,
            routing,
            in_tube,
        });
    }
}
