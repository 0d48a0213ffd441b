//! Helpers shared by the end-to-end tests: a bench in miniature.
//!
//! [`Bench`] is a [`payrig_bench::Bench`] of one virtual bus with one master and any number of devices
//! on it, in simulated time. The master is either [`Asker`], which sends what a test tells it to and gives back the
//! outcome, or the whole [`Controller`](payrig_controller::Controller). Everything on the wire is
//! kept as [`Frame`]s, to be compared word for word or by the names the standard gives.
//!
//! ```
//! use payrig_controller::{MasterTiming, Outcome};
//! use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
//! use payrig_tests::{Asker, Bench};
//! use payrig_units::Micros;
//!
//! let mut bench = Bench::new(Asker::new(MasterTiming::default()));
//! let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
//! let changer = bench.plug("changer", changer);
//! bench.run_for(Micros::secs(1));
//! assert!(matches!(bench.ask(&[0x0B]), Outcome::Data(_)));
//! assert_eq!(bench.words(), ["> 0B* 0B", "< 0B 0B*", "> 00"]);
//! assert_eq!(bench.names(), ["> POLL", "< JUST RESET", "> ACK"]);
//! let now = bench.now();
//! changer.borrow_mut().device_mut().stay_silent(now, Micros::secs(1));
//! bench.forget();
//! assert_eq!(bench.ask(&[0x0B]), Outcome::Silence);
//! assert_eq!(bench.words(), ["> 0B* 0B"]);
//! ```

mod bench;
mod board;
pub mod book;
pub mod changer;
pub mod cli;
mod device;
mod frame;

use payrig_wire::recording::Entry;
use std::path::Path;

pub use bench::{Asker, Bench, Handle, Plugged, fault};
pub use board::{board, item};
pub use frame::{Frame, Spoken};

/// How many cases a property is tried with: so many, or as many as `PROPTEST_CASES` says.
#[must_use]
pub fn cases(usual: u32) -> u32 {
    let asked = std::env::var("PROPTEST_CASES").ok();
    asked.and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// Plays a rig from its text to the end; `each` is called with everything that happened.
///
/// # Panics
/// When the text is no rig, or money comes from nowhere.
pub fn play(text: &str, mut each: impl FnMut(Entry)) -> payrig_bench::Bench {
    let rig =
        payrig_rig::parse(Path::new("rig.toml"), text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let mut stage = payrig_bench::Bench::of(&rig);
    while !stage.ended() {
        stage.advance(stage.next_deadline());
        assert_eq!(stage.books().ledger().sum(), 0, "{text}");
        stage.take_entries().for_each(&mut each);
    }
    stage
}

/// Plays a rig likewise; what the books find.
///
/// # Panics
/// As [`play`].
pub fn play_for_money(text: &str) -> (payrig_bench::Bench, Vec<String>) {
    let mut money = Vec::new();
    let stage = play(text, |entry| match entry {
        Entry::Finding(f) if f.rule == "money" => money.push(f.text.to_string()),
        _ => {}
    });
    (stage, money)
}
