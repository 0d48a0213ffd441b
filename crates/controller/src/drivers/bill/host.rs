//! A master with one peripheral, a bill validator: what a bridge needs of a VMC.

use super::{Bill, BillPolicy};
use crate::drivers::channel::{Channel, Life, Rhythm};
use crate::drivers::master::{BusMaster, Fit, MasterTiming, Outcome};
use crate::drivers::report::Report;
use payrig_mdb::{Address, Block};
use payrig_units::{Micros, Money};
use payrig_wire::{TimedWord, Transmission};

/// Finds a bill validator, sets it up, polls it, and finds it again. No clock, no I/O.
///
/// What it knows of the last report survives a power cut ([`power`](Self::power)): a bill whose
/// report was heard is not taken for a new one when the validator, which did not hear the ACK,
/// reports it again (MDB/ICP 4.3, section 2.2).
#[derive(Clone, Debug)]
pub struct BillHost {
    master: BusMaster,
    channel: Channel,
    bill: Bill,
    asking: bool,
    powered: bool,
}

impl BillHost {
    /// A master that has just been given power at `now`: it resets its bus and looks for the
    /// validator, which it calls `name`.
    #[must_use]
    pub fn new(name: String, poll_every: Micros, timing: MasterTiming, now: Micros) -> Self {
        let rhythm = Rhythm {
            poll_every,
            ..Rhythm::new(Micros::secs(5))
        };
        let mut host = Self {
            master: BusMaster::new(timing),
            channel: Channel::new(Address::BILL_VALIDATOR, rhythm, now),
            bill: Bill::new(name, BillPolicy::default()),
            asking: false,
            powered: true,
        };
        host.master.bus_reset(now);
        host
    }

    /// Power comes or goes. When it comes, the bus is reset.
    pub fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        self.asking = false;
        self.master.power(now);
        if on {
            self.channel.restart(now);
            self.master.bus_reset(now);
        }
    }

    /// Takes bills of these values only, from now on; none until this is called.
    pub fn accept(&mut self, now: Micros, values: Vec<Money>) {
        self.bill.set_welcome(&values);
        self.settle(now);
    }

    /// Stacks the bill in escrow.
    pub fn stack(&mut self, now: Micros) {
        self.bill.stack();
        self.settle(now);
    }

    /// Gives the bill in escrow back.
    pub fn give_back(&mut self, now: Micros) {
        self.bill.give_back();
        self.settle(now);
    }

    /// The values of the bills the validator knows, once it has reported them.
    #[must_use]
    pub fn values(&self) -> Vec<Money> {
        self.bill.values()
    }

    /// Where the validator is in its life.
    #[must_use]
    pub fn life(&self) -> Life {
        self.channel.life()
    }

    /// True while a command other than POLL is to be sent or answered.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        self.channel.is_busy()
    }

    /// The link may hold up what goes either way for so long: see [`BusMaster::set_link_delay`].
    pub fn set_link_delay(&mut self, delay: Micros) {
        self.master.set_link_delay(delay);
    }

    /// A word of the validator.
    pub fn heard(&mut self, word: &TimedWord) {
        if !self.powered {
            return;
        }
        let (asking, channel, bill) = (self.asking, &self.channel, &self.bill);
        let fit = |data: Option<&Block>| match asking {
            true => channel.fit(data, bill),
            false => Fit::Whole,
        };
        if let Some(outcome) = self.master.heard_by(word, fit) {
            self.over(word.end, &outcome);
        }
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let command = self.channel.due().max(self.master.free_at());
        self.master.next_deadline().min(command)
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        if let Some(outcome) = self.master.wake(now) {
            self.over(now, &outcome);
        }
        if self.master.is_free(now) && self.channel.due() <= now {
            let block = self.channel.next_command(now, &mut self.bill);
            self.asking = true;
            self.master.command(now, &block);
            self.settle(now);
        }
    }

    fn over(&mut self, now: Micros, outcome: &Outcome) {
        if std::mem::take(&mut self.asking) {
            self.channel.outcome(now, outcome, &mut self.bill);
        }
        self.settle(now);
    }

    fn settle(&mut self, now: Micros) {
        while let Some(command) = self.bill.take_wanted() {
            self.channel.want(now, command.emit());
        }
    }

    /// The next transmission, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        self.master.take_transmission()
    }

    /// What the validator reported since the last call.
    pub fn take_reports(&mut self) -> Vec<Report> {
        let mut reports = Vec::new();
        self.bill.take_reports(&mut reports);
        reports
    }
}
