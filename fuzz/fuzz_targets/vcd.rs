//! Any bytes as a VCD capture.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_wire::capture::{read_vcd, write_vcd};

fuzz_target!(|bytes: &[u8]| payrig_fuzz::capture(
    bytes,
    |bytes| read_vcd("fuzz", bytes),
    |capture, out| write_vcd(capture, out),
));
