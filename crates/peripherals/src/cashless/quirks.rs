//! Named wrong behaviours of a cashless device, all off unless switched on.

/// Declares the switches once: the struct, their names and a way to set one by name.
macro_rules! quirks {
    ($($(#[$doc:meta])* $name:ident,)*) => {
        /// Wrong behaviours a cashless device can be given. Each breaks one rule of section 7 or
        /// one advice of Appendix 3.
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
        pub struct Quirks {
            $($(#[$doc])* pub $name: bool,)*
        }

        impl Quirks {
            /// The names of all quirks.
            pub const NAMES: &'static [&'static str] = &[$(stringify!($name)),*];

            /// Switches a quirk by its name; false when there is none of that name.
            pub fn set(&mut self, name: &str, on: bool) -> bool {
                match name {
                    $(stringify!($name) => self.$name = on,)*
                    _ => return false,
                }
                true
            }
        }
    };
}

quirks! {
    /// BEGIN SESSION comes again at every POLL, also after its ACK, until the VMC sends a VEND or
    /// REVALUE command.
    begin_session_repeated,
    /// SESSION COMPLETE is answered with END SESSION at once, also by a device that otherwise
    /// answers at POLLs. Section 7.3 allows it; not every VMC expects it.
    end_session_straight_after_session_complete,
    /// VEND APPROVED deducts one scale factor more than was asked.
    approves_more_than_asked,
    /// A repeated VEND REQUEST (its ACK was lost) is charged again.
    charges_twice_on_repeat,
    /// VEND FAILURE is acknowledged, the money kept and no error reported (7.4.8).
    no_refund_on_vend_failure,
    /// Responses have the form of the device's own level, whatever the VMC's (2.4.4).
    responds_above_vmc_level,
    /// No JUST RESET after a reset (7.4.1).
    no_just_reset,
    /// Cards are taken in the Disabled state too (7.2.2).
    session_while_disabled,
    /// A VEND REQUEST is acknowledged and never decided (7.3).
    never_answers_vend_request,
    /// A repeated command is answered with COMMAND OUT OF SEQUENCE (Appendix 3, section 4: the
    /// last resort).
    out_of_sequence_on_repeat,
    /// One second without hearing the VMC ends a session and resets the device (Appendix 3,
    /// section 2: at least ten times its response time).
    never_polled_gives_up,
    /// What was not acknowledged is forgotten instead of repeated (2.2).
    drops_unacknowledged,
    /// VEND CANCEL is acknowledged and not acted on (7.4.6).
    ignores_vend_cancel,
    /// SESSION COMPLETE is acknowledged and END SESSION never comes (7.4.9).
    never_ends_session,
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
        assert!(!quirks.set("unheard_of", true));
    }
}
