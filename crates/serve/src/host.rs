//! The benches that are open, and everything that can be asked of them. It knows neither HTTP nor
//! standard input: the table of [`verbs`](crate::verbs) has its functions, and the front ends call them
//! from there.

use crate::api;
use crate::api::PaceName;
use crate::desk::{Goal, Wish};
use crate::filter::Filter;
use crate::log::Page;
use crate::problem::{Kind, Problem};
use crate::recording::Wanted;
use crate::session::{Opening, Session};
use crate::show;
use crate::time::Time;
use payrig_bench::action::StepKind;
use payrig_bench::{Observation, Plan};
use payrig_link::lockstep::PeerAddress;
use payrig_link::of_plan::{LinkChoice, LinkChoiceError};
use payrig_rig::{FIRST_VEND, nearest};
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The name of the rig that is built in.
pub const EMBEDDED: &str = "first-vend";

/// What a host allows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Benches at once; those that have ended and were not removed count.
    pub benches: usize,
    /// Events kept of each, where nobody says how many.
    pub keep: usize,
    /// Whoever opens a bench may name a peer: a command that is started here.
    pub peers: bool,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            benches: 2_000,
            keep: 4_000,
            peers: false,
        }
    }
}

/// A bench with a peer in lock-step knows no wall clock.
fn no_wall_clock() -> Problem {
    let text = "a bench with a peer in lock-step knows no wall clock";
    Problem::new(Kind::BadField, text)
        .field("pace")
        .advice("take \"simulated\" or \"paused\"")
}

/// How long a wait lasts at the most: a day of bench time.
const LONGEST: Micros = Micros::secs(24 * 3_600);

/// The benches that are open.
#[derive(Debug, Default)]
pub struct Host {
    limits: Limits,
    sessions: Mutex<BTreeMap<String, Arc<Session>>>,
    next_id: AtomicU64,
    ending: AtomicBool,
}

impl Host {
    /// A host without benches.
    #[must_use]
    pub fn new(limits: Limits) -> Self {
        Self {
            limits,
            ..Self::default()
        }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Arc<Session>>> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn all(&self) -> Vec<Arc<Session>> {
        self.lock().values().cloned().collect()
    }

    pub(crate) fn session(&self, id: &str) -> Result<Arc<Session>, Problem> {
        let all = self.lock();
        if let Some(session) = all.get(id) {
            return Ok(Arc::clone(session));
        }
        let names: Vec<&str> = all.keys().map(String::as_str).collect();
        let problem = Problem::new(Kind::NoSuchBench, format!("no bench is called \"{id}\""));
        Err(problem.field("bench").advice(match nearest(id, &names) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None if names.is_empty() => "none is open: open one first".to_owned(),
            None => {
                let few: Vec<&str> = names.into_iter().take(10).collect();
                format!("benches there are: {}", few.join(", "))
            }
        }))
    }

    /// The only bench there is, for those who need not say which.
    #[must_use]
    pub fn only(&self) -> Option<String> {
        let all = self.lock();
        let mut ids = all.keys();
        match (ids.next(), ids.next()) {
            (Some(only), None) => Some(only.clone()),
            _ => None,
        }
    }

    /// Ends all benches, with their verdicts and recordings. None is opened any more.
    pub async fn end(&self) {
        self.ending.store(true, Ordering::Relaxed);
        let all = self.all();
        let ending = all.iter().map(|session| session.close());
        futures_util::future::join_all(ending).await;
        for session in all {
            session.log.end();
        }
    }

    /// Whether all benches that have ended passed, and none is left that has not ended.
    pub async fn passed(&self) -> bool {
        for session in self.all() {
            let passed = |_: &mut payrig_bench::Bench, desk: &mut crate::desk::Desk| {
                matches!(desk.verdict, Some(Entry::Verdict { passed: true, .. }))
                    && desk.failed.is_none()
            };
            if !session.with(passed).await.unwrap_or(false) {
                return false;
            }
        }
        true
    }

    // ---- the verbs -----------------------------------------------------------------------------

    pub(crate) async fn version(self: Arc<Self>, _: api::Nothing) -> Result<api::Version, Problem> {
        Ok(api::Version {
            name: "payrig".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        })
    }

    /// Opens a bench.
    ///
    /// # Errors
    /// When its rig cannot be used, its link cannot be opened, or there are too many.
    pub async fn open(self: Arc<Self>, open: api::Open) -> Result<api::Bench, Problem> {
        let opening = self.opening(&open)?;
        let session = {
            let mut all = self.lock();
            if self.ending.load(Ordering::Relaxed) {
                return Err(Problem::new(
                    Kind::Ending,
                    "the server ends: no bench is opened any more",
                ));
            }
            if all.len() >= self.limits.benches {
                let ended = { all.values() }.find(|session| session.has_ended());
                let Some(id) = ended.map(|session| session.id.clone()) else {
                    let most = self.limits.benches;
                    return Err(Problem::new(
                        Kind::TooMany,
                        format!("{most} benches are open, and no more are taken"),
                    )
                    .advice("close and remove one, or start the server with room for more"));
                };
                if let Some(session) = all.remove(&id) {
                    session.forget();
                }
            }
            let id = match &open.id {
                Some(id) if all.contains_key(id) => {
                    let text = format!("a bench is called \"{id}\" already");
                    return Err(Problem::new(Kind::Refused, text)
                        .field("id")
                        .advice("take another id, or remove that bench"));
                }
                Some(id) => id.clone(),
                None => self.free_id(&all),
            };
            let session = Session::open(id.clone(), opening)?;
            all.insert(id, Arc::clone(&session));
            session
        };
        self.state_of(&session).await
    }

    fn free_id(&self, all: &BTreeMap<String, Arc<Session>>) -> String {
        loop {
            let number = self.next_id.fetch_add(1, Ordering::Relaxed) + 1;
            let id = format!("b{number}");
            if !all.contains_key(&id) {
                return id;
            }
        }
    }

    fn opening(&self, open: &api::Open) -> Result<Opening, Problem> {
        if let Some(id) = &open.id {
            let allowed = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
            if id.is_empty() || id.len() > 64 || !id.chars().all(allowed) {
                let text = format!(
                    "`id` is \"{}\"; expected up to 64 letters, digits, - _ .",
                    id.escape_default()
                );
                return Err(Problem::new(Kind::BadField, text).field("id"));
            }
        }
        let mut plan = plan_of(open.rig.as_deref(), open.toml.as_deref())?;
        plan.seed = open.seed.unwrap_or(plan.seed);
        let choice = link(open);
        choice.apply(&mut plan).map_err(|error| match error {
            LinkChoiceError::NoLink(field) => Problem::new(Kind::BadField, error.to_string())
                .field(field)
                .advice("give `link`, or write [link] in the rig"),
            LinkChoiceError::PlainOnSerial(_) => Problem::new(Kind::BadField, error.to_string())
                .field("coding")
                .advice("leave `coding` out, or take `link` = \"pty\""),
            LinkChoiceError::Coding(_) => {
                Problem::new(Kind::BadField, error.to_string()).field("coding")
            }
        })?;
        if let Some(peer) = &open.peer {
            self.share_with_peer(&mut plan, open, peer)?;
        }
        if open.script
            && let Some((line, why)) = plan.impossible().into_iter().next()
        {
            let text = format!("line {line} of the rig cannot work on this link: {why}");
            return Err(Problem::new(Kind::BadRig, text).field("script").advice(
                "leave `script` out, take a rig without that step, or another `link` or `role`",
            ));
        }
        let pace = match (open.pace, plan.is_live()) {
            (Some(PaceName::Real), _) if plan.in_lock_step() => return Err(no_wall_clock()),
            (pace, _) if plan.in_lock_step() => pace.unwrap_or_default(),
            (pace, false) => pace.unwrap_or_default(),
            (None | Some(PaceName::Real), true) => PaceName::Real,
            (Some(_), true) => {
                let text = "something of the bench is real: its time is the wall clock's";
                return Err(Problem::new(Kind::BadField, text)
                    .field("pace")
                    .advice("leave `pace` out, or put the board's bus on `link` = \"virtual\""));
            }
        };
        let keep = open.keep.map_or(self.limits.keep, |keep| keep as usize);
        if !(1..=1_000_000).contains(&keep) {
            let text = format!("`keep` is {keep}; expected 1 to 1000000 events");
            return Err(Problem::new(Kind::BadField, text).field("keep"));
        }
        Ok(Opening {
            plan: Arc::new(plan),
            at: choice.at().map(Path::to_owned),
            pace,
            script: open.script,
            keep,
            record: match &open.record {
                api::Record::Spool(false) => None,
                api::Record::Spool(true) => Some(Wanted::Spool),
                api::Record::File(path) => Some(Wanted::File(PathBuf::from(path))),
            },
            peer_optional: open.peer_optional,
            end_on_disconnect: open.end_on_disconnect,
            hurry: Arc::default(),
        })
    }

    /// Puts the board's bus between the bench and a peer.
    fn share_with_peer(
        &self,
        plan: &mut Plan,
        open: &api::Open,
        peer: &str,
    ) -> Result<(), Problem> {
        let wrong = |text: String| Problem::new(Kind::BadField, text).field("peer");
        if !self.limits.peers {
            return Err(Problem::new(Kind::Forbidden, "this server starts no programs for `peer`")
                .field("peer")
                .advice("have it started with leave to start peers: whoever has the token can then run any command"));
        }
        if open.link.is_some() {
            return Err(
                wrong("`peer` and `link` are two things at one end of a bus".to_owned())
                    .advice("leave one of them out"),
            );
        }
        peer.parse::<PeerAddress>()
            .map_err(|why| wrong(format!("`peer` is {why}")))?;
        let outside = match (open.role, plan.board.ours) {
            (Some(api::Role::Devices), _) | (None, false) => Source::Master,
            (Some(api::Role::Board), _) => Source::Peripheral,
            (None, true) => plan
                .link
                .as_ref()
                .map_or(Source::Master, |link| link.outside),
        };
        plan.share_with_peer(peer.to_owned(), outside)
            .map_err(wrong)
    }

    async fn state_of(&self, session: &Arc<Session>) -> Result<api::Bench, Problem> {
        let own = Arc::clone(session);
        session
            .with(move |bench, desk| show::bench(&own.id, &own.opening.plan, (bench, desk)))
            .await
    }

    pub(crate) async fn benches(self: Arc<Self>, _: api::Nothing) -> Result<api::Benches, Problem> {
        let mut benches = Vec::new();
        for session in self.all() {
            // One that is removed meanwhile is not there.
            benches.extend(self.state_of(&session).await);
        }
        Ok(api::Benches { benches })
    }

    pub(crate) async fn state(self: Arc<Self>, of: api::OfBench) -> Result<api::Bench, Problem> {
        let session = self.session(&of.bench)?;
        self.state_of(&session).await
    }

    pub(crate) async fn act(self: Arc<Self>, act: api::Act) -> Result<api::Acted, Problem> {
        let session = self.session(&act.bench)?;
        let mut fields = act.fields;
        fields.insert("do".to_owned(), Value::String(act.r#do));
        let step = step(&session, fields)?;
        let plan = &session.opening.plan;
        let keys = payrig_bench::machine::Keys::of(&plan.machine);
        let text = step.what.text(plan.decimals, &keys);
        let wish = |goal, within| Wish {
            goal,
            within,
            from: None,
            runs: true,
            most: 0,
        };
        if step.after > Micros::ZERO {
            session.wait(wish(Goal::Time, short(step.after)?)).await?;
        }
        let (at, next) = match step.what {
            StepKind::Do(action) => {
                let done = move |bench: &mut payrig_bench::Bench, desk: &mut crate::desk::Desk| {
                    let next = desk.log.next();
                    desk.act(bench, &action).map(|()| (bench.now(), next))
                };
                session.with(done).await??
            }
            StepKind::Wait { time } => {
                let waited = session.wait(wish(Goal::Time, short(time)?)).await?;
                (waited.at, waited.next)
            }
            StepKind::WaitReady { within } => {
                let waited = session.wait(wish(Goal::Ready, short(within)?)).await?;
                if !waited.met {
                    let text = format!("the board has not set up every device within {within}");
                    return Err(Problem::new(Kind::Refused, text)
                        .advice("its notes and findings say which is missing"));
                }
                (waited.at, waited.next)
            }
            // `do` is no expectation.
            StepKind::Expect { .. } => return Err(Problem::new(Kind::BadStep, text)),
        };
        Ok(api::Acted {
            text,
            at_us: at.as_us(),
            next,
        })
    }

    pub(crate) async fn wait(self: Arc<Self>, wait: api::Wait) -> Result<api::Waited, Problem> {
        self.wait_or_run(wait, false).await
    }

    pub(crate) async fn run(self: Arc<Self>, wait: api::Wait) -> Result<api::Waited, Problem> {
        self.wait_or_run(wait, true).await
    }

    async fn wait_or_run(&self, wait: api::Wait, runs: bool) -> Result<api::Waited, Problem> {
        let session = self.session(&wait.bench)?;
        let plan = Arc::clone(&session.opening.plan);
        let (goal, within, text) = goal(&session, &wait)?;
        let most = wait.most.unwrap_or(40);
        if most > 1_000 {
            let text = format!("`most` is {most}; expected 0 to 1000 events");
            return Err(Problem::new(Kind::BadField, text).field("most"));
        }
        let wish = Wish {
            goal,
            within: short(within)?,
            from: wait.from,
            runs,
            most: most as usize,
        };
        let waited = session.wait(wish).await?;
        Ok(show::waited(waited, text, plan.decimals))
    }

    pub(crate) async fn pace(self: Arc<Self>, set: api::SetPace) -> Result<api::Bench, Problem> {
        let session = self.session(&set.bench)?;
        let lock_step = session.opening.plan.in_lock_step();
        let changed = move |bench: &mut payrig_bench::Bench, desk: &mut crate::desk::Desk| {
            desk.refuse_ended(bench)?;
            if lock_step && set.pace == PaceName::Real {
                return Err(no_wall_clock());
            }
            if bench.is_live() && !lock_step && set.pace != PaceName::Real {
                let text = "something of the bench is real: its time is the wall clock's";
                return Err(Problem::new(Kind::Refused, text).field("pace"));
            }
            desk.pace = set.pace;
            Ok(())
        };
        session.with(changed).await??;
        self.state_of(&session).await
    }

    pub(crate) async fn look(self: Arc<Self>, look: api::Look) -> Result<api::Looked, Problem> {
        let session = self.session(&look.bench)?;
        let what = observation(&session.opening.plan, &look)?;
        let (seen, at) = session
            .with(move |bench, _| (bench.observe(&what).map(|seen| (what, seen)), bench.now()))
            .await?;
        let (what, seen) = seen.map_err(|refusal| Problem::refused(&refusal))?;
        Ok(api::Looked {
            of: what.to_string(),
            seen: show::observed(&seen),
            at_us: at.as_us(),
        })
    }

    pub(crate) async fn events(
        self: Arc<Self>,
        read: api::ReadEvents,
    ) -> Result<api::Events, Problem> {
        let session = self.session(&read.bench)?;
        let filter = read.filter();
        filter.check(&types())?;
        let most = read.most.unwrap_or(1_000).clamp(1, 10_000) as usize;
        let mut page = Page {
            next: read.from.unwrap_or(1),
            ..Page::default()
        };
        let mut events = Vec::new();
        let mut first_missed = None;
        while events.len() < most {
            page = session.log.read(page.next, most - events.len());
            if first_missed.is_none() && read.from.is_some() {
                first_missed = page.missed;
            }
            if page.events.is_empty() {
                break;
            }
            let wanted = page.events.iter().filter(|event| event.is_wanted(&filter));
            events.extend(wanted.filter_map(|event| serde_json::from_str(event.json()).ok()));
        }
        Ok(api::Events {
            events,
            next: page.next,
            missed: first_missed.map(|(from, to)| api::Span { from, to }),
            ended: page.ended,
        })
    }

    pub(crate) async fn ledger(self: Arc<Self>, of: api::OfBench) -> Result<api::Ledger, Problem> {
        let session = self.session(&of.bench)?;
        session.with(|bench, _| show::ledger(bench)).await
    }

    pub(crate) async fn findings(
        self: Arc<Self>,
        of: api::OfBench,
    ) -> Result<api::Findings, Problem> {
        let session = self.session(&of.bench)?;
        let findings = session.with(|_, desk| desk.findings.clone()).await?;
        Ok(api::Findings {
            findings: findings.iter().map(show::json).collect(),
        })
    }

    pub(crate) async fn trains(self: Arc<Self>, of: api::OfBench) -> Result<api::Trains, Problem> {
        let session = self.session(&of.bench)?;
        let trains = session.with(|_, desk| desk.trains.clone()).await?;
        Ok(api::Trains {
            trains: trains.iter().map(show::json).collect(),
        })
    }

    pub(crate) async fn recording(
        self: Arc<Self>,
        of: api::OfBench,
    ) -> Result<api::Document, Problem> {
        let session = self.session(&of.bench)?;
        let text = session
            .with(move |_, desk| match &desk.recording {
                Some(recording) => std::fs::read_to_string(recording.path()).map_err(|error| {
                    Problem::failed(&recording.path().display().to_string(), &error)
                }),
                None => from_log(desk),
            })
            .await??;
        Ok(api::Document {
            content_type: "application/jsonl".to_owned(),
            name: format!("{}.recording.jsonl", session.id),
            text,
        })
    }

    pub(crate) async fn reset(self: Arc<Self>, of: api::OfBench) -> Result<api::Bench, Problem> {
        let session = self.session(&of.bench)?;
        session.reset().await?;
        self.state_of(&session).await
    }

    pub(crate) async fn close(self: Arc<Self>, of: api::OfBench) -> Result<api::Closed, Problem> {
        self.session(&of.bench)?.close().await
    }

    pub(crate) async fn remove(self: Arc<Self>, of: api::OfBench) -> Result<api::Closed, Problem> {
        let session = self.session(&of.bench)?;
        let closed = session.close().await?;
        session.forget();
        self.lock().remove(&of.bench);
        Ok(closed)
    }
}

/// What is said of the link of the board's bus.
fn link(open: &api::Open) -> LinkChoice {
    LinkChoice {
        link: open.link.clone(),
        outside: open.role.map(|role| match role {
            api::Role::Devices => Source::Master,
            api::Role::Board => Source::Peripheral,
        }),
        coding: open.coding.clone(),
        reconnect: open.reconnect.map(|Time(time)| time),
    }
}

/// The recording of a bench that keeps none, from its log, while all of it is there.
fn from_log(desk: &crate::desk::Desk) -> Result<String, Problem> {
    let page = desk.log.read(desk.first, usize::MAX);
    if let Some((_, last)) = page.missed {
        let text = format!("the first events are no longer kept, up to number {last}");
        return Err(Problem::new(Kind::NotThere, text)
            .advice("open the bench with record = true, or a larger `keep`"));
    }
    let mut lines = serde_json::to_string(&desk.header).unwrap_or_default();
    lines.push('\n');
    for event in &page.events {
        if let crate::log::What::Entry(entry) = &event.what {
            lines.push_str(&serde_json::to_string(entry).unwrap_or_default());
            lines.push('\n');
        }
    }
    Ok(lines)
}

/// The types of all events of a bench.
pub(crate) fn types() -> Vec<&'static str> {
    Entry::types().iter().copied().chain(["reset"]).collect()
}

/// The plan that a bench is set up from.
pub(crate) fn plan_of(rig: Option<&str>, toml: Option<&str>) -> Result<Plan, Problem> {
    let plan = match (rig, toml) {
        (Some(_), Some(_)) => {
            let text = "`rig` and `toml` both say which rig it is";
            return Err(Problem::new(Kind::BadField, text)
                .field("toml")
                .advice("give the path of a rig, or its text"));
        }
        (None, None) => payrig_rig::parse(Path::new("first-vend.toml"), FIRST_VEND),
        (Some(EMBEDDED), None) => payrig_rig::parse(Path::new("first-vend.toml"), FIRST_VEND),
        (Some(path), None) => payrig_rig::load(Path::new(path)),
        (None, Some(text)) => payrig_rig::parse(Path::new("toml"), text),
    };
    plan.map_err(|error| Problem::of_rig(&error))
}

/// Reads a step for a bench.
fn step(
    session: &Session,
    mut fields: Map<String, Value>,
) -> Result<payrig_bench::action::Step, Problem> {
    fields.retain(|_, value| !value.is_null());
    payrig_rig::step(&session.opening.plan, "the request", &fields)
        .map_err(|error| Problem::of_step(&error))
}

/// A time that somebody may wait.
fn short(time: Micros) -> Result<Micros, Problem> {
    match time <= LONGEST {
        true => Ok(time),
        false => Err(Problem::new(
            Kind::BadField,
            format!("{time} is longer than is waited for; expected at most 24 h"),
        )),
    }
}

/// What is waited for, how long, and in words.
fn goal(session: &Session, wait: &api::Wait) -> Result<(Goal, Micros, String), Problem> {
    let given = [
        ("expect", wait.expect.is_some()),
        ("event", wait.event.is_some()),
        ("ready", wait.ready.is_some()),
        ("rest", wait.rest.is_some()),
        ("for", wait.r#for.is_some() && wait.expect.is_none()),
    ];
    let names: Vec<&str> = given
        .iter()
        .filter(|(_, given)| *given)
        .map(|(name, _)| *name)
        .collect();
    let [only] = names.as_slice() else {
        let text = match names.as_slice() {
            [] => "nothing is said that is waited for".to_owned(),
            several => format!(
                "one thing is waited for at a time, and here are {}",
                several.join(", ")
            ),
        };
        return Err(Problem::new(Kind::BadField, text)
            .advice("give one of `expect` with its fields, `event`, `ready`, `rest`, `for`"));
    };
    if *only != "expect"
        && let Some(other) = wait.fields.keys().next()
    {
        const KNOWN: [&str; 9] = [
            "bench", "expect", "event", "ready", "rest", "for", "within", "from", "most",
        ];
        let problem =
            Problem::new(Kind::BadField, format!("a wait has no field `{other}`")).field(other);
        return Err(problem.advice(match nearest(other, &KNOWN) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("fields it has: {}", KNOWN.join(", ")),
        }));
    }
    let within = |usual| wait.within.map_or(usual, |Time(time)| time);
    Ok(match (&wait.expect, &wait.event, wait.r#for) {
        (Some(name), ..) => {
            let mut fields = wait.fields.clone();
            fields.insert("expect".to_owned(), Value::String(name.clone()));
            let step = step(session, fields)?;
            let plan = &session.opening.plan;
            let keys = payrig_bench::machine::Keys::of(&plan.machine);
            let text = step.what.text(plan.decimals, &keys);
            let StepKind::Expect { what, .. } = step.what else {
                return Err(Problem::new(Kind::BadStep, text));
            };
            (Goal::Expect(what), within(Micros::secs(10)), text)
        }
        (None, Some(filter), _) => {
            filter.check(&types())?;
            if *filter == Filter::default() {
                let problem = Problem::new(Kind::BadField, "any event would do").field("event");
                return Err(problem.advice("say its type, device, name, text, rule, source or bus"));
            }
            let goal = Goal::Event(Box::new(filter.clone()), None);
            (goal, within(Micros::secs(10)), "an event".to_owned())
        }
        (None, None, Some(Time(time))) => (Goal::Time, time, format!("{time} pass")),
        _ if *only == "rest" => (
            Goal::Rest,
            within(Micros::secs(10)),
            "the bench is at rest".to_owned(),
        ),
        _ => (
            Goal::Ready,
            within(Micros::secs(30)),
            "the board has set up every device".to_owned(),
        ),
    })
}

/// What is looked at.
fn observation(plan: &Plan, look: &api::Look) -> Result<Observation, Problem> {
    let need = |field: &str, expected: &str| {
        Problem::new(Kind::BadField, format!("this needs `{field}`: {expected}")).field(field)
    };
    let place = || {
        let name = look.place.as_ref();
        let name =
            name.ok_or_else(|| need("place", "a place of the ledger, as in \"changer tube 2\""))?;
        let checker = plan.checker();
        if let Some(place) = checker.place(name) {
            return Ok(place.clone());
        }
        let names: Vec<&str> = checker.place_names().collect();
        let problem =
            Problem::new(Kind::BadField, format!("there is no place \"{name}\"")).field("place");
        Err(problem.advice(match nearest(name, &names) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("places there are: {}", names.join(", ")),
        }))
    };
    Ok(match look.at {
        api::LookAt::Credit => Observation::Credit,
        api::LookAt::Display => Observation::Display,
        api::LookAt::ExactChange => Observation::ExactChange,
        api::LookAt::Ready => match &look.device {
            Some(device) if plan.devices.iter().any(|d| d.name == *device) => {
                Observation::Ready(device.clone())
            }
            Some(device) => {
                let names: Vec<&str> = plan.devices.iter().map(|d| d.name.as_str()).collect();
                let text = format!("there is no device \"{device}\"");
                let problem = Problem::new(Kind::BadField, text).field("device");
                return Err(problem.advice(match nearest(device, &names) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("devices there are: {}", names.join(", ")),
                }));
            }
            None => Observation::BoardReady,
        },
        api::LookAt::Sold => Observation::Delivered,
        api::LookAt::Balance => Observation::Balance(place()?),
        api::LookAt::WentTo => Observation::WentTo(place()?),
        api::LookAt::Fell => {
            let item = look
                .item
                .ok_or_else(|| need("item", "the number of an item"))?;
            Observation::Fell(item)
        }
        api::LookAt::Seen => {
            let text = look.text.clone();
            Observation::Seen(text.ok_or_else(|| need("text", "part of what is seen"))?)
        }
    })
}
