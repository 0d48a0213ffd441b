//! The same machines under both drivers: simulated time, and the wall clock (paused and moved on
//! by tokio, so that the test takes no time).

// Helpers outside of #[test] functions are not recognised as tests by clippy.
#![allow(clippy::unwrap_used)]

use payrig_bench::{FIRST_VEND, Rig, Stage, run};
use payrig_link::Pace;
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use std::convert::Infallible;
use std::path::Path;

const LIMIT: Micros = Micros::secs(600);

fn stage() -> Stage {
    Stage::new(&Rig::parse(Path::new("first-vend.toml"), FIRST_VEND).unwrap())
}

fn simulated() -> Vec<Entry> {
    let (mut stage, mut log) = (stage(), Vec::new());
    let keep = |_: &Stage, entry| -> Result<(), Infallible> {
        log.push(entry);
        Ok(())
    };
    run::run_simulated(&mut stage, LIMIT, keep).unwrap();
    log
}

#[tokio::test(start_paused = true)]
async fn the_wall_clock_gives_the_same_log_as_simulated_time() {
    let began = tokio::time::Instant::now();
    let (mut stage, mut log) = (stage(), Vec::new());
    let keep = |_: &Stage, entry| -> Result<(), Infallible> {
        log.push(entry);
        Ok(())
    };
    run::run(&mut stage, Pace::real(), LIMIT, keep)
        .await
        .unwrap();
    assert_eq!(log, simulated());
    // It really waited for bench time to pass.
    let passed = u64::try_from(began.elapsed().as_micros()).unwrap();
    assert!(
        passed >= stage.now().as_us(),
        "{passed} us for {:?}",
        stage.now()
    );
}

#[tokio::test(start_paused = true)]
async fn the_live_driver_waits_for_the_next_event_and_no_longer() {
    let mut stage = stage();
    let pace = Pace::real();
    stage.advance(Micros::ZERO);
    let next = stage.next_time();
    let mut waiting = tokio_test::task::spawn(pace.wait_until(next));
    tokio_test::assert_pending!(waiting.poll());
    tokio::time::advance(std::time::Duration::from_micros(next.as_us() + 1_000)).await;
    tokio_test::assert_ready!(waiting.poll());
    stage.advance(next);
    assert!(stage.next_time() > next);
}

#[test]
fn a_sink_that_fails_stops_the_bench() {
    let mut stage = stage();
    let mut left = 20;
    let ended = run::run_simulated(&mut stage, LIMIT, |_, _| {
        left -= 1;
        if left == 0 { Err("disk full") } else { Ok(()) }
    });
    assert_eq!(ended, Err("disk full"));
    assert!(!stage.ended());
}
