//! Named ways in which an emulated changer misbehaves.

use serde::Deserialize;

/// Wrong behaviours, all off by default. Each is something a controller must survive or an
/// examination must catch.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Quirks {
    /// Reports each deposited coin once more after its report was acknowledged, as if the ACK had
    /// been lost (Appendix 3, section 3, condition 2).
    pub duplicate_report_after_ack: bool,
    /// Carries out a DISPENSE that comes while an earlier one is still going on, so that a
    /// repetition pays twice (Appendix 3, section 3, condition 1).
    pub double_dispense_on_repeat: bool,
    /// Accepts coins that COIN TYPE has not enabled.
    pub accepts_disabled_coins: bool,
    /// Never reports JUST RESET.
    pub no_just_reset: bool,
    /// Reports one coin more than there is in each tube that is not empty.
    pub wrong_tube_count: bool,
    /// Carries out DISPENSE and stays silent instead of sending ACK.
    pub dispense_without_ack: bool,
    /// Sends one report per POLL answer, however many wait.
    pub reports_one_coin_per_poll_only: bool,
    /// Reports CHANGER PAYOUT BUSY for ever once a payout has begun, until it is reset.
    pub always_busy: bool,
    /// Forgets coins that were not reported and acknowledged when it is reset.
    pub reset_loses_report: bool,
    /// Answers a TUBE STATUS within 500 ms of a reset with empty tubes (section 5.3, RESET, note
    /// 1).
    pub tube_status_too_early: bool,
    /// Sends ESCROW REQUEST with every POLL while the lever is held (Appendix 3, section 2 advises
    /// once).
    pub escrow_repeats_while_held: bool,
    /// Pays one coin less than DISPENSE asks for.
    pub dispenses_one_coin_less: bool,
    /// Reports a deposited coin as gone to its tube when it went to the cash box.
    pub reports_wrong_routing: bool,
    /// Clears its POLL reports when they are sent, not when they are acknowledged, so that a lost
    /// answer loses a coin.
    pub forgets_unacknowledged: bool,
}

impl Quirks {
    /// Every quirk's name, as rigs write it.
    pub const NAMES: [&'static str; 14] = [
        "duplicate-report-after-ack",
        "double-dispense-on-repeat",
        "accepts-disabled-coins",
        "no-just-reset",
        "wrong-tube-count",
        "dispense-without-ack",
        "reports-one-coin-per-poll-only",
        "always-busy",
        "reset-loses-report",
        "tube-status-too-early",
        "escrow-repeats-while-held",
        "dispenses-one-coin-less",
        "reports-wrong-routing",
        "forgets-unacknowledged",
    ];

    /// Switches a quirk on or off by its name. Returns false for a name it does not know.
    pub fn set(&mut self, name: &str, on: bool) -> bool {
        let switch = match name {
            "duplicate-report-after-ack" => &mut self.duplicate_report_after_ack,
            "double-dispense-on-repeat" => &mut self.double_dispense_on_repeat,
            "accepts-disabled-coins" => &mut self.accepts_disabled_coins,
            "no-just-reset" => &mut self.no_just_reset,
            "wrong-tube-count" => &mut self.wrong_tube_count,
            "dispense-without-ack" => &mut self.dispense_without_ack,
            "reports-one-coin-per-poll-only" => &mut self.reports_one_coin_per_poll_only,
            "always-busy" => &mut self.always_busy,
            "reset-loses-report" => &mut self.reset_loses_report,
            "tube-status-too-early" => &mut self.tube_status_too_early,
            "escrow-repeats-while-held" => &mut self.escrow_repeats_while_held,
            "dispenses-one-coin-less" => &mut self.dispenses_one_coin_less,
            "reports-wrong-routing" => &mut self.reports_wrong_routing,
            "forgets-unacknowledged" => &mut self.forgets_unacknowledged,
            _ => return false,
        };
        *switch = on;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_switches_one_quirk() {
        let mut seen = vec![Quirks::default()];
        for name in Quirks::NAMES {
            let mut quirks = Quirks::default();
            assert!(quirks.set(name, true), "{name}");
            assert!(
                !seen.contains(&quirks),
                "{name} switches nothing of its own"
            );
            seen.push(quirks);
            assert!(quirks.set(name, false));
            assert_eq!(quirks, Quirks::default());
        }
        assert!(!Quirks::default().set("no-such-quirk", true));
    }
}
