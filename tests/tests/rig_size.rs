//! Large rigs are read in a time that grows as they do.
#![cfg(target_os = "linux")]

use std::fmt::Write;
use std::path::Path;

/// For how long this thread has had a processor, in nanoseconds: what other programs do meanwhile is not
/// in it (proc(5), /proc/PID/schedstat, the first field).
fn had_a_processor() -> u64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    text.split_ascii_whitespace()
        .next()
        .unwrap()
        .parse()
        .unwrap()
}

/// What it takes to read a rig with so many of something: the least of three.
fn cost(rig: impl Fn(usize) -> String, count: usize) -> u64 {
    let text = rig(count);
    let once = || {
        // It is counted when another thread is given the processor.
        std::thread::yield_now();
        let before = had_a_processor();
        let read = payrig_rig::parse(Path::new("large.toml"), &text);
        std::thread::yield_now();
        let after = had_a_processor();
        assert!(read.is_ok(), "{:?}", read.err());
        after - before
    };
    (0..3).map(|_| once()).min().unwrap()
}

const HEAD: &str = "[bench]\nname = \"large\"\n[board]\nkind = \"controller\"\n[[device]]\nkind = \"changer\"\n\
                    name = \"changer\"\n";

fn steps(count: usize) -> String {
    let mut text = HEAD.to_owned();
    for number in 0..count {
        writeln!(text, "[[script]]\ndo = \"wait\"\nfor = \"{number} ms\"").unwrap();
    }
    text
}

fn devices(count: usize) -> String {
    let mut text = HEAD.to_owned();
    for number in 0..count {
        writeln!(text, "[[device]]\nkind = \"pulse-coin-acceptor\"\nname = \"slot {number}\"\ncoins = [\"1.00\"]").unwrap();
    }
    text
}

/// Sixteen times as much takes sixteen times as long, or so: 256 times if each step or device were held
/// against every other.
#[test]
fn reading_is_linear() {
    // As many devices as a rig may have.
    for (what, rig, small, large) in [
        ("steps", steps as fn(usize) -> String, 2_000, 32_000),
        ("devices", devices as fn(usize) -> String, 60, 960),
    ] {
        let (one, sixteen) = (cost(rig, small), cost(rig, large));
        let ratio = sixteen as f64 / one as f64;
        println!("{small} {what}: {one} ns; {large}: {sixteen} ns, {ratio:.1} times");
        assert!(ratio < 48.0, "{what}: {ratio}");
    }
}
