//! What a rig says about money going in and out: the acceptors as the board on the bench sees them.

use payrig_bench::Plan;
use payrig_bench::plan::{BridgePlan, BridgeWay, DevicePlan, Kind};
use payrig_bridge::{Appearance, Release};
use payrig_controller::BillChange;
use payrig_float::{Guard, Line, Machine, Piece, Tube};
use payrig_peripherals::bill::{BillConfig, BillKind};
use payrig_peripherals::changer::CoinWorth;
use payrig_units::Money;

/// Bill stores come after the sixteen coin types.
const FIRST_STORE: u8 = 16;

const SEVERAL_PAYERS: &str = "a pulse hopper pays by itself: beside another hopper or a bill recycler the board \
                              never pays one amount from both, so what they hold is no fill that can be looked at \
                              together; leave one of them out";

/// A machine, and which of its pieces are bills.
#[derive(Debug, Default)]
pub(super) struct Float {
    pub(super) machine: Machine,
    /// The bills that can come in, on the bus and on pulse lines, in order, each once.
    pub(super) bills: Vec<Money>,
    /// What pays change is a hopper on pulse lines.
    pub(super) hopper: bool,
}

/// What a rig says about money going in and out.
pub(super) fn machine(rig: &Plan, refunds: bool) -> Result<Float, String> {
    let mut taken = Taking {
        rig,
        // Hoppers on pulse lines pay where there is no changer, each by itself.
        has_changer: rig.devices.iter().any(|d| is_seen(rig, d) && is_changer(d)),
        float: Float::default(),
        hoppers: 0,
    };
    for device in rig.devices.iter().filter(|d| is_seen(rig, d)) {
        taken.device(device);
    }
    let Taking {
        mut float, hoppers, ..
    } = taken;
    let machine = &mut float.machine;
    if hoppers > 0 && machine.tubes.len() > 1 {
        return Err(SEVERAL_PAYERS.to_owned());
    }
    float.hopper = hoppers > 0;
    for values in [&mut machine.bills, &mut float.bills] {
        values.sort_unstable();
        values.dedup();
    }
    machine.pieces.sort_unstable();
    machine.pieces.dedup();
    machine.credit_limit = rig.board.changer.credit_limit;
    let selections = rig.machine.selections.iter();
    machine.prices = selections.map(|item| item.price).collect();
    if refunds {
        machine.prices.push(Money::ZERO);
    }
    machine.prices.sort_unstable();
    machine.prices.dedup();
    Ok(float)
}

/// True for what the board has before it: not what is behind a bridge, and not what a board outside has
/// where ours is on the bench.
fn is_seen(rig: &Plan, device: &DevicePlan) -> bool {
    device.behind.is_none() && !(rig.board.ours && device.is_for_outside_board())
}

fn is_changer(device: &DevicePlan) -> bool {
    match &device.kind {
        Kind::Changer(..) => true,
        Kind::Bridge(bridge) => match &bridge.way {
            BridgeWay::ToMdb { config, .. } => config.appears == Appearance::Changer,
            BridgeWay::ToPulse { .. } => false,
        },
        _ => false,
    }
}

/// The values of a validator's bills.
fn bill_values(config: &BillConfig) -> impl Iterator<Item = (u8, Money)> {
    (0u8..)
        .zip(&config.bills)
        .filter_map(|(t, bill)| match bill {
            BillKind::Value(value) => Some((t, *value)),
            _ => None,
        })
}

struct Taking<'a> {
    rig: &'a Plan,
    has_changer: bool,
    float: Float,
    hoppers: usize,
}

impl Taking<'_> {
    fn piece(&mut self, value: Money, guard: Guard, to_tube: bool) {
        self.float.machine.pieces.push(Piece {
            value,
            guard,
            to_tube,
        });
    }

    fn refuses_bill(&self, value: Money) -> bool {
        self.rig.board.bills.refused.contains(&value)
    }

    fn refuses_coin(&self, value: Money) -> bool {
        self.rig.board.refused_coins.contains(&value)
    }

    /// A line that is opened by what the board thinks of these values; it holds off the others too.
    fn line(&mut self, name: &str, opens: Vec<Money>, all: bool) -> Guard {
        let lines = &mut self.float.machine.lines;
        lines.push(Line {
            name: name.to_owned(),
            opens,
            all,
        });
        Guard::Line(lines.len().saturating_sub(1))
    }

    fn device(&mut self, device: &DevicePlan) {
        match &device.kind {
            Kind::Changer(config, _) => {
                self.float.machine.gives_change = true;
                for (coin_type, coin) in (0u8..).zip(&config.coins) {
                    let Some(coin) = coin else { continue };
                    let CoinWorth::Money(value) = coin.worth else {
                        continue;
                    };
                    let tube = coin.tube.filter(|tube| !tube.defective);
                    if let Some(tube) = tube {
                        self.float.machine.tubes.push(Tube {
                            coin_type,
                            value,
                            count: tube.coins.into(),
                            capacity: tube.capacity.max(tube.coins).into(),
                        });
                    }
                    if !self.refuses_coin(value) {
                        let room = tube.is_some_and(|tube| tube.coins < tube.capacity);
                        self.piece(value, Guard::OnSight, room);
                    }
                }
            }
            Kind::Bill(config, _) => self.validator(config),
            Kind::Pulse(pulse) => {
                let values = pulse.values();
                let below = pulse
                    .hopper()
                    .filter(|hopper| hopper.fill < hopper.capacity && !self.has_changer);
                if !values.is_empty() {
                    let line = self.line(&device.name, values.clone(), true);
                    for value in &values {
                        let falls = below.is_some_and(|hopper| hopper.coin == *value);
                        self.piece(*value, line, falls);
                    }
                }
                if is_bill_acceptor(&device.kind) {
                    self.float.bills.extend(values);
                }
                if let Some(hopper) = pulse.hopper() {
                    self.float.machine.gives_change = true;
                    if !self.has_changer {
                        self.hoppers += 1;
                        self.float.machine.tubes.push(Tube {
                            coin_type: 0,
                            value: hopper.coin,
                            count: hopper.fill,
                            capacity: hopper.capacity.max(hopper.fill),
                        });
                    }
                }
            }
            Kind::Bridge(bridge) => self.bridge(device, bridge),
            Kind::Cashless(_) => {}
        }
    }

    fn validator(&mut self, config: &BillConfig) {
        let pays = self.rig.board.bills.change != BillChange::Off;
        for (bill_type, value) in bill_values(config) {
            if !self.refuses_bill(value) {
                self.float.machine.bills.push(value);
                self.float.bills.push(value);
                let mut stores = config.recycler.iter();
                let room = stores.any(|s| s.bill_type == bill_type && s.count < s.capacity);
                self.piece(value, Guard::Alone, pays && room);
            }
        }
        if !pays || config.recycler.is_empty() {
            return;
        }
        self.float.machine.gives_change = true;
        for store in &config.recycler {
            let mut values = bill_values(config);
            if let Some((_, value)) = values.find(|(t, _)| *t == store.bill_type) {
                self.float.machine.tubes.push(Tube {
                    coin_type: FIRST_STORE.saturating_add(store.bill_type),
                    value,
                    count: store.count.into(),
                    capacity: store.capacity.max(store.count).into(),
                });
            }
        }
    }

    /// What comes in through a bridge: what the acceptor behind it takes, as far as the bridge can say it.
    fn bridge(&mut self, device: &DevicePlan, bridge: &BridgePlan) {
        let behind = self.rig.devices.iter().find(|d| d.name == bridge.from);
        let Some(behind) = behind else { return };
        let physical = values_of(self.rig, behind);
        match &bridge.way {
            BridgeWay::ToPulse { values, .. } => {
                let line = self.line(&device.name, values.clone(), true);
                // The validator takes only what pulses can say.
                for value in values {
                    self.piece(*value, line, false);
                }
                self.float.bills.extend(values);
            }
            BridgeWay::ToMdb { config, .. } => {
                let coins = config.appears == Appearance::Changer;
                let refused = |value: &Money| match coins {
                    true => self.refuses_coin(*value),
                    false => self.refuses_bill(*value),
                };
                let wanted: Vec<Money> = config
                    .values
                    .iter()
                    .copied()
                    .filter(|v| !refused(v))
                    .collect();
                let all = config.release == Release::AllEnabled;
                // With one type refused it never opens, or it opens for the others.
                let opens = !wanted.is_empty() && (!all || wanted.len() == config.values.len());
                if coins {
                    self.float.machine.gives_change = true;
                } else {
                    self.float.machine.bills.extend(&wanted);
                }
                if !opens {
                    return;
                }
                let guard = match coins {
                    true => Guard::OnSight,
                    false => self.line(&device.name, wanted, all),
                };
                for value in &physical {
                    self.piece(*value, guard, false);
                }
                if is_bill_acceptor(&behind.kind) {
                    self.float.bills.extend(physical);
                }
            }
        }
    }
}

fn is_bill_acceptor(kind: &Kind) -> bool {
    match kind {
        Kind::Bill(..) => true,
        Kind::Pulse(pulse) => matches!(**pulse, payrig_bench::plan::PulsePlan::Bill(_)),
        Kind::Bridge(bridge) => matches!(bridge.way, BridgeWay::ToPulse { .. }),
        Kind::Changer(..) | Kind::Cashless(_) => false,
    }
}

/// What a device behind a bridge takes.
fn values_of(rig: &Plan, device: &DevicePlan) -> Vec<Money> {
    match &device.kind {
        Kind::Bill(config, _) => bill_values(config).map(|(_, value)| value).collect(),
        Kind::Pulse(pulse) => pulse.values(),
        Kind::Bridge(bridge) => match &bridge.way {
            BridgeWay::ToPulse { values, .. } => values.clone(),
            // As many as the first of the chain takes.
            BridgeWay::ToMdb { .. } => {
                let mut behind = rig.devices.iter().filter(|d| d.name == bridge.from);
                behind.next().map_or_else(Vec::new, |d| values_of(rig, d))
            }
        },
        Kind::Changer(..) | Kind::Cashless(_) => Vec::new(),
    }
}
