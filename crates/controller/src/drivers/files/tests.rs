use super::*;
use payrig_mdb::ftl::ATTEMPTS;

const A: Address = Address::CHANGER;
const B: Address = Address::BILL_VALIDATOR;

fn mailbox() -> Mailbox {
    let mut mailbox = Mailbox::new(b"ZZZ".to_vec());
    let on = [
        (A, Block::truncated(&[0x0F, 0x01, 0, 0, 0, 8])),
        (B, Block::truncated(&[0x37, 0x01, 0, 0, 0, 1])),
    ];
    for (address, block) in on {
        mailbox.sort(Micros::ZERO, address, Some(&block), Outcome::Ack);
        mailbox.sync(Micros::ZERO, address, true);
        assert!(mailbox.takes_part(address));
    }
    mailbox
}

fn poll_answer(mailbox: &mut Mailbox, from: Address, bytes: &[u8]) -> Option<Outcome> {
    let poll = Block::truncated(&[from.with(3)]);
    let data = Outcome::Data(Block::truncated(bytes));
    mailbox.sort(Micros::ZERO, from, Some(&poll), data)
}

/// Section 2.6.2: after a NAK five attempts in all, then RETRY/DENY to both sides.
#[test]
fn five_naks_end_a_transfer_between_peripherals() {
    let mut mailbox = mailbox();
    let offer = [0x1F, 0x30, 0x08, 0xF0, 0x01, 0x02];
    let left = poll_answer(&mut mailbox, A, &offer);
    assert_eq!(left, Some(Outcome::Ack), "no report is left of it");
    let mut now = Micros::ZERO;
    for _ in 0..ATTEMPTS {
        assert_eq!(mailbox.due(A), Micros::NEVER);
        now = mailbox.due(B).max(now);
        let sent = mailbox.command(B).unwrap();
        assert_eq!(sent.bytes(), [0x37, 0xFE, 0x30, 0x08, 0xF0, 0x01, 0x02]);
        assert_eq!(mailbox.sort(now, B, None, Outcome::Nak), None);
    }
    for (to, denial) in [
        (A, [0x0F, 0xFB, 0x08, 0x30, 0x00]),
        (B, [0x37, 0xFB, 0x30, 0x08, 0x00]),
    ] {
        assert_eq!(mailbox.command(to).unwrap().bytes(), denial);
        mailbox.sort(now, to, None, Outcome::Ack);
    }
    assert!(mailbox.is_idle());
}

#[test]
fn five_naks_end_a_transfer_of_the_board() {
    let mut mailbox = mailbox();
    let (file, control) = (FileId(0xF0), Control(2));
    let offered = mailbox.offer(Micros::ZERO, A, file, control, b"x");
    offered.unwrap();
    let mut said = Vec::new();
    while let Some(block) = mailbox.command(A) {
        said.push(block.bytes().get(1).copied().unwrap());
        mailbox.sort(Micros::ZERO, A, None, Outcome::Nak);
    }
    let five = |code| [code; ATTEMPTS as usize];
    assert_eq!(said, [five(0xFE), five(0xFB)].concat());
    assert!(mailbox.is_idle());
    assert_eq!(mailbox.outcome(A), Some(FileOutcome::Aborted));
}

/// After silence the peripheral has to answer a POLL before the next attempt (section 2.6.3).
#[test]
fn silence_waits_for_a_poll() {
    let mut mailbox = mailbox();
    let (file, control) = (FileId(0xF0), Control(2));
    mailbox.offer(Micros::ZERO, A, file, control, b"x").unwrap();
    mailbox.command(A).unwrap();
    mailbox.sort(Micros(10), A, None, Outcome::Silence);
    assert_eq!(mailbox.due(A), Micros::NEVER);
    let poll = Block::truncated(&[0x0B]);
    mailbox.sort(Micros(20), A, Some(&poll), Outcome::Silence);
    assert_eq!(mailbox.due(A), Micros::NEVER);
    mailbox.sort(Micros(30), A, Some(&poll), Outcome::Ack);
    assert_eq!(mailbox.due(A), Micros(30) + PACE);
}

/// A transfer whose other side does nothing is given up (section 2.6.3 recommends a time-out).
#[test]
fn a_transfer_that_does_not_go_on_is_given_up() {
    let mut mailbox = mailbox();
    mailbox
        .ask(Micros::ZERO, A, FileId::MANUFACTURER, 0)
        .unwrap();
    mailbox.command(A).unwrap();
    mailbox.sort(Micros::ZERO, A, None, Outcome::Ack);
    mailbox.sync(PATIENCE, A, true);
    assert_eq!(mailbox.due(A), Micros::NEVER);
    mailbox.sync(PATIENCE + Micros(1), A, true);
    let said = mailbox.command(A).unwrap();
    assert_eq!(said.bytes(), [0x0F, 0xFB, 0x08, 0x00, 0x00]);
}

/// What names another sender is not passed on.
#[test]
fn nobody_speaks_for_another() {
    let mut mailbox = mailbox();
    poll_answer(&mut mailbox, A, &[0x1F, 0x30, 0x10, 0xF0, 0x01, 0x02]);
    assert!(mailbox.is_idle());
    assert_eq!(mailbox.take_notices().len(), 1);
}
