//! What service people do at the changer: switches, manual modes, hands.

use super::Changer;
use super::falling::Inserted;
use super::state::Manual;
use super::tubes::Paid;
use payrig_mdb::changer::{CoinType, Features, Status};
use payrig_units::{Micros, Money, Place};

impl Changer {
    /// The inventory switch of a tube is pressed `coins` times. Nothing comes out where the VMC
    /// has disabled it (section 5.3, COIN TYPE, Y3-Y4), during a payout or without power. Returns
    /// how many coins came out; they are reported as COINS DISPENSED MANUALLY.
    pub fn manual_dispense(&mut self, now: Micros, coin_type: CoinType, coins: u16) -> u16 {
        self.advance(now);
        if !self.manual_dispense.contains(coin_type) {
            self.note(format!("switch {coin_type} is disabled"));
            return 0;
        }
        let out = self.pay_to_service(coin_type, coins);
        self.report_manual_dispense(coin_type, out);
        out
    }

    /// Controlled manual fill begins: coins put into the slot fill the tubes, uncredited.
    pub fn begin_manual_fill(&mut self, now: Micros) {
        self.begin(now, Manual::Fill);
    }

    /// Controlled manual payout begins; see [`Self::manual_payout`].
    pub fn begin_manual_payout(&mut self, now: Micros) {
        self.begin(now, Manual::Payout);
    }

    /// Pays out coins in controlled manual payout mode. They are in the manual payout report
    /// where the VMC has enabled that, else as COINS DISPENSED MANUALLY (section 5.3, 0FH 07H).
    /// Returns how many came out; none outside the mode.
    pub fn manual_payout(&mut self, now: Micros, coin_type: CoinType, coins: u16) -> u16 {
        self.advance(now);
        if !self.in_manual_payout() {
            self.note("not in manual payout mode");
            return 0;
        }
        let out = self.pay_to_service(coin_type, coins);
        if self.enabled.contains(Features::MANUAL_FILL_PAYOUT) {
            count(&mut self.bulk_paid, coin_type, out);
        } else {
            self.report_manual_dispense(coin_type, out);
        }
        out
    }

    /// The manual mode ends.
    pub fn end_manual(&mut self, now: Micros) {
        self.advance(now);
        self.end_manual_mode();
    }

    /// Coins are dropped into a tube from above. The changer does not count them (section 5.3,
    /// CA1703). Returns how many fitted.
    pub fn load_by_hand(&mut self, now: Micros, coin_type: CoinType, coins: u16) -> u16 {
        self.advance(now);
        self.tubes.load_by_hand(coin_type, coins)
    }

    /// Coins are taken from a tube by hand. The changer does not count them. Returns how many
    /// there were.
    pub fn take_by_hand(&mut self, now: Micros, coin_type: CoinType, coins: u16) -> u16 {
        self.advance(now);
        self.tubes.take_by_hand(coin_type, coins)
    }

    /// The cash box is emptied. Returns what was in it.
    pub fn empty_cash_box(&mut self, now: Micros) -> Money {
        self.advance(now);
        self.tubes.empty_cash_box()
    }

    fn begin(&mut self, now: Micros, mode: Manual) {
        self.advance(now);
        if !self.powered || self.payout.is_busy() {
            return self.note("manual mode refused: no power, or a payout goes on");
        }
        self.manual = Some(mode);
        self.owes_manual_code = true;
    }

    fn pay_to_service(&mut self, coin_type: CoinType, coins: u16) -> u16 {
        if !self.powered || self.payout.is_busy() {
            self.note("switches do nothing: no power, or a payout goes on");
            return 0;
        }
        let mut out = 0;
        while out < coins {
            let why = format!("coin type {coin_type} taken out by service");
            match self.tubes.pay(coin_type, Place::Supply, why) {
                Paid::Out => out += 1,
                Paid::Empty => break,
                Paid::Jammed => {
                    self.events.push_once(Status::TubeJam);
                    break;
                }
            }
        }
        self.note(format!("{out} of coin type {coin_type} taken out"));
        out
    }

    /// A coin lands while manual fill goes on: into its tube, or back. Not reported by POLL (section
    /// 5.3, 0FH 06H).
    pub(super) fn land_in_manual_fill(&mut self, what: Inserted) {
        let Inserted::Coin(coin_type) = what else {
            return self.note("returned: not recognised");
        };
        let why = format!("coin type {coin_type} filled");
        if self.tubes.drop_into_tube(coin_type, Place::Supply, why) {
            count(&mut self.filled, coin_type, 1);
        } else {
            self.note(format!("coin type {coin_type} returned: no room"));
        }
    }
}

fn count(counts: &mut [u8; 16], coin_type: CoinType, coins: u16) {
    if let Some(n) = counts.get_mut(coin_type.index()) {
        *n = n.saturating_add(u8::try_from(coins).unwrap_or(u8::MAX));
    }
}
