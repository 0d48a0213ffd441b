//! What the answers to POLL mean to the board (MDB/ICP 4.3, section 6.3, 33H).

use super::escrow::Escrow;
use super::guard::Sifted;
use super::{ASK_FULL_STACKER, Bill, Step, words};
use crate::drivers::channel::Verdict;
use crate::drivers::report::Report;
use payrig_mdb::bill::{Command, EscrowStatus, Report as Activity, Routing};
use payrig_units::Micros;

impl Bill {
    /// POLL was answered; without reports when by ACK.
    pub(super) fn took_poll(&mut self, now: Micros, activities: &[Activity]) -> Verdict {
        let Sifted { fresh, repeated } = self.guard.sift(now, activities);
        if repeated {
            self.note("the same report again, its ACK was lost: not credited twice");
        }
        let brings_bill = activities
            .iter()
            .any(|a| matches!(a, Activity::Bill { .. }));
        let mut verdict = match brings_bill {
            true => Verdict::CheckRepeat,
            false => Verdict::Fine,
        };
        for activity in &fresh {
            match *activity {
                Activity::JustReset => verdict = Verdict::JustReset,
                Activity::Bill { routing, bill_type } => self.routed(now, routing, bill_type),
                Activity::EscrowRequest => self.reports.push(Report::ReturnLever),
                Activity::InvalidEscrowRequest => self.escrow_invalid(now),
                Activity::FilledKeyPressed => {
                    self.note_activity(*activity);
                    self.recycler.try_again();
                    self.wanted.push_back(Command::BillDispenseStatus);
                }
                other => self.note_activity(other),
            }
        }
        if verdict == Verdict::JustReset {
            return verdict;
        }
        if self.step == Step::Done {
            self.watch_acceptance(now, activities);
            let has = |what: Activity| activities.contains(&what);
            let news = self.recycler.polled(
                now,
                self.escrow.is_none(),
                has(Activity::BillWaiting),
                has(Activity::DispenserDisabled),
                &mut self.wanted,
            );
            let reported = self.report(news);
            let watched = self.watch_escrow(now);
            for found in [reported, watched] {
                if found != Verdict::Fine {
                    verdict = found;
                }
            }
        }
        verdict
    }

    fn note_activity(&mut self, activity: Activity) {
        if let Some(text) = words::plain(activity) {
            self.note(text);
        }
    }

    /// VALIDATOR DISABLED comes at every POLL: news is when it begins and ends, and only while the
    /// board itself takes bills.
    fn watch_acceptance(&mut self, now: Micros, activities: &[Activity]) {
        let enabled = self.sent.is_some_and(|types| !types.is_empty());
        let disabled = enabled && activities.contains(&Activity::ValidatorDisabled);
        let full = self.stacker.is_some_and(|s| s.full);
        if disabled != self.disabled_itself {
            self.disabled_itself = disabled;
            match (disabled, enabled) {
                (true, _) => self.note("takes no bills now, though the board has enabled them"),
                (false, true) => self.note("takes bills again"),
                // The board has switched it off itself.
                (false, false) => return,
            }
            // A full stacker or an emptied cash box may be behind it.
            self.ask_stacker(now);
        } else if full && now.since(self.stacker_asked) >= ASK_FULL_STACKER {
            self.ask_stacker(now);
        }
    }

    fn ask_stacker(&mut self, now: Micros) {
        self.stacker_asked = now;
        if !std::mem::replace(&mut self.stacker_pending, true) {
            self.wanted.push_back(Command::Stacker);
        }
    }

    /// A bill went somewhere.
    pub(super) fn routed(&mut self, now: Micros, routing: Routing, bill_type: u8) {
        if self.setup.is_none() {
            // Credit before SETUP: kept until it is known what it is worth.
            self.unpriced.push((routing, bill_type));
            return;
        }
        let device = self.name.clone();
        let value = self.value(bill_type);
        match routing {
            Routing::EscrowPosition => {
                self.escrow = Some(Escrow::of(value));
                match value {
                    Some(value) => self.reports.push(Report::BillEscrowed { device, value }),
                    None => {
                        self.note(format_args!(
                            "bill type {bill_type} has no value: given back"
                        ));
                        self.order_escrow(EscrowStatus::RETURN);
                    }
                }
            }
            // Only now is the bill the machine's (section 6.3, 33H, note 2).
            Routing::Stacked | Routing::ToRecycler => {
                self.escrow = None;
                let place = match routing {
                    Routing::Stacked => "stacked",
                    _ => "put into the recycler",
                };
                match value {
                    Some(value) => {
                        let what = format!("bill type {bill_type} {place}");
                        self.reports.push(Report::Credit {
                            device,
                            value,
                            what,
                        });
                    }
                    None => self.note(format_args!(
                        "bill type {bill_type} {place}: it has no value and is not credited"
                    )),
                }
                if routing == Routing::ToRecycler {
                    self.recycler.moved(bill_type, 1);
                } else if self.step == Step::Done {
                    // Section 6.6: check the stacker after an accept sequence.
                    self.ask_stacker(now);
                }
            }
            Routing::Returned => {
                self.escrow = None;
                self.reports.push(Report::BillReturned { device });
            }
            // The last four are for audit (section 6.3, 33H): no credit.
            Routing::DisabledBillRejected => {}
            Routing::ManualFill => self.recycler.moved(bill_type, 1),
            Routing::ManualDispense => self.recycler.moved(bill_type, -1),
            Routing::RecyclerToCashbox => {
                self.recycler.moved(bill_type, -1);
                self.ask_stacker(now);
            }
        }
        self.note_activity(Activity::bill(routing, bill_type));
    }
}
