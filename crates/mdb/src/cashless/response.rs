//! Blocks of a cashless device: one or more reports (section 7.3.1).

use super::{Command, Kind, Mode, Report};
use crate::prelude::*;
use crate::{Block, ParseError, Reader};

/// The most bytes of a block, CHK not included.
const ROOM: usize = crate::MAX_BLOCK - 1;

/// A data block of a cashless device. An answer without data is an ACK, not a response.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Response {
    /// To a POLL.
    Poll(Vec<Report>),
    /// Straight to another command (7.3).
    Direct(Vec<Report>),
}

impl Response {
    /// Reads a block without CHK, in the form `mode` calls for.
    ///
    /// # Errors
    /// When it is empty, or a message is cut short (see [`Response::parse_any`]).
    pub fn parse(command: &Command, bytes: &[u8], mode: &Mode) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let mut reports = vec![Report::parse(&mut r, mode)?];
        while !r.is_empty() {
            reports.push(Report::parse(&mut r, mode)?);
        }
        Ok(match command.kind {
            Kind::Poll => Self::Poll(reports),
            _ => Self::Direct(reports),
        })
    }

    /// As [`parse`](Self::parse); when that fails or makes no sense, reads the block as one
    /// message in the form of another mode, which comes with it. Readers are met that keep to
    /// another level's form than agreed: common practice, no source.
    ///
    /// When that fails too, reads it as several messages in the form of another mode, that of the
    /// other one's level before SETUP for instance.
    ///
    /// "Makes no sense": a JUST RESET, diagnostics or unassigned code after another message.
    ///
    /// # Errors
    /// Those of [`parse`](Self::parse), when no form fits.
    pub fn parse_any(
        command: &Command,
        bytes: &[u8],
        mode: &Mode,
    ) -> Result<(Self, Mode), ParseError> {
        let strict = Self::parse(command, bytes, mode);
        if strict.as_ref().is_ok_and(Self::makes_sense) {
            return strict.map(|response| (response, *mode));
        }
        let read = |other: Mode| Some((Self::parse(command, bytes, &other).ok()?, other));
        let single = |(response, _): &(Self, Mode)| response.reports().len() == 1;
        let several = |(response, _): &(Self, Mode)| strict.is_err() && response.makes_sense();
        let found = mode.others().filter_map(read).find(single);
        found
            .or_else(|| mode.others().filter_map(read).find(several))
            .map_or_else(|| strict.clone().map(|response| (response, *mode)), Ok)
    }

    fn makes_sense(&self) -> bool {
        !self.reports().iter().skip(1).any(|report| {
            matches!(
                report,
                Report::JustReset | Report::Diagnostics(_) | Report::Unknown(_)
            )
        })
    }

    /// The messages, in the order they must be served (7.3.1).
    #[must_use]
    pub fn reports(&self) -> &[Report] {
        match self {
            Self::Poll(reports) | Self::Direct(reports) => reports,
        }
    }

    /// The block without CHK, in the form `mode` calls for; `None` when there is nothing to
    /// report (the answer is then an ACK). Messages from the first that does not fit 35 bytes on
    /// are left out; a first message that is longer by itself is cut.
    #[must_use]
    pub fn emit(&self, mode: &Mode) -> Option<Block> {
        let mut out = Vec::with_capacity(ROOM);
        self.emit_into(&mut out, mode);
        (!out.is_empty()).then(|| Block::truncated(&out))
    }

    /// How many of the messages [`emit`](Self::emit) sends.
    #[must_use]
    pub fn fitting(&self, mode: &Mode) -> usize {
        self.emit_into(&mut Vec::with_capacity(ROOM), mode)
    }

    fn emit_into(&self, out: &mut Vec<u8>, mode: &Mode) -> usize {
        for (n, report) in self.reports().iter().enumerate() {
            let before = out.len();
            report.put(out, mode);
            if n > 0 && out.len() > ROOM {
                out.truncate(before);
                return n;
            }
        }
        self.reports().len()
    }
}
