//! The rules: every limit and every piece of advice, with its section, its value and what to do.
//! The user's guide is checked against this table.

use super::severity::Severity;
use payrig_units::Micros;
use std::fmt;

/// Longest pause between two bytes of a block (section 3.2).
pub const INTER_BYTE: Micros = Micros::ms(1);
/// Longest time to the start of an answer, master or peripheral (section 3.2).
pub const RESPONSE: Micros = Micros::ms(5);
/// Shortest bus reset (section 3.2).
pub const BREAK: Micros = Micros::ms(100);
/// Shortest time from the end of a bus reset to the first command (section 3.2).
pub const SETUP: Micros = Micros::ms(200);
/// Pause between bytes a sender should keep to (Appendix 3, section 2).
pub const INTER_BYTE_MARGIN: Micros = Micros(800);
/// Pause between bytes a receiver should tolerate (Appendix 3, section 2).
pub const INTER_BYTE_TOLERATED: Micros = Micros::ms(5);
/// Response time a sender should keep to (Appendix 3, section 2).
pub const RESPONSE_MARGIN: Micros = Micros::ms(4);
/// Response time a receiver should tolerate (Appendix 3, section 2).
pub const RESPONSE_TOLERATED: Micros = Micros::ms(20);
/// Shortest polling interval recommended (section 2.4.3).
pub const POLL_SHORTEST: Micros = Micros::ms(25);
/// Longest polling interval recommended (section 2.4.3).
pub const POLL_LONGEST: Micros = Micros::ms(200);
/// Polling interval recommended for all devices: from this up to [`POLL_LONGEST`] (Appendix 3,
/// section 2).
pub const POLL_RECOMMENDED: Micros = Micros::ms(125);

/// A rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rule {
    /// Which one it is; its name stands in reports and in `--format json`.
    pub name: BusRule,
    /// Where it comes from, in MDB/ICP 4.3.
    pub section: &'static str,
    /// The time allowed, where the rule has one.
    pub limit: Option<Micros>,
    /// Limit or advice.
    pub severity: Severity,
    /// What it asks for.
    pub meaning: &'static str,
    /// What to do when it is broken.
    pub action: &'static str,
}

/// The rule of that name.
#[must_use]
pub fn rule(name: &str) -> Option<&'static Rule> {
    RULES.iter().find(|r| r.name.name() == name)
}

macro_rules! rules {
    ($($severity:ident $id:ident $name:literal $section:literal $limit:expr, $meaning:literal $action:literal)*) => {
        /// The name of a rule about what travels on the bus.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[non_exhaustive]
        pub enum BusRule {
            $(#[doc = $meaning] $id,)*
        }

        impl BusRule {
            /// All of them, in the order of [`RULES`].
            pub const ALL: &[Self] = &[$(Self::$id),*];

            /// As it is written in reports: `inter-byte`.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self {
                    $(Self::$id => $name,)*
                }
            }
        }

        /// Every rule about what travels on the bus.
        pub const RULES: &[Rule] = &[$(Rule {
            name: BusRule::$id,
            section: $section,
            limit: $limit,
            severity: Severity::$severity,
            meaning: $meaning,
            action: $action,
        }),*];
    };
}

impl BusRule {
    /// Its row in [`RULES`].
    #[must_use]
    pub fn row(self) -> Option<&'static Rule> {
        RULES.get(self as usize)
    }
}

impl fmt::Display for BusRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

rules! {
    Limit InterByte "inter-byte" "3.2" Some(INTER_BYTE),
        "the pause between two bytes of a block is at most 1.0 ms"
        "let the sender fill its transmit buffer before it starts, and keep interrupts short"
    Limit Response "response" "3.2" Some(RESPONSE),
        "an answer starts at most 5.0 ms after what it answers, in both directions"
        "answer first and work later; a device that is busy stays silent instead of answering late"
    Limit Checksum "checksum" "2.2" None,
        "a block ends with the sum of its bytes; a lone byte is ACK, NAK or, from the master, RET"
        "check the sum (CHK itself is not added, carries are dropped); if it is right, look for noise"
    Limit ModeBit "mode-bit" "2.1" None,
        "the mode bit is set on the master's address byte and on a peripheral's last byte, nowhere else"
        "set the ninth bit by its place in the block, not by value; check that the port sends nine bits"
    Limit Break "break" "3.2" Some(BREAK),
        "a bus reset holds the master's line active for at least 100 ms"
        "hold the line longer; if no reset was meant, look for what pulls the line (reboot, loose plug)"
    Limit Setup "setup" "3.2" Some(SETUP),
        "the master waits at least 200 ms after a bus reset before it speaks"
        "lengthen the wait after the reset"
    Limit BlockLength "block-length" "2.2" None,
        "a block has at most 36 bytes, CHK included"
        "split the data over several commands or reports"
    Limit Baud "baud" "3.2" None,
        "words travel at 9600 baud, at most 1 percent faster or 2 percent slower"
        "check the clock source and the baud rate divider of the sender"
    Limit WordFormat "word-format" "2.1" None,
        "a word is one start bit, eight data bits, the mode bit and one stop bit"
        "check that the sender uses nine data bits; look for noise or two senders at once"
    Advice InterByteMargin "inter-byte-margin" "Appendix 3, section 2" Some(INTER_BYTE_MARGIN),
        "a sender keeps the pause between bytes within 0.8 ms"
        "leave some room below the limit"
    Advice ResponseMargin "response-margin" "Appendix 3, section 2" Some(RESPONSE_MARGIN),
        "a sender answers within 4 ms"
        "leave some room below the limit"
    Advice PollInterval "poll-interval" "2.4.3" Some(POLL_LONGEST),
        "each peripheral is polled every 25 to 200 ms"
        "poll at a steady pace; a pause during a vend or before the first command is usual"
    Advice PollRecommended "poll-recommended" "Appendix 3, section 2" Some(POLL_RECOMMENDED),
        "each peripheral is polled every 125 to 200 ms"
        "poll less often: every poll costs the device time it needs for its work"
    Advice Silent "silent" "2.2" None,
        "a device that stays silent for 5 ms has not answered; the command is repeated until its \
         non-response time is over"
        "check power, plug and address of the device; a device may be silent while it is busy"
    Advice Unacknowledged "unacknowledged" "2.2" None,
        "the master answers data with ACK, NAK or RET; silence counts as NAK and the data is sent again"
        "let the master acknowledge within 5 ms, or expect the same report twice"
    Advice Nak "nak" "Appendix 3, section 3" None,
        "NAK says only that a block arrived with a wrong sum; a peripheral better stays silent"
        "find out what damages the blocks"
    Advice Unasked "unasked" "1.2" None,
        "a peripheral speaks only when it was spoken to, and the master acknowledges only data"
        "look for a second device at the same address, or an answer that came after its time"
    Advice Collision "collision" "1.2" None,
        "only one side speaks at a time"
        "look for answers that come so late that they meet the next command"
    Advice ApprovedMore "approved-more" "7.4.5" None,
        "a reader approves no more than it was asked for, but for a surcharge"
        "compare the card with the receipt; a board sells at what was approved"
    Advice TooCloseToTell "too-close-to-tell" "3.2" None,
        "a measured time and its limit are closer than the measurement is exact"
        "measure with a logic analyser on the bus itself"
    Advice LineStill "line-still" "2.1" None,
        "both lines move when the bus is alive"
        "check ground, polarity, the right wire, and the supply of the isolated side"
    Advice Polarity "polarity" "2.1" None,
        "the polarity of a line is known"
        "name the level the line rests at"
    Advice LinesSwapped "lines-swapped" "2.1" None,
        "the master's line and the peripherals' are told apart"
        "swap the two line names"
    Advice Glitch "glitch" "2.1" None,
        "a start bit lasts a whole bit"
        "check ground, shielding and pull-ups; set the analyser's threshold to the middle"
    Advice Cut "cut" "2.1" None,
        "a capture starts and ends between words"
        "record a little longer; what was cut is left out of the verdict"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_every_rule_has_a_section() {
        for (i, r) in RULES.iter().enumerate() {
            assert!(
                RULES[..i].iter().all(|other| other.name != r.name),
                "{}",
                r.name
            );
            assert_eq!(r.name.row(), Some(r));
            assert!(!r.section.is_empty() && !r.meaning.is_empty() && !r.action.is_empty());
        }
    }

    /// MDB/ICP 4.3, section 3.2, and the table of Appendix 3, section 2.
    #[test]
    fn limits_of_the_standard() {
        assert_eq!(rule("inter-byte").unwrap().limit, Some(Micros(1_000)));
        assert_eq!(rule("response").unwrap().limit, Some(Micros(5_000)));
        assert_eq!(rule("break").unwrap().limit, Some(Micros(100_000)));
        assert_eq!(rule("setup").unwrap().limit, Some(Micros(200_000)));
    }
}
