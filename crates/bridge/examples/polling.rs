//! What a block costs: a board polls four devices on an ideal bus for so many bench seconds, with a
//! coin and a sale every five seconds. No link, no recording, no judging: only the nodes.
//!
//! `cargo build --release -p payrig-bridge --example polling`, then
//! `valgrind --tool=callgrind target/release/examples/polling 60`: instructions by blocks.

use payrig_controller::{BoardConfig, Controller, Expected, ExpectedKind, Item};
use payrig_mdb::cashless::Unit;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::{BillConfig, BillValidator};
use payrig_peripherals::cashless::{CashlessConfig, CashlessDevice};
use payrig_peripherals::changer::{Changer, ChangerConfig};
use payrig_peripherals::{BusPeripheral, Port, PortTiming};
use payrig_units::{Micros, Money};
use payrig_wire::{Source, TimedWord, Transmission, WORD_TIME};
use std::collections::VecDeque;
use std::error::Error;

/// Words on their way, by their ends.
#[derive(Default)]
struct Bus {
    pending: VecDeque<TimedWord>,
    blocks: u64,
}

impl Bus {
    fn send(&mut self, source: Source, transmission: Transmission) {
        let Transmission::Words { at, words, gap } = transmission else {
            return;
        };
        self.blocks += 1;
        let mut start = at;
        for word in words {
            let end = start + WORD_TIME;
            let uncertainty = Micros::ZERO;
            let word = TimedWord {
                start,
                end,
                source,
                word,
                uncertainty,
            };
            let later = self.pending.iter().rev().take_while(|w| w.end > end);
            let index = self.pending.len() - later.count();
            self.pending.insert(index, word);
            start = end + gap;
        }
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let seconds = std::env::args().nth(1).map_or(Ok(60), |s| s.parse())?;
    let item = |number: u16, price: i64| Item {
        number,
        name: format!("item {number}"),
        price: Money(price),
    };
    let expected = |name: &str, kind| Expected {
        name: name.to_owned(),
        kind,
    };
    let config = BoardConfig {
        items: (11..31)
            .map(|n| item(n, 75 + 5 * i64::from(n % 7)))
            .collect(),
        expected: vec![
            expected("changer", ExpectedKind::Changer),
            expected("bill", ExpectedKind::BillValidator),
            expected("card", ExpectedKind::Cashless(Unit::One)),
            expected("phone", ExpectedKind::Cashless(Unit::Two)),
        ],
        poll_every: Micros::ms(25),
        ..BoardConfig::default()
    };
    let mut board = Controller::new(config, Micros::ZERO);
    let timing = PortTiming::default();
    let changer = Changer::new(ChangerConfig::demo(), Default::default())?;
    let mut changer = Port::new(changer, timing);
    let bill = BillValidator::new(BillConfig::default(), Default::default())?;
    let mut bill = Port::new(bill, timing);
    let reader = |unit| {
        let config = CashlessConfig {
            unit,
            ..CashlessConfig::default()
        };
        Port::new(CashlessDevice::new(config), timing)
    };
    let (mut card, mut phone) = (reader(Unit::One), reader(Unit::Two));
    let mut bus = Bus::default();
    let (mut now, mut customer_at, mut sales) = (Micros::ZERO, Micros::secs(5), 0);
    let end = Micros::secs(seconds);
    while now < end {
        let mut peripherals: [&mut dyn BusPeripheral; 4] =
            [&mut changer, &mut bill, &mut card, &mut phone];
        let next = peripherals.iter().map(|p| p.next_deadline());
        let next = next
            .min()
            .unwrap_or(Micros::NEVER)
            .min(board.next_deadline());
        match bus
            .pending
            .front()
            .copied()
            .filter(|w| w.end <= next.min(customer_at))
        {
            Some(word) => {
                bus.pending.pop_front();
                now = word.end;
                match word.source {
                    Source::Master => peripherals.iter_mut().for_each(|p| p.heard(&word)),
                    Source::Peripheral => board.heard(&word),
                }
            }
            None if customer_at <= next => {
                now = customer_at;
                customer_at += Micros::ms(2_500);
                sales += 1;
                match sales % 2 {
                    1 => changer.device_mut().insert_coin(now, CoinType::of(3)),
                    _ => board.select(now, 11),
                };
            }
            None => {
                now = next;
                if board.next_deadline() <= now {
                    board.wake(now);
                }
                for peripheral in &mut peripherals {
                    if peripheral.next_deadline() <= now {
                        peripheral.wake(now);
                    }
                }
            }
        }
        let mut peripherals: [&mut dyn BusPeripheral; 4] =
            [&mut changer, &mut bill, &mut card, &mut phone];
        while let Some(transmission) = board.take_transmission() {
            bus.send(Source::Master, transmission);
        }
        board.take_shown();
        board.take_movements();
        for peripheral in &mut peripherals {
            while let Some(transmission) = peripheral.take_transmission() {
                bus.send(Source::Peripheral, transmission);
            }
            peripheral.take_movements();
            peripheral.take_notes();
        }
    }
    println!(
        "{} blocks, {} items delivered, credit {}",
        bus.blocks,
        board.take_delivered().len(),
        board.vending().credit().as_minor()
    );
    Ok(())
}
