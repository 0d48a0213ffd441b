//! What is done at the machine: by the tool to its peripherals, by a person to the board.

use super::outside::Cold;
use super::undo::Repriced;
use super::*;
use payrig_bench::action::MachineAction;
use payrig_controller::CardPrice;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::cashless::CashlessState;

/// How often a switch is asked for that is not thrown.
const SWITCH_ATTEMPTS: u32 = 3;
/// Within this time a board that has power is heard (common practice, no source).
const UNTIL_HEARD: Micros = Micros::secs(10);
/// A board that says nothing for so long is off: it speaks every 200 ms (section 2.4.3).
const SILENT_FOR: Micros = Micros::ms(800);
/// So many of these times its supply may carry it.
const RUN_DOWN: u32 = 4;
/// What counts of a start from cold.
const COLD_FOR: Micros = Micros::secs(8);

/// What lets a peripheral take money, and what it is.
const ENABLED: [(What, &str); 3] = [
    (What::CoinType, "the changer"),
    (What::BillType, "the bill validator"),
    (What::ReaderEnable, "the card reader"),
];

/// What a check needs that the machine does not have.
fn not_there(what: &str) -> Skip {
    Skip::from(format!("needs {what}: the machine of the rig has none"))
}

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
            false => {
                self.questions += 1;
                self.act(&action);
            }
        }
    }

    /// What of the machine the checks work with.
    #[must_use]
    pub fn kit(&self) -> &Kit {
        &self.kit
    }

    /// Which peripherals are there.
    #[must_use]
    pub fn fitted(&self) -> Fitted {
        self.fitted
    }

    /// What a check needs, or its end where the machine does not have it.
    ///
    /// # Errors
    /// The end of the check.
    pub fn need<T>(&self, found: Result<T, &'static str>) -> Result<T, Seen> {
        found.map_err(|what| Seen::skipped(not_there(what)))
    }

    /// Ends a check that looks at a peripheral the machine does not have.
    ///
    /// # Errors
    /// The end of the check.
    pub fn fit(&self, addresses: &[Address]) -> Result<(), Seen> {
        let missing = ENABLED.iter().filter(|(what, _)| {
            let address = what.address();
            addresses.contains(&address) && !self.has(address)
        });
        match missing.map(|(_, who)| who).next() {
            Some(who) => {
                let what = format!("a {} on the bus", who.trim_start_matches("the "));
                Err(Seen::skipped(not_there(&what)))
            }
            None => Ok(()),
        }
    }

    /// True for a peripheral that is there.
    #[must_use]
    pub fn has(&self, address: Address) -> bool {
        match address {
            CHANGER => self.fitted.changer,
            BILL => self.fitted.bill,
            READER => self.fitted.cashless,
            _ => false,
        }
    }

    /// Likewise, in the middle of a check.
    pub(super) fn need_now<T>(&mut self, found: Result<T, &'static str>) -> Option<T> {
        match found {
            Ok(found) => Some(found),
            Err(what) => {
                self.end_with(Seen::skipped(not_there(what)));
                None
            }
        }
    }

    /// The validator played has an escrow.
    #[must_use]
    pub fn plays_escrow(&self) -> bool {
        self.has_escrow
    }

    /// The reader played gives refunds (section 7.4.2, Z8, b0).
    #[must_use]
    pub fn refunds_cards(&self) -> bool {
        self.refunds_cards
    }

    /// How long a pulse of the acceptor lasts.
    #[must_use]
    pub fn profile_on(&self) -> Micros {
        self.profile.on
    }

    /// The number of a selection; 0 where the machine has none for this.
    #[must_use]
    pub fn number(&self, pick: Pick) -> u16 {
        self.kit.item(pick).map_or(0, |item| item.number)
    }

    fn chosen(&mut self, pick: Pick) -> Option<Item> {
        let found = self.kit.item(pick).cloned();
        self.need_now(found)
    }

    /// Presses a selection.
    pub fn select(&mut self, pick: Pick) {
        let Some(item) = self.chosen(pick) else {
            return;
        };
        let (price, card) = (self.show(item.price), self.show(item.card_price()));
        let number = item.number;
        let costs = match price == card {
            true => price,
            false => format!("{price} in cash and {card} on a card"),
        };
        let text = format!(
            "press selection {}, which costs {costs}",
            self.keys.key(number)
        );
        self.at_machine(Action::Select { item: number }, text);
        // And whether the item fell.
        self.questions += 1;
        let last_press = Some((self.now(), self.customer()));
        if let Subject::Outside(hand) = &mut self.board {
            hand.pressed.push(number);
            hand.last_press = last_press;
        }
    }

    /// Presses the machine's coin return.
    pub fn press_return(&mut self) {
        if !self.is_outside() {
            self.act(&Action::PressReturn);
            return;
        }
        self.has_to_be(CHANGER);
        // A machine's coin return works the changer's lever, and that is ours (common practice, no
        // source).
        self.at_changer(ChangerAction::HoldLever(true));
        self.wait(Micros::ms(50));
        self.at_changer(ChangerAction::HoldLever(false));
    }

    /// Blocks the motor of an item once.
    pub fn block_motor(&mut self, pick: Pick) {
        let Some(item) = self.chosen(pick).map(|item| item.number) else {
            return;
        };
        let key = self.keys.key(item);
        let text = format!("make the next vend of selection {key} fail: block its motor");
        self.at_machine(Action::JamItem { item }, text);
        if let (Subject::Outside(hand), None) = (&mut self.board, &self.over) {
            hand.blocked.insert(item);
        }
    }

    /// Cuts the board's power, or gives it back. A person is believed as far as the wire agrees: where the
    /// bus goes on, or stays silent, the switch is asked for again.
    pub fn board_power(&mut self, on: bool) {
        let text = match on {
            true => "switch the machine on again",
            false => "switch the machine with the board off",
        };
        for attempt in 1..=SWITCH_ATTEMPTS {
            let from = self.now();
            self.at_machine(Action::Power { device: None, on }, text.to_owned());
            if self.over.is_some() || !self.is_outside() || self.obeyed(on, from) {
                break;
            }
            match (on, attempt) {
                // It may be dead for good: then that is what was found.
                (true, 1) => {
                    self.inform("Nothing is heard of the board: is the machine really on?")
                }
                (true, _) => break,
                (false, SWITCH_ATTEMPTS) => {
                    let text = "the machine was never off: the board went on speaking";
                    self.end_with(Seen::cannot_tell(text));
                }
                (false, _) => self.inform("The board goes on speaking: the machine is still on."),
            }
        }
        if let (Subject::Outside(hand), None) = (&mut self.board, &self.over) {
            hand.dark = !on;
        }
    }

    /// The mains of the machine fail, or are back: the board and the acceptor on its credit line. Where a
    /// person throws the switch, the acceptor is off as soon as that is asked for: no pulse comes while
    /// somebody walks to it.
    pub fn mains(&mut self, on: bool) {
        let acceptor = Action::Power {
            device: Some(self.pulse_name.clone()),
            on,
        };
        let first = self.is_outside() && !on;
        if first {
            self.act(&acceptor);
        }
        self.board_power(on);
        if !first {
            self.act(&acceptor);
        }
    }

    /// A selection has another price on cards, and in cash where the machine has one price for both.
    pub fn change_card_price(&mut self, pick: Pick, price: Money) {
        let Some(item) = self.chosen(pick) else {
            return;
        };
        let change = Repriced {
            key: self.keys.key(item.number),
            own_card_price: item.card_price() != item.price,
            item: item.number,
        };
        if !self.is_outside() {
            let price = CardPrice::Fixed(price);
            let what = MachineAction::SetCardPrice(item.number, price);
            self.act(&Action::AtMachine(what));
            return;
        }
        let (text, what) = change.to(price, self.decimals);
        let text = format!("{text}, while the card stays where it is");
        self.have_done(text, ToDo::Act(what));
        if let (Subject::Outside(hand), None) = (&mut self.board, &self.over) {
            hand.repriced
                .insert(item.number, (change, item.card_price()));
        }
    }

    /// The reader played has a session open.
    #[must_use]
    pub fn session_is_open(&self) -> bool {
        let reader = self.played.cashless.and_then(|id| self.run.bench.node(id));
        let state = reader.map(|reader: &Layered<CashlessDevice>| reader.device().state());
        matches!(
            state,
            Some(CashlessState::SessionIdle | CashlessState::Vend | CashlessState::Revalue)
        )
    }

    /// Takes all coins out of the tubes, counted by the changer.
    pub fn empty_tubes(&mut self) {
        self.at_changer(ChangerAction::BeginManualPayout);
        for (coin_type, count) in self.tubes.clone() {
            let coin = CoinType::of(coin_type).into();
            if count > 0 {
                self.at_changer(ChangerAction::ManualPayout(coin, count));
            }
        }
        self.at_changer(ChangerAction::EndManual);
    }

    /// Fills the tubes so that bills can be changed, counted by the changer.
    pub fn fill_tubes(&mut self) {
        for (coin_type, count) in self.kit.refill().to_vec() {
            for _ in 0..count {
                // A changer that is not polled ends the mode by itself after a while.
                self.at_changer(ChangerAction::BeginManualFill);
                self.insert_coin(Tender::Type(coin_type));
                self.wait(Micros::ms(400));
                self.at_changer(ChangerAction::EndManual);
            }
        }
    }

    /// What a switch did as the wire shows it: the board falls silent, or is heard.
    fn obeyed(&mut self, on: bool, from: Micros) -> bool {
        let heard = |b: &Self, from: Micros| {
            let mut blocks = b.since(from);
            blocks.any(|block| block.board) || b.breaks.iter().any(|(at, _)| *at >= from)
        };
        if on {
            return self.until_so(UNTIL_HEARD, |b| heard(b, from));
        }
        // Its supply may carry it for a while.
        (0..RUN_DOWN).any(|_| {
            let from = self.now();
            self.wait(SILENT_FOR);
            !heard(self, from)
        })
    }

    fn inform(&mut self, text: &str) {
        if let Subject::Outside(hand) = &mut self.board {
            hand.person.inform(text);
        }
    }

    /// The board begins from nothing: its power is cut and given back, and only what it says from
    /// then on counts. An emulated board begins so in any case, and of one outside one start is enough:
    /// later checks go by what was heard then.
    pub(in crate::board) fn cold_start(&mut self) {
        let Subject::Outside(hand) = &self.board else {
            return;
        };
        if let Some(cold) = hand.cold.clone() {
            self.blocks.splice(..0, cold.blocks);
            self.breaks.splice(..0, cold.breaks);
            self.held_off.splice(..0, cold.held_off);
            self.break_uncertainty = self.break_uncertainty.max(cold.break_uncertainty);
            return;
        }
        self.board_power(false);
        self.blocks.clear();
        self.breaks.clear();
        self.cold_since = Some(self.now());
        self.board_power(true);
    }

    /// Keeps what was heard of a start from cold for the checks that follow.
    fn keep_cold_start(&mut self) {
        let Some(since) = self.cold_since.filter(|_| self.over.is_none()) else {
            return;
        };
        self.until(self.now().max(since + COLD_FOR));
        if self.over.is_some() || !self.slept.is_empty() || self.run.is_over() {
            return;
        }
        let cold = Cold {
            blocks: self.blocks.clone(),
            breaks: self.breaks.clone(),
            break_uncertainty: self.break_uncertainty,
            held_off: self.held_off.clone(),
        };
        if let Subject::Outside(hand) = &mut self.board {
            hand.cold = Some(cold);
        }
    }

    /// The name of the peripheral at an address.
    fn name(&self, address: Address) -> String {
        self.names.get(&address).cloned().unwrap_or_default()
    }

    /// Something happens to the changer, or is done at it.
    pub fn at_changer(&mut self, what: ChangerAction) {
        self.has_to_be(CHANGER);
        let device = self.name(CHANGER);
        self.act(&Action::AtChanger { device, what });
    }

    fn insert_coin(&mut self, coin: Tender) {
        let device = self.name(CHANGER);
        self.act(&Action::InsertCoin { device, coin });
    }

    /// Puts a coin into the changer.
    pub fn coin(&mut self, which: CoinFor) {
        self.needs(CHANGER);
        let found = self.kit.coin(which);
        if let Some((coin_type, _)) = self.need_now(found) {
            self.paid_in = true;
            self.insert_coin(Tender::Type(coin_type));
        }
    }

    /// Puts coins into the changer, one a second, and says what they are worth.
    pub fn put_in(&mut self, sum: Sum) -> Money {
        self.needs(CHANGER);
        let found = self.kit.sum(sum).map(<[u8]>::to_vec);
        let coins = self.need_now(found).unwrap_or_default();
        for (before, coin_type) in coins.iter().enumerate() {
            if before > 0 {
                self.secs(1);
            }
            self.paid_in = true;
            self.insert_coin(Tender::Type(*coin_type));
        }
        self.kit.sum_worth(sum)
    }

    /// Puts something that is no coin into the changer.
    pub fn slug(&mut self) {
        self.has_to_be(CHANGER);
        self.insert_coin(Tender::Unknown);
    }

    /// Something happens to the bill validator, or is done at it.
    pub fn at_validator(&mut self, what: BillAction) {
        self.has_to_be(BILL);
        let device = self.name(BILL);
        self.act(&Action::AtBillValidator { device, what });
    }

    fn insert_bill(&mut self, bill: Tender) {
        let device = self.name(BILL);
        self.act(&Action::InsertBill { device, bill });
    }

    /// Puts in a bill, and says what it is worth.
    pub fn bill(&mut self, which: BillFor) -> Money {
        self.needs(BILL);
        let found = self.kit.bill(which);
        let Some((bill_type, value)) = self.need_now(found) else {
            return Money::ZERO;
        };
        self.paid_in = true;
        self.insert_bill(Tender::Type(bill_type));
        value
    }

    /// Puts in a piece of paper.
    pub fn paper(&mut self) {
        self.has_to_be(BILL);
        self.insert_bill(Tender::Unknown);
    }

    /// Something is done at the card reader, or it does something.
    pub fn at_reader(&mut self, what: CashlessAction) {
        self.has_to_be(READER);
        let device = self.name(READER);
        self.act(&Action::AtCashless { device, what });
    }

    /// Presents a card that can buy anything the checks buy.
    pub fn rich_card(&mut self) {
        let balance = self.kit.balance();
        self.card(Some(balance));
    }

    /// Presents a card with this balance in minor units; `None` when the reader does not know it.
    pub fn card(&mut self, balance: Option<i64>) {
        self.needs(READER);
        let found = self.kit.for_cards();
        self.need_now(found);
        self.act(&Action::PresentCard {
            device: self.name(READER),
            balance: balance.map(Money),
            amount: None,
        });
    }

    /// Cuts or gives back the power of the peripheral at an address.
    pub fn power(&mut self, address: Address, on: bool) {
        self.has_to_be(address);
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

    /// Ends the faults on the wire of a peripheral that have not struck yet.
    pub fn end_faults(&mut self, address: Address) {
        let (device, address) = (None, Some(address));
        self.act(&Action::EndFaults { device, address });
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

    /// Ends the check when the machine has no such peripheral.
    fn has_to_be(&mut self, address: Address) {
        if let Err(end) = self.fit(&[address]) {
            self.end_with(end);
        }
    }

    /// Ends the check when the machine has no such peripheral, or the board has never let it take
    /// anything.
    fn needs(&mut self, address: Address) {
        self.has_to_be(address);
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
        let all = all.filter(|what| self.has(what.address()));
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

    /// What was sold, at its cash prices.
    #[must_use]
    pub fn sold(&mut self) -> Money {
        let delivered = self.delivered();
        delivered.iter().map(|item| self.price_of(*item)).sum()
    }

    /// What was sold, at its card prices.
    #[must_use]
    pub fn sold_at_card_prices(&mut self) -> Money {
        let delivered = self.delivered();
        let price = |item: &u16| {
            let found = self.items.iter().find(|i| i.number == *item);
            found.map_or(Money::ZERO, Item::card_price)
        };
        delivered.iter().map(price).sum()
    }

    /// The cash price of an item.
    pub(super) fn price_of(&self, item: u16) -> Money {
        let found = self.items.iter().find(|i| i.number == item);
        found.map_or(Money::ZERO, |i| i.price)
    }

    /// What the machine sells.
    #[must_use]
    pub fn items(&self) -> &[Item] {
        &self.items
    }

    /// Ends the bench.
    #[must_use]
    pub fn finish(self) -> Evidence {
        self.end().0
    }

    /// Ends the bench and gives the board outside back, where there is one.
    #[must_use]
    pub(in crate::board) fn end(mut self) -> (Evidence, Option<BoardOutside>) {
        self.keep_cold_start();
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
            questions: self.questions,
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
