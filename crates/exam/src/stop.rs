//! Ending an examination from outside of it: Ctrl-C, for one.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Whether an examination is to end. Clones are the same wish: one is kept by whoever may have it,
/// another is looked at by the examination.
#[derive(Clone, Debug, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// It is to end: what is under way is broken off, what is left is skipped.
    pub fn ask(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// True once it is to end.
    #[must_use]
    pub fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
