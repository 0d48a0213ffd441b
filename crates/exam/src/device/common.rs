//! Checks every device on the bus must pass: timing, acknowledgment, checksums, resets, identity.

pub(super) mod blocks;
pub(super) mod life;
pub(super) mod resets;
pub(super) mod times;

use super::bench::{Answer, Bench, POLL_EVERY};
use super::setup::Kind;
use crate::check::Seen;
use payrig_mdb::cashless::Unit;
use payrig_units::Micros;

/// The commands every device has.
#[derive(Clone, Copy, Debug)]
struct Bytes {
    poll: u8,
    reset: u8,
    setup: &'static [u8],
    identification: &'static [u8],
    just_reset: u8,
    non_response: Micros,
}

/// The commands of a card reader: SETUP - Config Data of a level 3 VMC without a display (7.4.2),
/// EXPANSION - Request ID of the maker `ZZZ` (7.4.20).
const fn reader(unit: Unit) -> Bytes {
    let (setup, identification): (&[u8], &[u8]) = match unit {
        Unit::One => (
            &[0x11, 0x00, 0x03, 0x00, 0x00, 0x00],
            b"\x17\x00ZZZ000000000001PAYRIG BENCH\x01\x00",
        ),
        Unit::Two => (
            &[0x61, 0x00, 0x03, 0x00, 0x00, 0x00],
            b"\x67\x00ZZZ000000000001PAYRIG BENCH\x01\x00",
        ),
    };
    Bytes {
        poll: unit.address().with(2),
        reset: unit.address().with(0),
        setup,
        identification,
        just_reset: 0x00,
        non_response: Micros::secs(5),
    }
}

/// The commands of the device on this bench.
fn bytes(bench: &Bench) -> Bytes {
    match bench.kind() {
        Kind::BillValidator | Kind::BillRecycler => Bytes {
            poll: 0x33,
            reset: 0x30,
            setup: &[0x31],
            identification: &[0x37, 0x00],
            just_reset: 0x06,
            non_response: Micros::secs(5),
        },
        Kind::Cashless => reader(bench.reader()),
        // The changer's; a device on pulse lines is never asked.
        _ => Bytes {
            poll: 0x0B,
            reset: 0x08,
            setup: &[0x09],
            identification: &[0x0F, 0x00],
            just_reset: 0x0B,
            non_response: Micros::secs(2),
        },
    }
}

/// What is said of a check that broke off on its way to what it is about.
const NOT_REACHED: &str = "A command this check needs was not answered as it must be, so it did not \
     get to what it is about. See to the other checks that failed first.";

/// The fail of a check that did not get to what it is about.
pub(super) fn unreached(text: impl Into<String>) -> Seen {
    Seen::fail(text).advising(Some(NOT_REACHED))
}

/// One POLL.
pub(super) fn poll(bench: &mut Bench) -> Answer {
    let poll = bytes(bench).poll;
    bench.ask(&[poll])
}

fn says_just_reset(bench: &Bench, answer: &Answer) -> bool {
    let code = bytes(bench).just_reset;
    answer.data().is_some_and(|d| d.contains(&code))
}

/// POLLs until JUST RESET is heard and acknowledged; how long that took, `None` when it did not
/// come within the non-response time and one polling interval.
pub(super) fn until_just_reset(bench: &mut Bench) -> Option<Micros> {
    let from = bench.now();
    let by = from + bytes(bench).non_response + Micros::ms(500);
    while bench.now() < by {
        let answer = poll(bench);
        if says_just_reset(bench, &answer) {
            return Some(bench.now().since(from));
        }
        bench.wait(POLL_EVERY);
    }
    None
}

/// Resets the bus and POLLs until the device is there: true when it said JUST RESET. Some other
/// check says when it did not.
pub(super) fn found(bench: &mut Bench) -> bool {
    bench.bus_reset();
    until_just_reset(bench).is_some()
}

/// True when POLL is answered now, by whatever.
fn answers(bench: &mut Bench) -> bool {
    (0..3).any(|_| {
        bench.wait(POLL_EVERY);
        poll(bench) != Answer::Silence
    })
}

/// JUST RESET did not come where it had to. A device that answers all the same gets other advice than
/// one that is dead, for which the check has its own.
fn no_just_reset(bench: &mut Bench, text: &str, answering: &'static str) -> Seen {
    match answers(bench) {
        true => Seen::fail(format!("{text}, but POLL is answered")).advising(Some(answering)),
        false => Seen::fail(format!("{text}, and POLL is not answered")),
    }
}

/// As [`found`], for a check of which nothing is left without JUST RESET.
fn found_anew(bench: &mut Bench) -> Result<(), Seen> {
    match found(bench) {
        true => Ok(()),
        false => Err(Seen::cannot_tell("JUST RESET never came")),
    }
}

/// Asks for something that is answered with data, at once or at a later POLL (section 2.5).
pub(super) fn data(bench: &mut Bench, command: &[u8], name: &str) -> Result<Vec<u8>, Seen> {
    let by = bench.now() + bytes(bench).non_response;
    let mut answer = bench.ask(command);
    while bench.now() < by {
        match answer {
            Answer::Data(data) => return Ok(data),
            Answer::Ack => {
                bench.wait(POLL_EVERY);
                answer = poll(bench);
            }
            _ => {
                bench.wait(POLL_EVERY);
                poll(bench);
                answer = bench.ask(command);
            }
        }
    }
    Err(unreached(format!("{name} brought {}", answer.text())))
}

/// Gives an order that is answered with ACK.
pub(super) fn order(bench: &mut Bench, command: &[u8], name: &str) -> Result<(), Seen> {
    match bench.ask(command) {
        Answer::Ack => Ok(()),
        other => Err(unreached(format!("{name} brought {}", other.text()))),
    }
}

/// What is left of an order that may be answered by nothing while the device is busy.
pub(super) fn patient_order(bench: &mut Bench, command: &[u8], name: &str) -> Result<(), Seen> {
    for _ in 0..40 {
        match bench.ask(command) {
            Answer::Silence => {
                bench.wait(Micros::ms(50));
            }
            Answer::Ack => return Ok(()),
            other => return Err(unreached(format!("{name} brought {}", other.text()))),
        }
    }
    Err(unreached(format!("{name} is not answered")))
}
