//! How far the thread of a port has looked: kept by the thread, asked by whoever has its handle.

use payrig_units::Micros;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};

/// Something that can be asked whether there are bytes to be read.
pub trait Unread: Send + Sync {
    /// True when there are.
    fn unread(&self) -> bool;
}

struct Looked {
    /// True while something that was read is on its way to the handle.
    reading: AtomicBool,
    /// When the next thing happens that the thread knows of, in microseconds.
    next: AtomicU64,
    /// All that came until then was read, in microseconds.
    read_until: AtomicU64,
    /// Orders that were handed over and not taken yet.
    orders: AtomicUsize,
    /// What is read, while it is.
    port: Mutex<Option<Weak<dyn Unread>>>,
}

impl Default for Looked {
    fn default() -> Self {
        Self {
            reading: AtomicBool::new(false),
            next: AtomicU64::new(Micros::NEVER.as_us()),
            read_until: AtomicU64::new(0),
            orders: AtomicUsize::new(0),
            port: Mutex::new(None),
        }
    }
}

/// How far a port has looked. Clones are of the same port.
///
/// The thread keeps it so that there is no gap: bytes are unread until they are being read, and being
/// read until what they say was handed over or has its time in `next`. By default there is nothing that
/// could still come.
#[derive(Clone, Default)]
pub struct Looking(Arc<Looked>);

impl std::fmt::Debug for Looking {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Looking").finish_non_exhaustive()
    }
}

impl Looking {
    /// Bytes are read from there from now on; `None` while there is nothing that is to be read.
    pub fn reads(&self, port: Option<Weak<dyn Unread>>) {
        *self.0.port.lock().unwrap_or_else(PoisonError::into_inner) = port;
    }

    /// All that came until `read_until` was read, and all that was read was handed over, but for what
    /// happens at `next` at the earliest.
    pub fn has_looked(&self, read_until: Micros, next: Micros) {
        self.expects(next);
        self.0
            .read_until
            .store(read_until.as_us(), Ordering::SeqCst);
        self.0.reading.store(false, Ordering::SeqCst);
    }

    /// What happens next happens at `next`.
    pub fn expects(&self, next: Micros) {
        self.0.next.store(next.as_us(), Ordering::SeqCst);
    }

    /// Bytes are about to be read.
    pub fn is_reading(&self) {
        self.0.reading.store(true, Ordering::SeqCst);
    }

    /// An order was handed over.
    pub fn ordered(&self) {
        self.0.orders.fetch_add(1, Ordering::SeqCst);
    }

    /// An order was taken; what it asks for is among what is [expected](Self::expects).
    pub fn took_order(&self) {
        self.0.orders.fetch_sub(1, Ordering::SeqCst);
    }

    /// True when something that happened by `by` may not have been handed over yet. Never waits.
    #[must_use]
    pub fn may_still_come(&self, by: Micros) -> bool {
        // In the order in which it goes on its way, so that it cannot pass by unseen.
        let was_read = self.0.read_until.load(Ordering::SeqCst) >= by.as_us();
        self.0.orders.load(Ordering::SeqCst) > 0
            || !was_read && (self.has_unread() || self.0.reading.load(Ordering::SeqCst))
            || self.0.next.load(Ordering::SeqCst) <= by.as_us()
    }

    fn has_unread(&self) -> bool {
        let port = self.0.port.lock().unwrap_or_else(PoisonError::into_inner);
        let port = port.as_ref().and_then(Weak::upgrade);
        port.is_some_and(|port| port.unread())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Bytes(AtomicBool);

    impl Unread for Bytes {
        fn unread(&self) -> bool {
            self.0.load(Ordering::SeqCst)
        }
    }

    #[test]
    fn what_came_is_seen_at_every_step_of_its_way() {
        let looking = Looking::default();
        let at = Micros::ms(5);
        assert!(!looking.may_still_come(Micros::secs(9)));
        let bytes = Arc::new(Bytes(AtomicBool::new(true)));
        let port: Arc<dyn Unread> = bytes.clone();
        looking.reads(Some(Arc::downgrade(&port)));
        assert!(looking.may_still_come(at));
        looking.is_reading();
        bytes.0.store(false, Ordering::SeqCst);
        assert!(looking.may_still_come(at));
        looking.has_looked(Micros::ZERO, at);
        assert!(looking.may_still_come(at) && !looking.may_still_come(at - Micros(1)));
        looking.has_looked(Micros::ZERO, Micros::NEVER);
        assert!(!looking.may_still_come(at));
        looking.ordered();
        assert!(looking.may_still_come(Micros::ZERO));
        looking.took_order();
        bytes.0.store(true, Ordering::SeqCst);
        assert!(looking.may_still_come(at));
        // They came after that.
        looking.has_looked(at, Micros::NEVER);
        assert!(!looking.may_still_come(at) && looking.may_still_come(at + Micros(1)));
        // A port that was closed has nothing more to say.
        drop((bytes, port));
        assert!(!looking.may_still_come(at));
    }
}
