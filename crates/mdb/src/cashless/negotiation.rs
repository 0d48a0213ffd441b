//! Following SETUP and EXPANSION to know the mode (sections 2.4.4, 7.4.1, 7.4.24).

use super::{Command, Kind, Level, Mode, Options, Report, Response};

/// Watches a conversation with one cashless device and knows its [`Mode`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Negotiation {
    vmc: Option<Level>,
    reader: Option<Level>,
    offered: Option<Options>,
    enabled: Options,
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
        match &command.kind {
            Kind::Reset => self.enabled = Options::NONE,
            Kind::SetupConfig(config) => {
                self.vmc = Some(config.level);
                self.display = config.display_size();
            }
            Kind::EnableOptions(options) => self.enabled = *options,
            _ => {}
        }
    }

    /// A response was heard.
    pub fn response(&mut self, response: &Response) {
        for report in response.reports() {
            match report {
                Report::JustReset => self.enabled = Options::NONE,
                Report::ReaderConfig(config) => self.reader = Some(config.level),
                Report::PeripheralId(id) => self.offered = id.options,
                _ => {}
            }
        }
    }

    /// A bus reset or a loss of power: options are off (7.4.4).
    pub fn reset(&mut self) {
        self.enabled = Options::NONE;
    }
}
