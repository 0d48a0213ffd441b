//! What is done at the machine: by the tool to its peripherals, by a person to the board.

use super::*;

/// What lets a peripheral take money, and what it is.
const ENABLED: [(What, &str); 3] = [
    (What::CoinType, "the changer"),
    (What::BillType, "the bill validator"),
    (What::ReaderEnable, "the card reader"),
];

impl BoardBench {
    /// Something is done on the bench that it cannot refuse: what it is done at is there.
    pub(super) fn act(&mut self, action: &Action) {
        if let Err(why) = self.run.bench.act(action) {
            self.end_with(Seen::cannot_tell(why.to_string()));
        }
        self.gather();
    }

    /// Has something done at the machine: on the bench, where the board is emulated, or else by a person
    /// who is asked to in these words.
    fn at_machine(&mut self, action: Action, text: String) {
        match self.is_outside() {
            true => self.have_done(text, ToDo::Act(action)),
            false => self.act(&action),
        }
    }

    /// Presses a selection.
    pub fn select(&mut self, item: u16) {
        let price = self.prices.get(&item).copied().unwrap_or_default();
        let text = format!("press selection {item}, which costs {}", self.show(price));
        self.at_machine(Action::Select { item }, text);
        let last_press = Some((self.now(), self.customer()));
        if let Subject::Outside(hand) = &mut self.board {
            hand.pressed.push(item);
            hand.last_press = last_press;
        }
    }

    /// Presses the machine's coin return.
    pub fn press_return(&mut self) {
        if !self.is_outside() {
            self.act(&Action::PressReturn);
            return;
        }
        // A machine's coin return works the changer's lever, and that is ours (common practice, no
        // source).
        self.at_changer(ChangerAction::HoldLever(true));
        self.wait(Micros::ms(50));
        self.at_changer(ChangerAction::HoldLever(false));
    }

    /// Blocks the motor of an item once.
    pub fn block_motor(&mut self, item: u16) {
        let text = format!("make the next vend of selection {item} fail: block its motor");
        self.at_machine(Action::JamItem { item }, text);
        if let (Subject::Outside(hand), None) = (&mut self.board, &self.over) {
            hand.blocked.insert(item);
        }
    }

    /// Cuts the board's power, or gives it back.
    pub fn board_power(&mut self, on: bool) {
        let text = match on {
            true => "switch the machine on again",
            false => "switch the machine with the board off",
        };
        self.at_machine(Action::Power { device: None, on }, text.to_owned());
        if let (Subject::Outside(hand), None) = (&mut self.board, &self.over) {
            hand.dark = !on;
        }
    }

    /// The board begins from nothing: its power is cut and given back, and only what it says from
    /// then on counts. An emulated board begins so in any case.
    pub(in crate::board) fn cold_start(&mut self) {
        if !self.is_outside() {
            return;
        }
        self.board_power(false);
        self.blocks.clear();
        self.breaks.clear();
        self.board_power(true);
    }

    /// The name of the peripheral at an address.
    fn name(&self, address: Address) -> String {
        self.names.get(&address).cloned().unwrap_or_default()
    }

    /// Something happens to the changer, or is done at it.
    pub fn at_changer(&mut self, what: ChangerAction) {
        let device = self.name(CHANGER);
        self.act(&Action::AtChanger { device, what });
    }

    fn insert_coin(&mut self, coin: Tender) {
        let device = self.name(CHANGER);
        self.act(&Action::InsertCoin { device, coin });
    }

    /// Puts a coin of this type into the changer.
    pub fn coin(&mut self, coin_type: u8) {
        self.needs(CHANGER);
        self.paid_in = true;
        self.insert_coin(Tender::Type(coin_type));
    }

    /// Puts something that is no coin into the changer.
    pub fn slug(&mut self) {
        self.insert_coin(Tender::Unknown);
    }

    /// Something happens to the bill validator, or is done at it.
    pub fn at_validator(&mut self, what: BillAction) {
        let device = self.name(BILL);
        self.act(&Action::AtBillValidator { device, what });
    }

    fn insert_bill(&mut self, bill: Tender) {
        let device = self.name(BILL);
        self.act(&Action::InsertBill { device, bill });
    }

    /// Puts in a bill of this type.
    pub fn bill(&mut self, bill_type: u8) {
        self.needs(BILL);
        self.paid_in = true;
        self.insert_bill(Tender::Type(bill_type));
    }

    /// Puts in a piece of paper.
    pub fn paper(&mut self) {
        self.insert_bill(Tender::Unknown);
    }

    /// Something is done at the card reader, or it does something.
    pub fn at_reader(&mut self, what: CashlessAction) {
        let device = self.name(READER);
        self.act(&Action::AtCashless { device, what });
    }

    /// Presents a card with this balance in minor units; `None` when the reader does not know it.
    pub fn card(&mut self, balance: Option<i64>) {
        self.needs(READER);
        self.act(&Action::PresentCard {
            device: self.name(READER),
            balance: balance.map(Money),
            amount: None,
        });
    }

    /// Cuts or gives back the power of the peripheral at an address.
    pub fn power(&mut self, address: Address, on: bool) {
        let device = self.names.get(&address).cloned();
        if device.is_some() {
            self.act(&Action::Power { device, on });
        }
    }

    /// Puts a fault on the wire.
    pub fn fault(&mut self, fault: Fault) {
        if let Err(why) = self.run.bench.inject(BusId::BOARD, fault) {
            self.end_with(Seen::cannot_tell(why.to_string()));
        }
    }

    /// Waits until the board has enabled every peripheral, half a minute at most. Where it never
    /// enables one, a check that puts money into that one is over: what it would see is of no other
    /// cause.
    pub fn ready(&mut self) -> Micros {
        self.ready_or_not();
        // A person may have taken their time before: what was said earlier counts, too.
        self.never = self.not_enabled(self.began);
        self.now()
    }

    /// Ends the check when the board has never let this peripheral take anything.
    fn needs(&mut self, address: Address) {
        let what = ENABLED.iter().find(|(what, _)| what.address() == address);
        if let Some((_, what)) = what.filter(|_| self.never.contains(&address))
            && self.over.is_none()
        {
            self.end_with(Seen::cannot_tell(format!(
                "the board never lets {what} take anything: mend that first, see the checks of the start"
            )));
        }
    }

    /// Waits likewise; where the board never does, the check goes on: it is about that.
    pub fn ready_or_not(&mut self) -> Micros {
        let from = self.now();
        for _ in 0..300 {
            self.wait(Micros::ms(100));
            if self.not_enabled(from).is_empty() {
                break;
            }
        }
        self.secs(2);
        self.now()
    }

    /// Peripherals that the board has not enabled since a time.
    fn not_enabled(&self, from: Micros) -> Vec<Address> {
        let all = ENABLED.iter().map(|(what, _)| *what);
        let missing = all.filter(|what| self.count(from, *what) == 0);
        missing.map(What::address).collect()
    }

    /// From here on nobody does anything: polling intervals are measured.
    pub fn rest(&mut self) -> Micros {
        self.resting_since = Some(self.now());
        self.now()
    }

    /// Takes the card out of the reader.
    pub fn take_card(&mut self) {
        let device = self.name(READER);
        self.act(&Action::RemoveCard { device });
    }

    /// Lets time pass until the bench is so, for so long at most; false when it never was.
    pub fn until_so(&mut self, most: Micros, so: impl Fn(&Self) -> bool) -> bool {
        let by = self.now() + most;
        while self.now() < by {
            if so(self) {
                return true;
            }
            self.wait(Micros::ms(5));
        }
        so(self)
    }

    /// What cards have paid.
    #[must_use]
    pub fn card_paid(&self) -> Money {
        self.sum(|p| matches!(p, Place::CardReceipts(_)))
    }

    /// What was sold, at its prices.
    #[must_use]
    pub fn sold(&mut self) -> Money {
        let delivered = self.delivered();
        let price = |item: &u16| self.prices.get(item).copied().unwrap_or_default();
        delivered.iter().map(price).sum()
    }

    /// Ends the bench.
    #[must_use]
    pub fn finish(self) -> Evidence {
        self.end().0
    }

    /// Ends the bench and gives the board outside back, where there is one.
    #[must_use]
    pub(in crate::board) fn end(mut self) -> (Evidence, Option<BoardOutside>) {
        self.run.rest_lines();
        self.undo();
        self.run.bench.close();
        self.gather();
        let from = self.resting_since.unwrap_or(Micros::NEVER);
        let polls = |address| {
            let polls = self.since(from).filter(|c| c.is(What::Poll(address)));
            Timed::times(&self.intervals(polls))
        };
        let interval = |what: &str, values| Interval::at_most(what, Micros::ms(200), values);
        let intervals = vec![
            Interval::at_most(
                "time to acknowledge",
                Micros::ms(5),
                Timed::times(&measured::acknowledged(&self)),
            ),
            Interval::at_most(
                "longest pause in a command",
                Micros::ms(1),
                Timed::times(&measured::pauses(&self)),
            ),
            interval("polling interval of the changer", polls(CHANGER)),
            interval("polling interval of the bill validator", polls(BILL)),
            interval("polling interval of the cashless device", polls(READER)),
        ];
        let trains = measured::sent_trains(&self.entries, self.now());
        let entries = self.run.left_to_record(std::mem::take(&mut self.entries));
        let broken_off = self.run.broken_off();
        let credit_left = self.leaves_credit();
        let habits = self.habits;
        let (live, now) = (self.is_outside(), self.now());
        let (uncertainty, late_by) = (self.run.uncertainty(), self.run.late_by());
        let (bench, linked) = self.run.apart();
        let outside = match (self.board, linked) {
            (Subject::Outside(mut hand), Some(linked)) => {
                hand.habits = habits;
                Some(BoardOutside {
                    linked,
                    hand,
                    identity: self.identity,
                    credit_left,
                })
            }
            _ => None,
        };
        let evidence = Evidence {
            began: self.began,
            live,
            uncertainty,
            late_by,
            slept: slept_for(&self.slept),
            entries,
            seen_by: self.seen_by.get(),
            over: broken_off.or(self.over),
            now,
            intervals,
            findings: self.findings,
            trains,
            books: bench.books().clone(),
        };
        (evidence, outside)
    }
}
