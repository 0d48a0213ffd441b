//! Credit pulse trains: profiles, encoding, measuring, judging.
//!
//! Old acceptors report money as a train of pulses on one wire. This crate does no I/O and reads
//! no clock: edges and times in ([`Edge`]), values out.

mod config;
mod counter;
mod debounce;
mod diagnose;
mod edge;
mod finding;
mod health;
mod judge;
mod plan;
mod profile;
mod reader;
mod sender;
mod stats;
mod survey;
mod svg;
mod sweep;
mod tolerance;
mod train;
mod value;
mod window;

pub use config::ProfileConfig;
pub use counter::{Credit, CreditCounter, Doubt};
pub use debounce::{CleanEdge, Debounce};
pub use diagnose::{Diagnosis, Fit, Question, identify};
pub use edge::{Edge, Level};
pub use finding::{PulseFinding, PulseRule, Severity};
pub use health::LineWatch;
pub use judge::{Judgement, distance, judge, nearest_profile};
pub use plan::{Plan, Run, clean_pulses};
pub use profile::{
    CREDIT_LINE, Coding, CoinLine, INHIBIT_LINE, Inhibit, Profile, ProfileError, WidthValue,
};
pub use reader::{LineSetup, TrainReader};
pub use sender::{Cut, PulseSender, SenderBooks, SenderState};
pub use stats::Stats;
pub use survey::{LineRecord, Survey, Surveyed, TrainReport, survey};
pub use sweep::{Map, Outcome, SweepPlan, sweep};
pub use tolerance::{Tolerance, Verdict, Window};
pub use train::{Pulse, Train};
pub use value::Worth;
pub use window::{BoardConfig, BoardCount, BoardPulse, BoardTrain, BoardWindow, Counted};
