//! Checks every device on the bus must pass: timing, acknowledgment, checksums, resets, identity.
//! What they share: finding the device, asking it, and giving it orders.

pub(in crate::device) mod blocks;
pub(in crate::device) mod life;
pub(in crate::device) mod resets;
pub(in crate::device) mod times;

use crate::check::Seen;
use crate::device::presumptions::Leeway;
use crate::device::setup::Kind;
use crate::device::typed::{Common, Request, ask_typed, exchange};
use crate::device::{Answer, Bench, Close, POLL_EVERY};
use payrig_units::Micros;

/// How long a device may be away, in a check that goes by it.
fn non_response(bench: &mut Bench) -> Micros {
    bench.works_from(Leeway::Start);
    non_response_time(bench)
}

/// How long a device may be away (5.4, 6.4, 7.5).
fn non_response_time(bench: &Bench) -> Micros {
    match bench.kind() {
        Kind::BillValidator | Kind::BillRecycler | Kind::Cashless => Micros::secs(5),
        _ => Micros::secs(2),
    }
}

/// What is reported of a check that broke off on its way to what it is about.
const NOT_REACHED: &str = "A command this check needs was not answered as it must be, so it did not \
     get to what it is about. See to the other checks that failed first.";

/// The fail of a check that did not get to what it is about.
pub(super) fn unreached(text: impl Into<String>) -> Seen {
    Seen::fail(text).advising(Some(NOT_REACHED)).on_its_way()
}

/// One POLL.
pub(super) fn poll(bench: &mut Bench) -> Answer {
    let poll = Common::Poll.at(bench);
    bench.ask(poll.block().bytes())
}

/// One POLL: is it answered by JUST RESET?
fn polls_just_reset(bench: &mut Bench) -> bool {
    let poll = Common::Poll.at(bench);
    ask_typed(bench, &poll).is_ok_and(|response| response.says_just_reset())
}

/// POLLs until JUST RESET is heard and acknowledged; how long that took, `None` when it did not
/// come within the non-response time and one polling interval.
pub(super) fn until_just_reset(bench: &mut Bench) -> Option<Micros> {
    let from = bench.now();
    let by = from + non_response_time(bench) + Micros::ms(500);
    while bench.now() < by {
        if polls_just_reset(bench) {
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

/// Asks for something that is answered with data, at once or at a later POLL (section 2.5): the data,
/// for what is about their bytes.
pub(super) fn data(bench: &mut Bench, request: &impl Request) -> Result<Vec<u8>, Seen> {
    let block = request.block();
    let by = bench.now() + non_response_time(bench);
    let mut answer = bench.ask(block.bytes());
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
                answer = bench.ask(block.bytes());
            }
        }
    }
    let name = request.name();
    Err(unreached(format!("{name} brought {}", answer.text())))
}

/// As [`data`], read.
pub(super) fn ask<R: Request>(bench: &mut Bench, request: &R) -> Result<R::Response, Seen> {
    let data = data(bench, request)?;
    let read = request.read(&data);
    read.map_err(|error| unreached(format!("{}: {error}", request.name())))
}

/// One exchange, again where it is answered with nothing, as it may be for the non-response time.
pub(super) fn answered<R: Request>(
    bench: &mut Bench,
    request: &R,
    close: Close,
) -> Result<R::Response, Answer> {
    let by = bench.now() + non_response_time(bench);
    loop {
        match exchange(bench, request, close) {
            Err(Answer::Silence) if bench.now() < by => bench.wait(POLL_EVERY),
            answer => return answer,
        }
    }
}

/// Gives an order that is answered with ACK: again where it is answered with nothing, as it may be for the
/// non-response time (2.2; Appendix 3, section 3).
pub(super) fn order(bench: &mut Bench, request: &impl Request) -> Result<(), Seen> {
    let block = request.block();
    let by = bench.now() + non_response_time(bench);
    loop {
        match bench.ask(block.bytes()) {
            Answer::Ack => return Ok(()),
            Answer::Silence if bench.now() < by => bench.wait(POLL_EVERY),
            other => {
                let name = request.name();
                return Err(unreached(format!("{name} brought {}", other.text())));
            }
        }
    }
}
