//! A port served by a thread of its own, and its handle for tokio.
//!
//! Tokio's timers count whole milliseconds; a thread that does nothing but wait for the port keeps
//! microseconds. The handle passes orders in and events out.

use crate::{BlockingPort, Clock, LinkError, Looking, PortEvent, Waker, WordPort};
use payrig_units::Micros;
use payrig_wire::Transmission;
use std::sync::mpsc;
use std::thread::JoinHandle;
use tokio::sync::mpsc as channel;

/// A transmission and how long our code took to come up with it.
struct Order {
    transmission: Transmission,
    spent: Micros,
}

/// Since when the caller has had the thread, and how long it had waited for a processor by then.
#[derive(Clone, Copy, Debug)]
pub struct Awake {
    since: Micros,
    waited: Micros,
}

impl Awake {
    /// From now on.
    #[must_use]
    pub fn now(clock: Clock) -> Self {
        Self {
            since: clock.now(),
            waited: crate::system::waited_for_processor(),
        }
    }

    /// Our code's time since then: all but the waiting for a processor. (When a runtime has moved
    /// the caller to another thread, the two waits do not belong together; the difference is then
    /// bounded by zero and by all of the time.)
    #[must_use]
    pub fn spent(self, clock: Clock) -> Micros {
        let waited = crate::system::waited_for_processor().since(self.waited);
        clock.now().since(self.since).since(waited)
    }
}

/// Notes when a wait is over, even one that was dropped.
struct Asleep<'a>(&'a mut Awake, Clock);

impl Drop for Asleep<'_> {
    fn drop(&mut self) {
        *self.0 = Awake::now(self.1);
    }
}

/// The handle of a port that a thread serves. Dropping it ends the thread.
#[derive(Debug)]
pub struct ThreadPort {
    name: String,
    clock: Clock,
    orders: Option<mpsc::Sender<Order>>,
    events: channel::UnboundedReceiver<Result<PortEvent, LinkError>>,
    waker: Waker,
    looking: Looking,
    thread: Option<JoinHandle<()>>,
    awake: Awake,
}

impl std::fmt::Debug for Order {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.transmission.fmt(f)
    }
}

impl ThreadPort {
    /// Starts a thread that serves `port`.
    ///
    /// # Errors
    /// When the system has no thread or file descriptor left.
    pub fn start(port: impl BlockingPort + 'static) -> Result<Self, LinkError> {
        let name = port.name().to_owned();
        let clock = port.clock();
        let failed = |e| LinkError::from_io(&name, "starting its thread", e);
        let waker = Waker::new().map_err(failed)?;
        let (orders, orders_in) = mpsc::channel();
        let (events_out, events) = channel::unbounded_channel();
        let rung = waker.clone();
        let looking = port.looking();
        let thread = std::thread::Builder::new()
            .name("payrig-port".to_owned())
            .spawn(move || serve(port, &orders_in, &events_out, &rung))
            .map_err(failed)?;
        Ok(Self {
            name,
            clock,
            orders: Some(orders),
            events,
            waker,
            looking,
            thread: Some(thread),
            awake: Awake::now(clock),
        })
    }

    /// What messages call the port; for a pseudo-terminal, the path a program opens.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    fn ended(&self) -> LinkError {
        let port = self.name.clone();
        LinkError::Ended { port }
    }
}

impl WordPort for ThreadPort {
    fn now(&self) -> Micros {
        self.clock.now()
    }

    fn send(&mut self, transmission: Transmission) -> Result<(), LinkError> {
        let spent = self.awake.spent(self.clock);
        let order = Order {
            transmission,
            spent,
        };
        self.looking.ordered();
        match &self.orders {
            Some(orders) if orders.send(order).is_ok() => {
                self.waker.ring();
                Ok(())
            }
            _ => Err(self.ended()),
        }
    }

    async fn receive(&mut self) -> Result<PortEvent, LinkError> {
        let asleep = Asleep(&mut self.awake, self.clock);
        let event = self.events.recv().await;
        drop(asleep);
        event.unwrap_or_else(|| Err(self.ended()))
    }

    fn may_still_come(&self, by: Micros) -> bool {
        self.looking.may_still_come(by)
    }
}

impl Drop for ThreadPort {
    fn drop(&mut self) {
        self.orders = None;
        self.waker.ring();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn serve(
    mut port: impl BlockingPort,
    orders: &mpsc::Receiver<Order>,
    events: &channel::UnboundedSender<Result<PortEvent, LinkError>>,
    waker: &Waker,
) {
    crate::system::want_exact_wakeups();
    let looking = port.looking();
    loop {
        loop {
            match orders.try_recv() {
                Ok(Order {
                    transmission,
                    spent,
                }) => {
                    port.send(transmission, spent);
                    looking.took_order();
                }
                Err(mpsc::TryRecvError::Empty) => break,
                Err(mpsc::TryRecvError::Disconnected) => return,
            }
        }
        let event = match port.wait(Micros::NEVER, Some(waker)) {
            Ok(None) => continue,
            Ok(Some(event)) => Ok(event),
            Err(error) => Err(error),
        };
        let over = event.is_err();
        if events.send(event).is_err() || over {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::Word;
    use payrig_wire::{BusEvent, Source, TimedWord};
    use std::collections::VecDeque;

    /// Hears what it is told to and echoes orders as sent.
    struct Fake {
        clock: Clock,
        events: VecDeque<Result<PortEvent, LinkError>>,
    }

    impl BlockingPort for Fake {
        fn name(&self) -> &str {
            "fake"
        }
        fn clock(&self) -> Clock {
            self.clock
        }
        fn send(&mut self, transmission: Transmission, _: Micros) {
            if let Transmission::Words { at, words, .. } = transmission {
                self.events.extend(words.into_iter().map(|word| {
                    let event = BusEvent::Word(TimedWord {
                        start: at,
                        end: at,
                        source: Source::Master,
                        word,
                        uncertainty: Micros::ZERO,
                    });
                    let late = crate::Lateness::default();
                    Ok(PortEvent::Sent { event, late })
                }));
            }
        }
        fn wait(&mut self, _: Micros, _: Option<&Waker>) -> Result<Option<PortEvent>, LinkError> {
            match self.events.pop_front() {
                Some(event) => event.map(Some),
                None => {
                    std::thread::yield_now();
                    Ok(None)
                }
            }
        }
    }

    fn fake(events: Vec<Result<PortEvent, LinkError>>) -> ThreadPort {
        let clock = Clock::starting_now();
        let events = events.into();
        ThreadPort::start(Fake { clock, events }).unwrap()
    }

    #[tokio::test]
    async fn events_come_out_in_order_and_a_dead_port_says_so_for_good() {
        let at = Micros(1);
        let overrun = PortEvent::Overrun { at };
        let port = "fake".to_owned();
        let mut handle = fake(vec![Ok(overrun), Err(LinkError::Vanished { port })]);
        assert_eq!(handle.receive().await.unwrap(), overrun);
        assert!(handle.receive().await.unwrap_err().is_vanished());
        assert!(matches!(
            handle.receive().await.unwrap_err(),
            LinkError::Ended { .. }
        ));
    }

    #[tokio::test]
    async fn orders_go_in() {
        let mut handle = fake(vec![]);
        let (at, gap) = (Micros(7), Micros::ZERO);
        let words = vec![Word::marked(0x0B), Word::plain(0x0B)];
        handle.send(Transmission::Words { at, words, gap }).unwrap();
        for expected in [Word::marked(0x0B), Word::plain(0x0B)] {
            let PortEvent::Sent {
                event: BusEvent::Word(word),
                ..
            } = handle.receive().await.unwrap()
            else {
                panic!("sent")
            };
            assert_eq!(word.word, expected);
        }
    }
}
