//! The bad habits a device can be given on the wire.

use payrig_units::Micros;

/// What is known when an answer is rewritten.
#[derive(Debug)]
pub struct Context<'a> {
    /// The command, without CHK.
    pub command: &'a [u8],
    /// How many data answers there were before.
    pub count: u32,
    /// The first data answer to the same command.
    pub first: &'a [u8],
}

/// A change made to the data of an answer, without CHK. Nothing left means ACK.
pub type Rewrite = fn(&Context<'_>, &mut Vec<u8>);

/// Bad habits; all off by default.
#[derive(Clone, Debug, Default)]
pub struct Habits {
    /// Every so manieth answer is late by so much.
    pub late: Option<(u32, Micros)>,
    /// Pause between the words of an answer.
    pub gap: Option<Micros>,
    /// Data answers carry a wrong CHK.
    pub wrong_chk: bool,
    /// The mode bit is missing on the last word.
    pub no_mode_bit: bool,
    /// A command with a wrong CHK is taken for good.
    pub acts_on_bad_checksum: bool,
    /// A command with a wrong CHK is answered with NAK.
    pub naks: bool,
    /// Every so manieth ACK is a NAK instead.
    pub nak_for_ack: Option<u32>,
    /// An address that is nobody's is answered too.
    pub answers_other_address: bool,
    /// RET is answered with something else.
    pub ret_other_data: bool,
    /// RET is not answered.
    pub ret_ignored: bool,
    /// NAK is taken for ACK.
    pub nak_is_ack: bool,
    /// Silence after an answer is taken for ACK.
    pub silence_is_ack: bool,
    /// JUST RESET and other reports are said once more after their ACK.
    pub reports_again: bool,
    /// Says something unasked once, at this time.
    pub speaks_at: Option<Micros>,
    /// A pause in a command of more than this makes it deaf to the rest.
    pub gap_borne: Option<Micros>,
    /// Bus resets are not heard.
    pub ignores_bus_reset: bool,
    /// Silent for so long after a bus reset.
    pub slow_start: Option<Micros>,
    /// Silent from a time for a time.
    pub away: Option<(Micros, Micros)>,
    /// Silent for ever after a command nobody knows.
    pub hangs_on_unknown: bool,
    /// Silent for ever once power was cut.
    pub dead_after_power_cut: bool,
    /// The last enabling command holds also after a RESET.
    pub stays_enabled: bool,
    /// Commands that are acknowledged and not carried out.
    pub shrugs: Option<fn(&[u8]) -> bool>,
    /// Commands that are not heard at all.
    pub deaf_to: Option<fn(&[u8]) -> bool>,
    /// What becomes of data answers.
    pub rewrite: Option<Rewrite>,
}
