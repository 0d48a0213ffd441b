//! Cash and card prices: which is charged, and which is shown. Where the machine has one price for both,
//! its cheapest selection is given another one for cards.

use super::common::{buy, times};
use crate::board::heard::{CHANGER, HeardBlock, READER, What};
use crate::board::kit::{Kit, Pick, Sum};
use crate::board::setup::BoardSetup;
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Seen, Weight};
use payrig_controller::CardPrice;
use payrig_mdb::cashless;
use payrig_units::Money;

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "cash-pays-cash-price",
        title: "Charges cash the cash price",
        expected: "{over} in coins for an item of {price} (on a card {card}): {price} are gone",
        section: COMMON_PRACTICE,
        advice: "Cash pays the price for cards: see the price lists of the board.",
        weight: Weight::Rule,
        arrange: Some(BoardSetup::two_prices),
        run: |b| {
            b.fit(&[CHANGER])?;
            b.ready();
            b.put_in(Sum::Over);
            b.secs(2);
            let change = b.kit().change();
            b.sell(Pick::Cheap, change);
            let paid = -b.customer();
            let sold = b.delivered().len();
            let (cash, card) = (b.kit().price(), b.kit().card_price());
            let which = which(paid, cash, card, "card");
            let text = format!("{sold} sold for {} in cash{which}", b.show(paid));
            Ok(Seen::judge(sold == 1 && paid == cash, text).beside(paid, cash))
        },
        quirk: Quirk::new(
            "charges-card-price-for-cash",
            "charges cash what cards pay",
            |s| {
                s.two_prices();
                for item in &mut s.board.items {
                    item.price = item.card_price();
                    item.card = CardPrice::Same;
                }
            },
        ),
    },
    BoardCheck {
        id: "card-pays-card-price",
        title: "Charges cards the card price",
        expected: "an item of {price} in cash costs the card {card}",
        section: "7.4.5",
        advice: "Cards pay the price for cash: see the price lists of the board.",
        weight: Weight::Rule,
        arrange: Some(BoardSetup::two_prices),
        run: |b| {
            b.fit(&[READER])?;
            let from = buy(b, Pick::Cheap);
            let paid = b.card_paid();
            let (cash, card) = (b.kit().price(), b.kit().card_price());
            let which = which(paid, card, cash, "cash");
            let asked = times(b, from, What::VendRequest);
            let text = format!("{asked}, the card paid {}{which}", b.show(paid));
            Ok(Seen::judge(paid == card, text).beside(paid, card))
        },
        quirk: Quirk::new(
            "charges-cash-price-to-cards",
            "charges cards what cash pays",
            |s| {
                s.two_prices();
                for item in &mut s.board.items {
                    item.card = CardPrice::Same;
                }
            },
        ),
    },
    BoardCheck {
        id: "cash-price-shown",
        title: "Shows the cash price without a card",
        expected: "the display shows {price} when the selection is pressed without credit",
        section: COMMON_PRACTICE,
        advice: "Customers read one price and pay another: show the cash price, or both.",
        weight: Weight::Advice,
        arrange: Some(BoardSetup::two_prices),
        run: |b| {
            b.ready();
            let item = b.need(b.kit().item(Pick::Cheap).cloned())?;
            b.select(Pick::Cheap);
            b.secs(1);
            let (cash, card) = (b.show(item.price), b.show(item.card_price()));
            let right = b.showed(&cash);
            let text = match right || card == cash {
                true if right => format!("{cash} is shown"),
                true => "no price is shown".to_owned(),
                false if b.showed(&card) => format!("{card} is shown, which is the card price"),
                false => "no price is shown".to_owned(),
            };
            Ok(Seen::judge(right, text))
        },
        quirk: Quirk::new(
            "shows-card-price",
            "shows the card price whoever asks",
            |s| {
                s.two_prices();
                let kit = Kit::of(s);
                let (cash, card) = (kit.show(kit.price()), kit.show(kit.card_price()));
                s.bad.shows_instead = Some((cash, card));
            },
        ),
    },
    BoardCheck {
        id: "price-change-in-session",
        title: "Charges a price that changed in a session",
        expected: "a price raised while a session is open is the one that is asked for",
        section: "7.4.3, 7.4.5",
        advice: "Cards pay a price that is not shown any more: take the price at the selection.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[READER])?;
            let from = b.ready();
            b.rich_card();
            b.secs(2);
            let old = b.kit().card_price();
            let step = b.kit().count();
            let new = old.saturating_add(Money(3 * step.as_minor()));
            b.change_card_price(Pick::Cheap, new);
            b.secs(1);
            if b.is_outside() && !b.session_is_open() {
                return Ok(Seen::cannot_tell(
                    "the session was over before the price was changed",
                ));
            }
            b.select(Pick::Cheap);
            b.vend_over(from);
            let mut commands = b.since(from).filter_map(HeardBlock::to_reader);
            let asked = commands.find_map(|command| match command {
                cashless::Kind::VendRequest(request) => Some(request.price),
                _ => None,
            });
            let Some(asked) = asked else {
                return Ok(Seen::fail("no VEND REQUEST"));
            };
            let asked = Money(i64::from(asked) * step.as_minor());
            let which = which(asked, new, old, "old");
            let text = format!(
                "asked for {} after a change from {} to {}{which}",
                b.show(asked),
                b.show(old),
                b.show(new)
            );
            Ok(Seen::judge(asked == new, text).beside(asked, new))
        },
        quirk: Quirk::new(
            "keeps-price-of-session",
            "asks for the price of when the card came",
            |s| {
                s.two_prices();
                let kit = Kit::of(s);
                let price = u16::try_from(kit.counts(kit.card_price())).ok();
                let item = kit.item(Pick::Cheap).map_or(0, |item| item.number);
                s.bad.asks_price = price.map(|price| (item, price));
            },
        ),
    },
];

/// Whether it was the other price, in words.
fn which(paid: Money, right: Money, other: Money, name: &str) -> String {
    match paid == other && paid != right {
        true => format!(", which is the {name} price"),
        false => String::new(),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
