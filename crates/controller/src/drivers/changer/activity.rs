//! What the answers to POLL report (MDB/ICP 4.3, section 5.3, POLL).

use super::guard::{brings_money, is_event};
use super::{Changer, worth};
use crate::drivers::channel::Verdict;
use crate::drivers::report::Report;
use payrig_mdb::changer::{
    CoinCredit, CoinType, Command, ManualCount, Report as Activity, Routing, Status,
};
use payrig_units::Micros;

impl Changer {
    pub(super) fn took_poll(&mut self, now: Micros, activities: &[Activity]) -> Verdict {
        let repeated = self.guard.repeated(now, activities);
        let mut new = activities.iter().filter(is_event).skip(repeated);
        if repeated > 0 {
            self.notice("the same report again, its ACK was lost: not credited twice".to_owned());
        }
        let (mut verdict, mut coins_came) = (Verdict::Fine, false);
        if activities.iter().any(brings_money) {
            (verdict, coins_came) = (Verdict::CheckRepeat, true);
        }
        self.take_conditions(activities);
        let was_reset = |a: &Activity| *a == Activity::JUST_RESET;
        if activities.iter().any(was_reset) {
            verdict = Verdict::JustReset;
        }
        for activity in &mut new {
            self.take_event(activity);
        }
        let is_busy = |a: &Activity| {
            let busy = [Status::ChangerPayoutBusy, Status::ChangerBusy];
            matches!(a, Activity::Status(s) if busy.contains(s))
        };
        if verdict != Verdict::JustReset {
            let busy = activities.iter().any(is_busy);
            self.payout_polled(now, busy, coins_came);
        }
        verdict
    }

    /// Conditions are reported with each POLL while they last: what is new about them is noticed.
    fn take_conditions(&mut self, activities: &[Activity]) {
        let conditions: Vec<Status> = activities
            .iter()
            .filter_map(|a| match a {
                Activity::Status(s) if s.is_condition() => Some(*s),
                _ => None,
            })
            .collect();
        for status in &conditions {
            if !self.conditions.contains(status) && *status != Status::ChangerPayoutBusy {
                self.notice(status.to_string());
                self.diagnose();
            }
        }
        self.conditions = conditions;
    }

    fn take_event(&mut self, activity: &Activity) {
        match activity {
            Activity::Status(Status::EscrowRequest) => self.reports.push(Report::ReturnLever),
            Activity::CoinsDeposited {
                coin_type,
                routing,
                in_tube,
            } => self.coin_in(*coin_type, *routing, *in_tube),
            Activity::CoinsDispensedManually {
                coin_type,
                coins,
                in_tube,
            } => self.dispensed_by_hand(*coin_type, *coins, *in_tube),
            Activity::Status(status) => {
                self.notice(status.to_string());
                match status {
                    Status::TubeJam | Status::DefectiveTubeSensor => {
                        self.diagnose();
                        self.want(Command::TubeStatus);
                    }
                    Status::CoinJam | Status::CoinRoutingError | Status::RomChecksumError => {
                        self.diagnose();
                    }
                    _ => {}
                }
            }
            Activity::Slug(_) | Activity::Unknown(_) => self.notice(activity.to_string()),
        }
    }

    fn set_tube(&mut self, coin_type: CoinType, in_tube: u8) {
        if let Some(count) = self.tubes.get_mut(coin_type.index()) {
            *count = u32::from(in_tube);
        }
    }

    fn coin_in(&mut self, coin_type: CoinType, routing: Routing, in_tube: u8) {
        let place = match routing {
            Routing::Tubes => "to its tube",
            Routing::CashBox => "to the cash box",
            Routing::NotUsed | Routing::Reject => {
                return self.notice(format!("coin type {coin_type} refused"));
            }
        };
        if routing == Routing::Tubes {
            self.set_tube(coin_type, in_tube);
            self.payout_sees_coin(coin_type);
        }
        let device = self.name.clone();
        match self.setup.as_ref().map(|s| s.credit(coin_type)) {
            Some(CoinCredit::Worth(value)) => {
                let what = format!("coin type {coin_type} {place}");
                self.reports.push(Report::Credit {
                    device,
                    value,
                    what,
                });
            }
            Some(CoinCredit::Token) if self.policy.tokens => {
                self.reports.push(Report::Token { device });
            }
            _ => self.notice(format!("coin type {coin_type} has no value: not credited")),
        }
    }

    /// Coins left through the changer's own switches (section 5.6, manual dispense sequence).
    fn dispensed_by_hand(&mut self, coin_type: CoinType, coins: ManualCount, in_tube: u8) {
        self.set_tube(coin_type, in_tube);
        self.payout_sees_hand(coin_type, coins.get());
        let value = worth(self.setup.as_ref(), coin_type)
            .checked_mul(i64::from(coins.get()))
            .unwrap_or_default();
        let device = self.name.clone();
        self.reports.push(Report::Service { device, value });
        self.want(Command::TubeStatus);
    }
}
