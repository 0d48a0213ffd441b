//! The end-to-end tests: what needs several crates, the command line, or the guide. One program;
//! it belongs to the package `payrig`, for cargo builds a binary for the tests of its own package
//! only (`CARGO_BIN_EXE_payrig`). Its helpers are the library `payrig-tests`.
//!
//! Only what is in `live` waits for the wall clock.

// Helpers outside of #[test] functions are not recognised as tests by clippy.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

mod bill_board;
mod bill_examples;
mod bill_in_motion;
mod bill_property;
mod bill_rig;
mod book;
mod bridge_bus;
mod bridge_pulse;
mod bridge_rigs;
mod cashless_examples;
mod cashless_faults;
mod changer_examples;
mod changer_faults;
mod changer_oddities;
mod changer_property;
mod changer_reports;
mod changer_tubes;
mod coverage;
mod examine_board;
mod examine_device;
mod examine_interrupted;
mod files;
mod float;
mod json;
mod library_texts;
mod linked_rigs;
mod live;
mod lockstep;
mod new_command;
mod power_cut;
mod pulse_command;
mod pulse_rigs;
mod pulse_second_opinion;
mod python_package;
mod read_command;
mod reader_money;
mod report;
mod rig_size;
mod robustness;
mod run_command;
mod serve_command;
mod session_diagrams;
mod sheet;
mod tickets;
#[cfg(target_os = "linux")]
mod trust;
mod turned_bits;

/// A file that no `mod` names would not be compiled, and its tests would never run.
#[test]
fn no_file_of_tests_is_left_out() {
    let programs = [
        "tests/tests",
        "tests/tests/live",
        "crates/pulse/tests/all",
        "crates/rig/tests/all",
        "crates/wire/tests/all",
    ];
    for folder in programs {
        let folder = payrig_tests::cli::file(folder);
        let root = ["main.rs", "mod.rs"].map(|name| folder.join(name));
        let root = root.iter().find(|path| path.exists()).unwrap();
        let named = std::fs::read_to_string(root).unwrap();
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_stem().unwrap().to_str().unwrap();
            let is_module = path.is_dir() || path.extension().is_some_and(|e| e == "rs");
            if is_module && &path != root {
                assert!(
                    named.contains(&format!("mod {name};")),
                    "{}",
                    path.display()
                );
            }
        }
    }
}
