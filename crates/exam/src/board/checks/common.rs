//! Steps and judgments that checks of several groups have in common.

use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, HeardBlock, What};
use crate::board::kit::{Pick, Sum};
use crate::board::setup::BoardSetup;
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use crate::skip::Skip;
use payrig_mdb::Address;
use payrig_units::{Micros, Money, Place, words};

/// All tubes empty.
pub(super) fn empty_tubes(s: &mut BoardSetup) {
    for coin in s.changer.coins.iter_mut().flatten() {
        if let Some(tube) = &mut coin.tube {
            tube.coins = 0;
        }
    }
}

/// Peripherals that behave so on the wire.
pub(super) fn behave(s: &mut BoardSetup, addresses: &[Address], habits: &Habits) {
    for address in addresses {
        s.device_habits.insert(*address, habits.clone());
    }
}

/// A peripheral that does not hear some commands.
pub(super) fn deaf(s: &mut BoardSetup, address: Address, to: fn(&[u8]) -> bool) {
    let habits = Habits {
        deaf_to: Some(to),
        ..Habits::default()
    };
    behave(s, &[address], &habits);
}

/// The power of a peripheral goes for 0.3 s.
pub(super) fn blink(b: &mut BoardBench, address: Address) {
    b.power(address, false);
    b.wait(Micros::ms(300));
    b.power(address, true);
}

/// Four sales for coins that need no change, or as many as it takes: afterwards there is some in the tubes.
pub(super) fn sell_for_coins(b: &mut BoardBench) -> Result<(), Seen> {
    b.fit(&[CHANGER])?;
    let sales = b.need(b.kit().sales())?;
    for _ in 0..sales {
        b.put_in(Sum::Exact);
        b.secs(1);
        b.select(Pick::Cheap);
        b.delivery_and(Micros::ms(3_500));
    }
    Ok(())
}

/// A card that can buy it, a selection, and time for the rest. Since when.
pub(super) fn buy(b: &mut BoardBench, item: Pick) -> Micros {
    let balance = b.kit().balance();
    buy_with(b, Some(balance), item)
}

/// Likewise with a card of this balance.
pub(super) fn buy_with(b: &mut BoardBench, balance: Option<i64>, item: Pick) -> Micros {
    let from = b.ready();
    b.card(balance);
    b.secs(2);
    b.select(item);
    b.vend_over(from);
    from
}

/// What validators and acceptors have kept, in escrow or for good.
pub(super) fn kept(b: &BoardBench) -> Money {
    b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)) || b.is_kept_on_pulses(p))
}

/// Presses the coin return and says what came out of it within 10 s; longer, where much is owed.
pub(super) fn refund(b: &mut BoardBench) -> Money {
    let before = b.customer();
    b.press_return();
    b.secs(10);
    b.customer().saturating_sub(before)
}

/// Pass when the coin return gives back exactly this. Where the board holds a bill in escrow until
/// something is bought, the cheap selection is bought first.
pub(super) fn refunds(b: &mut BoardBench, wanted: Money) -> Run {
    b.fit(&[CHANGER])?;
    if b.spend_held_bill() {
        refund(b);
        let missing = -b.customer();
        let price = b.kit().price();
        let text = format!(
            "{} missing once an item of {} was bought with the bill in escrow",
            b.show(missing),
            b.show(price)
        );
        // More missing is less that came back.
        return Ok(Seen::judge(missing == price, text).beside(price, missing));
    }
    let got = refund(b);
    let text = format!(
        "the coin return gives {}, credit should be {}",
        b.show(got),
        b.show(wanted)
    );
    Ok(Seen::judge(got == wanted, text).beside(got, wanted))
}

/// What the customer has beyond what is right, in words.
pub(super) fn than_right(b: &BoardBench, gain: Money) -> String {
    match gain {
        Money::ZERO => "exactly what is right".to_owned(),
        more if more > Money::ZERO => format!("{} more than is right", b.show(more)),
        less => format!("{} less than is right", b.show(-less)),
    }
}

/// Ends a check that is about escrow, where the board has bills stacked at once: BILL TYPE, Y3-Y4
/// (section 6.3), is its choice.
pub(super) fn uses_escrow(b: &BoardBench) -> Result<(), Seen> {
    b.fit(&[BILL])?;
    if !b.plays_escrow() {
        return Err(Seen::skipped(
            "needs a bill validator with escrow: the machine of the rig has none",
        ));
    }
    match b.habits().escrow {
        Some(false) => Err(Seen::skipped(Skip::NotOffered(
            "escrow: it has bills stacked at once".to_owned(),
        ))),
        _ => Ok(()),
    }
}

/// How often the board gave a command since a time, in words: "COIN TYPE twice".
pub(super) fn times(b: &BoardBench, from: Micros, what: What) -> String {
    format!("{} {}", what.name(), words::times(b.count(from, what)))
}

/// Pass when the board gave this command since a time.
pub(super) fn given(b: &BoardBench, from: Micros, what: What) -> Run {
    Ok(Seen::judge(b.count(from, what) > 0, times(b, from, what)))
}

/// Pass when the board gave no such command since a time.
pub(super) fn not_given(b: &BoardBench, from: Micros, what: What) -> Run {
    Ok(Seen::judge(b.count(from, what) == 0, times(b, from, what)))
}

/// Pass when the board gave this command after somebody bought with a card.
pub(super) fn after_vend(b: &mut BoardBench, what: What) -> Run {
    let from = buy(b, Pick::Cheap);
    b.within(Micros::secs(4), |b| b.count(from, what) > 0);
    given(b, from, what)
}

/// Every data answer of a peripheral with the block that follows it.
pub(super) fn answers(b: &BoardBench) -> Vec<(&HeardBlock, Option<&HeardBlock>)> {
    let blocks = b.blocks();
    let next = blocks.iter().skip(1).map(Some).chain([None]);
    let pairs = blocks.iter().zip(next);
    let mut all: Vec<_> = pairs.filter(|(block, _)| block.is_data()).collect();
    // The last may not be answered yet.
    all.retain(|(data, next)| next.is_some() || data.end + Micros::ms(50) < b.now());
    all
}
