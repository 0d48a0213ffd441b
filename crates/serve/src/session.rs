//! A bench that is open: its rig, its desk, and the loop that moves it.

use crate::api::PaceName;
use crate::api::{self, Link};
use crate::desk::{Desk, Order, Waited, Wish};
use crate::log::Log;
use crate::problem::{Kind, Problem};
use crate::recording::{Recording, Wanted};
use payrig_bench::action::Action;
use payrig_bench::plan::PortName;
use payrig_bench::{Bench, Plan};
use payrig_link::drive::{Attendant, LiveError, Ports, run_attended};
use payrig_link::lockstep::{self, PeerAddress, PeerLines, Started, run_lockstep_attended};
use payrig_link::of_plan;
use payrig_link::pace::run_at_pace;
use payrig_link::{Clock, LinkError, ThreadPort};
use payrig_rig::action_as_json;
use payrig_units::{Decimals, Micros};
use payrig_wire::Source;
use payrig_wire::recording::Header;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::SystemTime;
use tokio::sync::{mpsc, oneshot};

/// What a bench is opened from.
#[derive(Clone, Debug)]
pub(crate) struct Opening {
    pub(crate) plan: Arc<Plan>,
    /// Where the pseudo-terminal of the board's bus is to be found.
    pub(crate) at: Option<PathBuf>,
    pub(crate) pace: PaceName,
    pub(crate) script: bool,
    pub(crate) keep: usize,
    pub(crate) record: Option<Wanted>,
    pub(crate) peer_optional: bool,
    pub(crate) end_on_disconnect: bool,
    /// Nobody is waited for any more: a peer that does not answer is left.
    pub(crate) hurry: Arc<AtomicBool>,
}

/// What moves a bench along. A new kind of driver is a new implementation, and a row in [`Session::open`].
pub(crate) trait Drive: Sized {
    /// Sets a bench up, at time zero.
    fn set_up(opening: &Opening) -> Result<Ready<Self>, Problem>;

    /// Drives it until it has ended.
    ///
    /// # Errors
    /// When what it is driven over failed. The bench has ended then, too.
    async fn drive(&mut self, bench: &mut Bench, desk: &mut Desk) -> Result<(), Problem>;
}

/// A bench, set up.
pub(crate) struct Ready<D> {
    bench: Bench,
    driver: D,
    links: Vec<Link>,
    header: Header,
    recording: Option<Recording>,
}

/// Nothing of the bench is real: it goes at its pace.
struct AtPace;

impl Drive for AtPace {
    fn set_up(opening: &Opening) -> Result<Ready<Self>, Problem> {
        opening.ready(Bench::of(&opening.plan), Self, Vec::new(), opening.header())
    }

    async fn drive(&mut self, bench: &mut Bench, desk: &mut Desk) -> Result<(), Problem> {
        let driven = run_at_pace(bench, desk).await;
        driven.map_err(|error| Problem::failed("the log", &error))
    }
}

/// Something is at the other end of ports: with the wall clock.
struct OverPorts(Ports<ThreadPort>);

impl Drive for OverPorts {
    fn set_up(opening: &Opening) -> Result<Ready<Self>, Problem> {
        // Time zero: the header says what the wall clock was then.
        let (clock, began) = (Clock::starting_now(), now());
        let header = opening.header().live(began).ours(opening.plan.ours());
        let opened = of_plan::open(
            &opening.plan,
            &of_plan::Measured::new(),
            clock,
            opening.at.as_deref(),
        )
        .map_err(|error| Problem::new(Kind::LinkFailed, error.to_string()))?;
        let links = opened.places.into_iter();
        let links = links.map(|place| Link {
            of: match place.wires.as_slice() {
                [] => place.of,
                wires => format!("{}: {}", place.of, wires.join(", ")),
            },
            path: place.path,
        });
        let links = links.collect();
        let bench = Bench::live(&opening.plan, &opened.levels);
        opening.ready(bench, Self(opened.ports), links, header)
    }

    async fn drive(&mut self, bench: &mut Bench, desk: &mut Desk) -> Result<(), Problem> {
        let driven = run_attended(bench, &mut self.0, Micros::NEVER, desk).await;
        driven.map_err(|error| match error {
            LiveError::Link(error) => Problem::new(Kind::LinkFailed, error.to_string()),
            LiveError::Output(error) => Problem::failed("the log", &error),
        })
    }
}

/// A program is at the other end, in lock-step: the bench goes as far as it is asked to, and the program with
/// it.
struct InLockStep {
    session: lockstep::Session,
    lines: PeerLines,
    decimals: Decimals,
}

impl Drive for InLockStep {
    fn set_up(opening: &Opening) -> Result<Ready<Self>, Problem> {
        let failed = |error| {
            let error = LinkError::Peer(error);
            Problem::new(Kind::LinkFailed, error.to_string())
        };
        let mut plan = Plan::clone(&opening.plan);
        let Some(link) = &plan.link else {
            return Err(Problem::new(
                Kind::Failed,
                "a bench in lock-step has a link",
            ));
        };
        let (outside, name) = (link.outside, link.port.to_string());
        let PortName::Peer(peer) = &link.port else {
            return Err(Problem::new(
                Kind::Failed,
                "a bench in lock-step has a peer",
            ));
        };
        let address: PeerAddress = peer
            .parse()
            .map_err(|why: &str| Problem::new(Kind::BadField, why))?;
        let role = match outside {
            Source::Master => "board",
            Source::Peripheral => "devices",
        };
        let stop = Arc::clone(&opening.hurry);
        let started = Started::at(&address).map_err(failed)?;
        let session =
            lockstep::Session::open(started, outside.other(), role, plan.seed, move || {
                stop.load(Ordering::Relaxed)
            })
            .map_err(failed)?;
        if session.has_lines() {
            plan.share_lines_with_peer()
                .map_err(|why| Problem::new(Kind::BadRig, why))?;
        }
        let driver = Self {
            session,
            lines: PeerLines::of(&plan),
            decimals: plan.decimals,
        };
        let links = vec![Link {
            of: "the board's bus".to_owned(),
            path: name,
        }];
        let header = opening.header().ours(opening.plan.ours());
        opening.ready(Bench::live(&plan, &[]), driver, links, header)
    }

    async fn drive(&mut self, bench: &mut Bench, desk: &mut Desk) -> Result<(), Problem> {
        let decimals = self.decimals;
        let describe = |action: &Action| action_as_json(action, decimals);
        let driven =
            run_lockstep_attended(bench, &mut self.session, &self.lines, describe, desk).await;
        driven.map_err(|error| match error {
            LiveError::Link(error) => Problem::new(Kind::LinkFailed, error.to_string()),
            LiveError::Output(error) => Problem::failed("the log", &error),
        })
    }
}

impl Opening {
    fn header(&self) -> Header {
        let tool = concat!("payrig ", env!("CARGO_PKG_VERSION"));
        Header::new(tool, &self.plan.name, Some(self.plan.seed))
            .with_peer_optional(self.peer_optional)
    }

    /// A bench that was set up, as whoever opened it wants it.
    fn ready<D>(
        &self,
        mut bench: Bench,
        driver: D,
        links: Vec<Link>,
        header: Header,
    ) -> Result<Ready<D>, Problem> {
        if !self.script {
            bench.drive_from_outside();
        }
        if self.peer_optional {
            bench.peer_optional();
        }
        let recording = self.record.as_ref();
        let recording = recording
            .map(|wanted| Recording::begin(wanted, &header))
            .transpose()?;
        Ok(Ready {
            bench,
            driver,
            links,
            header,
            recording,
        })
    }
}

/// The wall clock, in RFC 3339.
fn now() -> String {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    let seconds = since.map_or(0, |since| i64::try_from(since.as_secs()).unwrap_or(0));
    chrono::DateTime::from_timestamp(seconds, 0).map_or_else(String::new, |date| {
        date.to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    })
}

/// The handle of a bench that is open.
#[derive(Debug)]
pub(crate) struct Session {
    pub(crate) id: String,
    pub(crate) opening: Opening,
    pub(crate) log: Arc<Log>,
    orders: mpsc::UnboundedSender<Order>,
    streams: AtomicUsize,
    ended: Arc<AtomicBool>,
}

impl Session {
    /// Opens a bench.
    pub(crate) fn open(id: String, opening: Opening) -> Result<Arc<Self>, Problem> {
        let (orders, desk_orders) = mpsc::unbounded_channel();
        let log = Arc::new(Log::new(opening.keep));
        let desk = Desk::new(desk_orders, Arc::clone(&log), opening.pace);
        let ended = Arc::new(AtomicBool::new(false));
        if opening.plan.in_lock_step() {
            // A peer may take its time.
            let ready = InLockStep::set_up(&opening)?;
            on_its_own_thread(desk, &opening, ready, &ended)?;
        } else if opening.plan.is_live() {
            // What is real waits for nobody.
            let ready = OverPorts::set_up(&opening)?;
            on_its_own_thread(desk, &opening, ready, &ended)?;
        } else {
            let ready = AtPace::set_up(&opening)?;
            tokio::spawn(attend(desk, opening.clone(), ready, Arc::clone(&ended)));
        }
        Ok(Arc::new(Self {
            id,
            log,
            orders,
            streams: AtomicUsize::new(0),
            ended,
            opening,
        }))
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
        self.with(end).await?;
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
        self.opening.hurry.store(true, Ordering::Relaxed);
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
            let _ = self.0.send(Box::new(end));
        }
    }
}

/// Attends to a bench on a thread of its own.
fn on_its_own_thread<D: Drive + Send + 'static>(
    desk: Desk,
    opening: &Opening,
    ready: Ready<D>,
    ended: &Arc<AtomicBool>,
) -> Result<(), Problem> {
    let failed = |error| Problem::failed("a thread for the bench", &error);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(failed)?;
    let (opening, ended) = (opening.clone(), Arc::clone(ended));
    std::thread::Builder::new()
        .name("bench".to_owned())
        .spawn(move || runtime.block_on(attend(desk, opening, ready, ended)))
        .map_err(failed)?;
    Ok(())
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
async fn attend<D: Drive>(
    mut desk: Desk,
    opening: Opening,
    ready: Ready<D>,
    ended: Arc<AtomicBool>,
) {
    let mut next = Some(ready);
    while let Some(ready) = next.take() {
        let Ready {
            mut bench,
            mut driver,
            ..
        } = ready;
        desk.take_place(ready.links, ready.header, ready.recording);
        let driven = driver.drive(&mut bench, &mut desk).await;
        desk.failed = driven.err();
        end(&mut bench, &mut desk);
        // The links are closed; what is known of the bench can still be asked for.
        drop(driver);
        if let Some(recording) = &mut desk.recording {
            recording.end();
        }
        ended.store(true, Ordering::Relaxed);
        if desk.reset.is_none() {
            desk.log.end();
        }
        while next.is_none() && !desk.forget {
            let Some(reply) = desk.reset.take() else {
                let order = desk.order().await;
                order(&mut bench, &mut desk);
                continue;
            };
            let again = D::set_up(&opening);
            let answer = again.map(|again| {
                next = Some(again);
                desk.begin_anew();
                ended.store(false, Ordering::Relaxed);
            });
            // Whoever asked may have gone away.
            let _ = reply.send(answer);
        }
    }
}
