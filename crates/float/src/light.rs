//! What the board takes and shows, by the rule of payrig's own board: `tests` in `payrig` hold it against
//! that board on random machines.

use crate::changes::changes_of;
use crate::{Guard, Machine, Piece, Reach};
use payrig_units::Money;

/// What a board with so many coins in its tubes does about money that is offered.
#[derive(Clone, Debug)]
pub struct Acceptance<'a> {
    machine: &'a Machine,
    reach: Reach,
}

impl<'a> Acceptance<'a> {
    /// With so many coins per tube; credits beyond `largest` are not looked at.
    #[must_use]
    pub fn of(machine: &'a Machine, counts: &[u32], largest: Money) -> Self {
        let reach = Reach::of(&machine.stock_of(counts), machine.unit(), largest);
        Self { machine, reach }
    }

    /// Could this amount be paid, or is none ever given?
    pub(crate) fn pays(&self, amount: Money) -> bool {
        !self.machine.gives_change || self.reach.pays(amount)
    }

    /// Could the change be paid, whatever is bought with this credit? A credit that buys nothing must be
    /// payable back. A machine that gives no change takes all.
    #[must_use]
    pub fn is_changeable(&self, credit: Money) -> bool {
        let changes = || changes_of(self.machine, credit);
        !self.machine.gives_change || changes().iter().all(|c| self.reach.pays(*c))
    }

    /// Does the board take this piece while there is so much credit?
    #[must_use]
    pub fn takes(&self, credit: Money, piece: &Piece) -> bool {
        let with = |value: Money| self.is_changeable(credit.saturating_add(value));
        match piece.guard {
            Guard::OnSight => self.machine.credit_limit.is_none_or(|limit| credit < limit),
            Guard::Alone => with(piece.value),
            Guard::Line(line) => self.is_open(credit, line),
        }
    }

    /// Is a line open while there is so much credit?
    #[must_use]
    pub fn is_open(&self, credit: Money, line: usize) -> bool {
        let with = |value: &Money| self.is_changeable(credit.saturating_add(*value));
        self.machine.lines.get(line).is_some_and(|l| match l.all {
            true => l.opens.iter().all(with),
            false => l.opens.iter().any(with),
        })
    }

    /// Is the exact-change light on while there is so much credit? It is when the smallest bill of the
    /// validator on the bus is not welcome; a machine without one never shows it.
    #[must_use]
    pub fn light(&self, credit: Money) -> bool {
        let smallest = self.machine.bills.iter().min();
        smallest.is_some_and(|bill| !self.is_changeable(credit.saturating_add(*bill)))
    }
}

/// As much as a question about this bill can lead to.
fn most(machine: &Machine, bill: Money) -> Money {
    let opens = machine.lines.iter().flat_map(|l| &l.opens);
    opens.chain(&machine.bills).copied().fold(bill, Money::max)
}

/// Would the board take this bill with nothing else in? It does when whatever can then be bought
/// leaves change that can be paid; a bill that buys nothing must be payable back. One of an acceptor on
/// pulse lines is held off with all others of it. A bill that the machine does not take is looked at as if
/// its validator took it.
#[must_use]
pub fn is_welcome(machine: &Machine, counts: &[u32], bill: Money) -> bool {
    let acceptance = Acceptance::of(machine, counts, most(machine, bill));
    let mut ways = machine.of_value(bill).peekable();
    match ways.peek() {
        None => acceptance.is_changeable(bill),
        Some(_) => ways.any(|piece| acceptance.takes(Money::ZERO, piece)),
    }
}

/// Is the exact-change light on?
#[must_use]
pub fn exact_change_light(machine: &Machine, counts: &[u32]) -> bool {
    Acceptance::of(machine, counts, most(machine, Money::ZERO)).light(Money::ZERO)
}
