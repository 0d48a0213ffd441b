//! What the board waits for, and how long (MDB/ICP 4.3, sections 7.3 and 7.5).

use super::{Cashless, Phase};
use crate::drivers::channel::Verdict;
use crate::drivers::report::Report;
use payrig_units::Micros;
use std::fmt;

/// The reader may take the non-response time "plus the time between polls" (Appendix 3, section 2):
/// two POLLs of 200 ms and a little.
const MARGIN: Micros = Micros::ms(500);

/// An answer that is owed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    /// READER CONFIGURATION DATA.
    Config,
    /// PERIPHERAL ID.
    PeripheralId,
    /// USER FILE DATA.
    UserFile,
    /// VEND APPROVED or DENIED.
    Decision,
    /// VEND DENIED, after VEND CANCEL.
    Denial,
    /// That the refund after VEND FAILURE is over: any answer to a POLL (7.4.8).
    Refund,
    /// END SESSION.
    EndSession,
    /// CANCELLED.
    Cancelled,
    /// REVALUE LIMIT AMOUNT or REVALUE DENIED.
    RevalueLimit,
    /// REVALUE APPROVED or DENIED.
    Revalued,
}

impl fmt::Display for What {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Config => "READER CONFIGURATION DATA",
            Self::PeripheralId => "PERIPHERAL ID",
            Self::UserFile => "USER FILE DATA",
            Self::Decision => "VEND APPROVED or VEND DENIED",
            Self::Denial => "VEND DENIED after VEND CANCEL",
            Self::Refund => "the end of the refund",
            Self::EndSession => "END SESSION",
            Self::Cancelled => "CANCELLED",
            Self::RevalueLimit => "REVALUE LIMIT AMOUNT",
            Self::Revalued => "REVALUE APPROVED or REVALUE DENIED",
        })
    }
}

/// An answer that is owed, and when it is overdue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Owed {
    pub(super) what: What,
    pub(super) by: Micros,
}

impl Cashless {
    pub(super) fn owe(&mut self, now: Micros, what: What) {
        let by = now + self.non_response() + MARGIN;
        self.owed = Some(Owed { what, by });
    }

    /// What was owed has come. False when it was not owed.
    pub(super) fn paid_off(&mut self, what: What) -> bool {
        let owed = self.owed.is_some_and(|o| o.what == what);
        if owed {
            self.owed = None;
        }
        owed
    }

    /// What was owed for too long.
    pub(super) fn check_patience(&mut self, now: Micros) -> Verdict {
        let Some(owed) = self.owed.filter(|o| now > o.by) else {
            return Verdict::Fine;
        };
        self.owed = None;
        let device = self.name.clone();
        match owed.what {
            What::Config | What::PeripheralId | What::UserFile => {
                if self.setup_overdue(owed) {
                    return Verdict::Desynchronised;
                }
            }
            What::Decision => {
                self.note("no answer to the vend request in time: cancelled");
                self.cancel();
                // It is withdrawn; should it be approved yet, it is given back.
                self.owed = None;
                self.reports.push(Report::VendDenied { device });
            }
            What::Refund => {}
            What::RevalueLimit => {
                self.note("no REVALUE LIMIT AMOUNT in time: nothing is put on the card");
                let limit = None;
                self.reports.push(Report::RevalueLimit { device, limit });
            }
            // Section 7.4.9 asks for a RESET where END SESSION is missing; nothing else makes the
            // state certain again in the other cases.
            what => {
                self.note(format_args!("{what} did not come in time: reset"));
                if self.phase != Phase::Closed || what == What::Revalued {
                    self.phase = Phase::Closed;
                    self.reports.push(Report::SessionLost { device });
                }
                return Verdict::Desynchronised;
            }
        }
        Verdict::Fine
    }
}
