//! What customers do at the changer, and what happens to it.

use super::Changer;
use super::falling::Inserted;
use payrig_mdb::changer::{CoinType, DiagnosticCode, Report, Status};
use payrig_units::Micros;

impl Changer {
    /// A coin is put into the slot. It lands after the acceptance time, one after another.
    pub fn insert_coin(&mut self, now: Micros, coin_type: CoinType) {
        self.insert(now, Inserted::Coin(coin_type));
    }

    /// Something that is no coin the changer knows is put into the slot.
    pub fn insert_slug(&mut self, now: Micros) {
        self.insert(now, Inserted::Slug);
    }

    /// Two coins are pushed in too close together to be told apart: DOUBLE ARRIVAL, both returned.
    pub fn insert_two_at_once(&mut self, now: Micros) {
        self.insert(now, Inserted::TwoAtOnce);
    }

    /// A valid coin on a string is pulled back before credit is given: NO CREDIT.
    pub fn insert_coin_on_string(&mut self, now: Micros, coin_type: CoinType) {
        self.insert(now, Inserted::OnString(coin_type));
    }

    /// A valid coin falls into the cash box though its tube has room: reported as it went, with
    /// COIN ROUTING ERROR.
    pub fn insert_coin_misrouted(&mut self, now: Micros, coin_type: CoinType) {
        self.insert(now, Inserted::Misrouted(coin_type));
    }

    /// Somebody tries to get a credited coin back, and fails: POSSIBLE CREDITED COIN REMOVAL where
    /// the changer is set to report it.
    pub fn try_coin_removal(&mut self, now: Micros) {
        self.advance(now);
        if self.powered && self.config.report_coin_removal {
            let status = Status::PossibleCreditedCoinRemoval;
            self.events.push(Report::Status(status));
        }
    }

    /// The return lever is pressed: ESCROW REQUEST, once until it is released (Appendix 3, section
    /// 2).
    pub fn press_escrow_lever(&mut self, now: Micros) {
        self.advance(now);
        if self.powered && !self.lever_held {
            self.events.push_once(Status::EscrowRequest);
        }
        self.lever_held = true;
    }

    /// The return lever is released.
    pub fn release_escrow_lever(&mut self, now: Micros) {
        self.advance(now);
        self.lever_held = false;
    }

    /// The acceptor is taken off (ACCEPTOR UNPLUGGED with every POLL) or put back.
    pub fn unplug_acceptor(&mut self, now: Micros, unplugged: bool) {
        self.advance(now);
        self.unplugged = unplugged;
    }

    /// The coin path jams (COIN JAM) or is cleared. Coins are returned while it is jammed.
    pub fn jam_coin_path(&mut self, now: Micros, jammed: bool) {
        self.advance(now);
        if self.powered && jammed && !self.coin_jam {
            self.events.push(Report::Status(Status::CoinJam));
        }
        self.coin_jam = jammed;
    }

    /// A tube's outlet is blocked (TUBE JAM at the next payout from it) or cleared.
    pub fn block_tube(&mut self, now: Micros, coin_type: CoinType, blocked: bool) {
        self.advance(now);
        if let Some(tube) = self.tubes.tube_mut(coin_type) {
            tube.blocked = blocked;
            tube.jam_seen &= blocked;
        }
    }

    /// A tube's sensor fails (DEFECTIVE TUBE SENSOR; the tube is then reported as full and empty at
    /// once, and its coins go to the cash box) or is repaired.
    pub fn break_tube_sensor(&mut self, now: Micros, coin_type: CoinType, defective: bool) {
        self.advance(now);
        let Some(tube) = self.tubes.tube_mut(coin_type) else {
            return;
        };
        let news = defective && !tube.defective;
        tube.defective = defective;
        if news && self.powered {
            let status = Status::DefectiveTubeSensor;
            self.events.push(Report::Status(status));
        }
    }

    /// A condition of the diagnostic tables comes or goes (section 5.3, 0FH 05H). Only reported, not
    /// acted upon.
    pub fn set_fault(&mut self, now: Micros, code: DiagnosticCode, present: bool) {
        self.advance(now);
        if present {
            self.faults.insert(code);
        } else {
            self.faults.remove(&code);
        }
    }

    /// The program memory's checksum is found wrong: ROM CHECKSUM ERROR.
    pub fn corrupt_program(&mut self, now: Micros) {
        self.advance(now);
        if self.powered {
            let status = Status::RomChecksumError;
            self.events.push(Report::Status(status));
        }
    }

    /// The changer resets itself, for a reason of its own: JUST RESET.
    pub fn reset_itself(&mut self, now: Micros) {
        self.advance(now);
        if self.powered {
            self.reset(now);
        }
    }

    /// The changer answers nothing for a time. Up to 2 s is its right (section 5.4).
    pub fn stay_silent(&mut self, now: Micros, time: Micros) {
        self.advance(now);
        self.quiet_until = self.quiet_until.max(now + time);
    }

    /// The changer reports CHANGER BUSY for a time and answers no other command than POLL and
    /// RESET.
    pub fn be_busy(&mut self, now: Micros, time: Micros) {
        self.advance(now);
        self.busy_until = self.busy_until.max(now + time);
    }
}
