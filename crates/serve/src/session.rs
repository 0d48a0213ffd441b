//! A bench that is open: its rig, its desk, and the loop that moves it.

use crate::api::{self, Link};
use crate::desk::{Desk, Order, PaceName, Waited, Wish};
use crate::log::Log;
use crate::problem::{Kind, Problem};
use crate::recording::{Recording, Wanted};
use payrig_bench::{Bench, Plan};
use payrig_link::drive::Attendant;
use payrig_link::pace::run_at_pace;
use payrig_wire::recording::Header;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use tokio::sync::{mpsc, oneshot};

/// What a bench is opened from.
#[derive(Clone, Debug)]
pub(crate) struct Opening {
    pub(crate) plan: Arc<Plan>,
    pub(crate) pace: PaceName,
    pub(crate) script: bool,
    pub(crate) keep: usize,
    pub(crate) record: Option<Wanted>,
    pub(crate) peer_optional: bool,
    pub(crate) end_on_disconnect: bool,
}

/// What moves a bench along.
#[derive(Debug)]
enum Driver {
    /// Nothing of it is real: at its pace.
    Pace,
}

impl Driver {
    async fn drive(&mut self, bench: &mut Bench, desk: &mut Desk) -> Result<(), Problem> {
        match self {
            Self::Pace => run_at_pace(bench, desk)
                .await
                .map_err(|error| Problem::failed("the log", &error)),
        }
    }
}

/// A bench, set up.
struct Ready {
    bench: Bench,
    driver: Driver,
    links: Vec<Link>,
    recording: Option<Recording>,
}

impl Opening {
    fn set_up(&self) -> Result<Ready, Problem> {
        let mut bench = Bench::of(&self.plan);
        if !self.script {
            bench.drive_from_outside();
        }
        if self.peer_optional {
            bench.peer_optional();
        }
        let tool = concat!("payrig ", env!("CARGO_PKG_VERSION"));
        let header = Header::new(tool, &self.plan.name, Some(self.plan.seed))
            .with_peer_optional(self.peer_optional);
        let recording = self.record.as_ref();
        let recording = recording
            .map(|wanted| Recording::begin(wanted, &header))
            .transpose()?;
        Ok(Ready {
            bench,
            driver: Driver::Pace,
            links: Vec::new(),
            recording,
        })
    }
}

/// The handle of a bench that is open.
#[derive(Debug)]
pub(crate) struct Session {
    pub(crate) id: String,
    pub(crate) opening: Opening,
    pub(crate) links: Vec<Link>,
    pub(crate) log: Arc<Log>,
    orders: mpsc::UnboundedSender<Order>,
    streams: AtomicUsize,
    ended: Arc<AtomicBool>,
}

impl Session {
    /// Opens a bench.
    pub(crate) fn open(id: String, opening: Opening) -> Result<Arc<Self>, Problem> {
        let ready = opening.set_up()?;
        let (orders, desk_orders) = mpsc::unbounded_channel();
        let log = Arc::new(Log::new(opening.keep));
        let mut desk = Desk::new(desk_orders, Arc::clone(&log), opening.pace);
        let ended = Arc::new(AtomicBool::new(false));
        let session = Arc::new(Self {
            id,
            links: ready.links.clone(),
            log,
            orders,
            streams: AtomicUsize::new(0),
            ended: Arc::clone(&ended),
            opening: opening.clone(),
        });
        desk.recording = None;
        tokio::spawn(attend(desk, opening, ready, ended));
        Ok(session)
    }

    /// Has something done at the bench, in the order in which it was asked for, and gives back what came
    /// of it.
    pub(crate) async fn with<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Bench, &mut Desk) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let (reply, answer) = oneshot::channel();
        let order: Order = Box::new(move |bench, desk| {
            let _ = reply.send(work(bench, desk));
        });
        self.send(order)?;
        answer.await.map_err(|_| self.gone())
    }

    /// Has something done, and waits for nothing.
    pub(crate) fn send(&self, order: Order) -> Result<(), Problem> {
        self.orders.send(order).map_err(|_| self.gone())
    }

    fn gone(&self) -> Problem {
        Problem::new(
            Kind::NoSuchBench,
            format!("the bench \"{}\" is no longer open", self.id),
        )
    }

    /// Waits for something.
    pub(crate) async fn wait(&self, wish: Wish) -> Result<Waited, Problem> {
        let (reply, answer) = oneshot::channel();
        self.with(move |bench, desk| desk.wait(bench, wish, reply))
            .await??;
        answer.await.map_err(|_| self.gone())
    }

    /// True once it has ended.
    pub(crate) fn has_ended(&self) -> bool {
        self.ended.load(Ordering::Relaxed)
    }

    /// Ends the bench, if it has not ended yet, and waits until all of it is written.
    pub(crate) async fn close(self: &Arc<Self>) -> Result<api::Closed, Problem> {
        self.with(|bench, desk| end(bench, desk)).await?;
        let id = self.id.clone();
        self.with(move |bench, desk| crate::show::closed(&id, bench, desk))
            .await
    }

    /// Sets it up again, from the beginning.
    pub(crate) async fn reset(&self) -> Result<(), Problem> {
        let (reply, answer) = oneshot::channel();
        self.with(move |bench, desk| {
            desk.reset = Some(reply);
            end(bench, desk);
        })
        .await?;
        answer.await.map_err(|_| self.gone())?
    }

    /// It is forgotten once it has ended.
    pub(crate) fn forget(&self) {
        // One that is gone is forgotten.
        let _ = self.send(Box::new(|bench, desk| {
            desk.forget = true;
            end(bench, desk);
        }));
    }

    /// Somebody begins to read the event stream.
    pub(crate) fn stream(self: &Arc<Self>) -> Streaming {
        self.streams.fetch_add(1, Ordering::Relaxed);
        Streaming(Arc::clone(self))
    }
}

/// Somebody who reads the event stream; gone when dropped.
#[derive(Debug)]
pub(crate) struct Streaming(Arc<Session>);

impl Drop for Streaming {
    fn drop(&mut self) {
        let before = self.0.streams.fetch_sub(1, Ordering::Relaxed);
        if before == 1 && self.0.opening.end_on_disconnect {
            let _ = self.0.send(Box::new(|bench, desk| end(bench, desk)));
        }
    }
}

/// Ends a bench with its verdict.
fn end(bench: &mut Bench, desk: &mut Desk) {
    if !bench.ended() {
        bench.finish_now();
    }
    // Nothing that is looked at fails.
    let _ = desk.look(bench);
}

/// Drives a bench to its end, answers for it until it is forgotten, and sets it up again when it is
/// asked to.
async fn attend(mut desk: Desk, opening: Opening, mut ready: Ready, ended: Arc<AtomicBool>) {
    desk.recording = ready.recording.take();
    loop {
        let bench = &mut ready.bench;
        let driven = ready.driver.drive(bench, &mut desk).await;
        desk.failed = driven.err();
        end(bench, &mut desk);
        if let Some(recording) = &mut desk.recording {
            recording.end();
        }
        ended.store(true, Ordering::Relaxed);
        if desk.reset.is_none() {
            desk.log.end();
        }
        // The link is closed; what is known of the bench can still be asked for.
        ready.driver = Driver::Pace;
        while !desk.forget && desk.reset.is_none() {
            let order = desk.order().await;
            order(bench, &mut desk);
        }
        let Some(reply) = desk.reset.take().filter(|_| !desk.forget) else {
            return;
        };
        match opening.set_up() {
            Ok(again) => {
                ready = again;
                desk.begin_anew(ready.recording.take());
                ended.store(false, Ordering::Relaxed);
                let _ = reply.send(Ok(()));
            }
            Err(problem) => {
                let _ = reply.send(Err(problem));
            }
        }
    }
}
