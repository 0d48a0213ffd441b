//! Typed messages on the bench: what is asked in the words of a protocol, and what answers it read
//! the same way.

pub(super) use super::messages::{Command, Request, is_reset};

use super::{Answer, Bench, Close};
use crate::device::setup::Kind;
use payrig_mdb::{bill, cashless, changer};

/// What every device on the bus can be asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Common {
    /// Back to the default state.
    Reset,
    /// What happened?
    Poll,
    /// What are you?
    Setup,
    /// Who are you?
    Identification,
}

impl Common {
    /// The same in the words of the device on a bench.
    pub(super) fn at(self, bench: &Bench) -> Command {
        match bench.kind() {
            Kind::BillValidator | Kind::BillRecycler => Command::Bill(match self {
                Self::Reset => bill::Command::Reset,
                Self::Poll => bill::Command::Poll,
                Self::Setup => bill::Command::Setup,
                Self::Identification => bill::Command::Identification,
            }),
            Kind::Cashless => {
                let kind = match self {
                    Self::Reset => cashless::Kind::Reset,
                    Self::Poll => cashless::Kind::Poll,
                    Self::Setup => cashless::Kind::SetupConfig(VMC),
                    Self::Identification => cashless::Kind::RequestId(maker_of_this_bench()),
                };
                Command::Reader(cashless::Command::new(bench.reader(), kind))
            }
            // The changer's; a device on pulse lines is never asked.
            _ => Command::Changer(match self {
                Self::Reset => changer::Command::Reset,
                Self::Poll => changer::Command::Poll,
                Self::Setup => changer::Command::Setup,
                Self::Identification => changer::Command::Identification,
            }),
        }
    }
}

/// A board of level 3 without a display (7.4.2).
const VMC: cashless::VmcConfig = cashless::VmcConfig {
    level: cashless::Level::THREE,
    columns: 0,
    rows: 0,
    display: 0,
};

/// Who asks (7.4.20): the invented maker ZZZ.
pub(super) fn maker_of_this_bench() -> cashless::Identification {
    cashless::Identification::new("ZZZ", "000000000001", "PAYRIG BENCH", [0x01, 0x00])
}

/// One exchange: what it is answered with, or the answer that is no data of its own.
///
/// # Errors
/// The answer: silence, ACK, NAK, or data that are none to this command.
pub(super) fn exchange<R: Request>(
    bench: &mut Bench,
    request: &R,
    close: Close,
) -> Result<R::Response, Answer> {
    let answer = bench.exchange(request.block().bytes(), close);
    read(request, answer)
}

/// As [`exchange`], with an ordinary end.
///
/// # Errors
/// Those of [`exchange`].
pub(super) fn ask_typed<R: Request>(bench: &mut Bench, request: &R) -> Result<R::Response, Answer> {
    exchange(bench, request, Close::Ack)
}

/// An answer as what answers this command.
///
/// # Errors
/// The answer, when it is no data of this command.
pub(super) fn read<R: Request>(request: &R, answer: Answer) -> Result<R::Response, Answer> {
    match answer.data().map(|data| request.read(data)) {
        Some(Ok(response)) => Ok(response),
        _ => Err(answer),
    }
}
