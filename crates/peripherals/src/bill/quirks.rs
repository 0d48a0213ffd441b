//! Named ways in which a bill validator may deviate from the standard.

use crate::quirks::quirks;

quirks! {
    /// Wrong behaviours of a bill validator, each a switch, all off by default. In a file they
    /// are written in kebab-case (`no-just-reset = true`).
    pub struct Quirks {
        /// A bill's routing is reported once more after it was acknowledged (against 2.2 and note 1 of
        /// POLL, 6.3): a board that trusts it credits twice.
        duplicate_report_after_ack = "duplicate-report-after-ack",
        /// A bill in escrow is stacked though no ESCROW came (6.3, 35H).
        stacks_without_order = "stacks-without-order",
        /// ESCROW with "stack" gives the bill back (6.3, 35H), and BILL RETURNED says so.
        returns_on_stack_order = "returns-on-stack-order",
        /// Bills are accepted whatever BILL TYPE enables, also when it enables none (6.3, 34H).
        accepts_disabled_bills = "accepts-disabled-bills",
        /// JUST RESET is never reported (6.3, 33H, 06H).
        no_just_reset = "no-just-reset",
        /// BILL STACKED is reported when the bill sets out for the stacker, not when it is in it (6.3,
        /// 33H, note 2: the bill is not secure then).
        reports_before_stacked = "reports-before-stacked",
        /// ESCROW POSITION is never reported, though the bill waits there (6.3, 33H).
        escrow_report_missing = "escrow-report-missing",
        /// A reset forgets the bill in escrow instead of returning it (6.3, 30H); the next bill pushes
        /// it into the stacker, unreported.
        reset_forgets_escrow = "reset-forgets-escrow",
        /// Neither the full flag of STACKER nor a refusal shows that the stacker is full; bills are
        /// pressed in beyond its capacity (6.3, 36H).
        stacker_full_never_reported = "stacker-full-never-reported",
        /// A reset forgets reports of stacked bills that were not acknowledged yet (against 2.2).
        reset_forgets_reports = "reset-forgets-reports",
        /// ESCROW is acknowledged and nothing happens: no report within 30 s (6.3, 35H).
        ignores_escrow_orders = "ignores-escrow-orders",
        /// INVALID ESCROW REQUEST is never reported (6.3, 33H, 0AH).
        invalid_escrow_unreported = "invalid-escrow-unreported",
        /// 37H-00H is answered with the option bytes that belong to 37H-02H (6.3).
        option_bytes_in_short_identification = "option-bytes-in-short-identification",
        /// Recycler commands are answered though the option is not enabled or RECYCLER SETUP did not
        /// come (6.1).
        recycler_needs_no_setup = "recycler-needs-no-setup",
        /// PAYOUT VALUE POLL says nothing of the last bill: it is answered by ACK as soon as that bill
        /// is out (6.3, 37H-09H).
        last_bill_missing_in_value_poll = "last-bill-missing-in-value-poll",
        /// A dispense command pays one bill less than it should (6.3, 37H-06H, 37H-07H).
        dispenses_one_bill_less = "dispenses-one-bill-less",
        /// A repeated dispense command (its ACK was lost) pays again (Appendix 3, section 3).
        double_dispense_on_repeat = "double-dispense-on-repeat",
        /// PAYOUT CANCEL is acknowledged and not obeyed (6.3, 37H-0AH).
        ignores_payout_cancel = "ignores-payout-cancel",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_quirk_is_off_and_has_a_switch() {
        let mut quirks = Quirks::default();
        for name in Quirks::NAMES {
            let switch = quirks.switch(name).unwrap();
            assert!(!*switch, "{name}");
            assert!(quirks.set(name, true));
        }
        assert_eq!(Quirks::NAMES.len(), 18);
        assert!(quirks.no_just_reset && quirks.last_bill_missing_in_value_poll);
        assert!(!quirks.set("no-such-quirk", true));
    }
}
