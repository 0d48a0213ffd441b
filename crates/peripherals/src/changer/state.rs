//! The changer's state, its clockwork, and a view for the curious.

use super::events::Events;
use super::falling::Falling;
use super::payout::Payout;
use super::tubes::{Paid, Tubes};
use super::{ChangerConfig, ConfigError, Quirks};
use payrig_mdb::Address;
use payrig_mdb::changer::{CoinType, CoinTypes, DiagnosticCode, Features, Report, Status};
use payrig_mdb::ftl::Station;
use payrig_units::{Micros, Money, Place};
use std::collections::{BTreeSet, VecDeque};

/// What was sent and waits for the master's ACK.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sent {
    Reports,
    File,
    PayoutStatus,
    PayoutValue(u8),
    Diagnostic,
    FillReport([u8; 16]),
    BulkPayoutReport([u8; 16]),
    Other,
}

/// A mode under the changer's own control (section 5.3, 0FH 06H and 07H).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Manual {
    Fill,
    Payout,
}

/// An emulated changer.
#[derive(Clone, Debug)]
pub struct Changer {
    pub(super) config: ChangerConfig,
    pub(super) quirks: Quirks,
    pub(super) tubes: Tubes,
    pub(super) events: Events,
    pub(super) payout: Payout,
    pub(super) files: Station,
    pub(super) falling: VecDeque<Falling>,
    pub(super) notes: Vec<String>,
    pub(super) pending: Option<Sent>,

    pub(super) powered: bool,
    /// No answer until then.
    pub(super) quiet_until: Micros,
    /// CHANGER BUSY until then.
    pub(super) busy_until: Micros,
    pub(super) reset_at: Micros,
    pub(super) heard_at: Option<Micros>,

    pub(super) accept: CoinTypes,
    pub(super) manual_dispense: CoinTypes,
    pub(super) enabled: Features,

    pub(super) lever_held: bool,
    pub(super) unplugged: bool,
    pub(super) coin_jam: bool,
    pub(super) faults: BTreeSet<DiagnosticCode>,
    pub(super) manual: Option<Manual>,
    /// Code 05/10 has to be sent at least once (section 5.3, 0FH 05H).
    pub(super) owes_manual_code: bool,
    pub(super) filled: [u8; 16],
    pub(super) bulk_paid: [u8; 16],
}

/// A tube as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TubeView {
    /// Coins in it.
    pub coins: u16,
    /// Coins the changer says are in it (TUBE STATUS).
    pub reported: u8,
    /// No coin fits any more.
    pub full: bool,
}

impl Changer {
    /// A changer that has just got power, at time zero.
    ///
    /// # Errors
    /// What [`ChangerConfig::check`] finds.
    pub fn new(config: ChangerConfig, quirks: Quirks) -> Result<Self, ConfigError> {
        config.check()?;
        let id = config.identification();
        let manufacturer = [id.maker.as_slice(), &id.model].concat();
        let mut changer = Self {
            tubes: Tubes::new(&config),
            files: Station::new(Address::CHANGER, manufacturer),
            config,
            quirks,
            events: Events::default(),
            payout: Payout::new(),
            falling: VecDeque::new(),
            notes: Vec::new(),
            pending: None,
            powered: true,
            quiet_until: Micros::ZERO,
            busy_until: Micros::ZERO,
            reset_at: Micros::ZERO,
            heard_at: None,
            accept: CoinTypes::NONE,
            manual_dispense: CoinTypes::ALL,
            enabled: Features::NONE,
            lever_held: false,
            unplugged: false,
            coin_jam: false,
            faults: BTreeSet::new(),
            manual: None,
            owes_manual_code: false,
            filled: [0; 16],
            bulk_paid: [0; 16],
        };
        changer.reset(Micros::ZERO);
        Ok(changer)
    }

    /// How it is made.
    #[must_use]
    pub fn config(&self) -> &ChangerConfig {
        &self.config
    }

    /// How it misbehaves.
    pub fn quirks_mut(&mut self) -> &mut Quirks {
        &mut self.quirks
    }

    /// The tube of a coin type, where it has one.
    #[must_use]
    pub fn tube(&self, coin_type: CoinType) -> Option<TubeView> {
        let tube = self.tubes.tube(coin_type)?;
        Some(TubeView {
            coins: self.tubes.actual(coin_type),
            reported: self.reported_count(coin_type),
            full: tube.is_full(),
        })
    }

    /// What is in the cash box.
    #[must_use]
    pub fn cash_box(&self) -> Money {
        self.tubes.cash_box()
    }

    /// What is in all tubes.
    #[must_use]
    pub fn in_tubes(&self) -> Money {
        CoinType::all()
            .map(|t| {
                let worth = self.tubes.worth(t).as_minor();
                Money(worth * i64::from(self.tubes.actual(t)))
            })
            .sum()
    }

    /// Coin types the VMC has enabled.
    #[must_use]
    pub fn accepts(&self) -> CoinTypes {
        self.accept
    }

    /// Optional features the VMC has enabled.
    #[must_use]
    pub fn enabled_features(&self) -> Features {
        self.enabled
    }

    /// True while coins are on their way out.
    #[must_use]
    pub fn is_paying(&self) -> bool {
        self.payout.is_busy()
    }

    /// True when no report waits for a POLL or its acknowledgement.
    #[must_use]
    pub fn all_reported(&self) -> bool {
        self.events.is_empty()
    }

    /// Its end of the file transport layer (section 2.6).
    #[must_use]
    pub fn files(&self) -> &Station {
        &self.files
    }

    /// The same, to offer, ask for or deny files.
    pub fn files_mut(&mut self) -> &mut Station {
        &mut self.files
    }

    pub(super) fn reported_count(&self, coin_type: CoinType) -> u8 {
        self.tubes
            .reported_count(coin_type, self.quirks.wrong_tube_count)
    }

    pub(super) fn note(&mut self, text: impl Into<String>) {
        self.notes.push(text.into());
    }

    /// The power-on state (sections 2.2 and 5.3, RESET): acceptance and features off, manual
    /// dispense switches on, payouts ended. Coins stay where they are, and so do reports of coins:
    /// the standard does not say, and money is not to be forgotten.
    pub(super) fn reset(&mut self, now: Micros) {
        self.pending = None;
        self.accept = CoinTypes::NONE;
        self.manual_dispense = CoinTypes::ALL;
        self.enabled = Features::NONE;
        if self.payout.is_busy() {
            self.note("payout broken off");
        }
        self.payout.abort();
        self.files.reset();
        self.end_manual_mode();
        self.events.reset(self.quirks);
        for coin_type in CoinType::all() {
            if let Some(tube) = self.tubes.tube_mut(coin_type) {
                tube.jam_seen = false;
            }
        }
        if !self.tubes.defective().is_empty() {
            self.events
                .push(Report::Status(Status::DefectiveTubeSensor));
        }
        self.reset_at = now;
        self.quiet_until = now + self.config.reset_time;
        self.busy_until = Micros::ZERO;
        self.heard_at = None;
    }

    pub(super) fn end_manual_mode(&mut self) {
        if self.manual.take().is_some() {
            self.note("manual mode ended");
        }
    }

    /// When the silence of the VMC has lasted too long (Appendix 3, section 2).
    fn contact_lost_at(&self) -> Micros {
        self.heard_at
            .map_or(Micros::NEVER, |at| at + self.config.lost_contact)
    }

    /// The next thing that happens by itself.
    pub(super) fn next_happening(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let landing = self.falling.front().map_or(Micros::NEVER, |f| f.due);
        landing.min(self.payout.due()).min(self.contact_lost_at())
    }

    /// Lets everything happen that was due by `now`, in order of time.
    pub(super) fn advance(&mut self, now: Micros) {
        loop {
            let at = self.next_happening();
            if at > now || at == Micros::NEVER {
                return;
            }
            if self.falling.front().is_some_and(|f| f.due <= at) {
                if let Some(falling) = self.falling.pop_front() {
                    self.land(falling.what);
                }
            } else if self.payout.due() <= at {
                self.pay_next(at);
            } else {
                self.note("no command for too long: changer resets itself");
                self.reset(at);
            }
        }
    }

    fn pay_next(&mut self, now: Micros) {
        let Some(coin_type) = self.payout.next(now, self.config.payout_time) else {
            return;
        };
        let why = format!("coin type {coin_type} paid out");
        match self.tubes.pay(coin_type, Place::Customer, why) {
            Paid::Out => {
                self.note(format!("coin type {coin_type} paid out"));
                let credit = self.config.credit(coin_type);
                self.payout.paid(coin_type, credit);
            }
            Paid::Empty => {
                self.note(format!("tube {coin_type} is empty"));
                self.pay_instead();
            }
            Paid::Jammed => {
                self.note(format!("tube {coin_type} is jammed"));
                self.events.push_once(Status::TubeJam);
                self.pay_instead();
            }
        }
        self.payout.settle();
    }

    /// A tube has failed: PAYOUT goes on with other coins, DISPENSE ends. An empty or jammed tube
    /// is not chosen again, so this comes to an end.
    fn pay_instead(&mut self) {
        if let Some(remaining) = self.payout.failed() {
            let coins = self.choose(remaining);
            self.payout.instead(coins);
        }
    }
}
