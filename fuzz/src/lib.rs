//! What several fuzz targets do.

use payrig_wire::Monitor;
use payrig_wire::capture::{Capture, CaptureError};
use payrig_wire::uart::{BusLines, decode_bus};

/// Any bytes as a capture: never panics, nor does reading words from it; what is read, written
/// again, has the same edges.
///
/// # Panics
/// When that is not so.
pub fn capture(
    bytes: &[u8],
    read: impl Fn(&[u8]) -> Result<Capture, CaptureError>,
    write: impl Fn(&Capture, &mut Vec<u8>) -> std::io::Result<()>,
) {
    let Ok(first) = read(bytes) else {
        return;
    };
    let mut lines = BusLines::of(&first);
    if lines.is_empty() {
        lines.master = first.lines.first().map(|l| l.name.clone());
    }
    if let Ok(decoded) = decode_bus(&first, &lines) {
        let mut monitor = Monitor::of_capture(first.start);
        for event in &decoded.events {
            monitor.push(event);
        }
        monitor.finish(first.end);
    }
    let mut written = Vec::new();
    write(&first, &mut written).expect("a vector takes everything");
    let second = read(&written).expect("our own writing reads");
    assert_eq!((first.start, first.end), (second.start, second.end));
    for (a, b) in first.lines.iter().zip(&second.lines) {
        assert_eq!((a.initial, &a.edges), (b.initial, &b.edges));
    }
}
