//! The conversation diagrams of MDB/ICP 4.3, section 2.6.4, played by the machines. Every message
//! passes through its bytes.

use super::*;
use crate::Address;
use crate::prelude::*;
use proptest::prelude::*;

const VMC: Address = Address::VMC;
const A: Address = Address::CHANGER;
const B: Address = Address::BILL_VALIDATOR;
const FILE: FileId = FileId::DTS;
const LAST: Control = Control(2);

/// The message as the controller sends it to `to`, read back from its bytes.
fn as_command(to: Address, message: Message) -> Message {
    Message::parse_command(message.emit_command(to).bytes()).unwrap()
}

/// The message as a peripheral sends it, read back from its bytes.
fn as_response(message: Message) -> Message {
    Message::parse_response(message.emit_response().bytes()).unwrap()
}

/// Lets two sides talk until neither has anything to say; the names of what was said.
fn talk(a: &mut Transfer, b: &mut Transfer) -> Vec<&'static str> {
    let mut said = Vec::new();
    while let Some((speaker, listener, message)) = match (a.next(), b.next()) {
        (Some(m), _) => Some((&mut *a, &mut *b, m)),
        (_, Some(m)) => Some((&mut *b, &mut *a, m)),
        _ => None,
    } {
        said.push(message.name());
        listener
            .heard(&as_response(as_command(A, message)))
            .unwrap();
        speaker.delivered();
    }
    said
}

#[test]
fn successful_transfer_vmc_to_a() {
    let file = [0x5A; 40];
    let mut vmc = Transfer::offer(VMC, A, FILE, LAST, &file).unwrap();
    let offer = as_command(A, vmc.next().unwrap());
    let mut a = Transfer::accept(&offer).unwrap();
    vmc.heard(&as_response(a.next().unwrap())).unwrap();
    a.delivered();
    assert_eq!(talk(&mut vmc, &mut a), ["SEND BLOCK"; 3]);
    assert_eq!(vmc.outcome(), Some(Outcome::Complete));
    assert_eq!(a.outcome(), Some(Outcome::Complete));
    assert_eq!(a.received(), file);
}

#[test]
fn denied_transfer_vmc_to_a_and_a_to_vmc() {
    for (from, to) in [(VMC, A), (A, VMC)] {
        let mut sender = Transfer::offer(from, to, FILE, LAST, b"x").unwrap();
        let mut other = Transfer::deny(&sender.next().unwrap(), RETRY_NEVER).unwrap();
        sender.delivered();
        assert_eq!(talk(&mut sender, &mut other), ["RETRY/DENY"]);
        assert_eq!(sender.outcome(), Some(Outcome::Denied(0)));
        assert_eq!(other.outcome(), Some(Outcome::Aborted));
    }
}

#[test]
fn successful_and_denied_request() {
    let mut a = Transfer::ask(A, VMC, FILE, LAST, 2);
    let request = as_response(a.next().unwrap());
    a.delivered();
    let mut vmc = Transfer::honour(&request, &[9; 62]).unwrap().unwrap();
    assert_eq!(talk(&mut a, &mut vmc), ["SEND BLOCK"; 3]);
    assert_eq!(a.received(), [9; 62]);

    let mut a = Transfer::ask(A, VMC, FILE, LAST, 2);
    let request = as_response(a.next().unwrap());
    a.delivered();
    let mut vmc = Transfer::honour(&request, &[9; 63]).unwrap().unwrap();
    assert_eq!(talk(&mut a, &mut vmc), ["RETRY/DENY"]);
    assert_eq!(a.outcome(), Some(Outcome::Denied(0)));
}

#[test]
fn aborted_by_either_side() {
    for by_sender in [true, false] {
        let mut vmc = Transfer::offer(VMC, A, FILE, LAST, &[1; 100]).unwrap();
        let mut a = Transfer::accept(&vmc.next().unwrap()).unwrap();
        vmc.heard(&a.next().unwrap()).unwrap();
        a.delivered();
        a.heard(&vmc.next().unwrap()).unwrap();
        vmc.delivered();
        let (who, other) = match by_sender {
            true => (&mut vmc, &mut a),
            false => (&mut a, &mut vmc),
        };
        who.abort();
        assert_eq!(talk(who, other), ["RETRY/DENY"]);
        assert_eq!(who.outcome(), Some(Outcome::Aborted));
        assert_eq!(other.outcome(), Some(Outcome::AbortedByPeer));
    }
}

/// Moves the controller's mail and the peripherals' answers until all is quiet. `refuses` is the
/// device that answers every block with NAK.
fn run(router: &mut Router, sides: &mut [(Address, Transfer)], refuses: Option<Address>) {
    for _ in 0..2000 {
        let mut quiet = true;
        for (address, side) in sides.iter_mut() {
            if let Some(message) = router.next(*address) {
                quiet = false;
                let message = as_command(*address, message);
                if refuses == Some(*address) && message.name() == "SEND BLOCK" {
                    router.refused(*address);
                } else {
                    side.heard(&message).unwrap();
                    router.delivered(*address);
                }
            } else if let Some(message) = side.next() {
                // The answer to a POLL.
                quiet = false;
                router.receive(*address, &as_response(message));
                side.delivered();
            }
        }
        if quiet {
            return;
        }
    }
    panic!("the transfer does not end");
}

fn both_join() -> Router {
    let mut router = Router::new();
    router.join(A);
    router.join(B);
    router
}

#[test]
fn successful_transfer_a_to_b() {
    let file = [3; 70];
    let mut router = both_join();
    let mut a = Transfer::offer(A, B, FILE, LAST, &file).unwrap();
    let offer = as_response(a.next().unwrap());
    assert_eq!(router.receive(A, &offer), Routed::Forwarded(B));
    a.delivered();
    let b = Transfer::accept(&as_command(B, router.next(B).unwrap())).unwrap();
    router.delivered(B);
    let mut sides = [(A, a), (B, b)];
    run(&mut router, &mut sides, None);
    let [(_, a), (_, b)] = sides;
    assert_eq!(a.outcome(), Some(Outcome::Complete));
    assert_eq!(b.outcome(), Some(Outcome::Complete));
    assert_eq!(b.received(), file);
}

/// The last diagram: once B has taken a block, the controller asks A for the next (α7/FD).
#[test]
fn the_next_block_is_asked_for() {
    let mut router = both_join();
    let a = Transfer::offer(A, B, FILE, LAST, &[3; 70]).unwrap();
    router.receive(A, &a.next().unwrap());
    router.delivered(B);
    let block = Message::SendBlock {
        dest: B,
        block: 0,
        data: Chunk::new(&[3; 31]).unwrap(),
    };
    router.receive(A, &block);
    assert_eq!(router.next(A), None);
    router.delivered(B);
    assert_eq!(router.next(A), Some(Message::OkToSend { dest: A, src: B }));
}

#[test]
fn successful_and_denied_request_a_to_b() {
    for allowed in [true, false] {
        let mut router = both_join();
        let mut a = Transfer::ask(A, B, FILE, LAST, 10);
        router.receive(A, &as_response(a.next().unwrap()));
        a.delivered();
        let request = as_command(B, router.next(B).unwrap());
        router.delivered(B);
        let b = match allowed {
            true => Transfer::honour(&request, b"tube data").unwrap().unwrap(),
            false => Transfer::deny(&request, 30).unwrap(),
        };
        let mut sides = [(A, a), (B, b)];
        run(&mut router, &mut sides, None);
        let (outcome, data): (_, &[u8]) = match allowed {
            true => (Outcome::Complete, b"tube data"),
            false => (Outcome::Denied(30), b""),
        };
        assert_eq!(sides[0].1.outcome(), Some(outcome));
        assert_eq!(sides[0].1.received(), data);
    }
}

/// Section 2.6.2: five refusals, then both sides are sent RETRY/DENY.
#[test]
fn five_refusals_end_the_transfer_on_both_sides() {
    let mut router = both_join();
    let mut a = Transfer::offer(A, B, FILE, LAST, &[3; 70]).unwrap();
    router.receive(A, &a.next().unwrap());
    a.delivered();
    let b = Transfer::accept(&router.next(B).unwrap()).unwrap();
    router.delivered(B);
    let mut sides = [(A, a), (B, b)];
    run(&mut router, &mut sides, Some(B));
    assert_eq!(sides[0].1.outcome(), Some(Outcome::AbortedByPeer));
    assert_eq!(sides[1].1.outcome(), Some(Outcome::AbortedByPeer));

    let mut vmc = Transfer::offer(VMC, A, FILE, LAST, b"x").unwrap();
    for _ in 1..ATTEMPTS {
        vmc.refused();
        assert_eq!(vmc.next().unwrap().name(), "REQ TO SEND");
    }
    vmc.refused();
    assert_eq!(vmc.next().unwrap().name(), "RETRY/DENY");
    (0..ATTEMPTS).for_each(|_| vmc.refused());
    assert_eq!((vmc.next(), vmc.outcome()), (None, Some(Outcome::Aborted)));
}

/// Section 2.6.2: a device that does not take part is denied for.
#[test]
fn unknown_destination_is_denied() {
    let mut router = Router::new();
    router.join(A);
    let mut a = Transfer::offer(A, B, FILE, LAST, b"x").unwrap();
    assert_eq!(router.receive(A, &a.next().unwrap()), Routed::Denied);
    a.delivered();
    a.heard(&as_command(A, router.next(A).unwrap())).unwrap();
    assert_eq!(a.outcome(), Some(Outcome::Denied(RETRY_NEVER)));

    let mut router = both_join();
    let a = Transfer::offer(A, B, FILE, LAST, b"x").unwrap();
    router.receive(A, &a.next().unwrap());
    router.leave(B);
    assert_eq!(router.next(A).unwrap().name(), "RETRY/DENY");
    assert_eq!(router.next(B), None);
}

/// A block that belongs to no transfer, or to one that was given up meanwhile, goes no further; its
/// sender is notified once.
#[test]
fn blocks_of_no_transfer_are_not_forwarded() {
    let mut router = both_join();
    let block = Message::SendBlock {
        dest: B,
        block: 0,
        data: Chunk::new(&[3; 31]).unwrap(),
    };
    for _ in 0..2 {
        assert_eq!(router.receive(A, &block), Routed::Denied);
    }
    assert_eq!(router.next(B), None);
    assert_eq!(router.next(A).unwrap().name(), "RETRY/DENY");
    router.delivered(A);
    assert_eq!(router.next(A), None);
}

/// Section 2.6.4, Retry Delay: lost block synchronisation is answered with "never".
#[test]
fn a_lost_block_aborts_and_a_repeated_one_does_not_count_twice() {
    let offer = Transfer::offer(VMC, A, FILE, LAST, &[1; 100])
        .unwrap()
        .next();
    let mut a = Transfer::accept(&offer.unwrap()).unwrap();
    a.delivered();
    let block = |block| Message::SendBlock {
        dest: A,
        block,
        data: Chunk::new(&[block; 31]).unwrap(),
    };
    a.heard(&block(0)).unwrap();
    a.heard(&block(0)).unwrap();
    assert_eq!(a.received().len(), 31);
    a.heard(&block(2)).unwrap();
    assert_eq!(a.next().unwrap().name(), "RETRY/DENY");
    assert!(a.heard(&block(1)).is_err());
}

/// Section 2.6.3: exactly 256 blocks end with block FFH, fewer with an empty one.
#[test]
fn the_longest_file_ends_with_block_ff() {
    let longest = vec![7; 31 * MAX_BLOCKS];
    let mut vmc = Transfer::offer(VMC, A, FILE, LAST, &longest).unwrap();
    let mut a = Transfer::accept(&vmc.next().unwrap()).unwrap();
    vmc.heard(&a.next().unwrap()).unwrap();
    a.delivered();
    assert_eq!(talk(&mut vmc, &mut a).len(), MAX_BLOCKS);
    assert_eq!(a.received(), longest);
    let error = Transfer::offer(VMC, A, FILE, LAST, &vec![7; 7937]).unwrap_err();
    assert!(error.to_string().contains("7937 bytes"), "{error}");
}

proptest! {
    /// Lost ACKs and refused blocks, fewer than five in a row, lose and repeat nothing.
    #[test]
    fn every_file_arrives(
        file in proptest::collection::vec(any::<u8>(), 0..1000),
        luck in proptest::collection::vec(0u8..3, 1..50),
    ) {
        let mut vmc = Transfer::offer(VMC, A, FILE, LAST, &file).unwrap();
        let mut a = Transfer::accept(&vmc.next().unwrap()).unwrap();
        vmc.heard(&a.next().unwrap()).unwrap();
        a.delivered();
        let mut luck = luck.iter().cycle();
        let mut bad = 0;
        while let Some(message) = vmc.next() {
            let draw = if bad == ATTEMPTS - 1 { 2 } else { *luck.next().unwrap() };
            if draw > 0 {
                a.heard(&as_command(A, message)).unwrap();
            }
            if draw == 2 {
                bad = 0;
                vmc.delivered();
            } else {
                bad += 1;
                vmc.refused();
            }
        }
        prop_assert_eq!(vmc.outcome(), Some(Outcome::Complete));
        prop_assert_eq!(a.received(), &file[..]);
    }
}
