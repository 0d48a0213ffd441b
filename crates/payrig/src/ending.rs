//! Being asked to end: Ctrl-C (SIGINT), SIGTERM and SIGHUP. The first ends what is under way in order,
//! with its verdict and its files; the second ends the process at once.

use crate::terminal::say;
use payrig_exam::Stop;
use payrig_link::Waker;
use std::io;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::thread;
use tokio::sync::Notify;

/// How it was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Asked {
    Interrupt,
    Terminate,
    HangUp,
}

impl Asked {
    const fn name(self) -> &'static str {
        match self {
            Self::Interrupt => "Ctrl-C",
            Self::Terminate => "SIGTERM",
            Self::HangUp => "SIGHUP",
        }
    }

    /// What the log says.
    pub(crate) fn note(self) -> String {
        match self {
            Self::Interrupt => "stopped by hand".to_owned(),
            other => format!("stopped by {}", other.name()),
        }
    }

    /// What a process ends with that is ended at once: 128 and the number of the signal, as shells
    /// report it.
    const fn at_once(self) -> i32 {
        128 + match self {
            Self::HangUp => 1,
            Self::Interrupt => 2,
            Self::Terminate => 15,
        }
    }
}

/// Whether an end was asked for. Clones are the same.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ending(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    stop: Stop,
    asked: OnceLock<Asked>,
    bell: Notify,
    wakes: Mutex<Option<Waker>>,
}

impl Ending {
    /// From now on signals ask for the end of `what`: when this returns, they are listened for.
    ///
    /// # Errors
    /// When the thread that listens cannot be started.
    pub(crate) fn listen(what: &'static str) -> io::Result<Self> {
        let ending = Self::default();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_io()
            .build()?;
        let mut signals = {
            let _inside = runtime.enter();
            Signals::listen()?
        };
        let told = ending.clone();
        thread::Builder::new()
            .name("signals".to_owned())
            .spawn(move || {
                runtime.block_on(async {
                    let first = signals.next().await;
                    told.ask(first);
                    say!(
                        "{}: {what} ends here, and what was found is written. Once more, and it ends \
                         at once.",
                        first.name()
                    );
                    let again = signals.next().await;
                    std::process::exit(again.at_once());
                });
            })?;
        Ok(ending)
    }

    fn ask(&self, how: Asked) {
        let _ = self.0.asked.set(how);
        self.0.stop.ask();
        self.0.bell.notify_one();
        let wakes = self.0.wakes.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(waker) = wakes.as_ref() {
            waker.ring();
        }
    }

    /// What an examination looks at.
    pub(crate) fn stop(&self) -> Stop {
        self.0.stop.clone()
    }

    /// How the end was asked for, if it was.
    pub(crate) fn is_asked(&self) -> Option<Asked> {
        match self.0.stop.is_asked() {
            true => self.0.asked.get().copied(),
            false => None,
        }
    }

    /// Waits until it is asked for.
    pub(crate) async fn asked(&self) -> Asked {
        loop {
            if let Some(asked) = self.is_asked() {
                return asked;
            }
            self.0.bell.notified().await;
        }
    }

    /// A thread that waits for a port with this is woken when the end is asked for.
    pub(crate) fn wakes(&self, waker: Waker) {
        let mut wakes = self.0.wakes.lock().unwrap_or_else(PoisonError::into_inner);
        if self.is_asked().is_some() {
            waker.ring();
        }
        *wakes = Some(waker);
    }
}

#[cfg(unix)]
struct Signals {
    interrupt: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
    /// None under nohup(1): who ignores a hang-up wants to go on after it.
    hang_up: Option<tokio::signal::unix::Signal>,
}

#[cfg(unix)]
impl Signals {
    fn listen() -> io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: match hang_up_is_ignored() {
                true => None,
                false => Some(signal(SignalKind::hangup())?),
            },
        })
    }

    async fn next(&mut self) -> Asked {
        let hang_up = async {
            match &mut self.hang_up {
                Some(signal) => signal.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.interrupt.recv() => Asked::Interrupt,
            _ = self.terminate.recv() => Asked::Terminate,
            _ = hang_up => Asked::HangUp,
        }
    }
}

/// The mask of ignored signals in /proc/self/status (proc(5)); SIGHUP is the first.
#[cfg(unix)]
fn hang_up_is_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|l| l.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|m| u64::from_str_radix(m.trim(), 16).ok());
    mask.is_some_and(|m| m & 1 == 1)
}

#[cfg(not(unix))]
struct Signals;

#[cfg(not(unix))]
impl Signals {
    fn listen() -> io::Result<Self> {
        Ok(Self)
    }

    async fn next(&mut self) -> Asked {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
        Asked::Interrupt
    }
}
