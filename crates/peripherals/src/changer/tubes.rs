//! Where a changer's coins physically are: tubes and cash box.

use super::ChangerConfig;
use payrig_mdb::changer::{CoinType, CoinTypes, PerType, TubeStatus};
use payrig_units::{Money, Movement, Place};

/// A tube, as it is and as the changer knows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Tube {
    capacity: u16,
    /// Coins that are there.
    actual: u16,
    /// Coins the changer counted in and not out (section 5.3, TUBE STATUS: what it "knows").
    known: u16,
    /// Its sensor is defective.
    pub(super) defective: bool,
    /// Its outlet is blocked.
    pub(super) blocked: bool,
    /// A payout from it has failed; until somebody clears it, or it is reset.
    pub(super) jam_seen: bool,
}

impl Tube {
    pub(super) fn is_full(&self) -> bool {
        self.actual >= self.capacity
    }

    /// Reported as full and empty at once (section 5.3, TUBE STATUS, note).
    fn is_bad(&self) -> bool {
        self.defective || self.jam_seen
    }
}

/// How a payout of one coin went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Paid {
    /// The coin is out.
    Out,
    /// There is no tube, or nothing in it.
    Empty,
    /// It is stuck.
    Jammed,
}

/// All tubes and the cash box. Every change of contents is booked as a movement.
#[derive(Clone, Debug)]
pub(super) struct Tubes {
    name: String,
    tubes: [Option<Tube>; 16],
    worth: [Money; 16],
    cash_box: Money,
    movements: Vec<Movement>,
}

impl Tubes {
    /// The opening fill, taken from the supply.
    pub(super) fn new(config: &ChangerConfig) -> Self {
        let mut all = Self {
            name: config.name.clone(),
            tubes: [None; 16],
            worth: [Money::ZERO; 16],
            cash_box: Money::ZERO,
            movements: Vec::new(),
        };
        for coin_type in CoinType::all() {
            let Some(coin) = config.coin(coin_type) else {
                continue;
            };
            if let Some(worth) = all.worth.get_mut(coin_type.index()) {
                *worth = coin.worth.money();
            }
            let Some(tube) = coin.tube else { continue };
            if let Some(room) = all.tubes.get_mut(coin_type.index()) {
                *room = Some(Tube {
                    capacity: tube.capacity,
                    actual: tube.coins,
                    known: tube.coins,
                    defective: tube.defective,
                    blocked: false,
                    jam_seen: false,
                });
            }
            if tube.coins > 0 {
                let to = all.place(coin_type);
                let why = format!("opening fill, {} of coin type {coin_type}", tube.coins);
                all.book(coin_type, tube.coins, Place::Supply, to, why);
            }
        }
        all
    }

    pub(super) fn tube(&self, coin_type: CoinType) -> Option<&Tube> {
        self.tubes.get(coin_type.index())?.as_ref()
    }

    pub(super) fn tube_mut(&mut self, coin_type: CoinType) -> Option<&mut Tube> {
        self.tubes.get_mut(coin_type.index())?.as_mut()
    }

    pub(super) fn actual(&self, coin_type: CoinType) -> u16 {
        self.tube(coin_type).map_or(0, |t| t.actual)
    }

    /// What the changer says is in a tube: 255 at most, 0 for a bad one (section 5.3, TUBE STATUS).
    pub(super) fn reported_count(&self, coin_type: CoinType, one_more: bool) -> u8 {
        match self.tube(coin_type) {
            Some(tube) if !tube.is_bad() => {
                let extra = u16::from(one_more && tube.known > 0);
                u8::try_from(tube.known.saturating_add(extra)).unwrap_or(u8::MAX)
            }
            _ => 0,
        }
    }

    pub(super) fn status(&self, one_more: bool) -> TubeStatus {
        let mut counts = [0; 16];
        for (count, coin_type) in counts.iter_mut().zip(CoinType::all()) {
            *count = self.reported_count(coin_type, one_more);
        }
        let full = |t: &CoinType| self.tube(*t).is_some_and(|t| t.is_full() || t.is_bad());
        TubeStatus {
            full: CoinType::all().filter(full).collect(),
            counts: PerType::full(counts),
        }
    }

    /// Tubes the changer itself may pay from: known coins, nothing wrong.
    pub(super) fn payable(&self, coin_type: CoinType) -> u16 {
        match self.tube(coin_type) {
            Some(tube) if !tube.is_bad() => tube.known,
            _ => 0,
        }
    }

    pub(super) fn has_room(&self, coin_type: CoinType) -> bool {
        self.tube(coin_type)
            .is_some_and(|t| !t.is_full() && !t.is_bad())
    }

    pub(super) fn defective(&self) -> CoinTypes {
        CoinType::all()
            .filter(|t| self.tube(*t).is_some_and(|t| t.defective))
            .collect()
    }

    pub(super) fn any_jam(&self) -> bool {
        self.tubes.iter().flatten().any(|t| t.jam_seen)
    }

    /// A coin falls into its tube, counted. False when there is no room; nothing moved then.
    pub(super) fn drop_into_tube(&mut self, coin_type: CoinType, from: Place, why: String) -> bool {
        if !self.has_room(coin_type) {
            return false;
        }
        if let Some(tube) = self.tube_mut(coin_type) {
            tube.actual += 1;
            tube.known = tube.known.saturating_add(1).min(tube.capacity);
        }
        let to = self.place(coin_type);
        self.book(coin_type, 1, from, to, why);
        true
    }

    /// A coin falls into the cash box.
    pub(super) fn drop_into_cash_box(&mut self, coin_type: CoinType, why: String) {
        let to = Place::CashBox(self.name.clone());
        let worth = self.worth(coin_type);
        self.cash_box = self.cash_box.saturating_add(worth);
        self.book(coin_type, 1, Place::Customer, to, why);
    }

    /// Pays out one coin.
    pub(super) fn pay(&mut self, coin_type: CoinType, to: Place, why: String) -> Paid {
        let Some(tube) = self.tube_mut(coin_type) else {
            return Paid::Empty;
        };
        if tube.actual == 0 {
            tube.known = 0;
            return Paid::Empty;
        }
        if tube.blocked {
            tube.jam_seen = true;
            return Paid::Jammed;
        }
        tube.actual -= 1;
        tube.known = tube.known.saturating_sub(1);
        let from = self.place(coin_type);
        self.book(coin_type, 1, from, to, why);
        Paid::Out
    }

    /// Coins dropped into a tube from above, past the counters. Returns how many fitted.
    pub(super) fn load_by_hand(&mut self, coin_type: CoinType, coins: u16) -> u16 {
        let Some(tube) = self.tube_mut(coin_type) else {
            return 0;
        };
        let fitted = coins.min(tube.capacity.saturating_sub(tube.actual));
        tube.actual += fitted;
        let to = self.place(coin_type);
        let why = format!("{fitted} of coin type {coin_type} put into the tube by hand");
        self.book(coin_type, fitted, Place::Supply, to, why);
        fitted
    }

    /// Coins taken out of a tube by hand, past the counters. Returns how many there were.
    pub(super) fn take_by_hand(&mut self, coin_type: CoinType, coins: u16) -> u16 {
        let Some(tube) = self.tube_mut(coin_type) else {
            return 0;
        };
        let taken = coins.min(tube.actual);
        tube.actual -= taken;
        let from = self.place(coin_type);
        let why = format!("{taken} of coin type {coin_type} taken from the tube by hand");
        self.book(coin_type, taken, from, Place::Supply, why);
        taken
    }

    /// Empties the cash box.
    pub(super) fn empty_cash_box(&mut self) -> Money {
        let amount = self.cash_box;
        self.cash_box = Money::ZERO;
        if !amount.is_zero() {
            self.movements.push(Movement {
                from: Place::CashBox(self.name.clone()),
                to: Place::Supply,
                amount,
                why: "cash box emptied".into(),
            });
        }
        amount
    }

    pub(super) fn cash_box(&self) -> Money {
        self.cash_box
    }

    pub(super) fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.movements)
    }

    fn place(&self, coin_type: CoinType) -> Place {
        Place::Tube(self.name.clone(), coin_type.get())
    }

    pub(super) fn worth(&self, coin_type: CoinType) -> Money {
        self.worth
            .get(coin_type.index())
            .copied()
            .unwrap_or_default()
    }

    fn book(&mut self, coin_type: CoinType, coins: u16, from: Place, to: Place, why: String) {
        if coins == 0 {
            return;
        }
        // At most 254 x 255 minor units times 65535 coins: far inside the range of money.
        let amount = Money(self.worth(coin_type).as_minor() * i64::from(coins));
        self.movements.push(Movement {
            from,
            to,
            amount,
            why,
        });
    }
}
