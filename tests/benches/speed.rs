//! How much faster than the bus: bench time per processor time, for what a bench does all day.
//!
//! ```text
//! cargo bench -p payrig-tests
//! ```
//! Criterion counts bench seconds as elements: "120 Kelem/s" is 120,000 bench seconds per second. A
//! group is one run on one machine, so its lines may be compared with each other, and with nothing
//! else.

// Benches may stop where they stand.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use payrig_bench::run::run_simulated;
use payrig_bench::{Bench, Plan};
use payrig_units::Micros;
use payrig_wire::reading::{ReadOptions, read_file};
use std::convert::Infallible;
use std::hint::black_box;
use std::path::{Path, PathBuf};

/// Three devices polled every 150 ms, nothing else: most of a bench's day.
const POLLED: &str = r#"
[bench]
name = "Harbour Loop at rest"
seed = 1

[board]
kind = "controller"
poll = "150 ms"

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

[[script]]
do = "wait"
for = "600 s"
"#;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Bench time and entries of one run.
fn play(rig: &Plan) -> (Micros, usize) {
    let mut stage = Bench::of(rig);
    let mut entries = 0;
    let ran = run_simulated::<Infallible>(&mut stage, Micros::secs(3_600), |_, entry| {
        black_box(entry);
        entries += 1;
        Ok(())
    });
    let Ok(()) = ran;
    (stage.now(), entries)
}

fn runs(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("run, in bench seconds");
    group.sample_size(10);
    let polled = payrig_rig::parse(Path::new("polled"), POLLED).unwrap();
    let first = payrig_rig::load(&root().join("bench-rigs/first-vend.toml")).unwrap();
    for (name, rig) in [("three devices at rest", polled), ("first-vend", first)] {
        let (time, entries) = play(&rig);
        assert!(entries > 100, "{name}: nothing happened on the bench");
        group.throughput(Throughput::Elements(time.as_us() / 1_000_000));
        group.bench_with_input(BenchmarkId::from_parameter(name), &rig, |b, rig| {
            b.iter(|| play(rig));
        });
    }
    group.finish();
}

fn captures(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("read, in bytes of the file");
    group.sample_size(10);
    for file in ["clean-1.vcd", "clean-1.csv", "faulty-1.vcd", "pulses-1.vcd"] {
        let path = root().join("captures").join(file);
        group.throughput(Throughput::Bytes(path.metadata().unwrap().len()));
        group.bench_with_input(BenchmarkId::from_parameter(file), &path, |b, path| {
            b.iter(|| read_file(path, &ReadOptions::default()).unwrap());
        });
    }
    group.finish();
}

criterion_group!(speed, runs, captures);
criterion_main!(speed);
