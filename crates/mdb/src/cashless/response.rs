//! Blocks of a cashless device: one or more reports (section 7.3.1).

use super::{Command, Kind, Mode, Report};
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
        mode.others()
            .find_map(|other| {
                let response = Self::parse(command, bytes, &other).ok()?;
                (response.reports().len() == 1).then_some((response, other))
            })
            .map_or_else(|| strict.map(|response| (response, *mode)), Ok)
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
