//! Going on with the same adapter after it was unplugged.

use crate::{BlockingPort, Clock, LinkError, Looking, PortEvent, Waker};
use payrig_units::Micros;
use payrig_wire::Transmission;

/// How often the adapter is looked for.
const LOOK_EVERY: Micros = Micros::ms(250);

/// A port that is opened again when it vanishes. What is sent meanwhile is lost, as on an open
/// wire.
pub(super) struct Reconnecting<P, F> {
    port: Option<P>,
    name: String,
    clock: Clock,
    patience: Micros,
    lost_at: Micros,
    open: F,
    looking: Looking,
}

impl<P: BlockingPort, F: FnMut() -> Result<Option<P>, LinkError> + Send> Reconnecting<P, F> {
    pub(super) fn new(port: P, patience: Micros, open: F) -> Self {
        Self {
            name: port.name().to_owned(),
            clock: port.clock(),
            looking: port.looking(),
            port: Some(port),
            patience,
            lost_at: Micros::ZERO,
            open,
        }
    }

    /// Opens it if it is there. A device file may be there before it can be opened.
    fn look(&mut self) -> Option<P> {
        (self.open)().ok().flatten()
    }
}

impl<P: BlockingPort, F: FnMut() -> Result<Option<P>, LinkError> + Send> BlockingPort
    for Reconnecting<P, F>
{
    fn name(&self) -> &str {
        &self.name
    }

    fn clock(&self) -> Clock {
        self.clock
    }

    fn send(&mut self, transmission: Transmission, spent: Micros) {
        if let Some(port) = &mut self.port {
            port.send(transmission, spent);
        }
    }

    fn looking(&self) -> Looking {
        self.looking.clone()
    }

    fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<PortEvent>, LinkError> {
        if let Some(port) = &mut self.port {
            return match port.wait(until, waker) {
                Err(error) if error.is_vanished() => {
                    let at = self.clock.now();
                    self.lost_at = at;
                    self.port = None;
                    self.looking.has_looked(Micros::ZERO, Micros::NEVER);
                    let attached = false;
                    Ok(Some(PortEvent::Peer { at, attached }))
                }
                other => other,
            };
        }
        loop {
            if let Some(port) = self.look() {
                self.port = Some(port);
                let at = self.clock.now();
                let attached = true;
                return Ok(Some(PortEvent::Peer { at, attached }));
            }
            let now = self.clock.now();
            if now.since(self.lost_at) >= self.patience {
                let port = self.name.clone();
                return Err(LinkError::NotBack { port });
            }
            if now >= until {
                return Ok(None);
            }
            let woken = crate::system::pause(self.clock, until.min(now + LOOK_EVERY), waker)
                .map_err(|e| LinkError::from_io(&self.name, "waiting", e))?;
            if woken {
                return Ok(None);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Fake(Clock, u32);

    impl BlockingPort for Fake {
        fn name(&self) -> &str {
            "fake"
        }
        fn clock(&self) -> Clock {
            self.0
        }
        fn send(&mut self, _: Transmission, _: Micros) {}
        fn wait(&mut self, _: Micros, _: Option<&Waker>) -> Result<Option<PortEvent>, LinkError> {
            if self.1 == 0 {
                let port = "fake".to_owned();
                return Err(LinkError::Vanished { port });
            }
            self.1 -= 1;
            let at = Micros::ZERO;
            Ok(Some(PortEvent::Overrun { at }))
        }
    }

    fn attached(event: Option<PortEvent>) -> Option<bool> {
        match event {
            Some(PortEvent::Peer { attached, .. }) => Some(attached),
            _ => None,
        }
    }

    #[test]
    fn it_is_lost_looked_for_and_back() {
        let clock = Clock::starting_now();
        let mut looks = 0;
        let open = move || {
            looks += 1;
            match looks {
                1 => Ok(None),
                2 => Err(LinkError::NoPermission {
                    port: "fake".into(),
                }),
                _ => Ok(Some(Fake(clock, 1))),
            }
        };
        let mut port = Reconnecting::new(Fake(clock, 1), Micros::secs(60), open);
        let mut next = || port.wait(Micros::NEVER, None).unwrap();
        assert_eq!(attached(next()), None);
        assert_eq!(attached(next()), Some(false));
        assert_eq!(attached(next()), Some(true));
        assert_eq!(attached(next()), None);
        assert_eq!(attached(next()), Some(false));
    }

    #[test]
    fn patience_ends() {
        let clock = Clock::starting_now();
        let mut port = Reconnecting::new(Fake(clock, 0), Micros::ZERO, || Ok(None));
        assert_eq!(
            attached(port.wait(Micros::NEVER, None).unwrap()),
            Some(false)
        );
        let error = port.wait(Micros::NEVER, None).unwrap_err();
        assert!(matches!(error, LinkError::NotBack { .. }), "{error}");
    }
}
