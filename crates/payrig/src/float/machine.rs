//! What a rig says about money going in and out.

use payrig_bench::Plan;
use payrig_bench::plan::Kind;
use payrig_controller::BillChange;
use payrig_float::{Machine, Piece, Tube};
use payrig_peripherals::bill::BillKind;
use payrig_peripherals::changer::CoinWorth;
use payrig_units::Money;

/// Bill stores come after the sixteen coin types.
const FIRST_STORE: u8 = 16;

const SEVERAL_PAYERS: &str = "a pulse hopper pays by itself, so its coins cannot be looked at together \
                              with another hopper or a bill recycler; leave one of them out";

/// What a rig says about money going in and out.
pub(super) fn machine(rig: &Plan, refunds: bool) -> Result<Machine, String> {
    let board = rig.board.controller(rig);
    let refused = board.as_ref().map(|b| b.refused_coins.clone());
    let refused = refused.unwrap_or_default();
    let bill_change = board.is_some_and(|b| b.bills.change != BillChange::Off);
    // Hoppers on pulse lines pay where there is no changer, each by itself.
    let mut kinds = rig.devices.iter().map(|device| &device.kind);
    let has_changer = kinds.any(|kind| matches!(kind, Kind::Changer(..)));
    let (mut machine, mut hoppers) = (Machine::default(), 0);
    for device in &rig.devices {
        match &device.kind {
            Kind::Changer(config, _) => {
                machine.gives_change = true;
                for (coin_type, coin) in (0u8..).zip(&config.coins) {
                    let Some(coin) = coin else { continue };
                    let CoinWorth::Money(value) = coin.worth else {
                        continue;
                    };
                    let tube = coin.tube.filter(|tube| !tube.defective);
                    if let Some(tube) = tube {
                        machine.tubes.push(Tube {
                            coin_type,
                            value,
                            count: tube.coins.into(),
                            capacity: tube.capacity.max(tube.coins).into(),
                        });
                    }
                    if !refused.contains(&value) {
                        machine.pieces.push(Piece {
                            value,
                            guarded: false,
                            to_tube: tube.is_some_and(|tube| tube.coins < tube.capacity),
                        });
                    }
                }
            }
            Kind::Bill(config, _) => {
                let value = |bill_type: u8| match config.bills.get(usize::from(bill_type)) {
                    Some(BillKind::Value(value)) => Some(*value),
                    _ => None,
                };
                let types = (0u8..).zip(&config.bills).filter_map(|(t, _)| value(t));
                machine.pieces.extend(types.map(|value| Piece {
                    value,
                    guarded: true,
                    to_tube: false,
                }));
                for store in config.recycler.iter().filter(|_| bill_change) {
                    if let Some(value) = value(store.bill_type) {
                        machine.gives_change = true;
                        machine.tubes.push(Tube {
                            coin_type: FIRST_STORE.saturating_add(store.bill_type),
                            value,
                            count: store.count.into(),
                            capacity: store.capacity.max(store.count).into(),
                        });
                    }
                }
            }
            Kind::Pulse(pulse) => {
                let below = pulse
                    .hopper()
                    .filter(|hopper| hopper.fill < hopper.capacity);
                let falls = |value: &Money| below.is_some_and(|hopper| hopper.coin == *value);
                machine
                    .pieces
                    .extend(pulse.values().iter().map(|value| Piece {
                        value: *value,
                        guarded: false,
                        to_tube: !has_changer && falls(value),
                    }));
                if let Some(hopper) = pulse.hopper().filter(|_| !has_changer) {
                    hoppers += 1;
                    machine.gives_change = true;
                    machine.tubes.push(Tube {
                        coin_type: 0,
                        value: hopper.coin,
                        count: hopper.fill,
                        capacity: hopper.capacity.max(hopper.fill),
                    });
                }
            }
            _ => {}
        }
    }
    if hoppers > 0 && machine.tubes.len() > 1 {
        return Err(SEVERAL_PAYERS.to_owned());
    }
    machine.pieces.sort_unstable();
    machine.pieces.dedup();
    machine.prices = rig
        .machine
        .selections
        .iter()
        .map(|item| item.price)
        .collect();
    if refunds {
        machine.prices.push(Money::ZERO);
    }
    machine.prices.sort_unstable();
    machine.prices.dedup();
    Ok(machine)
}
