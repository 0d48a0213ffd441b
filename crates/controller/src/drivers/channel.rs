//! The life of one peripheral as its master sees it: found, set up, polled, lost, found again
//! (MDB/ICP 4.3, sections 2.4.3 and 2.5 F, G; initialization as in 5.3, 6.3 and 7.4.1).

use crate::drivers::master::{Fit, Outcome};
use payrig_mdb::{Address, Block};
use payrig_units::Micros;
use std::collections::VecDeque;

/// How often a peripheral is spoken to, and when it is given up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rhythm {
    /// From one POLL to the next: 25 to 200 ms (section 2.4.3), 125 to 200 ms recommended
    /// (Appendix 3, section 2).
    pub poll_every: Micros,
    /// How long a peripheral may say nothing (sections 5.4, 6.4, 7.5).
    pub non_response: Micros,
    /// From one RESET to the next while it is away (section 2.4.3: at least every ten seconds).
    pub reset_every: Micros,
}

impl Rhythm {
    /// Poll every 125 ms; give up after `non_response`; RESET every 10 s.
    #[must_use]
    pub const fn new(non_response: Micros) -> Self {
        Self {
            poll_every: Micros::ms(125),
            non_response,
            reset_every: Micros::secs(10),
        }
    }
}

/// Where a peripheral is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Life {
    /// POLLed for JUST RESET, after power-up or a bus reset.
    Looking,
    /// RESET is being sent: at once twice, then every ten seconds.
    Resetting {
        /// RESETs sent so far.
        sent: u32,
    },
    /// RESET was acknowledged; POLLed for JUST RESET.
    AwaitingJustReset,
    /// The initialization sequence is under way.
    SettingUp,
    /// Set up, POLLed.
    Running,
}

/// How long a repeated report is waited for (Appendix 3, section 3: the recommended maximum
/// response time, 20 ms).
const REPEAT_CHECK: Micros = Micros::ms(20);

/// How long a step of the initialization sequence may go unanswered while POLL is answered, at the
/// least: longer than a driver takes to leave out a step that it can do without.
const SETUP_PATIENCE: Micros = Micros::secs(6);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Slot {
    Poll,
    Reset,
    Setup,
    Wanted,
    Chosen,
}

/// One peripheral's schedule.
#[derive(Clone, Debug)]
pub(crate) struct Channel {
    pub(crate) address: Address,
    pub(crate) rhythm: Rhythm,
    life: Life,
    due: Micros,
    /// When the next POLL is due, whatever goes before it (section 2.4.3).
    poll_due: Micros,
    /// The driver's POLL.
    poll: Option<Block>,
    asked: Option<(Block, Slot)>,
    wanted: VecDeque<Block>,
    /// A command that was not answered is being repeated: POLL goes between.
    poll_between: bool,
    /// Money was reported: the next POLL shows whether its ACK was heard, and nothing else goes
    /// before it.
    checking: bool,
    silent_since: Option<Micros>,
    /// A command of the initialization sequence that is not answered, though POLL may be, and since
    /// when.
    stuck_since: Option<(Block, Micros)>,
    looking_since: Micros,
}

impl Channel {
    pub(crate) fn new(address: Address, rhythm: Rhythm, now: Micros) -> Self {
        Self {
            address,
            rhythm,
            life: Life::Looking,
            due: now,
            poll_due: now,
            poll: None,
            asked: None,
            wanted: VecDeque::new(),
            poll_between: false,
            checking: false,
            silent_since: None,
            stuck_since: None,
            looking_since: now,
        }
    }

    /// How data, or ACK alone (`None`), fit the command whose outcome is awaited.
    pub(crate) fn fit(&self, data: Option<&Block>, driver: &dyn Driver) -> Fit {
        // A command that is not ours: nothing is known of its answer.
        let Some(command) = self.asked() else {
            return Fit::Whole;
        };
        let full = driver.full_length(command);
        match data {
            Some(data) if !driver.reads(command, data) => Fit::Wrong,
            Some(data) if full.is_some_and(|full| data.bytes().len() < full) => Fit::Short,
            None if full.is_some() => Fit::Short,
            _ => Fit::Whole,
        }
    }

    pub(crate) fn life(&self) -> Life {
        self.life
    }

    /// When the next command wants to be sent.
    pub(crate) fn due(&self) -> Micros {
        if self.asked.is_some() {
            Micros::NEVER
        } else {
            self.due
        }
    }

    /// Queues a command; it goes out ahead of the next POLL.
    pub(crate) fn want(&mut self, now: Micros, block: Block) {
        self.wanted.push_back(block);
        if self.life == Life::Running && !self.checking {
            self.due = self.due.min(now);
        }
    }

    /// The command whose outcome is awaited.
    pub(crate) fn asked(&self) -> Option<&Block> {
        self.asked.as_ref().map(|(block, _)| block)
    }

    /// The same, unless it is a POLL.
    pub(crate) fn asked_besides_poll(&self) -> Option<Block> {
        self.asked
            .filter(|(_, slot)| *slot != Slot::Poll)
            .map(|(block, _)| block)
    }

    /// True while commands other than POLL are still to be sent or answered.
    pub(crate) fn is_busy(&self) -> bool {
        !self.wanted.is_empty() || matches!(self.asked, Some((_, Slot::Wanted)))
    }

    /// The driver has something to send: it goes out ahead of the next POLL.
    pub(crate) fn hurry(&mut self, now: Micros) {
        if self.life == Life::Running && !self.poll_between && !self.checking {
            self.due = self.due.min(now);
        }
    }

    /// A bus reset or power-up: look for it anew.
    pub(crate) fn restart(&mut self, now: Micros) {
        *self = Self::new(self.address, self.rhythm, now);
    }

    /// The next command. It counts as sent.
    pub(crate) fn next_command(&mut self, now: Micros, driver: &mut dyn Driver) -> Block {
        self.due = now + self.rhythm.poll_every;
        let (block, slot) = match self.life {
            Life::Looking | Life::AwaitingJustReset => self.poll(driver),
            Life::Resetting { sent } => {
                self.life = Life::Resetting {
                    sent: sent.saturating_add(1),
                };
                // Section 2.5 G: one RESET, a second, then one every ten seconds.
                if sent > 0 {
                    self.due = now + self.rhythm.reset_every;
                }
                (driver.reset(), Slot::Reset)
            }
            Life::SettingUp if self.poll_between || self.checking => self.poll(driver),
            Life::SettingUp => match driver.next_setup(now) {
                Setup::Send(block) => (block, Slot::Setup),
                Setup::Poll => self.poll(driver),
                Setup::Wait(until) => {
                    self.due = self.due.min(until);
                    self.poll(driver)
                }
                Setup::Done => {
                    self.life = Life::Running;
                    self.running_command(now, driver)
                }
            },
            Life::Running => self.running_command(now, driver),
        };
        if slot == Slot::Poll {
            self.poll_due = now + self.rhythm.poll_every;
        }
        self.poll_between = false;
        self.asked = Some((block, slot));
        block
    }

    fn poll(&mut self, driver: &dyn Driver) -> (Block, Slot) {
        let poll = *self.poll.get_or_insert_with(|| driver.poll());
        (poll, Slot::Poll)
    }

    fn running_command(&mut self, now: Micros, driver: &mut dyn Driver) -> (Block, Slot) {
        if self.poll_between || self.checking {
            return self.poll(driver);
        }
        if let Some(block) = self.wanted.front() {
            return (*block, Slot::Wanted);
        }
        match driver.choose(now) {
            Some(block) => (block, Slot::Chosen),
            None => self.poll(driver),
        }
    }

    /// How the exchange begun with [`next_command`](Self::next_command) ended.
    pub(crate) fn outcome(&mut self, now: Micros, outcome: &Outcome, driver: &mut dyn Driver) {
        let Some((block, slot)) = self.asked.take() else {
            return;
        };
        let data = match outcome {
            Outcome::Ack => None,
            Outcome::Data(data) => Some(data),
            Outcome::Silence | Outcome::Nak | Outcome::Garbage => {
                self.no_answer(now, &block, slot, *outcome != Outcome::Silence, driver);
                return;
            }
        };
        self.silent_since = None;
        self.checking = false;
        match slot {
            Slot::Reset => {
                // The driver may wait for the reset to be over from here on.
                self.life = Life::AwaitingJustReset;
                self.looking_since = now;
                self.due = now + self.rhythm.poll_every;
                return;
            }
            Slot::Wanted => {
                self.due = self.due.min(self.poll_due);
                self.wanted.pop_front();
            }
            Slot::Setup => {
                self.stuck_since = None;
                self.due = now;
            }
            Slot::Poll | Slot::Chosen => {}
        }
        match driver.answered(now, &block, data) {
            Verdict::JustReset => {
                self.life = Life::SettingUp;
                self.stuck_since = None;
                self.wanted.clear();
                driver.begin_setup(now);
                self.due = now;
            }
            Verdict::CheckRepeat => {
                self.checking = true;
                self.due = now + REPEAT_CHECK;
                return;
            }
            Verdict::Desynchronised => self.begin_reset(now),
            Verdict::Fine => self.still_no_just_reset(now, driver),
        }
        let more = !self.wanted.is_empty() || driver.has_choice();
        if self.life == Life::Running && more {
            self.due = self.due.min(now + Micros::ms(5));
        }
        if self.life == Life::SettingUp && slot == Slot::Poll {
            self.due = self.due.min(now + Micros::ms(25));
        }
    }

    /// It answers POLL but never says JUST RESET.
    fn still_no_just_reset(&mut self, now: Micros, driver: &mut dyn Driver) {
        if now.since(self.looking_since) < self.rhythm.non_response {
            return;
        }
        match self.life {
            // It was not reset by us: a RESET puts it in a known state.
            Life::Looking => self.begin_reset(now),
            // It acknowledged RESET and will not report JUST RESET: go on without.
            Life::AwaitingJustReset => {
                self.life = Life::SettingUp;
                driver.begin_setup(now);
            }
            _ => {}
        }
    }

    fn begin_reset(&mut self, now: Micros) {
        self.life = Life::Resetting { sent: 0 };
        self.wanted.clear();
        self.checking = false;
        self.silent_since = None;
        self.stuck_since = None;
        self.due = now;
    }

    fn no_answer(
        &mut self,
        now: Micros,
        block: &Block,
        slot: Slot,
        heard_something: bool,
        driver: &mut dyn Driver,
    ) {
        self.poll_between = slot != Slot::Poll;
        if self.checking {
            self.due = now + REPEAT_CHECK;
        }
        if slot == Slot::Wanted && !driver.unanswered(now, block) {
            self.wanted.pop_front();
        }
        if slot == Slot::Chosen {
            driver.unanswered(now, block);
        }
        if slot == Slot::Reset {
            return;
        }
        if slot == Slot::Setup {
            let (stuck_in, stuck) = self.stuck_since.unwrap_or((*block, now));
            let stuck = if stuck_in == *block { stuck } else { now };
            self.stuck_since = Some((*block, stuck));
            if now.since(stuck) >= self.rhythm.non_response.max(SETUP_PATIENCE) {
                driver.lost(now);
                self.begin_reset(now);
                return;
            }
        }
        let since = *self.silent_since.get_or_insert(now);
        if heard_something {
            // It is there, but garbled: the non-response time is about silence.
            self.silent_since = None;
        } else if now.since(since) >= self.rhythm.non_response {
            driver.lost(now);
            self.begin_reset(now);
        } else if slot == Slot::Poll && since == now && self.life == Life::Running {
            // One lost POLL must not make a report late: two coins would look like one reported twice.
            self.due = self.due.min(now + REPEAT_CHECK);
        } else if slot != Slot::Poll {
            // Repetition alternates with POLL (Appendix 3, section 3), a little faster than polls.
            self.due = self.due.min(now + Micros::ms(25));
        }
    }
}

/// What the initialization sequence wants next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Setup {
    /// This command.
    Send(Block),
    /// A POLL, for data that is still owed.
    Poll,
    /// Nothing before then; POLLs go on meanwhile.
    Wait(Micros),
    /// It is done.
    Done,
}

/// What a driver made of an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// Understood, or without consequence.
    Fine,
    /// The peripheral says it was just reset.
    JustReset,
    /// Credit was reported: POLL again soon, to tell a repetition from a new report (Appendix 3,
    /// section 3, condition 2).
    CheckRepeat,
    /// The peripheral must be RESET to be in a known state (Appendix 3, section 3: command out of
    /// sequence).
    Desynchronised,
}

/// What one kind of peripheral adds to the common life.
pub(crate) trait Driver {
    /// Its POLL.
    fn poll(&self) -> Block;
    /// Its RESET.
    fn reset(&self) -> Block;
    /// It was just reset: the initialization sequence begins.
    fn begin_setup(&mut self, now: Micros);
    /// The next step of the initialization sequence.
    fn next_setup(&mut self, now: Micros) -> Setup;
    /// A command was answered with ACK (`None`) or data.
    fn answered(&mut self, now: Micros, command: &Block, data: Option<&Block>) -> Verdict;
    /// True when the data read as an answer to the command.
    fn reads(&self, command: &Block, data: &Block) -> bool;
    /// How long the answer to a command that asks for data is, in bytes without CHK, when nothing is
    /// left out at its end. `None` for other commands, and where the data say themselves how long they
    /// are.
    fn full_length(&self, _command: &Block) -> Option<usize> {
        None
    }
    /// A command other than POLL was not answered. True when it may be sent again.
    fn unanswered(&mut self, now: Micros, command: &Block) -> bool;
    /// The peripheral went away.
    fn lost(&mut self, now: Micros);
    /// A command the driver chooses at the last moment, once the peripheral is set up. It keeps it
    /// until it is answered.
    fn choose(&mut self, _now: Micros) -> Option<Block> {
        None
    }
    /// True when [`choose`](Self::choose) would give a command.
    fn has_choice(&self) -> bool {
        false
    }
}

#[cfg(test)]
mod tests;
