//! What the bridge answers as a changer that only accepts, level 3 (MDB/ICP 4.3, section 5.3).

use super::{Event, PulseToMdb};
use payrig_mdb::Block;
use payrig_mdb::changer::{
    CoinType, CoinTypes, Command, Features, Identification, MAX_ACTIVITY, PerType, Report,
    Response, Routing, Setup, Status, TubeStatus,
};
use payrig_peripherals::Reply;
use payrig_units::Micros;

/// Coins reported in one answer, two bytes each; there is room beside them for a status.
const COINS: usize = (MAX_ACTIVITY - 2) / 2;

fn data(response: &Response) -> Reply {
    Reply::Data(response.emit())
}

impl PulseToMdb {
    pub(super) fn answer_as_changer(&mut self, now: Micros, command: &Block) -> Reply {
        let Ok(command) = Command::parse(command.bytes()) else {
            return Reply::Silence;
        };
        match command {
            Command::Reset => {
                self.reset(now);
                Reply::Ack
            }
            Command::Setup => {
                self.set_up = true;
                data(&Response::Setup(self.changer_setup()))
            }
            Command::TubeStatus => data(&Response::TubeStatus(TubeStatus {
                full: CoinTypes::NONE,
                counts: PerType::full([0; 16]),
            })),
            Command::Poll => self.poll_as_changer(),
            Command::CoinType { accept, .. } => {
                self.enable(now, accept.0);
                Reply::Ack
            }
            Command::Dispense { coins, .. } => {
                if coins.get() > 0 {
                    self.notes
                        .push("DISPENSE: there are no tubes, nothing was paid".to_owned());
                }
                Reply::Ack
            }
            Command::Identification => {
                let features = Features::NONE;
                let id = Identification::new(
                    "ZZZ",
                    "000000000044",
                    "PULSE BRIDGE",
                    [0x01, 0x00],
                    features,
                );
                data(&Response::Identification(id))
            }
            Command::FeatureEnable(_) => Reply::Ack,
            // No optional features are offered.
            _ => Reply::Silence,
        }
    }

    fn changer_setup(&self) -> Setup {
        let mut credits = [0; 16];
        for (place, credit) in credits.iter_mut().enumerate() {
            *credit = self.config.count(place);
        }
        Setup {
            level: 3,
            currency: self.config.currency,
            scaling_factor: u8::try_from(self.config.scaling.factor).unwrap_or(1),
            decimals: self.config.scaling.decimals,
            routing: CoinTypes::NONE,
            credits: PerType::full(credits),
        }
    }

    fn poll_as_changer(&mut self) -> Reply {
        let mut reports: Vec<Report> = Vec::new();
        let mut reported = 0;
        for event in &self.events {
            reported += 1;
            match event {
                Event::JustReset => {
                    reports.push(Report::JUST_RESET);
                    break;
                }
                // A changer has no such report; a line that stays active is reported below.
                Event::InvalidEscrow | Event::Sensor => {}
            }
        }
        self.events_in_flight = reported;
        if reports.is_empty() {
            if self.listener.is_stuck() {
                reports.push(Report::Status(Status::AcceptorUnplugged));
            }
            let coins = self.report(COINS);
            reports.extend(coins.into_iter().map(|t| Report::CoinsDeposited {
                coin_type: CoinType::of(t),
                routing: Routing::CashBox,
                in_tube: 0,
            }));
        }
        match reports.is_empty() {
            true => Reply::Ack,
            false => data(&Response::Poll(reports)),
        }
    }
}
