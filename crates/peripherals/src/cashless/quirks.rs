//! Named wrong behaviours of a cashless device, all off unless switched on.

use crate::quirks::quirks;

quirks! {
    /// Wrong behaviours a cashless device can be given, all off by default. Each breaks a rule of
    /// section 7 or an advice of Appendix 3. In a file they are written in kebab-case
    /// (`no-just-reset = true`).
    pub struct Quirks {
        /// BEGIN SESSION comes again at every POLL, also after its ACK, until the VMC sends a VEND or
        /// REVALUE command.
        begin_session_repeated = "begin-session-repeated",
        /// SESSION COMPLETE is answered with END SESSION at once, also by a device that otherwise
        /// answers at POLLs. Section 7.3 allows it; not every VMC expects it.
        end_session_straight_after_session_complete = "end-session-straight-after-session-complete",
        /// VEND APPROVED deducts one scale factor more than was asked.
        approves_more_than_asked = "approves-more-than-asked",
        /// A repeated VEND REQUEST (its ACK was lost) is charged again.
        charges_twice_on_repeat = "charges-twice-on-repeat",
        /// VEND FAILURE is acknowledged, the money kept and no error reported (7.4.8).
        no_refund_on_vend_failure = "no-refund-on-vend-failure",
        /// The price of a vend that succeeded is given back (7.4.7).
        refunds_vend_success = "refunds-vend-success",
        /// Responses have the form of the device's own level, whatever the VMC's (2.4.4).
        responds_above_vmc_level = "responds-above-vmc-level",
        /// No JUST RESET after a reset (7.4.1).
        no_just_reset = "no-just-reset",
        /// Cards are taken in the Disabled state too (7.2.2).
        session_while_disabled = "session-while-disabled",
        /// A VEND REQUEST is acknowledged and never decided (7.3).
        never_answers_vend_request = "never-answers-vend-request",
        /// A repeated command is answered with COMMAND OUT OF SEQUENCE (Appendix 3, section 4: the
        /// last resort).
        out_of_sequence_on_repeat = "out-of-sequence-on-repeat",
        /// One second without hearing the VMC ends a session and resets the device (Appendix 3,
        /// section 2: at least ten times its response time).
        never_polled_gives_up = "never-polled-gives-up",
        /// What was not acknowledged is forgotten instead of repeated (2.2).
        forgets_unacknowledged = "forgets-unacknowledged",
        /// VEND CANCEL is acknowledged and not acted on (7.4.6).
        ignores_vend_cancel = "ignores-vend-cancel",
        /// SESSION COMPLETE is acknowledged and END SESSION never comes (7.4.9).
        never_ends_session = "never-ends-session",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_quirk_can_be_set_by_name() {
        let mut quirks = Quirks::default();
        for name in Quirks::NAMES {
            assert!(quirks.set(name, true), "{name}");
        }
        assert!(quirks.no_just_reset && quirks.never_ends_session);
        assert!(!quirks.set("no-such-quirk", true));
    }
}
