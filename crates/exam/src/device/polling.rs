//! POLLing a device for a time, whatever its kind reports.

use super::bench::{Bench, POLL_EVERY};
use payrig_units::Micros;

/// POLLs until a report is the one that is waited for, for so long at most, and gives all that was
/// reported. `poll` does one of them, on a bench or in a conversation held on one.
pub(super) fn poll_until<C: AsMut<Bench>, R>(
    on: &mut C,
    most: Micros,
    poll: impl Fn(&mut C) -> Vec<R>,
    waited_for: impl Fn(&R) -> bool,
) -> Vec<R> {
    let by = on.as_mut().now() + most;
    let mut all = Vec::new();
    while on.as_mut().now() < by {
        let reports = poll(on);
        let over = reports.iter().any(&waited_for);
        all.extend(reports);
        if over {
            break;
        }
        on.as_mut().wait(POLL_EVERY);
    }
    all
}

impl AsMut<Self> for Bench {
    fn as_mut(&mut self) -> &mut Self {
        self
    }
}
