//! The credit lines of a port, served by a thread, for tokio.

use super::lines::ModemLines;
use super::port::{ModemEvent, ModemPort};
use crate::{LinkError, Looking, Waker};
use payrig_units::Micros;
use payrig_wire::Edge;
use payrig_wire::port::OutLine;
use std::sync::mpsc;
use std::thread::JoinHandle;
use tokio::sync::mpsc as channel;

/// What is planned for so long yet is made when the handle is dropped: a pulse under way is ended.
const LET_GO: Micros = Micros::ms(100);

/// The handle of credit lines that a thread serves. Dropping it makes what is planned for the next
/// tenth of a second and ends the thread; lines stay as they were last driven.
#[derive(Debug)]
pub struct ModemThread {
    name: String,
    orders: Option<mpsc::Sender<(OutLine, Edge)>>,
    events: channel::UnboundedReceiver<Result<ModemEvent, LinkError>>,
    waker: Waker,
    looking: Looking,
    thread: Option<JoinHandle<()>>,
}

impl ModemThread {
    /// Starts a thread that serves `port`.
    ///
    /// # Errors
    /// When the system has no thread or file descriptor left.
    pub fn start(mut port: ModemPort<impl ModemLines + 'static>) -> Result<Self, LinkError> {
        let name = port.name().to_owned();
        let failed = |e| LinkError::from_io(&name, "starting its thread", e);
        let waker = Waker::new().map_err(failed)?;
        let rung = waker.clone();
        let looking = port.looking();
        let (orders, orders_in) = mpsc::channel();
        let (events_out, events) = channel::unbounded_channel();
        let thread = std::thread::Builder::new()
            .name("payrig-lines".to_owned())
            .spawn(move || {
                crate::system::want_exact_wakeups();
                loop {
                    loop {
                        match orders_in.try_recv() {
                            Ok((line, edge)) => port.drive(line, edge),
                            Err(mpsc::TryRecvError::Empty) => break,
                            Err(mpsc::TryRecvError::Disconnected) => {
                                let latest = port.clock().now() + LET_GO;
                                if let Some(last) = port.last_planned().filter(|at| *at <= latest) {
                                    while let Ok(Some(_)) = port.wait(last, None) {}
                                }
                                return;
                            }
                        }
                    }
                    let event = match port.wait(Micros::NEVER, Some(&rung)) {
                        Ok(None) => continue,
                        Ok(Some(event)) => Ok(event),
                        Err(error) => Err(error),
                    };
                    let over = event.is_err();
                    if events_out.send(event).is_err() || over {
                        return;
                    }
                }
            })
            .map_err(failed)?;
        Ok(Self {
            name,
            orders: Some(orders),
            events,
            waker,
            looking,
            thread: Some(thread),
        })
    }

    /// Plans an edge on a line.
    ///
    /// # Errors
    /// When the port is gone.
    pub fn drive(&mut self, line: OutLine, edge: Edge) -> Result<(), LinkError> {
        match &self.orders {
            Some(orders) if orders.send((line, edge)).is_ok() => {
                self.waker.ring();
                Ok(())
            }
            _ => Err(self.ended()),
        }
    }

    /// The next event. Dropping the future loses nothing.
    ///
    /// # Errors
    /// When the port is gone.
    pub async fn receive(&mut self) -> Result<ModemEvent, LinkError> {
        match self.events.recv().await {
            Some(event) => event,
            None => Err(self.ended()),
        }
    }

    /// The next event if there is one already; never waits.
    ///
    /// # Errors
    /// When the port is gone.
    pub fn try_receive(&mut self) -> Result<Option<ModemEvent>, LinkError> {
        match self.events.try_recv() {
            Ok(event) => event.map(Some),
            Err(channel::error::TryRecvError::Empty) => Ok(None),
            Err(channel::error::TryRecvError::Disconnected) => Err(self.ended()),
        }
    }

    /// True when an edge that was made by `by` may not have been given yet: the thread is late. Never waits.
    #[must_use]
    pub fn may_still_come(&self, by: Micros) -> bool {
        self.looking.may_still_come(by)
    }

    fn ended(&self) -> LinkError {
        let port = self.name.clone();
        LinkError::Ended { port }
    }
}

impl Drop for ModemThread {
    fn drop(&mut self) {
        self.orders = None;
        self.waker.ring();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{InLine, LOOK_EVERY, ModemOptions};
    use super::*;
    use crate::Clock;
    use std::io;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    /// DCD follows DTR.
    struct Looped(bool);

    impl ModemLines for Looped {
        fn name(&self) -> &str {
            "looped"
        }
        fn set(&mut self, _: OutLine, asserted: bool) -> io::Result<()> {
            self.0 = asserted;
            Ok(())
        }
        fn get(&mut self, _: InLine) -> io::Result<bool> {
            Ok(self.0)
        }
    }

    /// Seen from outside, too.
    struct Shared(Arc<AtomicBool>);

    impl ModemLines for Shared {
        fn name(&self) -> &str {
            "shared"
        }
        fn set(&mut self, _: OutLine, asserted: bool) -> io::Result<()> {
            self.0.store(asserted, Ordering::Relaxed);
            Ok(())
        }
        fn get(&mut self, _: InLine) -> io::Result<bool> {
            Ok(false)
        }
    }

    #[test]
    fn a_pulse_under_way_is_ended_before_the_lines_are_let_go() {
        for watch in [vec![], vec![InLine::Cts]] {
            let (asserted, clock) = (Arc::new(AtomicBool::new(false)), Clock::starting_now());
            let options = ModemOptions {
                clock,
                asserted_is_high: true,
                watch,
                look_every: LOOK_EVERY,
            };
            let port = ModemPort::new(Shared(Arc::clone(&asserted)), options);
            let mut lines = ModemThread::start(port).unwrap();
            let now = clock.now();
            for (after, high) in [(0, true), (20, false), (40, true)] {
                let at = now + Micros::ms(after);
                lines.drive(OutLine::Dtr, Edge { at, high }).unwrap();
            }
            drop(lines);
            assert!(asserted.load(Ordering::Relaxed));
        }
    }

    #[tokio::test]
    async fn edges_go_out_and_come_back_through_the_thread() {
        let clock = Clock::starting_now();
        let options = ModemOptions {
            clock,
            asserted_is_high: false,
            watch: vec![InLine::Dcd],
            look_every: LOOK_EVERY,
        };
        let mut lines = ModemThread::start(ModemPort::new(Looped(false), options)).unwrap();
        let at = clock.now() + Micros::ms(20);
        lines.drive(OutLine::Dtr, Edge { at, high: false }).unwrap();
        // These lines have no kernel behind them, and that is reported.
        let ModemEvent::Watching(how) = lines.receive().await.unwrap() else {
            panic!("watching")
        };
        assert!(
            how.to_string().contains("looked at every 0.250 ms"),
            "{how}"
        );
        let ModemEvent::Driven { edge: driven, .. } = lines.receive().await.unwrap() else {
            panic!("driven")
        };
        let ModemEvent::Seen { edge, line, .. } = lines.receive().await.unwrap() else {
            panic!("seen")
        };
        assert_eq!((driven.high, edge.high, line), (false, false, InLine::Dcd));
        assert_eq!(lines.try_receive().unwrap(), None);
        let at = clock.now();
        lines.drive(OutLine::Dtr, Edge { at, high: true }).unwrap();
        let event = loop {
            match lines.try_receive().unwrap() {
                Some(event) => break event,
                None => std::thread::yield_now(),
            }
        };
        assert!(matches!(event, ModemEvent::Driven { edge, .. } if edge.high));
    }
}
