//! Following SETUP and EXPANSION to know the mode (sections 2.4.4, 7.4.1, 7.4.24).

use super::{Command, Kind, Level, Mode, Options, Report, Response};

/// Watches a conversation with one cashless device and knows its [`Mode`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Negotiation {
    vmc: Option<Level>,
    reader: Option<Level>,
    offered: Option<Options>,
    enabled: Options,
    /// What was enabled before the last command, where that was EXPANSION enable options: it is
    /// refused with COMMAND OUT OF SEQUENCE (7.4.4).
    before: Option<Options>,
    display: u8,
}

impl Negotiation {
    /// Nothing heard yet: level 01, no options.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The mode in force: the lower of both levels (the one known, when only one is), and the
    /// options that were enabled and, where PERIPHERAL ID was heard, offered.
    #[must_use]
    pub fn mode(&self) -> Mode {
        let level = match (self.vmc, self.reader) {
            (Some(vmc), Some(reader)) => vmc.min(reader),
            (one, other) => one.or(other).unwrap_or(Level::ONE),
        };
        Mode {
            level,
            options: match self.offered {
                Some(offered) => self.enabled & offered,
                None => self.enabled,
            },
            display: self.display,
        }
    }

    /// A command was sent. The options of EXPANSION enable options hold from here on, whether or
    /// not the device heard it: call this for commands that were answered.
    pub fn command(&mut self, command: &Command) {
        if command.kind != Kind::Poll {
            self.before = None;
        }
        match &command.kind {
            Kind::Reset => self.reset(),
            Kind::SetupConfig(config) => {
                self.vmc = Some(config.level);
                self.display = config.display_size();
            }
            // A command of level 03 (7.4.24): at a lower level it changes nothing.
            Kind::EnableOptions(_) if self.is_below(Level::THREE) => {}
            Kind::EnableOptions(options) => {
                self.before = Some(self.enabled);
                self.enabled = *options;
            }
            _ => {}
        }
    }

    fn is_below(&self, level: Level) -> bool {
        self.vmc.or(self.reader).is_some() && self.mode().level < level
    }

    /// A response was heard.
    pub fn response(&mut self, response: &Response) {
        for report in response.reports() {
            match report {
                Report::JustReset => self.reset(),
                Report::OutOfSequence(_) => {
                    self.enabled = self.before.take().unwrap_or(self.enabled);
                }
                Report::ReaderConfig(config) => self.reader = Some(config.level),
                Report::PeripheralId(id) => self.offered = id.options,
                _ => {}
            }
        }
    }

    /// A reset, of the device or of the bus, or a loss of power: options are off (7.4.4). Levels
    /// stay: JUST RESET may come after the SETUP that followed the reset.
    pub fn reset(&mut self) {
        self.enabled = Options::NONE;
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Unit, VmcConfig};
    use super::*;
    use crate::prelude::*;

    fn setup(level: Level) -> Command {
        let config = VmcConfig {
            level,
            columns: 16,
            rows: 2,
            display: 0,
        };
        Command::new(Unit::One, Kind::SetupConfig(config))
    }

    /// A reader that reset itself answers in the form of level 01 (2.4.4), several messages in one
    /// (7.3.1), before it is set up again.
    #[test]
    fn several_messages_in_the_form_of_another_level() {
        let mut known = Negotiation::new();
        known.command(&setup(Level::TWO));
        let poll = Command::new(Unit::One, Kind::Poll);
        let read = Response::parse_any(&poll, &[0x0A, 0x00, 0x0B], &known.mode());
        let (response, mode) = read.unwrap();
        assert_eq!(mode.level, Level::ONE);
        assert_eq!(response.reports().len(), 2);
        assert_eq!(response.reports()[1], Report::OutOfSequence(None));
    }

    /// 7.4.24 belongs to level 03; 7.4.4, 0BH: what was refused does not hold.
    #[test]
    fn options_hold_where_they_were_accepted() {
        let enable = Command::new(Unit::One, Kind::EnableOptions(Options::MONEY_32));
        let mut known = Negotiation::new();
        known.command(&setup(Level::ONE));
        known.command(&enable);
        known.command(&setup(Level::THREE));
        assert_eq!(known.mode().options, Options::NONE);
        known.command(&enable);
        assert_eq!(known.mode().options, Options::MONEY_32);
        let other = Command::new(Unit::One, Kind::EnableOptions(Options::FTL));
        known.command(&other);
        known.command(&Command::new(Unit::One, Kind::Poll));
        known.response(&Response::Poll(vec![Report::OutOfSequence(None)]));
        assert_eq!(known.mode().options, Options::MONEY_32);
    }
}
