//! Outside check: sigrok-cli, which shares no code with this workspace, must measure the same pulse
//! widths and pauses. Needs sigrok-cli (Debian package of that name); run with `-- --ignored`.

use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_pulse::{LineRecord, Profile, Survey, survey};
use payrig_tests::cli::file;
use payrig_units::Micros;
use payrig_wire::Edge;
use payrig_wire::capture::{Capture, CaptureLine, read_path, write_vcd};
use payrig_wire::recording::Entry;
use std::path::Path;
use std::process::Command;

/// Start and length of every stretch between two edges of a line, in microseconds (the captures
/// have a step of 1 us), as sigrok's timing decoder measures them.
fn as_sigrok_measures(vcd: &Path, line: &str) -> Vec<(u64, u64)> {
    let out = Command::new("sigrok-cli")
        .arg("-i")
        .arg(vcd)
        .args(["-P", &format!("timing:data={line}")])
        .args(["-A", "timing=time", "--protocol-decoder-samplenum"])
        .output()
        .unwrap_or_else(|e| panic!("sigrok-cli does not start ({e}); install it"));
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = String::from_utf8(out.stdout).unwrap();
    let range = |l: &str| {
        // "40000-89707 timing-1: 49.707 ms (20.118 Hz)"
        let (range, _) = l.split_once(" timing-1: ").unwrap();
        let (start, end) = range.split_once('-').unwrap();
        let start: u64 = start.parse().unwrap();
        (start, end.parse::<u64>().unwrap() - start)
    };
    text.lines().map(range).collect()
}

fn our_survey(vcd: &Path, line: &str) -> Survey {
    let capture = read_path(vcd).unwrap();
    let line = capture.line(line).unwrap();
    let record = LineRecord {
        line: &line.name,
        start: (capture.start, line.initial),
        edges: &line.edges,
        end: capture.end,
        uncertainty: capture.uncertainty,
    };
    survey(&record, &Profile::all())
}

/// Every width and every pause of ours is one that sigrok found at the same place.
fn compare(vcd: &Path, line: &str) -> usize {
    let theirs = as_sigrok_measures(vcd, line);
    let mut compared = 0;
    for surveyed in our_survey(vcd, line).trains {
        let train = surveyed.train;
        let widths = train.pulses.iter().map(|p| (p.start, p.width));
        let ends = train.pulses.iter().map(|p| p.start + p.width);
        for (start, length) in widths.chain(ends.zip(train.gaps())) {
            assert!(
                theirs.contains(&(start.0, length.0)),
                "{} {line}: we measure {length} from {start}, sigrok does not",
                vcd.display()
            );
            compared += 1;
        }
    }
    compared
}

#[test]
#[ignore = "needs sigrok-cli"]
fn the_known_capture_measures_the_same() {
    // 47 pulses in 8 trains: 47 widths and 39 pauses.
    assert_eq!(compare(&file("captures/pulses-1.vcd"), "credit"), 86);
}

#[test]
#[ignore = "needs sigrok-cli"]
fn what_an_emulated_acceptor_sends_measures_the_same() {
    let rig = "
[bench]
name = \"second opinion\"
[board]
[[device]]
kind = \"pulse-bill-validator\"
name = \"bill\"
bills = [\"5.00\"]
[device.faults]
jitter = \"4 ms\"
seed = 3
[[script]]
do = \"insert-bill\"
value = \"5.00\"
[[script]]
do = \"insert-bill\"
value = \"5.00\"
after = \"8 s\"
";
    let rig = payrig_rig::parse(Path::new("rig.toml"), rig).unwrap();
    let mut stage = Bench::of(&rig);
    let mut edges = Vec::new();
    run_simulated(&mut stage, Micros::secs(60), |_, entry| {
        if let Entry::Edge {
            line, at_us, high, ..
        } = entry
            && line == "bill credit"
        {
            edges.push(Edge { at: at_us, high });
        }
        Ok::<(), ()>(())
    })
    .unwrap();
    let capture = Capture {
        file: "bench".to_owned(),
        lines: vec![CaptureLine {
            name: "credit".to_owned(),
            initial: true,
            edges,
        }],
        start: Micros::ZERO,
        end: stage.now(),
        uncertainty: Micros(1),
        shifted: Micros::ZERO,
        torn: false,
    };
    let folder = tempfile::tempdir().unwrap();
    let vcd = folder.path().join("bench.vcd");
    write_vcd(&capture, std::fs::File::create(&vcd).unwrap()).unwrap();
    assert_eq!(compare(&vcd, "credit"), 18);
}
