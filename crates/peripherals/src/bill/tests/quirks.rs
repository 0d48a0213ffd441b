//! Each quirk does what its name says, and a validator without it does not.

use super::bench::{Bench, recycler_config};
use crate::Device;
use crate::bill::{BillConfig, Quirks};

/// Runs an exchange with and without a quirk; it must tell them apart.
#[track_caller]
fn differs<T: PartialEq + std::fmt::Debug>(
    name: &str,
    with: T,
    without: T,
    exchange: impl Fn(Quirks) -> T,
) {
    let mut quirks = Quirks::default();
    assert!(quirks.set(&name.replace('_', "-"), true), "{name}");
    assert_eq!(exchange(quirks), with, "with {name}");
    assert_eq!(exchange(Quirks::default()), without, "without {name}");
}

fn plain(quirks: Quirks) -> Bench {
    Bench::ready(BillConfig::default(), quirks)
}

/// Inserts, orders to stack, and gathers all that is reported, and where the money is.
fn stack_order(quirks: Quirks) -> (Vec<u8>, (i64, i64, i64)) {
    let mut bench = plain(quirks);
    bench.insert(0);
    let mut said = bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    for _ in 0..3 {
        said.extend(bench.poll());
    }
    (said, bench.money())
}

#[test]
fn quirks_of_a_stack_order() {
    let right = (vec![0x90, 0x80], (-100, 0, 100));
    let cases: [(&str, &[u8], _); 5] = [
        (
            "duplicate_report_after_ack",
            &[0x90, 0x90, 0x80, 0x80],
            (-100, 0, 100),
        ),
        ("returns_on_stack_order", &[0x90, 0xA0], (0, 0, 0)),
        ("escrow_report_missing", &[0x80], (-100, 0, 100)),
        ("ignores_escrow_orders", &[0x90], (-100, 100, 0)),
        // The order is invalid: the bill is on its way already.
        ("stacks_without_order", &[0x90, 0x0A, 0x80], (-100, 0, 100)),
    ];
    for (name, said, money) in cases {
        differs(name, (said.to_vec(), money), right.clone(), stack_order);
    }
}

#[test]
fn stacks_without_order() {
    let run = |quirks| {
        let mut bench = plain(quirks);
        bench.insert(0);
        let mut said = bench.poll();
        bench.wait(5_000);
        said.extend(bench.poll());
        (said, bench.money())
    };
    differs(
        "stacks_without_order",
        (vec![0x90, 0x80], (-100, 0, 100)),
        (vec![0x90], (-100, 100, 0)),
        run,
    );
}

#[test]
fn accepts_disabled_bills() {
    let run = |quirks| {
        let mut bench = plain(quirks);
        bench.ack(&[0x34, 0, 1, 0, 0]);
        bench.insert(1);
        bench.wait(1_000);
        let said = bench.poll();
        bench.ack(&[0x34, 0, 0, 0, 0]);
        bench.wait(1_000);
        let drawn = bench.v.insert_bill(bench.now, 0) == crate::bill::Insertion::DrawnIn;
        (said, drawn)
    };
    let name = "accepts_disabled_bills";
    differs(name, (vec![0x81], true), (vec![0xC1], false), run);
}

#[test]
fn no_just_reset() {
    let run = |quirks| {
        let mut bench = Bench::cold(BillConfig::default(), quirks);
        let first = bench.poll();
        bench.ack(&[0x30]);
        bench.wait(500);
        (first, bench.poll())
    };
    let name = "no_just_reset";
    differs(
        name,
        (vec![0x09], vec![0x09]),
        (vec![0x06], vec![0x06]),
        run,
    );
}

/// Reported on the way, then jammed: the VMC has credited a bill the customer gets back.
#[test]
fn reports_before_stacked() {
    let run = |quirks| {
        let mut bench = plain(quirks);
        bench.insert(0);
        bench.poll();
        bench.ack(&[0x35, 0x01]);
        let early = bench.poll();
        bench.v.jam(bench.now);
        let after = bench.poll();
        bench.v.clear_jam(bench.now);
        bench.wait(1_000);
        (early, after, bench.money())
    };
    differs(
        "reports_before_stacked",
        (vec![0x80], vec![0x05, 0x09], (0, 0, 0)),
        (vec![], vec![0x05, 0xA0, 0x09], (0, 0, 0)),
        run,
    );
}

#[test]
fn reset_forgets_escrow() {
    let run = |quirks| {
        let mut bench = plain(quirks);
        bench.insert(1);
        bench.poll();
        bench.ack(&[0x30]);
        bench.wait(2_000);
        bench.poll();
        let mut said = bench.poll();
        let after_reset = bench.money();
        bench.ack(&[0x34, 0, 1, 0, 0]);
        bench.insert(0);
        bench.wait(1_000);
        said.extend(bench.poll());
        (said, after_reset, bench.money())
    };
    differs(
        "reset_forgets_escrow",
        (vec![0x09, 0x80], (-500, 500, 0), (-600, 0, 600)),
        (vec![0xA1, 0x09, 0x80], (0, 0, 0), (-100, 0, 100)),
        run,
    );
}

#[test]
fn stacker_full_never_reported() {
    let run = |quirks| {
        let config = BillConfig {
            stacker_capacity: 1,
            stacked: vec![(0, 1)],
            ..BillConfig::default()
        };
        let mut bench = Bench::ready(config, quirks);
        let stacker = bench.data(&[0x36]);
        let drawn = bench.v.insert_bill(bench.now, 0) == crate::bill::Insertion::DrawnIn;
        (stacker, drawn)
    };
    let name = "stacker_full_never_reported";
    differs(
        name,
        (vec![0x00, 0x01], true),
        (vec![0x80, 0x01], false),
        run,
    );
}

#[test]
fn reset_forgets_reports() {
    let run = |quirks| {
        let mut bench = plain(quirks);
        bench.insert(0);
        bench.poll();
        bench.ack(&[0x35, 0x01]);
        bench.wait(1_000);
        bench.ack(&[0x30]);
        bench.wait(500);
        bench.poll();
        bench.poll()
    };
    differs("reset_forgets_reports", vec![0x09], vec![0x80, 0x09], run);
}

#[test]
fn invalid_escrow_unreported() {
    let run = |quirks| {
        let mut bench = plain(quirks);
        bench.ack(&[0x35, 0x01]);
        bench.poll()
    };
    differs("invalid_escrow_unreported", vec![], vec![0x0A], run);
}

#[test]
fn option_bytes_in_short_identification() {
    let run = |quirks| plain(quirks).data(&[0x37, 0x00]).len();
    differs("option_bytes_in_short_identification", 33, 29, run);
}

#[test]
fn recycler_needs_no_setup() {
    let run = |quirks| {
        let mut bench = Bench::ready(recycler_config(), quirks);
        bench.send(&[0x37, 0x05]) != crate::Reply::Silence
    };
    differs("recycler_needs_no_setup", true, false, run);
}

#[test]
fn last_bill_missing_in_value_poll() {
    let run = |quirks| {
        let mut bench = Bench::recycler(quirks);
        bench.ack(&[0x37, 0x06, 1, 0, 2]);
        let mut said = 0;
        for _ in 0..20 {
            bench.wait(500);
            if let crate::Reply::Data(block) = bench.send(&[0x37, 0x09]) {
                bench.v.acknowledged(bench.now);
                said += u32::from(block.bytes()[1]);
            }
        }
        (said, bench.money().0)
    };
    differs(
        "last_bill_missing_in_value_poll",
        (5, 1_000),
        (10, 1_000),
        run,
    );
}
