//! What readers approve, against what was asked of them (MDB/ICP 4.3, section 7.4.5).

use crate::{BusRule, Finding, Party};
use payrig_mdb::cashless::{Kind, Report, Response};
use payrig_mdb::{Address, Decoded, Typed};
use payrig_units::Micros;

/// Watches the vends of every reader on a bus.
#[derive(Clone, Debug, Default)]
pub(super) struct Approvals {
    /// What was last asked of each reader and is not decided yet, scaled.
    asked: Vec<(Address, u32)>,
}

impl Approvals {
    /// A block, as it was decoded, that started `at`; what is to be said of it.
    pub(super) fn look(&mut self, decoded: &Decoded, at: Micros) -> Option<Finding> {
        let address = decoded.address?;
        match decoded.typed.as_ref()? {
            Typed::CashlessCommand(command) => match &command.kind {
                Kind::VendRequest(request) => {
                    self.forget(address);
                    self.asked.push((address, request.price));
                    None
                }
                Kind::Reset => {
                    self.forget(address);
                    None
                }
                _ => None,
            },
            Typed::CashlessResponse(Response::Poll(reports) | Response::Direct(reports)) => {
                reports.iter().find_map(|r| self.report(address, r, at))
            }
            _ => None,
        }
    }

    /// The bus was reset: no vend is under way.
    pub(super) fn bus_reset(&mut self) {
        self.asked.clear();
    }

    fn report(&mut self, address: Address, report: &Report, at: Micros) -> Option<Finding> {
        match report {
            Report::VendApproved { amount, .. } => {
                let asked = self.forget(address)?;
                let approved = (*amount)?;
                if approved <= asked {
                    return None;
                }
                let text = format!(
                    "{address} approved {approved} where {asked} was requested (scaled amounts), {} more: a \
                     surcharge may explain it; otherwise the customer overpays. Compare the card with the \
                     receipt",
                    approved - asked
                );
                let finding = Finding::advice(BusRule::ApprovedMore, at, text);
                Some(finding.of(Party::Device(address)))
            }
            Report::VendDenied | Report::EndSession | Report::JustReset => {
                self.forget(address);
                None
            }
            _ => None,
        }
    }

    fn forget(&mut self, address: Address) -> Option<u32> {
        let at = self.asked.iter().position(|(a, _)| *a == address)?;
        Some(self.asked.swap_remove(at).1)
    }
}
