//! Out of sequence, busy, unanswered: examples 7 and 8.

use super::*;
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::Block;
use payrig_peripherals::cashless::WhileBusy;
use payrig_wire::Source;

/// The board never sends EXPANSION REQUEST ID during a vend by itself: a hand at its console does.
#[test]
fn example_7_command_out_of_sequence() {
    let slow = |c: &mut CashlessConfig| c.approve_delay = Micros::secs(2);
    let mut s = with(Options::NONE, slow, |_| {});
    s.card(500);
    s.bench.select(4);
    s.bench.run_for(Micros::ms(200));
    let mut id = vec![0x17, 0x00];
    id.extend([b'Z'; 29]);
    let now = s.bench.now();
    s.bench
        .master_mut()
        .say(now, "card", Block::new(&id).unwrap());
    assert!(s.bench.run_until(|b| b.noted("command out of sequence")));
    assert_eq!(s.state(), CashlessState::SessionIdle);
    assert!(s.bench.run_until(|b| !b.master().is_ready()));
    s.bench.run_until_ready();
    let offending: &[&str] = &["> EXPANSION REQUEST ID", "< ACK"];
    let answer: &[&str] = &["> POLL", "< COMMAND OUT OF SEQUENCE", "> ACK"];
    let drawn = [
        BEGIN_SESSION,
        REQUEST,
        offending,
        answer,
        &["> RESET", "< ACK"],
    ]
    .concat();
    let said = s.said();
    assert_eq!(said[..drawn.len()], drawn);
    // Then the sequence of 7.4.1, from JUST RESET on.
    let again: Vec<&str> = said[drawn.len()..]
        .iter()
        .filter(|n| n.starts_with('>') && *n != "> ACK" && *n != "> POLL")
        .map(String::as_str)
        .collect();
    let sequence = [
        "> SETUP CONFIG DATA",
        "> SETUP MAX/MIN PRICES",
        "> EXPANSION REQUEST ID",
        "> OPTIONAL FEATURE BIT ENABLE",
        "> READER ENABLE",
    ];
    assert_eq!(again, sequence);
    assert_eq!((s.state(), s.sold()), (CashlessState::Enabled, 0));
    s.bench.assert_books_agree();
}

/// A reader that is silent while it decides, for so long. Answers: silent POLLs, POLLs that met
/// ACK, between VEND REQUEST and VEND APPROVED.
fn busy_for(time: Micros) -> (usize, usize) {
    let busy = |c: &mut CashlessConfig| {
        c.approve_delay = time;
        c.while_busy = WhileBusy::Silence;
    };
    let mut s = with(Options::NONE, busy, multi_vend);
    s.card(500);
    for sold in 1..=2 {
        s.bench.select(4);
        assert!(
            s.bench
                .run_until(|b| b.master().vending().sold().len() == sold)
        );
        s.bench.run_for(Micros::ms(300));
    }
    s.bench.press_return();
    s.rest();
    let names = s.bench.names();
    let at = |name: &str| names.iter().position(|n| n == name).unwrap();
    let between = &names[at("> VEND REQUEST") + 2..at("< VEND APPROVED")];
    let acks = between.iter().filter(|n| *n == "< ACK").count();
    let polls = between.iter().filter(|n| *n == "> POLL").count();
    assert_eq!(acks + polls, between.len(), "nothing else is said");
    let told: Vec<String> = s.said();
    let told: Vec<&str> = told.iter().map(String::as_str).collect();
    let vend = [REQUEST, APPROVED, SUCCESS].concat();
    assert_eq!(told, [BEGIN_SESSION, &vend, &vend, END].concat());
    s.bench.assert_books_agree();
    (polls - acks - 1, acks)
}

#[test]
fn example_8a_busy_for_longer_than_the_non_response_time() {
    let (silent, acks) = busy_for(Micros::secs(10));
    assert!(silent > 40, "{silent}");
    assert_eq!(acks, 1, "it restarts the non-response time");
}

#[test]
fn example_8b_busy_for_shorter_than_the_non_response_time() {
    let (silent, acks) = busy_for(Micros::secs(3));
    assert!(silent > 10, "{silent}");
    assert_eq!(acks, 0);
}

/// The note under example 8b: silent for the whole non-response time, a reader is off-line; it is
/// RESET and set up again when it is back (2.4.3).
#[test]
fn example_8b_note_silent_for_too_long() {
    let mut s = scene(Options::NONE);
    s.card(500);
    s.bench.power(&s.card, false);
    let lost_at = s.bench.now();
    assert!(s.bench.run_until(|b| b.noted("does not answer any more")));
    let patience = s.bench.now().since(lost_at);
    // Z7 of this reader is 7 s.
    assert!(
        patience > Micros::secs(7) && patience < Micros::ms(7_600),
        "{patience}"
    );
    s.bench.run_for(Micros::secs(21));
    let resets = s.said().iter().filter(|n| *n == "> RESET").count();
    assert_eq!(resets, 4, "at once, again, and every ten seconds");
    s.bench.power(&s.card, true);
    s.bench.run_until_ready();
    s.bench.forget();
    s.card(500);
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END]);
    s.bench.assert_books_agree();
}

/// VEND REQUEST is not heard twice; it is repeated, alternating with POLL (Appendix 3, section 3).
#[test]
fn example_8c_no_answer_to_vend_request() {
    let mut s = scene(Options::NONE);
    s.card(500);
    for skip in [0, 1] {
        s.bench.add_fault(Fault {
            kind: FaultKind::Lose,
            from: Source::Master,
            frame: FrameKind::Block,
            address: Some(Address::CASHLESS_1),
            skip,
            count: 1,
        });
    }
    s.bench.select(4);
    s.rest();
    let tries = s.said();
    let vend = [BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END].concat();
    assert_eq!(tries, vend, "what was lost is not on the wire");
    assert_eq!(s.balance("card receipts"), 100);
    s.bench.assert_books_agree();
}

/// The same when the request is heard and its ACK is not: one vend is charged once.
#[test]
fn example_8c_ack_of_vend_request_not_heard() {
    for delay in [Micros::ZERO, Micros::ms(500)] {
        let slow = |c: &mut CashlessConfig| c.approve_delay = delay;
        let mut s = with(Options::NONE, slow, |_| {});
        s.card(500);
        s.bench.add_fault(Fault {
            kind: FaultKind::Deaf,
            from: Source::Peripheral,
            frame: FrameKind::Ack,
            address: Some(Address::CASHLESS_1),
            skip: 0,
            count: 1,
        });
        s.bench.select(4);
        s.rest();
        assert_eq!((s.balance("card receipts"), s.sold()), (100, 1), "{delay}");
        let names = s.bench.names();
        let requests = names.iter().filter(|n| *n == "> VEND REQUEST").count();
        // Decided at once, the POLL between brings the answer, and nothing is repeated.
        assert_eq!(requests, if delay == Micros::ZERO { 1 } else { 2 });
        s.bench.assert_books_agree();
    }
}
