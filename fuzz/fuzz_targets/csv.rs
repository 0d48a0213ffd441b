//! Any bytes as a CSV capture.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_wire::capture::{read_csv, write_csv};

fuzz_target!(|bytes: &[u8]| payrig_fuzz::capture(
    bytes,
    |bytes| read_csv("fuzz", bytes),
    |capture, out| write_csv(capture, out),
));
