use super::*;

/// A driver whose set-up is two commands.
#[derive(Default)]
struct Plain {
    step: usize,
    setups: u32,
    lost: u32,
}

impl Driver for Plain {
    fn poll(&self) -> Block {
        Block::new(&[0x0B]).unwrap()
    }
    fn reset(&self) -> Block {
        Block::new(&[0x08]).unwrap()
    }
    fn begin_setup(&mut self, _: Micros) {
        self.step = 0;
        self.setups += 1;
    }
    fn next_setup(&mut self, _: Micros) -> Setup {
        match self.step {
            0 => Setup::Send(Block::new(&[0x09]).unwrap()),
            1 => Setup::Send(Block::new(&[0x0A]).unwrap()),
            _ => Setup::Done,
        }
    }
    fn answered(&mut self, _: Micros, command: &Block, data: Option<&Block>) -> Verdict {
        if command.first() != 0x0B {
            self.step += 1;
        }
        match data.map(Block::bytes) {
            Some([0x0B]) => Verdict::JustReset,
            _ => Verdict::Fine,
        }
    }
    fn reads(&self, _: &Block, _: &Block) -> bool {
        true
    }
    fn unanswered(&mut self, _: Micros, _: &Block) -> bool {
        true
    }
    fn lost(&mut self, _: Micros) {
        self.lost += 1;
    }
}

struct Play {
    channel: Channel,
    driver: Plain,
    now: Micros,
}

impl Play {
    fn new() -> Self {
        let rhythm = Rhythm::new(Micros::secs(2));
        let channel = Channel::new(Address::CHANGER, rhythm, Micros::ZERO);
        Self {
            channel,
            driver: Plain::default(),
            now: Micros::ZERO,
        }
    }
    /// Waits for the next command and answers it. Returns when it was sent and its first byte.
    fn turn(&mut self, outcome: Outcome) -> (Micros, u8) {
        self.now = self.now.max(self.channel.due());
        let block = self.channel.next_command(self.now, &mut self.driver);
        let at = self.now;
        self.now += Micros::ms(8);
        self.channel.outcome(self.now, &outcome, &mut self.driver);
        (at, block.first())
    }
}

fn just_reset() -> Outcome {
    Outcome::Data(Block::new(&[0x0B]).unwrap())
}

fn status() -> Outcome {
    Outcome::Data(Block::new(&[0x03, 0x18]).unwrap())
}

#[test]
fn set_up_follows_just_reset_and_a_new_just_reset_starts_it_again_without_reset() {
    let mut play = Play::new();
    let sent: Vec<u8> = [
        just_reset(),
        status(),
        status(),
        Outcome::Ack,
        just_reset(),
        status(),
    ]
    .map(|o| play.turn(o).1)
    .to_vec();
    assert_eq!(sent, [0x0B, 0x09, 0x0A, 0x0B, 0x0B, 0x09]);
    assert_eq!(play.driver.setups, 2);
}

/// A peripheral that answers POLL and never a command of its set-up is in a state of its own: it
/// is RESET.
#[test]
fn a_set_up_that_does_not_go_on_leads_to_reset() {
    let mut play = Play::new();
    play.turn(just_reset());
    let begun = play.now;
    let sent = std::iter::from_fn(|| {
        let polls = play.channel.poll_between;
        let answer = if polls {
            Outcome::Ack
        } else {
            Outcome::Silence
        };
        Some(play.turn(answer).1)
    });
    let sent: Vec<u8> = sent.take_while(|c| *c != 0x08).take(1_000).collect();
    assert_eq!(sent[..4], [0x09, 0x0B, 0x09, 0x0B]);
    let took = play.now.since(begun);
    assert!(
        took >= SETUP_PATIENCE && took < SETUP_PATIENCE + Micros::secs(1),
        "{took}"
    );
}

/// MDB/ICP 4.3, section 2.5 F and G, and Appendix 3, section 3 (repetition alternates with
/// POLL): silence for the non-response time, then RESET, RESET, and one every ten seconds.
#[test]
fn silence_leads_to_reset_every_ten_seconds() {
    let mut play = Play::new();
    play.turn(just_reset());
    play.turn(status());
    play.turn(status());
    play.turn(Outcome::Ack);
    play.channel
        .want(play.now, Block::new(&[0x0C, 0, 0, 0, 0]).unwrap());
    let quiet_from = play.now;
    let mut sent = Vec::new();
    while !sent.contains(&0x08) {
        sent.push(play.turn(Outcome::Silence).1);
    }
    assert_eq!(&sent[..4], [0x0C, 0x0B, 0x0C, 0x0B]);
    assert!(play.now.since(quiet_from) >= Micros::secs(2));
    assert_eq!(play.driver.lost, 1);
    let second = play.turn(Outcome::Silence);
    let third = play.turn(Outcome::Silence);
    let fourth = play.turn(Outcome::Silence);
    assert_eq!([second.1, third.1, fourth.1], [0x08; 3]);
    assert_eq!(third.0.since(second.0), Micros::secs(10));
    assert_eq!(fourth.0.since(third.0), Micros::secs(10));
    assert_eq!(play.turn(Outcome::Ack).1, 0x08);
    assert_eq!(play.turn(just_reset()).1, 0x0B);
    assert_eq!(play.turn(status()).1, 0x09);
}

#[test]
fn a_device_that_never_says_just_reset_is_reset_once_and_then_set_up() {
    let mut play = Play::new();
    let mut sent = Vec::new();
    while sent.last() != Some(&0x09) {
        sent.push(play.turn(Outcome::Ack).1);
    }
    assert_eq!(sent.iter().filter(|b| **b == 0x08).count(), 1);
}
