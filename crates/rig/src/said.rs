//! What devices and a board say of themselves on the bus, as it is heard.

use payrig_mdb::changer::CoinType;
use payrig_mdb::{Typed, bill, cashless, changer};
use std::collections::BTreeMap;

/// Who somebody is, as it said: ASCII that may hold anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Maker code.
    pub maker: [u8; 3],
    /// Model number.
    pub model: [u8; 12],
    /// Serial number.
    pub serial: [u8; 12],
    /// Software version, packed BCD.
    pub version: [u8; 2],
}

impl Identity {
    /// Maker, model, serial number and version in a line; `show` makes what may hold anything fit to be
    /// shown.
    pub fn line(&self, show: impl Fn(&[u8]) -> String) -> String {
        let [high, low] = self.version;
        format!(
            "{} {}, serial {}, version {high:02X}{low:02X}",
            show(&self.maker),
            show(&self.model),
            show(&self.serial)
        )
    }
}

/// What was said last of each thing (MDB/ICP 4.3, sections 5.3, 6.3 and 7.4).
#[derive(Clone, Debug, Default)]
pub struct Said {
    /// SETUP of the changer.
    pub changer: Option<changer::Setup>,
    /// IDENTIFICATION of the changer.
    pub changer_id: Option<Identity>,
    /// Features that the changer offers.
    pub changer_features: Option<changer::Features>,
    /// Features that the board enabled in it.
    pub changer_on: Option<changer::Features>,
    /// Coins in each tube, when they were last counted.
    pub tubes: BTreeMap<u8, u16>,
    /// SETUP of the bill validator.
    pub bill: Option<bill::Setup>,
    /// IDENTIFICATION of the bill validator.
    pub bill_id: Option<Identity>,
    /// Options that the board enabled in it.
    pub bill_on: Option<bill::Options>,
    /// Configuration of the card reader.
    pub reader: Option<cashless::ReaderConfig>,
    /// PERIPHERAL ID of the card reader.
    pub reader_id: Option<Identity>,
    /// Options that the reader offers.
    pub reader_options: cashless::Options,
    /// Options that the board enabled in it.
    pub reader_on: Option<cashless::Options>,
    /// The level that the board speaks to readers.
    pub vmc_level: Option<cashless::Level>,
    /// Who the board is, by REQUEST ID.
    pub board_id: Option<Identity>,
    /// Lowest and highest price the board announced, in counts.
    pub announced: Option<(u32, Option<u32>)>,
    /// What cards were asked for, by item, in counts.
    pub asked: BTreeMap<u16, u32>,
}

impl Said {
    /// Takes a message, whoever said it.
    pub fn hear(&mut self, typed: &Typed) {
        match typed {
            Typed::ChangerCommand(changer::Command::FeatureEnable(on)) => {
                self.changer_on = Some(*on);
            }
            Typed::ChangerResponse(changer::Response::Setup(setup)) => {
                self.changer = Some(setup.clone());
            }
            Typed::ChangerResponse(changer::Response::Identification(id)) => {
                self.changer_id = Some(Identity {
                    maker: id.maker,
                    model: id.model,
                    serial: id.serial,
                    version: id.version,
                });
                self.changer_features = Some(id.features);
            }
            Typed::ChangerResponse(changer::Response::TubeStatus(status)) => {
                for n in 0..16 {
                    if let Some(coin_type) = CoinType::new(n) {
                        self.tubes
                            .insert(n, u16::from(status.counts.get(coin_type)));
                    }
                }
            }
            Typed::BillCommand(bill::Command::FeatureEnable(on)) => self.bill_on = Some(*on),
            Typed::BillResponse(bill::Response::Setup(setup)) => self.bill = Some(setup.clone()),
            Typed::BillResponse(
                bill::Response::Identification(id)
                | bill::Response::IdentificationWithOptions(id, _),
            ) => {
                self.bill_id = Some(Identity {
                    maker: id.manufacturer,
                    model: id.model,
                    serial: id.serial,
                    version: id.version,
                });
            }
            Typed::CashlessCommand(command) => self.board_to_reader(&command.kind),
            Typed::CashlessResponse(
                cashless::Response::Poll(reports) | cashless::Response::Direct(reports),
            ) => reports.iter().for_each(|report| self.reader_says(report)),
            _ => {}
        }
    }

    fn board_to_reader(&mut self, kind: &cashless::Kind) {
        match kind {
            cashless::Kind::SetupConfig(config) => self.vmc_level = Some(config.level),
            cashless::Kind::EnableOptions(on) => self.reader_on = Some(*on),
            cashless::Kind::SetupPrices(range) => self.announced = Some((range.min, range.max)),
            cashless::Kind::VendRequest(request) if request.item != u16::MAX => {
                self.asked.insert(request.item, request.price);
            }
            cashless::Kind::RequestId(id) => self.board_id = Some(identity(id)),
            _ => {}
        }
    }

    fn reader_says(&mut self, report: &cashless::Report) {
        match report {
            cashless::Report::ReaderConfig(config) => self.reader = Some(*config),
            cashless::Report::PeripheralId(id) => {
                self.reader_options = id.options.unwrap_or_default();
                self.reader_id = Some(identity(&id.id));
            }
            _ => {}
        }
    }
}

fn identity(id: &cashless::Identification) -> Identity {
    Identity {
        maker: id.maker,
        model: id.model,
        serial: id.serial,
        version: id.version,
    }
}
