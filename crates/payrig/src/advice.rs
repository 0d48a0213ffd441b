//! What the command line can do about an error or a finding of a library. Libraries name no flag and no
//! sub-command; this is the one place where theirs and ours meet.

use payrig_link::LinkError;
use payrig_link::lockstep::PeerError;
use payrig_tickets::StoreError;
use payrig_wire::reading::ReadError;
use payrig_wire::{Finding, Origin, RuleName};
use std::fmt::Display;

/// What a board outside is not examined for where nobody says on which port its pulse lines are.
pub(crate) const NO_PULSE_LINES: &str =
    "Pulse lines of the board are left out: --pulse-link says on which port they are.";

/// What is wrong, and beside it what can be done here.
pub(crate) fn beside(error: impl Display, advice: Option<impl Display>) -> String {
    match advice {
        Some(advice) => format!("{error} ({advice})"),
        None => error.to_string(),
    }
}

/// About a link.
pub(crate) fn of_link(error: &LinkError) -> Option<String> {
    Some(match error {
        LinkError::NotFound { .. }
        | LinkError::NotASerialPort { .. }
        | LinkError::NoHardware { .. } => "`payrig ports` lists them".to_owned(),
        LinkError::Vanished { .. } => "--reconnect lets it".to_owned(),
        LinkError::Incapable { port, .. } => format!("`payrig ports --probe {port}`"),
        LinkError::NotOnThisSystem { .. } => {
            "--link virtual takes the bus of a rig off its link".to_owned()
        }
        LinkError::Peer(PeerError::Start { .. }) => "it stands behind --peer".to_owned(),
        _ => return None,
    })
}

/// About a file that is read.
pub(crate) const fn of_reading(error: &ReadError) -> Option<&'static str> {
    match error {
        ReadError::NoLines { .. } => {
            Some("name the bus with --master and --peripheral, credit lines with --credit")
        }
        _ => None,
    }
}

/// About a shop's tickets.
pub(crate) const fn of_tickets(error: &StoreError) -> Option<&'static str> {
    match error {
        StoreError::Missing(_) => {
            Some("--ticket of `payrig examine` and `payrig report` keeps one")
        }
        StoreError::NoTicket(_) => Some("`payrig tickets list` shows it"),
        _ => None,
    }
}

/// About something found on a bench.
pub(crate) fn of_finding(finding: &Finding) -> Option<&'static str> {
    // What the bench itself says of a link on which nobody was heard.
    let nobody = finding.rule == RuleName::NothingRead && finding.origin == Origin::Script;
    nobody.then_some(
        "--link puts the board's bus on a link, --peer-optional says that nobody need be there",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_units::Micros;
    use payrig_wire::analysis::breach;

    #[test]
    fn what_a_flag_does_stands_beside_what_a_library_says() {
        let port = || "/dev/ttyNOTTHERE".to_owned();
        let said = |error: LinkError| beside(&error, of_link(&error));
        assert!(
            said(LinkError::NotFound { port: port() }).ends_with("(`payrig ports` lists them)")
        );
        assert!(said(LinkError::Vanished { port: port() }).contains("(--reconnect "));
        let what = "switch parity between words";
        let incapable = said(LinkError::Incapable { port: port(), what });
        assert!(
            incapable.ends_with("(`payrig ports --probe /dev/ttyNOTTHERE`)"),
            "{incapable}"
        );
        let busy = LinkError::Busy { port: port() };
        assert_eq!(said(LinkError::Busy { port: port() }), busy.to_string());
        let (file, lines) = ("x.vcd".to_owned(), "none".to_owned());
        let lines = ReadError::NoLines { file, lines };
        assert!(of_reading(&lines).is_some_and(|text| text.contains("--credit")));
        let ticket = of_tickets(&StoreError::NoTicket(3));
        assert!(ticket.is_some_and(|text| text.contains("tickets list")));
        let nobody = |origin| breach(RuleName::NothingRead, origin, Micros::ZERO, String::new());
        assert!(of_finding(&nobody(Origin::Script)).is_some());
        assert!(of_finding(&nobody(Origin::CommonPractice)).is_none());
    }
}
