//! The machine in a page: its rig is short, and its board asks cards for card prices.

use payrig_bench::Bench;
use payrig_mdb::Typed;
use payrig_mdb::cashless::{Command, Kind};
use payrig_units::{Money, Place};
use payrig_wire::recording::{Entry, Meaning};
use std::path::Path;

const RIG: &str = include_str!("../../../../bench-rigs/harbour-loop.toml");

fn said(bench: &mut Bench) -> Vec<Kind> {
    let mut said = Vec::new();
    while !bench.ended() {
        let next = bench.next_deadline();
        bench.advance(next);
        for entry in bench.take_entries() {
            if let Entry::Step { passed, text, .. } = &entry {
                assert_ne!(*passed, Some(false), "{text}");
            }
            if let Entry::Block(block) = entry
                && let Meaning::Decoded(decoded) = &block.meaning
                && let Some(Typed::CashlessCommand(Command { kind, .. })) = &decoded.typed
            {
                said.push(kind.clone());
            }
        }
    }
    said
}

#[test]
fn cards_are_asked_for_card_prices_and_hear_their_range() {
    let machine = RIG.lines().take_while(|line| *line != "[[script]]").count();
    assert!(machine < 60, "{machine} lines");
    let plan = payrig_rig::parse(Path::new("harbour-loop.toml"), RIG).unwrap();
    assert_eq!(plan.machine.selections.len(), 45);
    let mut bench = Bench::of(&plan);
    let said = said(&mut bench);
    // Counts of 0.05: 1.35 to 2.75.
    let ranges: Vec<_> = said
        .iter()
        .filter_map(|kind| match kind {
            Kind::SetupPrices(range) => Some((range.min, range.max)),
            _ => None,
        })
        .collect();
    assert_eq!(ranges, [(27, Some(55))]);
    let asked: Vec<_> = said
        .iter()
        .filter_map(|kind| match kind {
            Kind::VendRequest(request) => Some((request.price, request.item)),
            _ => None,
        })
        .collect();
    assert_eq!(asked, [(27, 102), (55, 509)]);
    let sold = bench
        .books()
        .ledger()
        .held(|place| *place == Place::BoardSales);
    assert_eq!(sold, Money(125 + 175 + 135 + 275));
}
