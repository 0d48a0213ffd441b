//! What is said of a ticket after it was added.

use std::fmt;

/// What a remark is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum RemarkKind {
    /// Something worth knowing. A ticket may have many.
    Note,
    /// The customer's own reference: an order, a machine. The last one counts.
    Customer,
    /// The ticket does not count any more; the text says why. Once, and for good.
    Void,
}

impl RemarkKind {
    /// Its name in the file: "note", "customer", "void".
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Customer => "customer",
            Self::Void => "void",
        }
    }

    pub(super) fn named(name: &str) -> Option<Self> {
        [Self::Note, Self::Customer, Self::Void]
            .into_iter()
            .find(|kind| kind.name() == name)
    }
}

impl fmt::Display for RemarkKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A remark on a ticket.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Remark {
    /// When it was made: RFC 3339, UTC.
    pub added: String,
    /// The same by the site's clock: RFC 9557.
    pub added_local: String,
    /// What it is.
    pub kind: RemarkKind,
    /// What it says; never empty.
    pub text: String,
}
