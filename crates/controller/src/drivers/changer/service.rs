//! Diagnostics, and what service people do under the changer's control (MDB/ICP 4.3, section 5.3,
//! 0FH 05H to 07H; section 5.6, manual fill sequence).

use super::setup::Step;
use super::{Changer, worth};
use crate::drivers::report::Report;
use payrig_mdb::changer::{CoinType, Command, DiagnosticCode, PerType};
use payrig_units::{Micros, Money};

/// Counts of one of the two reports, as last reported. A changer may begin at zero again once its
/// report is acknowledged, or count on; the standard leaves it open. Asking twice shows which.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct ByHand {
    counts: [u8; 16],
    /// The last answer was ACK alone: no coins.
    none: bool,
}

impl ByHand {
    /// It was answered with ACK alone. True unless the answer before was ACK, too.
    pub(super) fn is_first_none(&mut self) -> bool {
        self.none = !self.none;
        self.none
    }

    /// Coins that are new in this report. What was not sent is unchanged (section 5.3).
    fn take(&mut self, report: &PerType) -> Vec<(CoinType, u8)> {
        self.none = false;
        let mut new = Vec::new();
        for (coin_type, last) in CoinType::all().zip(self.counts.iter_mut()) {
            let Some(count) = report.sent(coin_type) else {
                continue;
            };
            let more = count.checked_sub(*last).unwrap_or(count);
            *last = count;
            if more > 0 {
                new.push((coin_type, more));
            }
        }
        new
    }
}

impl Changer {
    /// Asks for the diagnostic codes, where the changer has them.
    pub(super) fn diagnose(&mut self) {
        if self.step == Step::Done && !self.wanted.contains(&Command::SendDiagnosticStatus) {
            self.want(Command::SendDiagnosticStatus);
        }
    }

    /// Asks for them every few seconds.
    pub(super) fn diagnose_in_time(&mut self, now: Micros) {
        if self.step == Step::Done && self.payout.is_none() && now >= self.diagnose_at {
            self.diagnose_at = now + self.policy.diagnose_every;
            self.diagnose();
        }
    }

    pub(super) fn took_codes(&mut self, now: Micros, codes: &[DiagnosticCode]) {
        self.diagnose_at = now + self.policy.diagnose_every;
        let before = std::mem::replace(&mut self.codes, codes.to_vec());
        // All well, or off because the board wants it so: nothing to report.
        let usual = [DiagnosticCode::OK, DiagnosticCode::INHIBITED];
        for code in codes.iter().filter(|c| !usual.contains(c)) {
            if !before.contains(code) {
                self.notice(code.to_string());
            }
        }
        for code in before.iter().filter(|c| !usual.contains(c)) {
            if !codes.contains(code) {
                self.notice(format!("no longer {code}"));
            }
        }
        let filling = DiagnosticCode::MANUAL_ACTIVE;
        let over = before.contains(&filling) && !codes.contains(&filling);
        let news = codes.contains(&DiagnosticCode::NEW_INVENTORY);
        if (over || news) && self.step == Step::Done {
            self.want(Command::SendControlledManualFillReport);
            self.want(Command::SendControlledManualPayoutReport);
        }
    }

    pub(super) fn took_manual_fill(&mut self, report: &PerType) {
        let new = self.filled.take(report);
        let value = self.value_of(&new);
        self.book_service(-value, "filled");
        self.check_again(&new, Command::SendControlledManualFillReport);
    }

    pub(super) fn took_manual_payout(&mut self, report: &PerType) {
        let new = self.paid_by_hand.take(report);
        let value = self.value_of(&new);
        self.book_service(value, "paid out");
        self.check_again(&new, Command::SendControlledManualPayoutReport);
    }

    /// After news: the tubes, then the report once more, to learn whether it begins at zero again.
    fn check_again(&mut self, new: &[(CoinType, u8)], command: Command) {
        if new.is_empty() {
            return;
        }
        if self.step == Step::Done {
            self.want(Command::TubeStatus);
        }
        self.want(command);
    }

    fn value_of(&self, coins: &[(CoinType, u8)]) -> Money {
        let setup = self.setup.as_ref();
        let value = |(t, n): &(CoinType, u8)| worth(setup, *t).checked_mul(i64::from(*n));
        coins
            .iter()
            .filter_map(value)
            .fold(Money::ZERO, Money::saturating_add)
    }

    fn book_service(&mut self, value: Money, what: &str) {
        if value.is_zero() {
            return;
        }
        let amount = Money(value.as_minor().saturating_abs()).show(self.decimals());
        self.notice(format!("{amount} {what} by hand, under its control"));
        let device = self.name.clone();
        self.reports.push(Report::Service { device, value });
    }
}
