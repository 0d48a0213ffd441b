//! What of a machine the checks work with: selections, coins and bills that suit them, chosen once from
//! the machine's own, and the words for them.

use super::setup::BoardSetup;
use payrig_controller::{CardPrice, Item, Stock, make_change};
use payrig_peripherals::bill::BillKind;
use payrig_peripherals::changer::CoinWorth;
use payrig_pulse::Coding;
use payrig_units::{Decimals, Micros, Money, words};

/// A selection of the machine, by what it is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pick {
    /// The one that most is bought of: the cheapest that coins and cards can pay.
    Cheap,
    /// Another one.
    Dear,
}

/// A coin of the changer, by what it is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoinFor {
    /// It goes to a tube.
    Tube,
    /// It goes to another tube.
    OtherTube,
    /// It has no tube, so it goes to the cash box.
    CashBox,
}

/// A bill of the validator, by what it is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BillFor {
    /// One that the tubes can change.
    Change,
    /// Another such, beside the first.
    Second,
    /// One that they cannot.
    TooLarge,
}

/// Coins that are put in together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sum {
    /// More than the cheap selection costs, with change that the tubes can pay.
    Over,
    /// Exactly its price.
    Exact,
    /// Three times [`Over`](Self::Over), which the tubes can pay back.
    Owed,
    /// The same and a coin, which takes coins of several tubes to pay back, whichever jams.
    OwedFromSeveral,
}

/// What is chosen. What a machine does not have is `None`, and checks that need it are skipped.
#[derive(Clone, Debug)]
pub struct Kit {
    decimals: Decimals,
    cheap: Option<Item>,
    /// A card can pay for it, in counts of the reader.
    for_cards: bool,
    dear: Option<Item>,
    tube: Option<(u8, Money)>,
    other_tube: Option<(u8, Money)>,
    cash_box: Option<(u8, Money)>,
    over: Option<Vec<u8>>,
    exact: Option<Vec<u8>>,
    owed: Option<Vec<u8>>,
    from_several: Option<Vec<u8>>,
    /// A tube that change comes from, and that others can make up for.
    made_up_for: Option<u8>,
    bill: Option<(u8, Money)>,
    second: Option<(u8, Money)>,
    too_large: Option<(u8, Money)>,
    /// Sales for exact coins after which empty tubes can change the bill.
    sales: Option<u32>,
    /// What a pulse train of the least amount is, and one of several pulses.
    pulse: Option<Money>,
    train: Option<Money>,
    unit: Option<(u32, Money)>,
    /// Whether some bill, or some pulse, needs change.
    bill_needs_change: bool,
    /// The bill is taken behind a coin of the tube.
    bill_after_coin: bool,
    pulse_needs_change: bool,
    coins: Vec<(u8, Money)>,
    /// Coins that empty tubes are filled with so that bills can be changed: coin type, how many.
    refill: Vec<(u8, u32)>,
    scale: i64,
    on: Micros,
    coins_on_pulses: bool,
}

impl Kit {
    /// What suits the checks of a setup, with its tubes as they are filled for it.
    #[must_use]
    pub fn of(setup: &BoardSetup) -> Self {
        let board = &setup.board;
        let fitted = setup.fitted;
        let refused = |value: &Money| board.refused_coins.contains(value);
        let mut coins: Vec<(u8, Money)> = Vec::new();
        let (mut tubes, mut room) = (Vec::new(), Vec::new());
        for (coin_type, coin) in (0u8..).zip(&setup.changer.coins) {
            let Some(coin) = coin.as_ref().filter(|_| fitted.changer) else {
                continue;
            };
            let CoinWorth::Money(value) = coin.worth else {
                continue;
            };
            let taken = value > Money::ZERO && !refused(&value);
            if let Some(tube) = coin.tube.filter(|tube| !tube.defective) {
                tubes.push(Stock {
                    coin_type,
                    value,
                    count: tube.coins.into(),
                });
                room.extend(taken.then_some((coin_type, value)));
            }
            coins.extend(taken.then_some((coin_type, value)));
        }
        let scale = i64::from(setup.cashless.scale.max(1));
        let mut kit = Self {
            decimals: board.decimals,
            cheap: None,
            for_cards: false,
            dear: None,
            tube: None,
            other_tube: None,
            cash_box: None,
            over: None,
            exact: None,
            owed: None,
            from_several: None,
            made_up_for: None,
            bill: None,
            second: None,
            too_large: None,
            sales: None,
            pulse: None,
            train: None,
            unit: None,
            bill_needs_change: false,
            bill_after_coin: false,
            pulse_needs_change: false,
            coins,
            refill: Vec::new(),
            scale,
            on: setup.pulse.pulse.on,
            coins_on_pulses: setup.pulse_coins.is_some(),
        };
        // In 16 bits, with room for a balance of several times that.
        let top = 65_534;
        let card_can = |item: &Item| {
            let card = item.card_price().as_minor();
            !fitted.cashless || card > 0 && card % scale == 0 && card / scale <= top / 4
        };
        let limit = board.changer.credit_limit;
        let mut items: Vec<&Item> = setup
            .items
            .iter()
            .filter(|i| i.price > Money::ZERO)
            .collect();
        items.sort_by_key(|i| i.price);
        // The cheapest that suits everything; else that suits cards; else the cheapest.
        let suits = |item: &&&Item| {
            let pays = kit.over_price(item.price, &tubes, limit).is_some();
            card_can(item) && (pays || !fitted.changer)
        };
        let cheap = items.iter().find(suits);
        let cheap = cheap.or_else(|| items.iter().find(|i| card_can(i)));
        let cheap = cheap.or_else(|| items.first()).copied().cloned();
        let Some(cheap) = cheap else {
            return kit;
        };
        let others = || {
            items
                .iter()
                .filter(|i| i.number != cheap.number && card_can(i))
        };
        let dearer = others().find(|i| i.price > cheap.price);
        kit.dear = dearer.or_else(|| others().next()).map(|i| (**i).clone());
        kit.for_cards = card_can(&cheap);
        kit.choose_coins(&cheap, &tubes, &room, limit);
        let prices: Vec<Money> = setup.items.iter().map(|i| i.price).collect();
        kit.choose_bills(setup, &prices, &tubes);
        kit.choose_pulses(setup, &prices, &tubes);
        kit.sales = kit.sales_until_change(&prices, &tubes);
        kit.refill = kit.refill_of(setup, &prices, &tubes);
        kit.cheap = Some(cheap);
        kit
    }

    fn choose_coins(
        &mut self,
        cheap: &Item,
        tubes: &[Stock],
        room: &[(u8, Money)],
        limit: Option<Money>,
    ) {
        let worth = |coin: &&(u8, Money)| coin.1;
        self.tube = room.iter().max_by_key(worth).copied();
        let other = room.iter().filter(|c| Some(**c) != self.tube);
        self.other_tube = other.max_by_key(worth).copied();
        let mut boxed = self.coins.iter().filter(|c| !room.contains(c));
        self.cash_box = boxed.find(|c| can_pay(c.1, tubes)).copied();
        let Some((over, change)) = self.over_price(cheap.price, tubes, limit) else {
            return;
        };
        self.exact = self.exactly(cheap.price, limit);
        let by_three: Vec<u8> = over.iter().chain(&over).chain(&over).copied().collect();
        let owed = self.worth(&by_three);
        if can_pay(owed, tubes) && self.can_go_in(&by_three, limit) {
            let mut several = by_three.clone();
            several.extend(self.other_tube.map(|(coin, _)| coin));
            let all = self.worth(&several);
            if all > owed && whichever_jams(all, tubes) && self.can_go_in(&several, limit) {
                self.from_several = Some(several);
            }
            // A payout that can be cut short takes several coins.
            let coins = make_change(owed, tubes).unwrap_or_default();
            let number: u32 = coins.iter().map(|(_, n)| n).sum();
            self.owed = (number > 3).then_some(by_three);
        }
        let parts = make_change(change, tubes).unwrap_or_default();
        let made_up = |(coin, _): &&(u8, u32)| {
            let others: Vec<Stock> = tubes
                .iter()
                .filter(|s| s.coin_type != *coin)
                .copied()
                .collect();
            can_pay(change, &others)
        };
        self.made_up_for = parts.iter().find(made_up).map(|(coin, _)| *coin);
        self.over = Some(over);
    }

    fn choose_bills(&mut self, setup: &BoardSetup, prices: &[Money], tubes: &[Stock]) {
        if !setup.fitted.bill {
            return;
        }
        let refused = &setup.board.bills.refused;
        let kinds = (0u8..).zip(&setup.bill.bills);
        let bills: Vec<(u8, Money)> = kinds
            .filter_map(|(t, kind)| match kind {
                BillKind::Value(value) if *value > Money::ZERO && !refused.contains(value) => {
                    Some((t, *value))
                }
                _ => None,
            })
            .collect();
        let good = |value: Money| is_changeable(value, prices, tubes) && can_pay(value, tubes);
        let mut fitting: Vec<(u8, Money)> = bills.iter().copied().filter(|b| good(b.1)).collect();
        fitting.sort_by_key(|b| b.1);
        self.bill = fitting.first().copied();
        if let Some((_, first)) = self.bill {
            let second = fitting.iter().skip(1);
            let both = |b: &&(u8, Money)| good(first.saturating_add(b.1));
            self.second = second.clone().find(both).copied();
            let coin = self.tube.map_or(Money::ZERO, |(_, value)| value);
            self.bill_after_coin = good(first.saturating_add(coin));
            self.bill_needs_change = !is_changeable(first, prices, &[]);
        }
        let large = bills.iter().filter(|b| !is_changeable(b.1, prices, tubes));
        self.too_large = large.max_by_key(|b| b.1).copied();
    }

    fn choose_pulses(&mut self, setup: &BoardSetup, prices: &[Money], tubes: &[Stock]) {
        let Coding::Count { pulses, unit } = setup.pulse.pulse.coding else {
            return;
        };
        let mut values: Vec<Money> = setup.pulse.bills.clone();
        values.sort_unstable();
        // It is let in only where whatever it takes can be changed.
        let changeable = values.iter().all(|v| is_changeable(*v, prices, tubes));
        if !setup.fitted.pulse || !changeable || setup.fitted.changer && tubes.is_empty() {
            return;
        }
        let good = |v: &&Money| can_pay(**v, tubes) && v.as_minor() % unit.as_minor().max(1) == 0;
        let several = |v: &&Money| {
            let units = v.as_minor() / unit.as_minor().max(1);
            units * i64::from(pulses) > 1
        };
        self.pulse = values.iter().find(good).copied();
        // Once it is paid back the next one can be taken.
        let again = |v: &&Money| {
            let paid = make_change(**v, tubes).unwrap_or_default();
            let left = |s: &Stock| {
                let out = paid.iter().find(|(coin, _)| *coin == s.coin_type);
                Stock {
                    count: s.count.saturating_sub(out.map_or(0, |(_, n)| *n)),
                    ..*s
                }
            };
            let left: Vec<Stock> = tubes.iter().map(left).collect();
            let first = values.iter().find(good);
            values.iter().all(|v| is_changeable(*v, prices, &left))
                && first.is_some_and(|first| can_pay(*first, &left))
        };
        self.train = values
            .iter()
            .filter(good)
            .filter(again)
            .find(several)
            .copied();
        self.unit = can_pay(unit, tubes).then_some((pulses, unit));
        self.pulse_needs_change = values.iter().any(|v| !is_changeable(*v, prices, &[]));
    }

    /// So many sales for exact coins fill empty tubes so that the bill can be changed; at least four.
    fn sales_until_change(&self, prices: &[Money], tubes: &[Stock]) -> Option<u32> {
        let (exact, (_, bill)) = (self.exact.as_ref()?, self.bill?);
        let after = |sales: u32| -> Vec<Stock> {
            let filled = |s: &Stock| {
                let each = exact.iter().filter(|c| **c == s.coin_type).count();
                Stock {
                    count: u32::try_from(each).unwrap_or(0) * sales,
                    ..*s
                }
            };
            tubes.iter().map(filled).collect()
        };
        (4..=8).find(|sales| is_changeable(bill, prices, &after(*sales)))
    }

    /// Few coins of each tube that make bills changeable; else what is in the tubes.
    fn refill_of(&self, setup: &BoardSetup, prices: &[Money], tubes: &[Stock]) -> Vec<(u8, u32)> {
        let pulses = setup.pulse.bills.iter().filter(|_| self.pulse.is_some());
        let bills: Vec<Money> = self
            .bill
            .iter()
            .map(|b| b.1)
            .chain(pulses.copied())
            .collect();
        let some = |most: u32| -> Vec<Stock> {
            let less = |s: &Stock| Stock {
                count: s.count.min(most),
                ..*s
            };
            tubes.iter().map(less).collect()
        };
        let good = |most: &u32| {
            bills
                .iter()
                .all(|b| is_changeable(*b, prices, &some(*most)))
        };
        let most = [8, 16, 32].into_iter().find(good).unwrap_or(u32::MAX);
        some(most).iter().map(|s| (s.coin_type, s.count)).collect()
    }

    /// Coins that empty tubes are filled with so that bills can be changed: coin type, how many.
    #[must_use]
    pub fn refill(&self) -> &[(u8, u32)] {
        &self.refill
    }

    /// The fewest coins that are worth more than a price, with change that can be paid.
    fn over_price(
        &self,
        price: Money,
        tubes: &[Stock],
        limit: Option<Money>,
    ) -> Option<(Vec<u8>, Money)> {
        let mut best: Option<(Vec<u8>, Money)> = None;
        for (coin, value) in &self.coins {
            let count = price.as_minor() / value.as_minor().max(1) + 1;
            let Some(count) = usize::try_from(count).ok().filter(|n| *n <= 12) else {
                continue;
            };
            let coins = vec![*coin; count];
            let paid = self.worth(&coins);
            let change = paid.saturating_sub(price);
            let pays = can_pay(change, tubes) && can_pay(paid, tubes);
            let fewer = best.as_ref().is_none_or(|(b, _)| coins.len() < b.len());
            if pays && fewer && self.can_go_in(&coins, limit) {
                best = Some((coins, change));
            }
        }
        best
    }

    /// Coins of tubes and cash box that are worth exactly this, the largest first.
    fn exactly(&self, price: Money, limit: Option<Money>) -> Option<Vec<u8>> {
        let stock: Vec<Stock> = self
            .coins
            .iter()
            .map(|(coin_type, value)| Stock {
                coin_type: *coin_type,
                value: *value,
                count: 12,
            })
            .collect();
        let mut coins = Vec::new();
        for (coin, count) in make_change(price, &stock)? {
            coins.extend(std::iter::repeat_n(coin, usize::try_from(count).ok()?));
        }
        (coins.len() <= 12 && self.can_go_in(&coins, limit)).then_some(coins)
    }

    /// No coin of these comes back because the credit has reached the limit.
    fn can_go_in(&self, coins: &[u8], limit: Option<Money>) -> bool {
        let Some(limit) = limit else { return true };
        let before_last = coins.split_last().map_or(&[][..], |(_, rest)| rest);
        self.worth(before_last) < limit
    }

    fn worth(&self, coins: &[u8]) -> Money {
        let value = |coin: &u8| {
            let found = self.coins.iter().find(|(t, _)| t == coin);
            found.map_or(Money::ZERO, |(_, value)| *value)
        };
        coins.iter().map(value).sum()
    }

    /// A selection.
    ///
    /// # Errors
    /// When the machine has none for this: what would be needed.
    pub fn item(&self, pick: Pick) -> Result<&Item, &'static str> {
        match pick {
            Pick::Cheap => self
                .cheap
                .as_ref()
                .ok_or("a selection that costs something"),
            Pick::Dear => self.dear.as_ref().ok_or(
                "two selections that cost something, at card prices that the reader can express",
            ),
        }
    }

    /// Whether a card can pay for a selection.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn for_cards(&self) -> Result<(), &'static str> {
        match self.for_cards {
            true => Ok(()),
            false => Err("a selection with a card price that the reader can express"),
        }
    }

    /// A coin: its type and value.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn coin(&self, which: CoinFor) -> Result<(u8, Money), &'static str> {
        match which {
            CoinFor::Tube => self.tube.ok_or("a coin that goes to a tube of the changer"),
            CoinFor::OtherTube => self.other_tube.ok_or("two coins that go to tubes"),
            CoinFor::CashBox => self.cash_box.ok_or(
                "a coin without a tube that the tubes can pay back, which goes to the cash box",
            ),
        }
    }

    /// Coins that are put in together, by type.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn sum(&self, sum: Sum) -> Result<&[u8], &'static str> {
        match sum {
            Sum::Over => self
                .over
                .as_deref()
                .ok_or("coins that pay for a selection with change, and tubes that can pay it"),
            Sum::Exact => self
                .exact
                .as_deref()
                .ok_or("at most 12 coins that are exactly a price"),
            Sum::Owed => self.owed.as_deref().ok_or(
                "tubes that can pay back three times the coins for a selection, in more than three \
                 coins",
            ),
            Sum::OwedFromSeveral => self
                .from_several
                .as_deref()
                .ok_or("tubes that can pay that much whichever of them jams"),
        }
    }

    /// What such coins are worth; zero where there are none.
    #[must_use]
    pub fn sum_worth(&self, sum: Sum) -> Money {
        self.sum(sum).map_or(Money::ZERO, |coins| self.worth(coins))
    }

    /// A bill: its type and value.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn bill(&self, which: BillFor) -> Result<(u8, Money), &'static str> {
        match which {
            BillFor::Change => self.bill.ok_or(
                "a bill validator on the bus with a bill that the tubes can change and pay back",
            ),
            BillFor::Second => self.second.ok_or(
                "a validator on the bus with two bills that the tubes can change and pay back together",
            ),
            BillFor::TooLarge => self.too_large.ok_or(
                "a bill on the bus that is too large for the tubes",
            ),
        }
    }

    /// A tube that change comes from, and that others can make up for.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn made_up_for(&self) -> Result<u8, &'static str> {
        self.made_up_for
            .ok_or("tubes that can make up for each other in change")
    }

    /// Sales for exact coins until empty tubes can change the bill.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn sales(&self) -> Result<u32, &'static str> {
        self.sales.ok_or("a price in exact coins, eight sales of which fill the tubes so that a bill can be changed")
    }

    /// A bill of the acceptor on pulses; `train` for one of several pulses.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn pulse_bill(&self, train: bool) -> Result<Money, &'static str> {
        match train {
            false => self.pulse.ok_or(
                "an acceptor that counts in pulses, and tubes that can change all it takes",
            ),
            true => self.train.ok_or(
                "an acceptor on pulses with a bill or coin of several pulses that the tubes can change",
            ),
        }
    }

    /// Pulses that stand for an amount, and the amount.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn unit(&self) -> Result<(u32, Money), &'static str> {
        self.unit
            .ok_or("an acceptor that counts in pulses of an amount that the tubes can pay")
    }

    /// Whether the bill is taken behind a coin of a tube, and both can be paid back.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn bill_after_coin(&self) -> Result<(), &'static str> {
        match self.bill_after_coin {
            true => Ok(()),
            false => Err("a bill and a coin that the tubes can change and pay back together"),
        }
    }

    /// Whether the bill cannot be taken with empty tubes.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn bill_needs_change(&self) -> Result<(), &'static str> {
        match self.bill_needs_change {
            true => Ok(()),
            false => Err("a bill that needs change"),
        }
    }

    /// Whether the acceptor on pulses cannot be let in with empty tubes.
    ///
    /// # Errors
    /// As for [`item`](Self::item).
    pub fn pulse_needs_change(&self) -> Result<(), &'static str> {
        match self.pulse_needs_change {
            true => Ok(()),
            false => Err("a bill or coin on pulses that needs change"),
        }
    }

    /// Whether the acceptor on pulses takes coins.
    #[must_use]
    pub fn coins_on_pulses(&self) -> bool {
        self.coins_on_pulses
    }

    /// What the acceptor on pulses takes, in words.
    #[must_use]
    pub fn on_pulses(&self) -> &'static str {
        match self.coins_on_pulses {
            true => "coin",
            false => "bill",
        }
    }

    /// What the cheap selection costs in cash.
    #[must_use]
    pub fn price(&self) -> Money {
        self.cheap.as_ref().map_or(Money::ZERO, |i| i.price)
    }

    /// What it costs on a card.
    #[must_use]
    pub fn card_price(&self) -> Money {
        self.cheap.as_ref().map_or(Money::ZERO, Item::card_price)
    }

    /// What comes back of [`Sum::Over`] when it is sold.
    #[must_use]
    pub fn change(&self) -> Money {
        self.sum_worth(Sum::Over).saturating_sub(self.price())
    }

    /// What is on a card that can buy both selections.
    #[must_use]
    pub fn balance(&self) -> i64 {
        let dear = self.dear.as_ref().map_or(Money::ZERO, Item::card_price);
        let most = self.card_price().max(dear).as_minor();
        (most * 4).max(1_000) / self.scale * self.scale
    }

    /// Less than the cheap selection costs on a card.
    #[must_use]
    pub fn low_balance(&self) -> i64 {
        self.two_counts().as_minor()
    }

    /// Two counts of the reader, less where the cheap selection costs no more than that.
    fn two_counts(&self) -> Money {
        let price = self.card_price().as_minor();
        Money((2 * self.scale).min((price - self.scale).max(0)))
    }

    /// An amount in the counts of the reader.
    #[must_use]
    pub fn counts(&self, amount: Money) -> i64 {
        amount.as_minor() / self.scale
    }

    /// One count of the reader.
    #[must_use]
    pub fn count(&self) -> Money {
        Money(self.scale)
    }

    /// An amount as it is printed.
    #[must_use]
    pub fn show(&self, amount: Money) -> String {
        amount.show(self.decimals).to_string()
    }

    /// A text of a check with the amounts of the machine: what stands in braces is one of the words
    /// below.
    #[must_use]
    pub fn text(&self, text: &str) -> String {
        if !text.contains('{') {
            return text.to_owned();
        }
        let item = |pick| self.item(pick).ok();
        let coin = |which| self.coin(which).map_or(Money::ZERO, |(_, value)| value);
        let bill = |which| self.bill(which).map_or(Money::ZERO, |(_, value)| value);
        let (tube, other) = (coin(CoinFor::Tube), coin(CoinFor::OtherTube));
        let (first, second) = (bill(BillFor::Change), bill(BillFor::Second));
        let pulse = self.pulse_bill(false).unwrap_or_default();
        let train = self.pulse_bill(true).unwrap_or_default();
        let dear = item(Pick::Dear).map_or(Money::ZERO, |i| i.price);
        let less = self.card_price().saturating_sub(self.discount());
        let all = Sum::OwedFromSeveral;
        let mut text = text.to_owned();
        for (word, amount) in [
            ("{price}", self.price()),
            ("{card}", self.card_price()),
            ("{dear}", dear),
            ("{tube}", tube),
            ("{other}", other),
            ("{tubes}", tube.saturating_add(other)),
            ("{box}", coin(CoinFor::CashBox)),
            ("{over}", self.sum_worth(Sum::Over)),
            ("{change}", self.change()),
            ("{owed}", self.sum_worth(Sum::Owed)),
            ("{all}", self.sum_worth(all)),
            ("{bill}", first),
            ("{second}", second),
            ("{both}", first.saturating_add(second)),
            ("{large}", bill(BillFor::TooLarge)),
            ("{tube+bill}", tube.saturating_add(first)),
            ("{pulse}", pulse),
            ("{train}", train),
            ("{pulse+tube}", pulse.saturating_add(tube)),
            ("{unit}", self.unit().map_or(Money::ZERO, |(_, unit)| unit)),
            ("{less}", less),
            ("{count}", self.count()),
        ] {
            text = text.replace(word, &self.show(amount));
        }
        let number = |pick| item(pick).map_or(0, |i| i.number);
        let counts = u32::try_from(self.counts(self.card_price())).unwrap_or(0);
        for (word, what) in [
            ("{item}", number(Pick::Cheap).to_string()),
            ("{counts}", words::count(counts, "count")),
            ("{money}", self.on_pulses().to_owned()),
            ("{on}", self.on.to_string()),
            ("{short}", self.short_pulse().to_string()),
            ("{long}", self.long_pulse().to_string()),
        ] {
            text = text.replace(word, &what);
        }
        text
    }

    /// What a reader takes off that approves less.
    #[must_use]
    pub fn discount(&self) -> Money {
        self.two_counts()
    }

    /// A pulse that is too short for the acceptor's profile.
    #[must_use]
    pub fn short_pulse(&self) -> Micros {
        Micros(self.on.as_us() / 10)
    }

    /// One that is too long.
    #[must_use]
    pub fn long_pulse(&self) -> Micros {
        Micros(self.on.as_us() * 8)
    }
}

fn can_pay(amount: Money, tubes: &[Stock]) -> bool {
    amount >= Money::ZERO && make_change(amount, tubes).is_some()
}

/// Whatever is bought with a bill of this value, the change can be paid; where it buys nothing yet, it
/// can be paid back. What a board does about it is common practice, no source.
fn is_changeable(value: Money, prices: &[Money], tubes: &[Stock]) -> bool {
    let mut bought = prices.iter().filter(|p| **p <= value).peekable();
    match bought.peek() {
        None => can_pay(value, tubes),
        Some(_) => bought.all(|price| can_pay(value.saturating_sub(*price), tubes)),
    }
}

/// The amount takes coins of several tubes, and whichever tube jams once the first has given all it
/// was to give, the others can pay the rest.
fn whichever_jams(amount: Money, tubes: &[Stock]) -> bool {
    let Some(coins) = make_change(amount, tubes) else {
        return false;
    };
    let Some((first, count)) = coins.first().copied().filter(|_| coins.len() > 1) else {
        return false;
    };
    let given = tubes.iter().find(|s| s.coin_type == first);
    let given = given.map_or(0, |s| s.value.as_minor() * i64::from(count));
    let rest = amount.saturating_sub(Money(given));
    let others = tubes.iter().map(|s| s.coin_type).filter(|t| *t != first);
    others.into_iter().all(|jammed| {
        let left = |s: &Stock| Stock {
            count: match s.coin_type {
                t if t == jammed => 0,
                t if t == first => s.count.saturating_sub(count),
                _ => s.count,
            },
            ..*s
        };
        let left: Vec<Stock> = tubes.iter().map(left).collect();
        // Part of the rest may have come already, whichever part.
        can_pay(rest, &left)
    })
}

impl BoardSetup {
    /// The selections cost other amounts on cards: as the machine has it, or the cheapest 0.10 more
    /// where it has one price for both.
    pub(in crate::board) fn two_prices(&mut self) {
        if self.items.iter().any(|i| i.card_price() != i.price) {
            return;
        }
        let kit = Kit::of(self);
        let more = Money(2 * i64::from(self.cashless.scale.max(1)));
        let cheap = kit.item(Pick::Cheap).map_or(0, |item| item.number);
        let all = self.items.iter_mut().chain(&mut self.board.items);
        for item in all.filter(|i| i.number == cheap) {
            item.card = CardPrice::More(more);
        }
    }
}
