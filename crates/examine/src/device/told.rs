//! What an outside device tells of itself and of money: set-up, identity, coins and bills reported,
//! payouts acknowledged. The tool cannot look into it; these reports, and what the operator puts in
//! and counts, are all its books are made of.

use super::setup::Kind;
use crate::device::Act;
use crate::result::Subject;
use payrig_mdb::bill::{self, BillValue};
use payrig_mdb::changer::{self, CoinCredit, CoinType};
use payrig_units::{Money, Movement, Place};

/// What it told so far.
#[derive(Debug)]
pub(super) struct Told {
    kind: Kind,
    changer: Option<changer::Setup>,
    bill: Option<bill::Setup>,
    identity: Option<Subject>,
    /// What the operator put in, in this check.
    pub(super) put_in: Money,
    /// What it reported to have kept, in this check.
    pub(super) reported: Money,
    /// What it was ordered to pay and acknowledged, in this check.
    pub(super) ordered: Money,
    /// What the operator counted as come out, in this check.
    pub(super) counted: Money,
    /// Put in and not reported as kept yet.
    under_way: Money,
}

impl Told {
    pub(super) fn new(kind: Kind) -> Self {
        Self {
            kind,
            changer: None,
            bill: None,
            identity: None,
            put_in: Money::ZERO,
            reported: Money::ZERO,
            ordered: Money::ZERO,
            counted: Money::ZERO,
            under_way: Money::ZERO,
        }
    }

    /// A new check begins: what it said of itself holds, money is counted anew.
    pub(super) fn begin(&mut self) {
        (self.put_in, self.reported) = (Money::ZERO, Money::ZERO);
        (self.ordered, self.counted) = (Money::ZERO, Money::ZERO);
        self.under_way = Money::ZERO;
    }

    /// The name its places have in the ledger.
    pub(super) fn name(&self) -> String {
        self.kind.to_string()
    }

    /// Who it says it is; empty where it did not.
    pub(super) fn identity(&self) -> Subject {
        self.identity.clone().unwrap_or_default()
    }

    /// What should have come out in this check and was not counted yet: what went in and was not
    /// kept, and what was paid.
    pub(super) fn to_come_out(&self) -> Money {
        let refused = self.put_in.saturating_sub(self.reported).max(Money::ZERO);
        let out = refused.saturating_add(self.ordered);
        out.saturating_sub(self.counted)
    }

    /// What a coin or bill put in is worth, as far as it told.
    pub(super) fn worth(&self, act: Act) -> Money {
        match act {
            Act::Coin(t) => self.coin(CoinType::of(t)),
            Act::Bill(t) => self.note(t),
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

    /// The operator has put something in.
    pub(super) fn put(&mut self, act: Act) {
        let worth = self.worth(act);
        self.put_in = self.put_in.saturating_add(worth);
        self.under_way = self.under_way.saturating_add(worth);
    }

    /// An order was acknowledged. Money that moves by it.
    pub(super) fn acknowledged(&mut self, command: &[u8]) -> Vec<Movement> {
        let Ok(changer::Command::Dispense { coin_type, coins }) = changer::Command::parse(command)
        else {
            return Vec::new();
        };
        if self.kind != Kind::Changer {
            return Vec::new();
        }
        let amount = self.coin(coin_type).checked_mul(i64::from(coins.get()));
        let amount = amount.unwrap_or_default();
        self.ordered = self.ordered.saturating_add(amount);
        let tube = Place::Tube(self.name(), coin_type.get());
        self.both_out(tube, amount)
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
            bill::Routing::Stacked => self.kept(Place::Stacker(self.name()), value),
            bill::Routing::ToRecycler => self.kept(Place::Recycler(self.name(), *bill_type), value),
            _ => Vec::new(),
        }
    }

    fn reader_said(&mut self, command: &[u8], data: &[u8]) {
        // PERIPHERAL ID (7.4.4): 09H, maker, serial, model, version.
        let reader = matches!(command, [0x17 | 0x12 | 0x67 | 0x62, ..]);
        let Some((0x09, id)) = data.split_first().filter(|_| reader) else {
            return;
        };
        let part = |from: usize, to: usize| id.get(from..to).unwrap_or_default();
        if let (27.., &[major, minor]) = (id.len(), part(27, 29)) {
            let (maker, serial, model) = (part(0, 3), part(3, 15), part(15, 27));
            self.identity = Some(identity(maker, serial, model, [major, minor]));
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
        if real > Money::ZERO {
            booked.push(movement(Place::Customer, place, real, "put in by hand"));
        }
        booked
    }

    /// The operator counted what came out: what is to be corrected in the books.
    pub(super) fn came_out(&mut self, counted: Money) -> Vec<Movement> {
        let expected = self.to_come_out();
        self.counted = self.counted.saturating_add(counted);
        let inside = match self.kind {
            Kind::BillValidator | Kind::BillRecycler => Place::Stacker(self.name()),
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
