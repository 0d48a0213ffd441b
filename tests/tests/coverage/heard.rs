//! Which messages passed between our controller and our devices, read off the wire.

use payrig_controller::Controller;
use payrig_mdb::ftl::Message;
use payrig_mdb::{Address, Typed, bill, cashless, changer};
use payrig_tests::{Bench, Spoken};
use payrig_wire::Source;
use std::collections::BTreeSet;

/// What was said, as `who what: NAME`.
#[derive(Debug, Default)]
pub(crate) struct Heard {
    said: BTreeSet<String>,
    /// Of these, what the other side took: a command that was answered, an answer that was
    /// acknowledged.
    taken: BTreeSet<String>,
}

/// Under what the rows of a table are heard: for cashless devices at both addresses, for files from
/// both sides.
pub(crate) fn keys(title: &str) -> Vec<String> {
    let whats = ["commands", "responses", "reports"];
    let what = whats.iter().find(|w| title.contains(*w)).copied();
    let who: &[&str] = match title.split(' ').next() {
        Some("Coin") => &["changer"],
        Some("Bill") => &["bill"],
        Some("Cashless") => &["cashless 1", "cashless 2"],
        _ => &["board", "device"],
    };
    let what = what.unwrap_or("files");
    who.iter().map(|who| format!("{who} {what}")).collect()
}

impl Heard {
    pub(crate) fn knows(&self, line: &str) -> bool {
        self.said.contains(line)
    }

    pub(crate) fn is_answered(&self, line: &str) -> bool {
        self.taken.contains(line)
    }

    /// Everything that was on the wire of a bench so far.
    pub(crate) fn listen(&mut self, bench: &Bench<Controller>) {
        self.add(bench, true);
    }

    /// The same where a test put words into the board's mouth: only what devices said counts.
    pub(crate) fn listen_to_devices(&mut self, bench: &Bench<Controller>) {
        self.add(bench, false);
    }

    fn add(&mut self, bench: &Bench<Controller>, commands: bool) {
        let spoken = bench.spoken();
        for (n, one) in spoken.iter().enumerate() {
            let next = spoken.get(n + 1);
            let from_board = one.frame.source == Source::Master;
            if !one.frame.heard || from_board && !commands {
                continue;
            }
            let taken = next.is_some_and(|next| match from_board {
                // Any answer but NAK.
                true => {
                    next.frame.source == Source::Peripheral
                        && next.decoded.typed != Some(Typed::Nak)
                }
                false => {
                    next.frame.source == Source::Master && next.decoded.typed == Some(Typed::Ack)
                }
            });
            for line in lines(one) {
                if taken {
                    self.taken.insert(line.clone());
                }
                self.said.insert(line);
            }
        }
    }
}

fn file(who: &str, message: Option<Message>) -> Vec<String> {
    let name = message.map(|m| format!("{who} files: {}", m.name()));
    name.into_iter().collect()
}

/// A message can be several things: an answer, and the reports in it.
fn lines(one: &Spoken) -> Vec<String> {
    let bytes: Vec<u8> = one.frame.words.iter().map(|w| w.byte).collect();
    let block = bytes.split_last().map_or(&[][..], |(_, block)| block);
    let unit = match one.frame.address {
        Some(Address::CASHLESS_2) => "cashless 2",
        _ => "cashless 1",
    };
    let mut all = Vec::new();
    match &one.decoded.typed {
        Some(Typed::ChangerCommand(command)) => match command {
            changer::Command::Ftl(_) => {
                all = file("board", Message::parse_command(block).ok());
                all.push("changer commands: FTL".to_owned());
            }
            _ => all.push(format!("changer commands: {}", command.name())),
        },
        Some(Typed::ChangerResponse(response)) => match response {
            changer::Response::Poll(reports) => {
                all.push("changer responses: REPORTS".to_owned());
                let each = |r: &changer::Report| format!("changer reports: {}", r.name());
                all.extend(reports.iter().map(each));
            }
            changer::Response::Ftl(_) => {
                all = file("device", Message::parse_response(block).ok());
                all.push("changer responses: FTL".to_owned());
            }
            _ => all.push(format!("changer responses: {}", response.name())),
        },
        Some(Typed::BillCommand(command)) => match command {
            bill::Command::Ftl(_) => {
                all = file("board", Message::parse_command(block).ok());
                all.push("bill commands: FTL".to_owned());
            }
            _ => all.push(format!("bill commands: {}", command.name())),
        },
        Some(Typed::BillResponse(response)) => match response {
            bill::Response::Poll(reports) => {
                all.push("bill responses: REPORTS".to_owned());
                let each = |r: &bill::Report| format!("bill reports: {}", r.name());
                all.extend(reports.iter().map(each));
            }
            bill::Response::Ftl(_) => {
                all = file("device", Message::parse_response(block).ok());
                all.push("bill responses: FTL".to_owned());
            }
            _ => all.push(format!("bill responses: {}", response.name())),
        },
        Some(Typed::CashlessCommand(command)) => match command.kind {
            cashless::Kind::Ftl(_) => {
                all = file("board", Message::parse_command(block).ok());
                all.push(format!("{unit} commands: FTL"));
            }
            _ => all.push(format!("{unit} commands: {}", command.name())),
        },
        Some(Typed::CashlessResponse(response)) => {
            for report in response.reports() {
                match report {
                    cashless::Report::Ftl(_) => {
                        all.extend(file("device", Message::parse_response(block).ok()));
                        all.push(format!("{unit} responses: FTL"));
                    }
                    _ => all.push(format!("{unit} responses: {}", report.name())),
                }
            }
        }
        _ => {}
    }
    all
}
