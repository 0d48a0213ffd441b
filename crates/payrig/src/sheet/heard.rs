//! What real devices and a real board said of themselves in recordings, and what they agreed on.

use payrig_mdb::{Typed, bill, cashless, changer};
use payrig_units::visible;
use payrig_wire::Source;
use payrig_wire::recording::{Entry, Meaning, Ours, TrainRecord};
use std::collections::BTreeMap;

/// What was heard of real units; what payrig itself said is left out.
#[derive(Debug, Default)]
pub(super) struct Heard {
    pub(super) changer: Option<changer::Setup>,
    pub(super) changer_id: Option<String>,
    pub(super) changer_on: Option<changer::Features>,
    pub(super) bill: Option<bill::Setup>,
    pub(super) bill_id: Option<String>,
    pub(super) bill_on: Option<bill::Options>,
    pub(super) reader: Option<cashless::ReaderConfig>,
    pub(super) reader_id: Option<String>,
    pub(super) reader_on: Option<cashless::Options>,
    /// The level the board speaks to readers.
    pub(super) vmc_level: Option<cashless::Level>,
    pub(super) board_id: Option<String>,
    /// Trains by line, as they came.
    pub(super) trains: BTreeMap<String, Vec<TrainRecord>>,
}

impl Heard {
    /// Listens to a recording in which this much was ours.
    pub(super) fn listen(&mut self, entries: &[Entry], ours: &Ours) {
        for entry in entries {
            match entry {
                Entry::Block(block) if ours.side_of(block.bus.as_deref()) != Some(block.source) => {
                    if let Meaning::Decoded(decoded) = &block.meaning
                        && let Some(typed) = &decoded.typed
                    {
                        match block.source {
                            Source::Master => self.board(typed),
                            _ => self.device(typed),
                        }
                    }
                }
                Entry::Train(train) if !ours.lines.contains(&train.line) => {
                    let line = self.trains.entry(train.line.clone()).or_default();
                    line.push(train.clone());
                }
                _ => {}
            }
        }
    }

    fn board(&mut self, typed: &Typed) {
        match typed {
            Typed::ChangerCommand(changer::Command::FeatureEnable(on)) => {
                self.changer_on = Some(*on);
            }
            Typed::BillCommand(bill::Command::FeatureEnable(on)) => self.bill_on = Some(*on),
            Typed::CashlessCommand(command) => match &command.kind {
                cashless::Kind::SetupConfig(config) => self.vmc_level = Some(config.level),
                cashless::Kind::EnableOptions(on) => self.reader_on = Some(*on),
                cashless::Kind::RequestId(id) => {
                    self.board_id = Some(label(&id.maker, &id.model, &id.serial, id.version));
                }
                _ => {}
            },
            _ => {}
        }
    }

    fn device(&mut self, typed: &Typed) {
        match typed {
            Typed::ChangerResponse(changer::Response::Setup(setup)) => {
                self.changer = Some(setup.clone());
            }
            Typed::ChangerResponse(changer::Response::Identification(id)) => {
                self.changer_id = Some(label(&id.maker, &id.model, &id.serial, id.version));
            }
            Typed::BillResponse(bill::Response::Setup(setup)) => self.bill = Some(setup.clone()),
            Typed::BillResponse(
                bill::Response::Identification(id)
                | bill::Response::IdentificationWithOptions(id, _),
            ) => {
                let text = label(&id.manufacturer, &id.model, &id.serial, id.version);
                self.bill_id = Some(text);
            }
            Typed::CashlessResponse(
                cashless::Response::Poll(reports) | cashless::Response::Direct(reports),
            ) => {
                for report in reports {
                    match report {
                        cashless::Report::ReaderConfig(config) => self.reader = Some(*config),
                        cashless::Report::PeripheralId(id) => {
                            let id = &id.id;
                            self.reader_id =
                                Some(label(&id.maker, &id.model, &id.serial, id.version));
                        }
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
}

/// Maker, model, serial number and version in a line.
fn label(maker: &[u8], model: &[u8], serial: &[u8], version: [u8; 2]) -> String {
    let text = |bytes: &[u8]| visible(String::from_utf8_lossy(bytes).trim()).into_owned();
    let [high, low] = version;
    format!(
        "{} {}, serial {}, version {high:02X}{low:02X}",
        text(maker),
        text(model),
        text(serial)
    )
}
