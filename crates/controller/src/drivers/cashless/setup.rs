//! The initialization sequence (MDB/ICP 4.3, section 7.4.1).

use super::patience::{Owed, What};
use super::{Cashless, Next};
use payrig_mdb::cashless::{Identification, Kind, Level, Options, PriceRange, VmcConfig};
use payrig_units::{Micros, Money};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// A POLL that is not answered with JUST RESET again: a reader that missed the ACK would say
    /// so in the middle of the sequence, with options enabled that the board thinks are off.
    Confirm,
    Config,
    Prices,
    RequestId,
    EnableOptions,
    /// Prices again in 32 bit, when that was enabled.
    WidePrices,
    /// The nth user file to be written, then read (level 02 only).
    WriteFile(usize),
    ReadFile(usize),
    ReaderEnable,
    Done,
}

impl Cashless {
    /// What is enabled: offered, wanted, and sensible together (b9 needs b5, 7.4.4).
    pub(super) fn chosen_options(&self) -> Options {
        let both = self.offered & self.board.uses.options & Options::DEFINED;
        if both.contains(Options::ALWAYS_IDLE) {
            both
        } else {
            both.without(Options::ASK_BEGIN_SESSION)
        }
    }

    pub(super) fn price_range(&self) -> PriceRange {
        let (min, max) = self.board.prices;
        // A price that this reader cannot express is left out here: asked for, it is an error.
        let scaling = self.reader.map(|r| r.scaling());
        let top = self.mode().money_max() - 1;
        let known = self.board.uses.announce_prices;
        let count = |m: Money| scaling.filter(|_| known)?.to_count(m.as_minor(), top).ok();
        PriceRange {
            max: count(max),
            min: count(min).unwrap_or(0),
            currency: self.currency(),
        }
    }

    /// The currency of prices in EXPANDED CURRENCY MODE: the reader's own.
    pub(super) fn currency(&self) -> Option<payrig_mdb::CurrencyCode> {
        self.reader
            .map(|r| r.currency)
            .filter(|_| self.mode().expanded())
    }

    pub(super) fn setup_step(&mut self, now: Micros) -> Next {
        if let Some(owed) = self.owed {
            if now <= owed.by {
                return Next::Poll;
            }
            // Section 7.3: POLLed for long enough. It is asked again.
            self.owed = None;
        }
        loop {
            let kind = match self.step {
                Step::Confirm => return Next::Poll,
                Step::Config => Kind::SetupConfig(VmcConfig {
                    level: self.board.level,
                    columns: self.board.uses.columns,
                    rows: self.board.uses.rows,
                    display: u8::from(self.board.uses.full_ascii),
                }),
                Step::Prices | Step::WidePrices => Kind::SetupPrices(self.price_range()),
                Step::RequestId => {
                    let id = &self.board.identity;
                    let (maker, serial, model) = (&id.maker, &id.serial, &id.model);
                    Kind::RequestId(Identification::new(maker, serial, model, [0x01, 0x00]))
                }
                Step::EnableOptions => Kind::EnableOptions(self.chosen_options()),
                Step::WriteFile(n) => match self.board.uses.write_files.get(n) {
                    Some((number, data)) => Kind::WriteUserFile {
                        number: *number,
                        data: data.clone(),
                    },
                    None => {
                        self.step = Step::ReadFile(0);
                        continue;
                    }
                },
                Step::ReadFile(n) => match self.board.uses.read_files.get(n) {
                    Some(number) => Kind::ReadUserFile(*number),
                    None => {
                        self.step = Step::ReaderEnable;
                        continue;
                    }
                },
                Step::ReaderEnable if self.enabled => Kind::ReaderEnable,
                Step::ReaderEnable => {
                    self.setup_done(now);
                    continue;
                }
                Step::Done => return Next::Done,
            };
            return Next::Send(self.block(&kind));
        }
    }

    /// A command of the sequence was acknowledged or answered.
    pub(super) fn setup_heard(&mut self, now: Micros, kind: &Kind) {
        self.step = match (kind, self.step) {
            (Kind::SetupConfig(_), Step::Config) => {
                self.owe(now, What::Config);
                Step::Config
            }
            (Kind::RequestId(_), Step::RequestId) => {
                self.owe(now, What::PeripheralId);
                Step::RequestId
            }
            (Kind::ReadUserFile(_), Step::ReadFile(n)) => {
                self.owe(now, What::UserFile);
                Step::ReadFile(n)
            }
            (Kind::SetupPrices(_), Step::Prices) => Step::RequestId,
            (Kind::EnableOptions(_), Step::EnableOptions) if self.mode().expanded() => {
                Step::WidePrices
            }
            (Kind::SetupPrices(_), Step::WidePrices)
            | (Kind::EnableOptions(_), Step::EnableOptions) => Step::ReaderEnable,
            (Kind::WriteUserFile { .. }, Step::WriteFile(n)) => Step::WriteFile(n + 1),
            (Kind::ReaderEnable, Step::ReaderEnable) => Step::Done,
            (_, step) => step,
        };
        if *kind == Kind::ReaderEnable && self.step == Step::Done {
            self.setup_done(now);
        }
    }

    fn setup_done(&mut self, now: Micros) {
        self.step = Step::Done;
        if self.board.uses.set_clocks && self.mode().level >= Level::TWO {
            self.send_time(now);
        }
    }

    /// READER CONFIGURATION DATA came.
    pub(super) fn config_came(&mut self) {
        if self.step == Step::Config {
            self.step = Step::Prices;
            self.paid_off(What::Config);
        }
    }

    /// PERIPHERAL ID came.
    pub(super) fn id_came(&mut self) {
        if self.step == Step::RequestId {
            self.paid_off(What::PeripheralId);
            self.step = match self.mode().level {
                Level::THREE => Step::EnableOptions,
                // User files are for level 02 only (7.4.21).
                Level::TWO => Step::WriteFile(0),
                level if level > Level::THREE => Step::EnableOptions,
                _ => Step::ReaderEnable,
            };
        }
    }

    /// USER FILE DATA came.
    pub(super) fn file_came(&mut self) {
        if let Step::ReadFile(n) = self.step {
            self.paid_off(What::UserFile);
            self.step = Step::ReadFile(n + 1);
        }
    }

    /// READER CONFIGURATION DATA, PERIPHERAL ID or USER FILE DATA did not come: asked again, then
    /// the reader is RESET; a user file is done without. True to RESET.
    pub(super) fn setup_overdue(&mut self, owed: Owed) -> bool {
        self.owed = None;
        if owed.what == What::UserFile {
            self.note("no USER FILE DATA");
            if let Step::ReadFile(n) = self.step {
                self.step = Step::ReadFile(n + 1);
            }
            return false;
        }
        self.tries += 1;
        self.note(format_args!("{} did not come", owed.what));
        self.tries >= 3
    }
}
