//! Recording what happens in an examination over a link as it happens.

use payrig_wire::recording::Entry;
use std::cell::RefCell;
use std::fmt;
use std::rc::Rc;

/// Where what happens is written at once: a check at a real subject may last for minutes. Clones write
/// to the same place.
#[derive(Clone)]
pub struct Recorder(Rc<RefCell<Write>>);

type Write = dyn FnMut(&Entry);

impl Recorder {
    /// Gives every entry to `write`, in order.
    #[must_use]
    pub fn new(write: impl FnMut(&Entry) + 'static) -> Self {
        Self(Rc::new(RefCell::new(write)))
    }

    pub(crate) fn record(&self, entry: &Entry) {
        (*self.0.borrow_mut())(entry);
    }
}

impl fmt::Debug for Recorder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Recorder")
    }
}
