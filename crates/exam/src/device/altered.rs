//! Answers that a misbehaving device alters, read and written as typed messages.
//!
//! For a [`Rewrite`](super::habit::Rewrite): each function lets the answers of one kind of device be
//! altered, and leaves alone what is no answer of that kind.

use super::habit::Context;
use super::messages::{Command, Request};
use payrig_mdb::{bill, cashless, changer};

fn command(context: &Context<'_>) -> Option<Command> {
    Command::parse(context.command)
}

/// Alters an answer of a changer. Reports of which none is left are an ACK.
pub(super) fn changer(
    context: &Context<'_>,
    bytes: &mut Vec<u8>,
    alter: impl FnOnce(&mut changer::Response),
) {
    let Some(Command::Changer(command)) = command(context) else {
        return;
    };
    let Ok(mut response) = command.read(bytes) else {
        return;
    };
    alter(&mut response);
    *bytes = match &response {
        changer::Response::Poll(reports) if reports.is_empty() => Vec::new(),
        response => response.emit().bytes().to_vec(),
    };
}

/// Alters what a changer reports to a POLL.
pub(super) fn changer_reports(
    context: &Context<'_>,
    bytes: &mut Vec<u8>,
    alter: impl FnOnce(&mut Vec<changer::Report>),
) {
    changer(context, bytes, |response| {
        if let changer::Response::Poll(reports) = response {
            alter(reports);
        }
    });
}

/// Alters an answer of a bill validator. Reports of which none is left are an ACK.
pub(super) fn bill(
    context: &Context<'_>,
    bytes: &mut Vec<u8>,
    alter: impl FnOnce(&mut bill::Response),
) {
    let Some(Command::Bill(command)) = command(context) else {
        return;
    };
    let Ok(mut response) = command.read(bytes) else {
        return;
    };
    alter(&mut response);
    *bytes = match &response {
        bill::Response::Poll(reports) if reports.is_empty() => Vec::new(),
        response => response.emit().bytes().to_vec(),
    };
}

/// Alters what a bill validator reports to a POLL.
pub(super) fn bill_reports(
    context: &Context<'_>,
    bytes: &mut Vec<u8>,
    alter: impl FnOnce(&mut Vec<bill::Report>),
) {
    bill(context, bytes, |response| {
        if let bill::Response::Poll(reports) = response {
            alter(reports);
        }
    });
}

/// Hides a report of a bill validator.
pub(super) fn hides(context: &Context<'_>, bytes: &mut Vec<u8>, hidden: bill::Report) {
    bill_reports(context, bytes, |reports| reports.retain(|r| *r != hidden));
}

/// Alters what a card reader says, in the form in which it said it. Of nothing, an ACK is left.
pub(super) fn reader(
    context: &Context<'_>,
    bytes: &mut Vec<u8>,
    alter: impl FnOnce(&mut Vec<cashless::Report>),
) {
    let Some(Command::Reader(command)) = command(context) else {
        return;
    };
    let mode = cashless::Mode::default();
    let Ok((mut response, form)) = cashless::Response::parse_any(&command, bytes, &mode) else {
        return;
    };
    match &mut response {
        cashless::Response::Poll(reports) | cashless::Response::Direct(reports) => alter(reports),
    }
    let block = response.emit(&form);
    *bytes = block.map_or_else(Vec::new, |block| block.bytes().to_vec());
}

/// Says the same again as to the first command of its kind.
pub(super) fn frozen(context: &Context<'_>, bytes: &mut Vec<u8>, frozen: &Command) {
    if command(context).as_ref() == Some(frozen) {
        *bytes = context.first.to_vec();
    }
}
