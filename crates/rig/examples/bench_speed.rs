//! How fast a bench runs in simulated time: four devices polled every 25 ms, without and with a
//! recording, in blocks a second; and how many runs of `first-vend` a second the library does.
//!
//! ```text
//! cargo run --release -p payrig-rig --example bench_speed [SIMULATED MINUTES] [polled|recorded|vends]
//! ```
//! Without a word all three are measured, each three times: the best counts, the others say how calm
//! the machine was. For instructions per block run one of them under callgrind, twice with different
//! lengths, and divide the difference: reading the rig is no part of it then.

// An example for people at a terminal: it stops where it stands when something is wrong.
#![allow(clippy::unwrap_used)]

use payrig_bench::run::run_simulated;
use payrig_bench::{Bench, Plan};
use payrig_units::Micros;
use payrig_wire::recording::{Header, RecordingWriter};
use std::convert::Infallible;
use std::hint::black_box;
use std::io::{self, Write};
use std::path::Path;
use std::time::Instant;

const POLLED: &str = r#"
[bench]
name = "Harbour Loop at rest"
seed = 1

[board]
kind = "controller"
poll = "25 ms"

[[board.item]]
number = 11
name = "Crisps"
price = "1.00"

[[device]]
kind = "changer"
name = "changer"

[[device]]
kind = "bill-validator"
name = "bill"

[[device]]
kind = "cashless"
name = "reader"

[[device]]
kind = "cashless"
name = "second reader"
unit = 2

[[script]]
do = "wait"
for = "MINUTES min"
"#;

/// Longer than any script here.
const LIMIT: Micros = Micros::secs(100_000);

/// Counts bytes, and keeps none.
#[derive(Default)]
struct Count(u64);

impl Write for Count {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Blocks on the bus of one run.
fn polled(rig: &Plan) -> u64 {
    let mut bench = Bench::of(rig);
    let Ok(()) = run_simulated::<Infallible>(&mut bench, LIMIT, |_, entry| {
        black_box(entry);
        Ok(())
    });
    bench.tally().blocks
}

/// Blocks on the bus of one run, and bytes of its recording.
fn recorded(rig: &Plan) -> (u64, u64) {
    let mut bench = Bench::of(rig);
    let header = Header::new("bench_speed", &rig.name, None);
    let mut writer = RecordingWriter::start(Count::default(), &header).unwrap();
    run_simulated(&mut bench, LIMIT, |_, entry| writer.entry(&entry)).unwrap();
    (bench.tally().blocks, writer.into_inner().0)
}

/// Runs of `first-vend`, one after another.
fn vends(rig: &Plan, runs: u32) -> u64 {
    (0..runs).map(|_| polled(rig)).sum()
}

/// The best of three, and all three.
fn timed<T>(mut run: impl FnMut() -> T) -> (T, f64, String) {
    let mut best = f64::MAX;
    let mut all = Vec::new();
    let mut last = None;
    for _ in 0..3 {
        let begun = Instant::now();
        last = Some(run());
        let took = begun.elapsed().as_secs_f64();
        best = best.min(took);
        all.push(format!("{took:.2}"));
    }
    (last.unwrap(), best, all.join(" "))
}

fn main() {
    let mut words = std::env::args().skip(1);
    let minutes = words.next().unwrap_or_else(|| "55".to_owned());
    let only = words.next();
    let rig = POLLED.replace(
        "MINUTES min",
        &format!("{} s", minutes.parse::<u64>().unwrap() * 60),
    );
    let rig = payrig_rig::parse(Path::new("polled.toml"), &rig).unwrap();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../bench-rigs/first-vend.toml");
    let first = payrig_rig::load(&path).unwrap();
    let runs = 200;
    match only.as_deref() {
        Some("polled") => println!("{} blocks", polled(&rig)),
        Some("recorded") => println!("{:?} blocks, bytes", recorded(&rig)),
        Some("vends") => println!("{} blocks", vends(&first, 20)),
        _ => {
            let (blocks, best, all) = timed(|| polled(&rig));
            let speed = blocks as f64 / best;
            println!("{blocks} blocks, not recorded: {speed:.0} a second ({all} s)");
            let ((blocks, bytes), best, all) = timed(|| recorded(&rig));
            let speed = blocks as f64 / best;
            println!("{blocks} blocks, {bytes} bytes recorded: {speed:.0} a second ({all} s)");
            let (_, best, all) = timed(|| vends(&first, runs));
            let speed = f64::from(runs) / best;
            println!("first-vend: {speed:.0} runs a second ({runs} in {all} s)");
        }
    }
}
