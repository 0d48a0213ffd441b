//! What the bridge answers as a bill validator, level 1 (MDB/ICP 4.3, section 6.3).

use super::{Event, PulseToMdb};
use payrig_mdb::Block;
use payrig_mdb::bill::{
    BillTypes, Command, EscrowCapability, Identification, MAX_REPORTS, Report, Response, Routing,
    Setup, Stacker,
};
use payrig_peripherals::Reply;
use payrig_units::Micros;

/// The stacker is the acceptor's own; the bridge does not know how large.
const STACKER: u16 = 500;

/// Bills reported in one answer; there is room beside them for events and VALIDATOR DISABLED.
const BILLS: usize = 8;

fn data(response: &Response) -> Reply {
    Reply::Data(response.emit())
}

impl PulseToMdb {
    pub(super) fn answer_as_validator(&mut self, now: Micros, command: &Block) -> Reply {
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
                data(&Response::Setup(self.validator_setup()))
            }
            // One security level: any choice is the same.
            Command::Security(_) => Reply::Ack,
            Command::Poll => self.poll_as_validator(),
            Command::BillType { enable, .. } => {
                self.enable(now, enable.0);
                Reply::Ack
            }
            Command::Escrow(_) => {
                self.events.push_back(Event::InvalidEscrow);
                Reply::Ack
            }
            Command::Stacker => data(&Response::Stacker(Stacker {
                full: false,
                count: u16::try_from(self.reported).map_or(0x7FFF, |n| n.min(0x7FFF)),
            })),
            Command::Identification => data(&Response::Identification(Identification {
                manufacturer: *b"ZZZ",
                serial: *b"000000000043",
                model: *b"PULSE BRIDGE",
                version: [0x01, 0x00],
            })),
            // Level 1 has no more.
            _ => Reply::Silence,
        }
    }

    fn validator_setup(&self) -> Setup {
        Setup {
            level: 1,
            currency: self.config.currency,
            scaling: self.config.scaling,
            stacker_capacity: STACKER,
            security: BillTypes::ALL,
            escrow: EscrowCapability::None,
            credits: (0..16).map(|t| self.config.count(t)).collect(),
        }
    }

    fn poll_as_validator(&mut self) -> Reply {
        let mut reports: Vec<Report> = Vec::new();
        for event in &self.events {
            reports.push(match event {
                Event::JustReset => Report::JustReset,
                Event::InvalidEscrow => Report::InvalidEscrowRequest,
                Event::Sensor => Report::SensorProblem,
            });
            if *event == Event::JustReset {
                break;
            }
        }
        reports.truncate(MAX_REPORTS - BILLS - 1);
        self.events_in_flight = reports.len();
        if reports.first() != Some(&Report::JustReset) {
            let bills = self.report(BILLS);
            let stacked = |t: u8| Report::bill(Routing::Stacked, t);
            reports.extend(bills.into_iter().map(stacked));
            if !self.is_released() {
                reports.push(Report::ValidatorDisabled);
            }
        }
        match reports.is_empty() {
            true => Reply::Ack,
            false => data(&Response::Poll(reports)),
        }
    }
}
