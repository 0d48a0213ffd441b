//! Credit pulse trains: profiles, encoding, measuring, judging.
//!
//! Old acceptors report money as a train of pulses on one wire. This crate does no I/O and reads
//! no clock: edges and times in ([`Edge`]), values out.
//!
//! - What a link agrees on: [`Profile`], read from a rig's `[pulse]` table or ready-made.
//! - From a line: [`TrainReader`] (live) or [`survey`] (a whole record) give [`Train`]s with every
//!   width and gap; [`judge`] holds one against a profile, [`identify`] says in plain words which
//!   setting it is and what to change; [`LineWatch`] names a dead, stuck or reversed line.
//! - The board's half: [`CreditCounter`] (edges in, credits and findings out), [`BoardWindow`] and
//!   [`sweep`] (what would a board count?), [`HopperPayout`].
//! - The acceptor's half: [`PulseSender`] (money in, edges out, nothing lost or doubled).

mod config;
mod counter;
mod credit;
mod debounce;
mod diagnose;
mod edge;
mod finding;
mod health;
mod judge;
mod payout;
mod plan;
mod profile;
mod reader;
mod sender;
mod sender_state;
mod stats;
mod survey;
mod sweep;
mod tolerance;
mod train;
mod value;
mod window;

pub use config::ProfileConfig;
pub use counter::CreditCounter;
pub use credit::{Credit, Doubt};
pub use debounce::{CleanEdge, Debounce};
pub use diagnose::{Diagnosis, Fit, Question, identify};
pub use edge::{Edge, Level};
pub use finding::{PulseFinding, PulseRule, Severity};
pub use health::LineWatch;
pub use judge::{Judgement, distance, judge, nearest_profile};
pub use payout::{HopperPayout, Payout, PayoutSetup};
pub use plan::{Plan, Run, clean_pulses};
pub use profile::{
    CREDIT_LINE, Coding, CoinLine, INHIBIT_LINE, Inhibit, Profile, ProfileError, ProfileRecord,
    Unpowered, WidthValue,
};
pub use reader::{LineSetup, TrainReader};
pub use sender::PulseSender;
pub use sender_state::{Cut, SenderBooks, SenderState};
pub use stats::Stats;
pub use survey::{LineRecord, Survey, Surveyed, TrainReport, survey};
pub use sweep::{Map, Outcome, SweepPlan, sweep};
pub use tolerance::{Tolerance, Verdict, Window};
pub use train::{Pulse, Train};
pub use value::Worth;
pub use window::{BoardConfig, BoardCount, BoardPulse, BoardTrain, BoardWindow, Counted};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
