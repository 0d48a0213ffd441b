//! The same bench in simulated time and with the wall clock.

// Helpers outside of #[test] functions are not recognised as tests by clippy.
#![allow(clippy::unwrap_used, clippy::panic)]

use payrig_bench::{Bench, run};
use payrig_link::ThreadPort;
use payrig_link::drive::{LiveError, Ports, run_live};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use std::convert::Infallible;
use std::io;
use std::path::Path;

const RIG: &str = "[bench]\nname = \"short\"\n[board]\nkind = \"controller\"\n[[board.item]]\nnumber = 11\n\
                   price = \"1.00\"\n[[device]]\nkind = \"changer\"\nname = \"changer\"\n\
                   [[script]]\ndo = \"wait\"\nfor = \"300 ms\"\n";

fn stage() -> Bench {
    Bench::of(&payrig_rig::parse(Path::new("short.toml"), RIG).unwrap())
}

fn simulated(limit: Micros) -> Vec<Entry> {
    let (mut stage, mut log) = (stage(), Vec::new());
    let keep = |_: &Bench, entry| -> Result<(), Infallible> {
        log.push(entry);
        Ok(())
    };
    run::run_simulated(&mut stage, limit, keep).unwrap();
    log
}

/// What a run by the clock gave, and how long bench time had gone on.
fn by_the_clock(limit: Micros, stop: impl Future<Output = String>) -> (Vec<Entry>, Micros) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let (mut stage, mut log) = (stage(), Vec::new());
    let keep = |_: &Bench, entry| {
        log.push(entry);
        Ok(())
    };
    let took = runtime.block_on(async {
        let mut ports = Ports::<ThreadPort>::none();
        run_live(&mut stage, &mut ports, limit, stop, keep).await?;
        Ok::<_, LiveError>(ports.clock.now())
    });
    (log, took.unwrap())
}

fn verdict(log: &[Entry]) -> Micros {
    match log.last() {
        Some(Entry::Verdict { at_us, .. }) => *at_us,
        other => panic!("{other:?}"),
    }
}

#[test]
fn live_the_wall_clock_gives_the_same_log_as_simulated_time() {
    let limit = Micros::secs(60);
    let (log, took) = by_the_clock(limit, std::future::pending());
    assert_eq!(log, simulated(limit));
    // It really waited for bench time to pass.
    assert!(took >= verdict(&log), "{took} for {}", verdict(&log));
}

#[test]
fn live_a_run_that_is_cut_off_ends_with_a_verdict_of_that_moment() {
    let limit = Micros::ms(400);
    let (log, _) = by_the_clock(limit, std::future::pending());
    assert_eq!(verdict(&log), limit);
    assert_eq!(verdict(&simulated(limit)), limit);
    let after = Micros::ms(350);
    let stop = async {
        tokio::time::sleep(std::time::Duration::from_micros(after.as_us())).await;
        "the test is over".to_owned()
    };
    let (log, _) = by_the_clock(Micros::secs(60), stop);
    assert!(verdict(&log) >= after, "{}", verdict(&log));
}

#[test]
fn a_sink_that_fails_stops_the_bench() {
    let mut stage = stage();
    let mut left = 20;
    let limit = Micros::secs(600);
    let ended = run::run_simulated(&mut stage, limit, |_, _| {
        left -= 1;
        if left == 0 { Err("disk full") } else { Ok(()) }
    });
    assert_eq!(ended, Err("disk full"));
    assert!(!stage.ended());
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let sink = |_: &Bench, _| Err(io::Error::other("disk full"));
    let stop = std::future::pending();
    let ended = runtime.block_on(async {
        let mut ports = Ports::<ThreadPort>::none();
        run_live(&mut self::stage(), &mut ports, limit, stop, sink).await
    });
    assert!(matches!(ended, Err(LiveError::Output(_))));
}
