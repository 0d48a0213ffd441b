//! Checks of a board's start and of its times and blocks on the wire.

pub(super) mod setup;
pub(super) mod wire;

use super::bench::{BoardBench, CHANGER};
use crate::check::{Run, Seen};

/// True when these commands were given to an address in this order.
fn in_order(b: &BoardBench, address: u8, names: &[&str]) -> bool {
    let mut wanted = names.iter().peekable();
    for line in b.lines() {
        if wanted.peek().is_some_and(|name| line.is(address, name)) {
            wanted.next();
        }
    }
    wanted.peek().is_none()
}

fn initialised(b: &mut BoardBench, address: u8, names: &[&str]) -> Run {
    b.ready_or_not();
    let good = in_order(b, address, names);
    let mut given: Vec<&str> = Vec::new();
    let commands = b
        .lines()
        .iter()
        .filter(|l| l.is_command() && l.address == address);
    for line in commands.filter(|l| l.name != "POLL") {
        if !given.contains(&line.name.as_str()) {
            given.push(&line.name);
        }
    }
    Ok(Seen::judge(good, format!("given: {}", given.join(", "))))
}

fn changer_initialised(b: &mut BoardBench) -> Run {
    initialised(b, CHANGER, &["SETUP", "TUBE STATUS", "COIN TYPE"])
}
