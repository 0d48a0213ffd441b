//! What an outside device reports of itself and of money: set-up, identity, coins and bills reported,
//! payouts acknowledged. The tool cannot look into it; these reports, and what the person puts in
//! and counts, are all its books are made of.

use super::setup::Kind;
use crate::result::Subject;
use payrig_bench::action::{Action, Tender};
use payrig_mdb::bill::{self, BillValue};
use payrig_mdb::cashless::{self, Kind as CashlessKind, Mode, Report as CashlessReport};
use payrig_mdb::changer::{self, CoinCredit, CoinType};
use payrig_units::{Money, Movement, Place};
use std::cmp::Ordering;

/// What it reported so far.
#[derive(Debug)]
pub(super) struct Reports {
    kind: Kind,
    changer: Option<changer::Setup>,
    bill: Option<bill::Setup>,
    identity: Option<Subject>,
    /// What the person put in, in this check.
    pub(super) put_in: Money,
    /// What it reported to have kept, in this check.
    pub(super) reported: Money,
    /// What it was ordered to pay and acknowledged, in this check.
    pub(super) ordered: Money,
    /// What the person was asked about already, in this check.
    settled: Money,
    /// Put in and not reported as kept yet.
    under_way: Money,
    /// Reported to be in escrow.
    escrow: Money,
    /// Where the last payout came from, by its order.
    paid_from: Option<Place>,
    /// What the reader claims to have taken from cards, in this check.
    claimed: Money,
    /// What the person saw taken from cards, in this check.
    taken: Money,
    /// The reader's scaling factor, and what it approved and may have to give back.
    reader_scale: i64,
    approved: Money,
    /// Something was taken from a card or given back to it since the person looked.
    card_moved: bool,
}

impl Reports {
    pub(super) fn new(kind: Kind) -> Self {
        Self {
            kind,
            changer: None,
            bill: None,
            identity: None,
            put_in: Money::ZERO,
            reported: Money::ZERO,
            ordered: Money::ZERO,
            settled: Money::ZERO,
            under_way: Money::ZERO,
            escrow: Money::ZERO,
            paid_from: None,
            claimed: Money::ZERO,
            taken: Money::ZERO,
            reader_scale: 1,
            approved: Money::ZERO,
            card_moved: false,
        }
    }

    /// A new check begins: what it said of itself holds, money is counted anew.
    pub(super) fn begin(&mut self) {
        (self.put_in, self.reported) = (Money::ZERO, Money::ZERO);
        (self.ordered, self.settled) = (Money::ZERO, Money::ZERO);
        (self.under_way, self.escrow) = (Money::ZERO, Money::ZERO);
        (self.claimed, self.taken) = (Money::ZERO, Money::ZERO);
        (self.approved, self.paid_from) = (Money::ZERO, None);
        self.card_moved = false;
    }

    /// The name its places have in the ledger.
    pub(super) fn name(&self) -> String {
        self.kind.to_string()
    }

    /// Who it says it is; empty where it did not.
    pub(super) fn identity(&self) -> Subject {
        self.identity.clone().unwrap_or_default()
    }

    /// True while a bill is said to be in escrow.
    pub(super) fn in_escrow(&self) -> bool {
        !self.escrow.is_zero()
    }

    /// What should have come out in this check and was not counted yet: what went in and was not
    /// kept, and what was paid.
    pub(super) fn to_come_out(&self) -> Money {
        let inside = self.reported.saturating_add(self.escrow);
        let refused = self.put_in.saturating_sub(inside).max(Money::ZERO);
        let out = refused.saturating_add(self.ordered);
        out.saturating_sub(self.settled)
    }

    /// What a coin or bill put in is worth, as far as it said.
    pub(super) fn worth(&self, action: &Action) -> Money {
        match *action {
            Action::InsertCoin { coin, .. } => match coin {
                Tender::Type(number) => self.coin(CoinType::of(number)),
                Tender::Worth(value) => value,
                Tender::Unknown => Money::ZERO,
            },
            Action::InsertBill { bill, .. } => match bill {
                Tender::Type(number) => self.note(number),
                Tender::Worth(value) => value,
                Tender::Unknown => Money::ZERO,
            },
            // A card that is shown is no money that goes in.
            _ => Money::ZERO,
        }
    }

    fn coin(&self, coin_type: CoinType) -> Money {
        match self.changer.as_ref().map(|s| s.credit(coin_type)) {
            Some(CoinCredit::Worth(value)) => value,
            _ => Money::ZERO,
        }
    }

    fn note(&self, bill_type: u8) -> Money {
        match self.bill.as_ref().map(|s| s.value(bill_type)) {
            Some(BillValue::Minor(value)) => Money(value),
            _ => Money::ZERO,
        }
    }

    /// The person has put something in.
    pub(super) fn put(&mut self, action: &Action) {
        let worth = self.worth(action);
        self.put_in = self.put_in.saturating_add(worth);
        self.under_way = self.under_way.saturating_add(worth);
    }

    /// True when a card may have less, or more, than the person has seen.
    pub(super) const fn card_unseen(&self) -> bool {
        self.card_moved
    }

    /// What the reader claims to have taken from cards in this check.
    pub(super) fn claimed(&self) -> Money {
        self.claimed
    }

    /// The person looked at the card: so much less is on it.
    pub(super) fn taken_from_card(&mut self, seen: Money) -> Vec<Movement> {
        self.card_moved = false;
        let card = seen.saturating_sub(self.taken);
        self.taken = seen;
        let receipts = Place::CardReceipts(self.name());
        match card.cmp(&Money::ZERO) {
            Ordering::Greater => {
                vec![movement(
                    Place::Customer,
                    receipts,
                    card,
                    "taken from the card, as seen by hand",
                )]
            }
            Ordering::Less => {
                vec![movement(
                    receipts,
                    Place::Customer,
                    -card,
                    "back on the card, as seen by hand",
                )]
            }
            Ordering::Equal => Vec::new(),
        }
    }

    /// Pulses came that are worth this.
    pub(super) fn pulsed(&mut self, worth: Money) -> Vec<Movement> {
        if worth <= Money::ZERO {
            return Vec::new();
        }
        let place = match self.kind {
            Kind::PulseBill => Place::Stacker(self.name()),
            Kind::PulseCard => {
                self.claimed = self.claimed.saturating_add(worth);
                self.card_moved = true;
                return Vec::new();
            }
            _ => Place::CashBox(self.name()),
        };
        self.kept(place, worth)
    }

    /// It was not put in after all.
    pub(super) fn take_back(&mut self, worth: Money) {
        self.put_in = self.put_in.saturating_sub(worth);
        self.under_way = self.under_way.saturating_sub(worth).max(Money::ZERO);
    }

    /// An order was acknowledged. Money that moves by it.
    pub(super) fn acknowledged(&mut self, command: &[u8]) -> Vec<Movement> {
        match self.kind {
            Kind::Changer => self.changer_ordered(command),
            Kind::BillRecycler => self.recycler_ordered(command),
            Kind::Cashless => {
                self.reader_ordered(command);
                Vec::new()
            }
            _ => Vec::new(),
        }
    }

    fn changer_ordered(&mut self, command: &[u8]) -> Vec<Movement> {
        let (from, amount) = match changer::Command::parse(command) {
            Ok(changer::Command::Dispense { coin_type, coins }) => {
                let amount = self.coin(coin_type).checked_mul(i64::from(coins.get()));
                (Place::Tube(self.name(), coin_type.get()), amount)
            }
            Ok(changer::Command::Payout { value }) => {
                let scale = self.changer.as_ref().map_or(1, |s| s.scaling_factor.into());
                let amount = Money(i64::from(value)).checked_mul(scale);
                // Of which tubes, only the device knows.
                (Place::CashBox(self.name()), amount)
            }
            _ => return Vec::new(),
        };
        self.ordered_from(from, amount.unwrap_or_default())
    }

    fn recycler_ordered(&mut self, command: &[u8]) -> Vec<Movement> {
        let (store, amount) = match bill::Command::parse(command) {
            Ok(bill::Command::DispenseBill { bill_type, count }) => {
                (bill_type, self.note(bill_type).checked_mul(count.into()))
            }
            Ok(bill::Command::DispenseValue(value)) => {
                let factor = self.bill.as_ref().map_or(1, |s| s.scaling.factor.into());
                // Of which stores, only the device knows.
                (0, Money(value.into()).checked_mul(factor))
            }
            _ => return Vec::new(),
        };
        let from = Place::Recycler(self.name(), store);
        self.ordered_from(from, amount.unwrap_or_default())
    }

    fn ordered_from(&mut self, from: Place, amount: Money) -> Vec<Movement> {
        self.ordered = self.ordered.saturating_add(amount);
        self.paid_from = Some(from.clone());
        self.both_out(from, amount)
    }

    /// VEND FAILURE, or the end of a session: what was approved is given back.
    fn reader_ordered(&mut self, command: &[u8]) {
        let Ok((command, _)) = cashless::Command::parse_any(command, &Mode::default()) else {
            return;
        };
        match command.kind {
            CashlessKind::VendSuccess(_) => self.approved = Money::ZERO,
            CashlessKind::VendFailure(_)
            | CashlessKind::VendCancel
            | CashlessKind::SessionComplete => {
                self.card_moved |= !self.approved.is_zero();
                self.claimed = self.claimed.saturating_sub(self.approved);
                self.approved = Money::ZERO;
            }
            _ => {}
        }
    }

    fn both_out(&self, from: Place, amount: Money) -> Vec<Movement> {
        let why = "paid out, as the device says";
        let paid = Place::BoardPaid(self.name());
        vec![
            movement(from, Place::Customer, amount, why),
            movement(Place::BoardCredit, paid, amount, why),
        ]
    }

    /// Data it sent and were acknowledged. Money that moved by them.
    pub(super) fn said(&mut self, command: &[u8], data: &[u8]) -> Vec<Movement> {
        match self.kind {
            Kind::Changer => self.changer_said(command, data),
            Kind::BillValidator | Kind::BillRecycler => self.bill_said(command, data),
            Kind::Cashless => {
                self.reader_said(command, data);
                Vec::new()
            }
            _ => Vec::new(),
        }
    }

    fn changer_said(&mut self, command: &[u8], data: &[u8]) -> Vec<Movement> {
        let Ok(command) = changer::Command::parse(command) else {
            return Vec::new();
        };
        match changer::Response::parse(&command, data) {
            Ok(changer::Response::Setup(setup)) => self.changer = Some(setup),
            Ok(changer::Response::Identification(id)) => {
                self.identity = Some(identity(&id.maker, &id.serial, &id.model, id.version));
            }
            Ok(changer::Response::Poll(reports)) => {
                return reports.iter().flat_map(|r| self.coin_report(r)).collect();
            }
            _ => {}
        }
        Vec::new()
    }

    fn coin_report(&mut self, report: &changer::Report) -> Vec<Movement> {
        let changer::Report::CoinsDeposited {
            coin_type, routing, ..
        } = report
        else {
            return Vec::new();
        };
        let place = match routing {
            changer::Routing::Tubes => Place::Tube(self.name(), coin_type.get()),
            changer::Routing::CashBox => Place::CashBox(self.name()),
            _ => return Vec::new(),
        };
        let value = self.coin(*coin_type);
        self.kept(place, value)
    }

    fn bill_said(&mut self, command: &[u8], data: &[u8]) -> Vec<Movement> {
        let Ok(command) = bill::Command::parse(command) else {
            return Vec::new();
        };
        match bill::Response::parse(&command, data) {
            Ok(bill::Response::Setup(setup)) => self.bill = Some(setup),
            Ok(bill::Response::Identification(id)) => {
                self.identity = Some(identity(
                    &id.manufacturer,
                    &id.serial,
                    &id.model,
                    id.version,
                ));
            }
            Ok(bill::Response::Poll(reports)) => {
                return reports.iter().flat_map(|r| self.bill_report(r)).collect();
            }
            _ => {}
        }
        Vec::new()
    }

    fn bill_report(&mut self, report: &bill::Report) -> Vec<Movement> {
        let bill::Report::Bill { routing, bill_type } = report else {
            return Vec::new();
        };
        let value = self.note(*bill_type);
        match routing {
            bill::Routing::EscrowPosition => self.escrowed(value),
            bill::Routing::Returned => self.out_of_escrow(),
            bill::Routing::Stacked => self.kept(Place::Stacker(self.name()), value),
            bill::Routing::ToRecycler => self.kept(Place::Recycler(self.name(), *bill_type), value),
            _ => Vec::new(),
        }
    }

    fn escrowed(&mut self, value: Money) -> Vec<Movement> {
        let real = value.min(self.under_way);
        if real <= Money::ZERO || !self.escrow.is_zero() {
            return Vec::new();
        }
        self.escrow = real;
        let escrow = Place::Escrow(self.name());
        vec![movement(
            Place::Customer,
            escrow,
            real,
            "in escrow, as the device says",
        )]
    }

    fn out_of_escrow(&mut self) -> Vec<Movement> {
        let back = std::mem::take(&mut self.escrow);
        if back.is_zero() {
            return Vec::new();
        }
        self.under_way = self.under_way.saturating_sub(back);
        let escrow = Place::Escrow(self.name());
        vec![movement(
            escrow,
            Place::Customer,
            back,
            "returned, as the device says",
        )]
    }

    fn reader_said(&mut self, command: &[u8], data: &[u8]) {
        let mode = Mode::default();
        let Ok((command, _)) = cashless::Command::parse_any(command, &mode) else {
            return;
        };
        let Ok((response, _)) = cashless::Response::parse_any(&command, data, &mode) else {
            return;
        };
        // What is decided at once is good without an ACK of its own.
        if matches!(
            command.kind,
            CashlessKind::VendCancel | CashlessKind::SessionComplete
        ) {
            let unit = command.emit(&mode);
            self.reader_ordered(unit.bytes());
        }
        for report in response.reports() {
            match report {
                CashlessReport::ReaderConfig(config) => self.reader_scale = config.scale.into(),
                CashlessReport::PeripheralId(id) => {
                    self.identity = Some(identity(
                        &id.id.maker,
                        &id.id.serial,
                        &id.id.model,
                        id.id.version,
                    ));
                }
                CashlessReport::VendApproved {
                    amount: Some(amount),
                    ..
                } => {
                    let amount = Money(i64::from(*amount)).checked_mul(self.reader_scale);
                    self.approved = amount.unwrap_or_default();
                    self.claimed = self.claimed.saturating_add(self.approved);
                    self.card_moved = true;
                }
                _ => {}
            }
        }
    }

    /// It reports to have kept this. What never went in cannot have been: then only its claim is
    /// booked.
    fn kept(&mut self, place: Place, value: Money) -> Vec<Movement> {
        self.reported = self.reported.saturating_add(value);
        let real = value.min(self.under_way);
        self.under_way = self.under_way.saturating_sub(real);
        let received = Place::BoardReceived(self.name());
        let mut booked = vec![movement(
            received,
            Place::BoardCredit,
            value,
            "the device reports it",
        )];
        let held = std::mem::take(&mut self.escrow).min(real);
        if held > Money::ZERO {
            let escrow = Place::Escrow(self.name());
            booked.push(movement(
                escrow,
                place.clone(),
                held,
                "the device reports it",
            ));
        }
        let rest = real.saturating_sub(held);
        if rest > Money::ZERO {
            booked.push(movement(Place::Customer, place, rest, "put in by hand"));
        }
        booked
    }

    /// The person counted what came out: what is to be corrected in the books.
    pub(super) fn came_out(&mut self, counted: Money) -> Vec<Movement> {
        let expected = self.to_come_out();
        self.settled = self.settled.saturating_add(expected);
        let inside = match (&self.paid_from, self.kind) {
            (Some(place), _) if self.ordered > Money::ZERO => place.clone(),
            (_, Kind::BillValidator | Kind::BillRecycler) => Place::Stacker(self.name()),
            _ => Place::CashBox(self.name()),
        };
        let missing = expected.saturating_sub(counted);
        if missing > Money::ZERO {
            let why = "did not come out, as counted by hand";
            vec![movement(Place::Customer, inside, missing, why)]
        } else if missing < Money::ZERO {
            let why = "came out besides, as counted by hand";
            vec![movement(inside, Place::Customer, -missing, why)]
        } else {
            Vec::new()
        }
    }
}

fn movement(from: Place, to: Place, amount: Money, why: &str) -> Movement {
    Movement {
        from,
        to,
        amount,
        why: why.to_owned(),
    }
}

fn identity(maker: &[u8], serial: &[u8], model: &[u8], version: [u8; 2]) -> Subject {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end().to_owned();
    Subject {
        maker: text(maker),
        serial: text(serial),
        model: text(model),
        version: format!("{:X}.{:02X}", version[0], version[1]),
        ..Subject::default()
    }
}
