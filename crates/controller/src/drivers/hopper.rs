//! The board's change source where there is no changer: a payout hopper with one kind of coin.

use crate::drivers::report::Report;
use payrig_pulse::{HopperPayout, Level, Payout, PayoutSetup};
use payrig_units::{Micros, Money};
use payrig_wire::Edge;

/// A payout hopper, as the board knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HopperLink {
    /// The device its lines belong to: the hopper itself, or the acceptor above it.
    pub wire: String,
    /// What one of its coins is worth.
    pub coin: Money,
    /// Coins in it when the bench begins, as its attendant entered them.
    pub coins: u32,
    /// Coins it holds.
    pub capacity: u32,
    /// The acceptor whose coins of this value fall into it.
    pub fed_by: Option<String>,
    /// The line that runs the motor.
    pub motor_line: String,
    /// The level that runs it.
    pub motor_on: Level,
    /// The line of the exit sensor.
    pub exit_line: String,
    /// How its coins are counted.
    pub exit: PayoutSetup,
}

/// Drives one hopper. What the board believes is in it survives a power cut of the board.
#[derive(Clone, Debug)]
pub(crate) struct Hopper {
    name: String,
    link: HopperLink,
    payout: HopperPayout,
    stock: u32,
    powered: bool,
    paying: bool,
    /// Coins reported so far: paid, or fallen by themselves.
    reported: u64,
    reports: Vec<Report>,
}

impl Hopper {
    pub(crate) fn new(name: String, link: HopperLink) -> Self {
        Self {
            name,
            payout: HopperPayout::new(link.exit),
            stock: link.coins,
            link,
            powered: true,
            paying: false,
            reported: 0,
            reports: Vec::new(),
        }
    }

    /// The device its lines belong to.
    pub(crate) fn wire(&self) -> &str {
        &self.link.wire
    }

    /// What [`can_pay`](Self::can_pay) depends on: the worth of a coin, and how many there are.
    pub(crate) fn stock_basis(&self) -> (Money, u32) {
        let coins = if self.powered { self.stock } else { 0 };
        (self.link.coin, coins)
    }

    fn coins_for(&self, amount: Money) -> Option<u32> {
        let (amount, coin) = (amount.as_minor(), self.link.coin.as_minor());
        if amount <= 0 || coin <= 0 || amount % coin != 0 {
            return None;
        }
        let coins = u32::try_from(amount / coin).ok();
        coins.filter(|n| *n <= self.stock)
    }

    /// Can it pay exactly this?
    pub(crate) fn can_pay(&self, amount: Money) -> bool {
        self.powered && self.coins_for(amount).is_some()
    }

    /// Begins to pay. False when it cannot.
    pub(crate) fn pay(&mut self, now: Micros, amount: Money) -> bool {
        match self.coins_for(amount) {
            Some(coins) if self.powered && !self.paying => {
                self.paying = true;
                self.payout.pay(now, coins);
                true
            }
            _ => false,
        }
    }

    /// An acceptor took money: perhaps one of our coins, which then fell in here.
    pub(crate) fn credited(&mut self, device: &str, value: Money) {
        if self.link.fed_by.as_deref() == Some(device) && value == self.link.coin {
            self.stock = self.stock.saturating_add(1).min(self.link.capacity);
        }
    }

    pub(crate) fn edge(&mut self, line: &str, edge: Edge) {
        if self.powered && line == self.link.exit_line {
            self.payout.exit_edge(edge.at, edge.high);
            self.collect();
        }
    }

    pub(crate) fn wake(&mut self, now: Micros) {
        if self.powered {
            self.payout.wake(now);
            self.collect();
        }
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        match self.powered {
            true => self.payout.next_deadline(),
            false => Micros::NEVER,
        }
    }

    /// The board's power comes or goes. Without it the motor stops; what was paid until then is
    /// reported.
    pub(crate) fn power(&mut self, now: Micros, on: bool) {
        if !on {
            self.payout.stop(now);
            self.collect();
        }
        self.powered = on;
    }

    fn collect(&mut self) {
        let state = self.payout.payout();
        if self.paying && matches!(state, Payout::Paying { .. }) {
            return;
        }
        let coins = self.payout.coins();
        let new = u32::try_from(coins - self.reported.min(coins)).unwrap_or(u32::MAX);
        self.reported = coins;
        self.stock = self.stock.saturating_sub(new);
        let value = Money(self.link.coin.as_minor().saturating_mul(i64::from(new)));
        let device = self.name.clone();
        if self.paying {
            self.paying = false;
            if let Payout::Short { left } = state {
                self.stock = 0;
                self.note(format_args!(
                    "no coin comes: empty or jammed, {left} still owed"
                ));
            }
            self.reports.push(Report::PaidOut { device, value });
        } else if new > 0 {
            // Nobody ordered these: the board does not book them, so that the books show it.
            self.note(format_args!("{new} more coins fell than were ordered"));
        }
    }

    fn note(&mut self, text: std::fmt::Arguments<'_>) {
        let text = format!("{}: {text}", self.name);
        self.reports.push(Report::Notice(text));
    }

    /// Edges of the motor line since the last call: line and edge.
    pub(crate) fn take_edges(&mut self) -> Vec<(String, Edge)> {
        let line = &self.link.motor_line;
        let edge = |(at, on): (Micros, bool)| {
            let high = self.link.motor_on.is_high() == on;
            (line.clone(), Edge { at, high })
        };
        self.payout.take_motor().into_iter().map(edge).collect()
    }

    pub(crate) fn is_quiet(&self) -> bool {
        !self.paying && self.reports.is_empty() && self.next_deadline() == Micros::NEVER
    }

    pub(crate) fn take_reports(&mut self) -> Vec<Report> {
        std::mem::take(&mut self.reports)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hopper() -> Hopper {
        let link = HopperLink {
            wire: "coins".into(),
            coin: Money(25),
            coins: 4,
            capacity: 10,
            fed_by: Some("coins".into()),
            motor_line: "motor".into(),
            motor_on: Level::High,
            exit_line: "exit".into(),
            exit: PayoutSetup::default(),
        };
        Hopper::new("hopper".into(), link)
    }

    fn drop_coin(hopper: &mut Hopper, at: u64) {
        for (at, high) in [(at, false), (at + 40, true)] {
            let at = Micros::ms(at);
            hopper.edge("exit", Edge { at, high });
            hopper.wake(at + Micros::ms(5));
        }
    }

    #[test]
    fn it_pays_whole_coins_it_has_and_reports_when_they_are_out() {
        let mut hopper = hopper();
        assert!(!hopper.can_pay(Money(30)) && !hopper.can_pay(Money(125)));
        hopper.credited("coins", Money(25));
        assert!(hopper.can_pay(Money(125)));
        assert!(hopper.pay(Micros::ZERO, Money(50)));
        assert!(!hopper.pay(Micros::ZERO, Money(50)), "one at a time");
        drop_coin(&mut hopper, 350);
        assert_eq!(hopper.take_reports(), []);
        drop_coin(&mut hopper, 700);
        let paid = Report::PaidOut {
            device: "hopper".into(),
            value: Money(50),
        };
        assert_eq!(hopper.take_reports(), [paid]);
        let motor: Vec<bool> = hopper.take_edges().iter().map(|(_, e)| e.high).collect();
        assert_eq!(motor, [true, false]);
        assert!(!hopper.can_pay(Money(100)) && hopper.can_pay(Money(75)));
    }

    #[test]
    fn an_empty_hopper_reports_what_it_paid_and_pays_no_more() {
        let mut hopper = hopper();
        hopper.pay(Micros::ZERO, Money(75));
        drop_coin(&mut hopper, 350);
        hopper.wake(hopper.next_deadline());
        let reports = hopper.take_reports();
        assert!(matches!(&reports[1], Report::PaidOut { value, .. } if *value == Money(25)));
        assert!(!hopper.can_pay(Money(25)));
    }

    #[test]
    fn a_power_cut_stops_the_motor_and_what_was_paid_is_reported() {
        let mut hopper = hopper();
        hopper.pay(Micros::ZERO, Money(75));
        drop_coin(&mut hopper, 350);
        hopper.power(Micros::ms(400), false);
        let reports = hopper.take_reports();
        assert!(matches!(&reports[0], Report::PaidOut { value, .. } if *value == Money(25)));
        assert!(!hopper.take_edges().last().unwrap().1.high);
        assert!(!hopper.can_pay(Money(25)));
    }
}
