//! The output of a pulse device: trains in, edges out, with the device's faults.

use super::faults::{PulseFaults, Stuck};
use payrig_pulse::{Edge, Level, Plan, Profile};
use payrig_units::Micros;
use std::collections::VecDeque;

/// The times of an output.
#[derive(Clone, Debug)]
pub(super) struct TrackSetup {
    pub(super) lines: Vec<String>,
    pub(super) active: Level,
    pub(super) on: Micros,
    pub(super) off: Micros,
    /// Pause between trains.
    pub(super) pause: Micros,
    /// Least width a receiver counts: a pulse cut by a power loss is sent again below this.
    pub(super) counts_from: Micros,
}

impl TrackSetup {
    pub(super) fn of(profile: &Profile) -> Self {
        Self {
            lines: profile.lines().into_iter().map(str::to_owned).collect(),
            active: profile.active,
            on: profile.on,
            off: profile.off,
            pause: profile.train_gap + profile.off,
            counts_from: profile.tolerance.around(profile.on).min,
        }
    }
}

#[derive(Clone, Debug)]
struct Planned {
    line: String,
    on: Micros,
    /// The last pulse of its train.
    last: bool,
}

/// One step of a pulse: wait, then put a line to a level.
#[derive(Clone, Debug)]
struct Step {
    after: Micros,
    line: String,
    active: bool,
}

#[derive(Clone, Debug)]
pub(super) struct PulseTrack {
    setup: TrackSetup,
    faults: PulseFaults,
    rng: fastrand::Rng,
    pulses: VecDeque<Planned>,
    steps: VecDeque<Step>,
    /// The pulse the steps are of, and when it began.
    current: Option<(Planned, Option<Micros>)>,
    /// When the last step was made.
    since: Micros,
    /// No pulse before this.
    rest_until: Micros,
    trains: u32,
    /// Pulses begun so far.
    begun: u32,
    powered: bool,
    /// Lines that are active now.
    active: Vec<String>,
    edges: Vec<(String, Edge)>,
}

impl PulseTrack {
    pub(super) fn new(setup: TrackSetup, faults: PulseFaults) -> Self {
        Self {
            rng: fastrand::Rng::with_seed(faults.seed),
            setup,
            faults,
            pulses: VecDeque::new(),
            steps: VecDeque::new(),
            current: None,
            since: Micros::ZERO,
            rest_until: Micros::ZERO,
            trains: 0,
            begun: 0,
            powered: true,
            active: Vec::new(),
            edges: Vec::new(),
        }
    }

    pub(super) fn resting_levels(&self) -> Vec<(String, bool)> {
        let active = self.faults.stuck == Some(Stuck::Active);
        let level = self.level(active);
        self.setup
            .lines
            .iter()
            .map(|l| (l.clone(), level))
            .collect()
    }

    fn level(&self, active: bool) -> bool {
        (self.setup.active.is_high() == active) != self.faults.reversed
    }

    /// Sends a plan as one train.
    pub(super) fn send(&mut self, plan: &Plan) {
        let mut train: Vec<Planned> = Vec::new();
        for run in &plan.runs {
            for _ in 0..run.count {
                train.push(Planned {
                    line: run.line.clone(),
                    on: run.on,
                    last: false,
                });
            }
        }
        let Some(extra) = train.last().cloned() else {
            return;
        };
        self.trains = self.trains.saturating_add(1);
        if self.trains.is_multiple_of(self.faults.every.max(1)) {
            for _ in 0..self.faults.missing_pulses {
                train.pop();
            }
            for _ in 0..self.faults.extra_pulses {
                train.push(extra.clone());
            }
        }
        if let Some(last) = train.last_mut() {
            last.last = !self.faults.trains_together;
        }
        self.pulses.extend(train);
    }

    /// Sends one pulse of the ordinary width on the first line.
    pub(super) fn send_one(&mut self) {
        let run = self.setup.lines.first().map(|line| payrig_pulse::Run {
            line: line.clone(),
            on: self.setup.on,
            count: 1,
        });
        self.send(&Plan {
            runs: run.into_iter().collect(),
            ..Plan::default()
        });
    }

    /// A time as the faulty device makes it.
    fn bent(&mut self, nominal: Micros, percent: i32) -> Micros {
        let scaled = i128::from(nominal.0) * (100 + i128::from(percent)) / 100;
        let jitter = i128::from(self.faults.jitter_us);
        let jitter = if jitter == 0 {
            0
        } else {
            i128::from(self.rng.i64(..)) % (jitter + 1)
        };
        Micros(u64::try_from((scaled + jitter).max(1)).unwrap_or(u64::MAX))
    }

    /// A width after so many pulses, in microseconds; it never shrinks to nothing.
    fn drifted(&self, width: Micros) -> i128 {
        let percent = i128::from(self.faults.drift_percent) * i128::from(self.begun);
        let least = i128::from(width.0) / 2;
        (i128::from(width.0) * (10_000 + percent) / 10_000).max(least)
    }

    /// The steps of the next pulse.
    fn begin(&mut self, pulse: Planned) {
        let step = |after, active| Step {
            after,
            line: pulse.line.clone(),
            active,
        };
        let drifted = u64::try_from(self.drifted(pulse.on)).unwrap_or(1);
        self.begun = self.begun.saturating_add(1);
        let width = self.bent(Micros(drifted), self.faults.width_percent);
        // Bounce: the contact opens and closes in shares of the bounce time, three times.
        let share = Micros(u64::from(self.faults.bounce_us) / 6).min(Micros(width.0 / 8));
        let mut steps = vec![step(Micros::ZERO, true)];
        let mut settled = Micros::ZERO;
        if share > Micros::ZERO {
            for _ in 0..3 {
                steps.push(step(share, false));
                steps.push(step(share, true));
                settled += share * 2;
            }
        }
        steps.push(step(width - settled, false));
        self.steps = steps.into();
        self.current = Some((pulse, None));
    }

    fn next_step(&self) -> Option<Micros> {
        self.steps.front().map(|s| self.since + s.after)
    }

    pub(super) fn wake(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        loop {
            if self.steps.is_empty() {
                if now < self.rest_until {
                    return;
                }
                let Some(pulse) = self.pulses.pop_front() else {
                    return;
                };
                self.since = now;
                self.begin(pulse);
            }
            match self.next_step() {
                Some(due) if now >= due => {}
                _ => return,
            }
            let Some(step) = self.steps.pop_front() else {
                return;
            };
            self.since = now;
            self.put(&step.line, now, step.active);
            if let Some((_, began @ None)) = &mut self.current {
                *began = Some(now);
            }
            if self.steps.is_empty() {
                self.rest_after_pulse(now);
            }
        }
    }

    /// A pulse has ended: the pause after it, with a spike in it if need be.
    fn rest_after_pulse(&mut self, now: Micros) {
        let Some((pulse, _)) = self.current.take() else {
            return;
        };
        let pause = if pulse.last {
            self.setup.pause
        } else {
            self.setup.off
        };
        let pause = self.bent(
            pause,
            if pulse.last {
                0
            } else {
                self.faults.gap_percent
            },
        );
        self.rest_until = now + pause;
        let spike = Micros(self.faults.glitch_us.into());
        if spike > Micros::ZERO && spike < Micros(pause.0 / 2) {
            for (after, active) in [(Micros(pause.0 / 2), true), (spike, false)] {
                self.steps.push_back(Step {
                    after,
                    line: pulse.line.clone(),
                    active,
                });
            }
        }
    }

    fn put(&mut self, line: &str, at: Micros, active: bool) {
        self.active.retain(|l| l != line);
        if active {
            self.active.push(line.to_owned());
        }
        if self.faults.stuck.is_none() {
            let high = self.level(active);
            self.edges.push((line.to_owned(), Edge { at, high }));
        }
    }

    /// Without power the lines are released. Gives the number of pulses lost for good.
    pub(super) fn power(&mut self, now: Micros, on: bool) -> usize {
        if on == self.powered {
            return 0;
        }
        self.powered = on;
        if on {
            self.rest_until = now + self.setup.pause;
            return 0;
        }
        for line in std::mem::take(&mut self.active) {
            self.put(&line, now, false);
        }
        self.steps.clear();
        if let Some((pulse, began)) = self.current.take() {
            let held = began.map_or(Micros::ZERO, |began| now.since(began));
            if held < self.setup.counts_from {
                self.pulses.push_front(pulse);
            }
        }
        if self.faults.forgets_on_power_cut {
            let lost = self.pulses.len();
            self.pulses.clear();
            return lost;
        }
        0
    }

    pub(super) fn next_deadline(&self) -> Micros {
        match (self.powered, self.next_step()) {
            (false, _) => Micros::NEVER,
            (true, Some(due)) => due,
            (true, None) if self.pulses.is_empty() => Micros::NEVER,
            (true, None) => self.rest_until,
        }
    }

    pub(super) fn is_idle(&self) -> bool {
        self.pulses.is_empty() && self.steps.is_empty()
    }

    pub(super) fn take_edges(&mut self) -> Vec<(String, Edge)> {
        std::mem::take(&mut self.edges)
    }
}
