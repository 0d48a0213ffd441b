//! The board: master, drivers and seller as one state machine.

use crate::bill::{Bill, BillPolicy};
use crate::cashless::{Board as CashlessBoard, Cashless, CashlessUse, VmcIdentity};
use crate::changer::{Changer, ChangerPolicy};
use crate::channel::{Channel, Driver, Life, Rhythm};
use crate::files::Mailbox;
use crate::hopper::{Hopper, HopperLink};
use crate::master::{BusMaster, MasterTiming, Outcome};
use crate::motor::{Mishap, Motor};
use crate::paying::{Purse, in_bills};
use crate::pulse_input::{PulseInput, PulseLink};
use crate::vending::{Item, Means, Order, Policy, Reader, Report, Vending};
use payrig_mdb::cashless::{Level, Unit};
use payrig_mdb::{Address, Block};
use payrig_units::{Decimals, Micros, Money, Movement};
use payrig_wire::{Edge, TimedWord, Transmission};
use std::collections::{BTreeMap, VecDeque};

mod cards;

/// A peripheral the board expects on its bus.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expected {
    /// What the board and its ledger call it.
    pub name: String,
    /// Its kind and address.
    pub kind: ExpectedKind,
}

/// Kinds of peripherals the board can drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ExpectedKind {
    /// 08H.
    Changer,
    /// 30H.
    BillValidator,
    /// 10H or 60H.
    Cashless(Unit),
    /// Not on the bus: credit pulses, and a line that holds the acceptor off.
    Pulse(Box<PulseLink>),
    /// Not on the bus: a payout hopper, the change source where there is no changer.
    Hopper(Box<HopperLink>),
}

/// What makes one board differ from another.
#[derive(Clone, Debug)]
pub struct BoardConfig {
    /// What is for sale.
    pub items: Vec<Item>,
    /// What is plugged in.
    pub expected: Vec<Expected>,
    /// Coins of these values are refused (their COIN TYPE bit is off).
    pub refused_coins: Vec<Money>,
    /// How the changer is treated.
    pub changer: ChangerPolicy,
    /// From one POLL to the next.
    pub poll_every: Micros,
    /// Highest cashless level the board speaks, 1 to 3.
    pub cashless_level: u8,
    /// Decimals of the display.
    pub decimals: Decimals,
    /// A card session without a selection ends after this.
    pub session_timeout: Micros,
    /// Several vends in one card session, where the reader allows it.
    pub multi_vend: bool,
    /// How long a motor takes to deliver.
    pub motor_time: Micros,
    /// How the bill validator is treated.
    pub bills: BillPolicy,
    /// A bill that buys something stays in escrow until something is bought, so that the coin
    /// return gives the same bill back.
    pub hold_bills: bool,
    /// Times on the wire.
    pub timing: MasterTiming,
    /// What the board says of itself to cashless devices.
    pub identity: VmcIdentity,
    /// What the board uses of its cashless devices.
    pub cashless: CashlessUse,
    /// Columns with the same product: when the first cannot deliver, the second is tried.
    pub instead: BTreeMap<u16, u16>,
}

/// A board that expects nothing and sells nothing; the rest as is usual: POLL every 150 ms, level 3
/// cashless, two decimals, sessions of 30 s, motors of 1.5 s.
impl Default for BoardConfig {
    fn default() -> Self {
        Self {
            items: Vec::new(),
            expected: Vec::new(),
            refused_coins: Vec::new(),
            changer: ChangerPolicy::default(),
            poll_every: Micros::ms(150),
            cashless_level: 3,
            decimals: Decimals(2),
            session_timeout: Micros::secs(30),
            multi_vend: false,
            motor_time: Micros::ms(1_500),
            bills: BillPolicy::default(),
            hold_bills: false,
            timing: MasterTiming::default(),
            identity: VmcIdentity::default(),
            cashless: CashlessUse::default(),
            instead: BTreeMap::new(),
        }
    }
}

#[derive(Debug)]
enum Peer {
    Changer(Box<Changer>),
    Bill(Box<Bill>),
    Cashless(Box<Cashless>),
}

#[derive(Debug)]
struct Slot {
    name: String,
    channel: Channel,
    unit: Peer,
}

impl Peer {
    fn driver(&mut self) -> &mut dyn Driver {
        match self {
            Self::Changer(d) => d.as_mut(),
            Self::Bill(d) => d.as_mut(),
            Self::Cashless(d) => d.as_mut(),
        }
    }
}

impl Slot {
    /// True while commands other than POLL are still to be sent or answered.
    fn is_busy(&self) -> bool {
        let driver = match &self.unit {
            Peer::Cashless(c) => self.channel.life() == Life::Running && c.is_busy(),
            _ => false,
        };
        driver || self.channel.is_busy()
    }

    fn take_wanted(&mut self) -> Option<Block> {
        match &mut self.unit {
            Peer::Changer(d) => d.take_wanted().map(|c| c.emit()),
            Peer::Bill(d) => d.take_wanted().map(|c| c.emit()),
            // Its driver chooses its commands when they are due.
            Peer::Cashless(_) => None,
        }
    }

    fn take_reports(&mut self) -> Vec<Report> {
        match &mut self.unit {
            Peer::Changer(d) => d.take_reports(),
            Peer::Bill(d) => d.take_reports(),
            Peer::Cashless(d) => d.take_reports(),
        }
    }
}

/// What can be paid out now.
fn purse(slots: &[Slot]) -> Purse {
    let mut purse = Purse::default();
    let running = slots.iter().filter(|s| s.channel.life() == Life::Running);
    for slot in running {
        match &slot.unit {
            Peer::Changer(c) if c.can_pay(Money::ZERO) => purse.coins = c.stock(),
            Peer::Bill(b) => purse.bills = b.stock(),
            _ => {}
        }
    }
    purse
}

/// What the seller may ask of the drivers.
struct BoardMeans<'a>(&'a [Slot], &'a [Hopper]);

impl Means for BoardMeans<'_> {
    fn can_pay(&self, amount: Money) -> bool {
        amount.is_zero()
            || in_bills(amount, &purse(self.0)).is_some()
            || !has_changer(self.0) && self.1.iter().any(|h| h.can_pay(amount))
    }

    fn gives_change(&self) -> bool {
        let bus = self.0.iter().any(|s| match &s.unit {
            Peer::Changer(_) => true,
            Peer::Bill(bill) => bill.pays(),
            Peer::Cashless(_) => false,
        });
        bus || !self.1.is_empty()
    }

    fn readers(&self) -> Vec<Reader> {
        let each = |s: &Slot| match &s.unit {
            Peer::Cashless(c) => Some(c.reader(s.channel.life() == Life::Running)),
            _ => None,
        };
        self.0.iter().filter_map(each).collect()
    }
}

fn has_changer(slots: &[Slot]) -> bool {
    slots.iter().any(|s| matches!(s.unit, Peer::Changer(_)))
}

/// A vending machine controller. No clock, no I/O: words and times in, words and orders out.
#[derive(Debug)]
pub struct Controller {
    config: BoardConfig,
    powered: bool,
    master: BusMaster,
    slots: Vec<Slot>,
    current: Option<usize>,
    pulses: Vec<PulseInput>,
    mailbox: Mailbox,
    hoppers: Vec<Hopper>,
    vending: Vending,
    motor: Motor,
    /// Sales that cashless devices are to be told of, in order.
    tellings: VecDeque<cards::Telling>,
    delivered: Vec<u16>,
    notices: Vec<String>,
    movements: Vec<Movement>,
    exact_change: bool,
    in_service: bool,
    changeable: Changeable,
}

/// The bills that can be changed, and what that was worked out from.
#[derive(Debug, Default)]
struct Changeable {
    /// What can be paid, the credit, the bills there are, and whether change is given at all.
    basis: Option<(Purse, Money, Vec<Money>, bool)>,
    values: Vec<Money>,
}

impl Controller {
    /// A board that has just been given power at `now`: it resets the bus and looks for what it
    /// expects.
    #[must_use]
    pub fn new(config: BoardConfig, now: Micros) -> Self {
        let policy = Policy {
            decimals: config.decimals,
            session_timeout: config.session_timeout,
            multi_vend: config.multi_vend,
            hold_bills: config.hold_bills,
            mixed: config.cashless.mixed,
            shares: config.cashless.basket,
        };
        let mut board = Self {
            powered: true,
            master: BusMaster::new(config.timing),
            slots: Vec::new(),
            current: None,
            pulses: Vec::new(),
            mailbox: Mailbox::new(config.identity.file()),
            hoppers: Vec::new(),
            vending: Vending::new(config.items.clone(), policy),
            motor: Motor::default(),
            tellings: VecDeque::new(),
            delivered: Vec::new(),
            notices: Vec::new(),
            movements: Vec::new(),
            exact_change: false,
            in_service: false,
            changeable: Changeable::default(),
            config,
        };
        for expected in &board.config.expected {
            let name = expected.name.clone();
            match &expected.kind {
                ExpectedKind::Pulse(link) => {
                    board.pulses.push(PulseInput::new(name, (**link).clone()));
                }
                ExpectedKind::Hopper(link) => {
                    board.hoppers.push(Hopper::new(name, (**link).clone()));
                }
                _ => {}
            }
        }
        board.power_up(now);
        board
    }

    fn power_up(&mut self, now: Micros) {
        self.slots.clear();
        self.mailbox.reset();
        for input in &mut self.pulses {
            input.hold_off(now, true);
        }
        self.current = None;
        let prices = |pick: fn(Money, Money) -> Money| {
            self.config
                .items
                .iter()
                .map(|i| i.price)
                .reduce(pick)
                .unwrap_or_default()
        };
        let range = (prices(Ord::min), prices(Ord::max));
        for expected in &self.config.expected {
            let name = expected.name.clone();
            let (address, non_response, unit) = match &expected.kind {
                ExpectedKind::Changer => {
                    let driver = Changer::new(
                        name.clone(),
                        self.config.refused_coins.clone(),
                        self.config.changer.clone(),
                    );
                    (
                        Address::CHANGER,
                        Micros::secs(2),
                        Peer::Changer(Box::new(driver)),
                    )
                }
                ExpectedKind::BillValidator => {
                    let driver = Bill::new(name.clone(), self.config.bills.clone());
                    (
                        Address::BILL_VALIDATOR,
                        Micros::secs(5),
                        Peer::Bill(Box::new(driver)),
                    )
                }
                ExpectedKind::Cashless(unit) => {
                    let board = CashlessBoard {
                        level: Level(self.config.cashless_level),
                        identity: self.config.identity.clone(),
                        uses: self.config.cashless.clone(),
                        prices: range,
                    };
                    let driver = Cashless::new(name.clone(), *unit, board);
                    (
                        unit.address(),
                        Micros::secs(5),
                        Peer::Cashless(Box::new(driver)),
                    )
                }
                ExpectedKind::Pulse(_) | ExpectedKind::Hopper(_) => continue,
            };
            let poll_every = self.config.poll_every;
            let rhythm = Rhythm {
                poll_every,
                ..Rhythm::new(non_response)
            };
            let channel = Channel::new(address, rhythm, now);
            self.slots.push(Slot {
                name,
                channel,
                unit,
            });
        }
        if !self.slots.is_empty() {
            self.master.bus_reset(now);
        }
        self.update_welcome(now);
    }

    /// Power to the board comes or goes. Credit that was shown is lost with it, as on a board
    /// without a memory; the ledger keeps it.
    pub fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        self.master.power(now);
        for input in &mut self.pulses {
            input.power(now, on);
        }
        for hopper in &mut self.hoppers {
            hopper.power(now, on);
        }
        if !self.hoppers.is_empty() {
            // What a hopper had paid when the power went.
            self.settle(now);
        }
        self.motor.stop();
        if !on {
            self.vending.power_lost();
        }
        if on {
            self.power_up(now);
        }
    }

    /// True while the board has power.
    #[must_use]
    pub fn powered(&self) -> bool {
        self.powered
    }

    /// Resets the bus and sets everything up anew (section 2.2).
    pub fn bus_reset(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        self.current = None;
        self.mailbox.reset();
        self.master.bus_reset(now);
        for slot in &mut self.slots {
            slot.channel.restart(now);
        }
    }

    /// A word of a peripheral.
    pub fn heard(&mut self, word: &TimedWord) {
        if self.powered
            && let Some(outcome) = self.master.heard(word)
        {
            self.exchange_over(word.end, outcome);
        }
    }

    /// The level a line of the pulse device `name` has when the bench begins.
    pub fn pulse_level(&mut self, now: Micros, name: &str, line: &str, high: bool) {
        for input in self.pulses.iter_mut().filter(|p| p.name() == name) {
            input.level(now, line, high);
        }
    }

    /// A credit or exit line of the pulse device `name` changed.
    pub fn pulse_edge(&mut self, name: &str, line: &str, edge: Edge) {
        for input in self.pulses.iter_mut().filter(|p| p.name() == name) {
            input.edge(self.powered, line, edge);
        }
        for hopper in self.hoppers.iter_mut().filter(|h| h.wire() == name) {
            hopper.edge(line, edge);
        }
        if self.powered {
            self.settle(edge.at);
        }
    }

    /// Edges the board puts on lines of pulse devices since the last call: the device, the line
    /// (inhibit or motor), the edge.
    pub fn take_pulse_edges(&mut self) -> Vec<(String, String, Edge)> {
        let mut all = Vec::new();
        for input in &mut self.pulses {
            let name = input.name().to_owned();
            let edges = input.take_edges().into_iter();
            all.extend(edges.map(|(line, edge)| (name.clone(), line, edge)));
        }
        for hopper in &mut self.hoppers {
            let name = hopper.wire().to_owned();
            let edges = hopper.take_edges().into_iter();
            all.extend(edges.map(|(line, edge)| (name.clone(), line, edge)));
        }
        all
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let motor = self.motor.next_deadline();
        let pulses = self.pulses.iter().map(PulseInput::next_deadline);
        let pulses = pulses.chain(self.hoppers.iter().map(Hopper::next_deadline));
        let pulses = pulses.min();
        self.master
            .next_deadline()
            .min(self.next_command_at())
            .min(motor)
            .min(self.vending.next_deadline())
            .min(pulses.unwrap_or(Micros::NEVER))
    }

    fn next_command_at(&self) -> Micros {
        let due = self
            .slots
            .iter()
            .map(|s| s.channel.due().min(self.mailbox.due(s.channel.address)))
            .min()
            .unwrap_or(Micros::NEVER);
        due.max(self.master.free_at())
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        if let Some(outcome) = self.master.wake(now) {
            self.exchange_over(now, outcome);
        }
        let (instead, again) = (&self.config.instead, self.config.motor_time);
        if let Some((delivery, went_out)) = self.motor.done(now, instead, again) {
            self.delivered.extend(went_out);
            self.vending
                .delivered(now, delivery, &BoardMeans(&self.slots, &self.hoppers));
            if delivery.broken {
                self.welcome_cards(now, false);
            }
        }
        for input in &mut self.pulses {
            input.wake(now);
        }
        for hopper in &mut self.hoppers {
            hopper.wake(now);
        }
        self.vending.wake(now);
        self.settle(now);
        if self.master.is_free(now) {
            self.send_next(now);
            // A peripheral may just have become ready: what that changes is said at once.
            self.settle(now);
        }
    }

    fn send_next(&mut self, now: Micros) {
        let due = self
            .slots
            .iter()
            .enumerate()
            .flat_map(|(i, s)| {
                let mail = self.mailbox.due(s.channel.address);
                [(s.channel.due(), i, false), (mail, i, true)]
            })
            .min();
        let Some((_, index, is_mail)) = due.filter(|(at, ..)| *at <= now) else {
            return;
        };
        let Some(slot) = self.slots.get_mut(index) else {
            return;
        };
        let Slot { channel, unit, .. } = slot;
        let driver = unit.driver();
        let mail = is_mail.then(|| self.mailbox.command(channel.address));
        let block = match mail.flatten() {
            Some(message) => message,
            None => channel.next_command(now, driver),
        };
        self.current = Some(index);
        self.master.command(now, &block);
    }

    fn exchange_over(&mut self, now: Micros, outcome: Outcome) {
        if let Some(slot) = self.current.take().and_then(|i| self.slots.get_mut(i)) {
            let Slot { channel, unit, .. } = slot;
            let driver = unit.driver();
            let address = channel.address;
            let asked = channel.asked().copied();
            if let Some(outcome) = self.mailbox.sort(now, address, asked.as_ref(), outcome) {
                channel.outcome(now, &outcome, driver);
            }
            let polled = channel.life() == Life::Running;
            self.mailbox.sync(now, address, polled);
            self.notices.extend(self.mailbox.take_notices());
            if let Peer::Cashless(c) = &slot.unit {
                slot.channel.rhythm.non_response = c.non_response();
            }
        }
        self.settle(now);
    }

    /// Passes reports to the seller and orders to the drivers until nobody has anything to say.
    fn settle(&mut self, now: Micros) {
        for _ in 0..64 {
            let mut reports: Vec<Report> =
                self.slots.iter_mut().flat_map(Slot::take_reports).collect();
            reports.extend(self.pulses.iter_mut().flat_map(PulseInput::take_reports));
            reports.extend(self.hoppers.iter_mut().flat_map(Hopper::take_reports));
            let mut quiet = reports.is_empty();
            for report in reports {
                if let Report::Credit { device, value, .. } = &report {
                    self.hoppers
                        .iter_mut()
                        .for_each(|h| h.credited(device, *value));
                }
                if let Report::Notice(text) = report {
                    self.notices.push(text);
                } else {
                    self.vending
                        .report(now, report, &BoardMeans(&self.slots, &self.hoppers));
                }
            }
            while let Some(order) = self.vending.take_order() {
                quiet = false;
                self.carry_out(now, order);
            }
            if quiet {
                break;
            }
        }
        self.movements.extend(self.vending.take_movements());
        self.tell_on();
        self.update_welcome(now);
        for slot in &mut self.slots {
            while let Some(block) = slot.take_wanted() {
                slot.channel.want(now, block);
            }
            if slot.unit.driver().has_choice() {
                slot.channel.hurry(now);
            }
        }
    }

    fn carry_out(&mut self, now: Micros, order: Order) {
        match order {
            Order::Deliver(item) => self.motor.turn(item, now + self.config.motor_time, false),
            Order::TakeIn(item) => self.motor.turn(item, now + self.config.motor_time, true),
            Order::Pay(amount) => {
                // Bills first; what they leave is ordered again once they are out.
                let bills = in_bills(amount, &purse(&self.slots)).unwrap_or_default();
                let recycler = self.slots.iter_mut().find_map(|s| match &mut s.unit {
                    Peer::Bill(b) if bills > Money::ZERO => Some(b),
                    _ => None,
                });
                if let Some(recycler) = recycler {
                    recycler.pay(now, bills);
                    return;
                }
                let changer = self.slots.iter_mut().find_map(|s| match &mut s.unit {
                    Peer::Changer(c) => Some(c),
                    _ => None,
                });
                match changer {
                    Some(changer) => changer.pay(amount),
                    None if self.hoppers.iter_mut().any(|h| h.pay(now, amount)) => {}
                    None => {
                        let means = BoardMeans(&self.slots, &self.hoppers);
                        self.vending.report(now, Report::PayoutFailed, &means);
                    }
                }
            }
            Order::Stack(device) => self.with_bill(&device, Bill::stack),
            Order::Return(device) => self.with_bill(&device, Bill::give_back),
            Order::Tell(sold) => self.tell(sold),
            Order::CancelReaders => self.each_cashless(Cashless::cancel_reader),
            order => self.carry_out_on_card(order),
        }
    }

    fn with_bill(&mut self, device: &str, act: impl FnOnce(&mut Bill)) {
        let found = self.slots.iter_mut().find(|s| s.name == device);
        if let Some(Slot {
            unit: Peer::Bill(bill),
            ..
        }) = found
        {
            act(bill);
        }
    }

    /// Bills are welcome when whatever is then bought, the change can be paid; when some bill or
    /// other is not, the exact-change light is on.
    fn update_welcome(&mut self, now: Micros) {
        self.update_inhibits(now);
        let means = BoardMeans(&self.slots, &self.hoppers);
        let gives_change = means.gives_change();
        let mut known: Vec<Money> = Vec::new();
        for slot in &self.slots {
            if let Peer::Bill(bill) = &slot.unit {
                known.extend(bill.values());
            }
        }
        known.sort_unstable();
        known.dedup();
        // What can be changed is only worked out anew when something it depends on has changed.
        let basis = (
            purse(&self.slots),
            self.vending.credit(),
            known,
            gives_change,
        );
        if self.changeable.basis.as_ref() != Some(&basis) || !self.hoppers.is_empty() {
            let known = basis.2.iter().copied();
            let changeable = known.filter(|v| self.vending.is_changeable(*v, &means));
            self.changeable.values = changeable.collect();
            self.changeable.basis = Some(basis);
        }
        let smallest = self
            .changeable
            .basis
            .as_ref()
            .and_then(|basis| basis.2.first());
        self.exact_change =
            gives_change && smallest.is_some_and(|s| !self.changeable.values.contains(s));
        let welcome = match self.in_service {
            true => Vec::new(),
            false => self.changeable.values.clone(),
        };
        let limit = self.config.changer.credit_limit;
        let coins = !self.in_service
            && !self.vending.has_token()
            && limit.is_none_or(|limit| self.vending.credit() < limit);
        for slot in &mut self.slots {
            match &mut slot.unit {
                Peer::Bill(bill) => bill.set_welcome(welcome.clone()),
                Peer::Changer(changer) => changer.set_welcome(coins),
                Peer::Cashless(_) => {}
            }
        }
    }

    /// An acceptor on pulse lines has one line that holds it off, for all it takes, and no escrow:
    /// it may take money when the board is set up, no sale is under way, and whatever it takes can
    /// be changed.
    fn update_inhibits(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        let set_up = self.slots.iter().all(|s| {
            // A peripheral that is looked for in vain is not waited for.
            matches!(s.channel.life(), Life::Running | Life::Resetting { .. })
        });
        let free = set_up && self.vending.is_idle() && !self.vending.in_session();
        let means = BoardMeans(&self.slots, &self.hoppers);
        let changes = means.gives_change();
        for input in &mut self.pulses {
            let vending = &self.vending;
            let changeable = |v: &Money| vending.is_changeable(*v, &means);
            let welcome = free && (!changes || input.values().iter().all(changeable));
            input.hold_off(now, !welcome);
        }
    }

    /// A selection was pressed.
    pub fn select(&mut self, now: Micros, item: u16) {
        if self.powered {
            self.vending
                .select(now, item, &BoardMeans(&self.slots, &self.hoppers));
            self.settle(now);
        }
    }

    /// The machine's coin return was pressed.
    pub fn press_return(&mut self, now: Micros) {
        if self.powered {
            self.vending.press_return();
            self.settle(now);
        }
    }

    /// The machine's door is opened for service, or closed for sales: coins and bills are taken in
    /// sales mode only (sections 5.6, 6.6).
    pub fn set_service(&mut self, now: Micros, on: bool) {
        self.in_service = on;
        if self.powered {
            self.settle(now);
        }
    }

    /// The next delivery of this item fails.
    pub fn jam(&mut self, item: u16) {
        self.motor.expect(item, Mishap::Jam);
    }

    /// The next transmission, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        self.master.take_transmission()
    }

    /// What the board believes has moved since the last call.
    pub fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.movements)
    }

    /// What the display showed and what the board noticed since the last call.
    pub fn take_shown(&mut self) -> (Vec<String>, Vec<String>) {
        (self.vending.take_shown(), std::mem::take(&mut self.notices))
    }

    /// Items delivered since the last call.
    pub fn take_delivered(&mut self) -> Vec<u16> {
        std::mem::take(&mut self.delivered)
    }

    /// Files between the board and its peripherals (section 2.6).
    pub fn files(&mut self) -> &mut Mailbox {
        &mut self.mailbox
    }

    /// The seller, to look at.
    #[must_use]
    pub fn vending(&self) -> &Vending {
        &self.vending
    }

    /// The exact-change light: not even the smallest bill could be changed.
    #[must_use]
    pub fn exact_change(&self) -> bool {
        self.exact_change
    }

    /// Where a peripheral is in its life; `None` for a name the board does not expect on the bus.
    #[must_use]
    pub fn life(&self, name: &str) -> Option<Life> {
        self.slots
            .iter()
            .find(|s| s.name == name)
            .map(|s| s.channel.life())
    }

    /// True when every peripheral is set up and polled, and nothing else is waiting to be said.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.powered
            && self
                .slots
                .iter()
                .all(|s| s.channel.life() == Life::Running && !s.is_busy())
    }

    /// True when nothing is under way: no sale, no payout, no command but POLL.
    #[must_use]
    pub fn is_quiet(&self) -> bool {
        !self.motor.is_turning()
            && self.vending.is_idle()
            && self.tellings.is_empty()
            && self.mailbox.is_idle()
            && self.slots.iter().all(|s| !s.is_busy())
            && self.pulses.iter().all(PulseInput::is_quiet)
            && self.hoppers.iter().all(Hopper::is_quiet)
    }
}
