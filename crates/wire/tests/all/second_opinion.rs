//! Outside check: sigrok-cli, which shares no code with this crate, must read the same words at the
//! same times, from the known captures and from what this crate writes. Needs sigrok-cli (Debian
//! package of that name); run with `-- --ignored`.

use payrig_wire::capture::{read_path, write_vcd};
use payrig_wire::uart::{BusLines, capture_of_bus, decode_bus};
use payrig_wire::{BusEvent, Source};
use std::path::{Path, PathBuf};
use std::process::Command;

fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../captures")
        .join(name)
}

/// Start in microseconds (the capture has a step of 1 us) and nine bits, as sigrok reads a line.
fn as_sigrok_reads(vcd: &Path, line: &str) -> Vec<(u64, u16)> {
    let out = Command::new("sigrok-cli")
        .arg("-i")
        .arg(vcd)
        .args(["-P", &format!("uart:rx={line}:baudrate=9600:data_bits=9")])
        .args(["-A", "uart=rx-data", "--protocol-decoder-samplenum"])
        .output()
        .unwrap_or_else(|e| panic!("sigrok-cli does not start ({e}); install it"));
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = String::from_utf8(out.stdout).unwrap();
    text.lines()
        .map(|l| {
            // "335104-336041 uart-1: 10B", the data bits without start and stop bit.
            let (range, bits) = l.split_once(" uart-1: ").unwrap();
            let (start, _) = range.split_once('-').unwrap();
            (
                start.parse().unwrap(),
                u16::from_str_radix(bits, 16).unwrap(),
            )
        })
        .collect()
}

fn as_we_read(vcd: &Path, source: Source) -> Vec<(u64, u16)> {
    let capture = read_path(vcd).unwrap();
    let decoded = decode_bus(&capture, &BusLines::of(&capture)).unwrap();
    let events = decoded.events.iter().filter(|e| e.source() == source);
    events
        .map(|e| match e {
            BusEvent::Word(w) => (w.start.0, w.word.bits()),
            // A break reads as a word of zeros there.
            other => (other.start().0, 0),
        })
        .collect()
}

fn compare(vcd: &Path) {
    for (line, source) in [
        ("master", Source::Master),
        ("peripheral", Source::Peripheral),
    ] {
        let (theirs, ours) = (as_sigrok_reads(vcd, line), as_we_read(vcd, source));
        assert!(ours.len() > 20, "{}", vcd.display());
        let bits = |words: &[(u64, u16)]| words.iter().map(|w| w.1).collect::<Vec<_>>();
        assert_eq!(bits(&theirs), bits(&ours), "{} {line}", vcd.display());
        for ((their_data, _), (our_start, _)) in theirs.iter().zip(&ours) {
            // One start bit of 104 us lies between.
            let off = their_data.abs_diff(our_start + 104);
            assert!(
                off <= 3,
                "{} {line}: {their_data} and {our_start}",
                vcd.display()
            );
        }
    }
}

#[test]
#[ignore = "needs sigrok-cli"]
fn the_known_captures_read_the_same() {
    compare(&path("clean-1.vcd"));
    compare(&path("faulty-1.vcd"));
}

#[test]
#[ignore = "needs sigrok-cli"]
fn what_we_write_reads_the_same() {
    let capture = read_path(&path("faulty-1.csv")).unwrap();
    let decoded = decode_bus(&capture, &BusLines::of(&capture)).unwrap();
    let written = capture_of_bus("out", &decoded.events, capture.end);
    let folder = tempfile::tempdir().unwrap();
    let vcd = folder.path().join("out.vcd");
    write_vcd(&written, std::fs::File::create(&vcd).unwrap()).unwrap();
    compare(&vcd);
}
