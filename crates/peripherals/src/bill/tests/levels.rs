//! What is answered at which level and with which options (sections 2.4.4, 6.1 and 6.3).

use super::bench::{Bench, recycler_config};
use crate::bill::{BillConfig, BillConfigError, BillValidator, Quirks};

const RECYCLER_COMMANDS: [&[u8]; 7] = [
    &[0x37, 0x03],
    &[0x37, 0x05],
    &[0x37, 0x06, 0x01, 0x00, 0x01],
    &[0x37, 0x07, 0x00, 0x05],
    &[0x37, 0x08],
    &[0x37, 0x09],
    &[0x37, 0x0A],
];

/// Level 1 has identification without option bits, and nothing else behind EXPANSION.
#[test]
fn level_1() {
    let mut bench = Bench::plain();
    assert_eq!(bench.data(&[0x37, 0x00]).len(), 29);
    bench.silence(&[0x37, 0x01, 0, 0, 0, 2]);
    bench.silence(&[0x37, 0x02]);
    for command in RECYCLER_COMMANDS {
        bench.silence(command);
    }
    bench.silence(&[0x37, 0xFF, 0x01]);
    bench.silence(&[0x37, 0x20]);
    bench.silence(&[0x36, 0x00]);
}

/// Level 2: 37H-02H adds Z30-Z33, 37H-00H must not have them.
#[test]
fn level_2_identification() {
    let mut bench = Bench::ready(recycler_config(), Quirks::default());
    assert_eq!(bench.data(&[0x31])[0], 0x02);
    assert_eq!(bench.data(&[0x37, 0x00]).len(), 29);
    let id = bench.data(&[0x37, 0x02]);
    assert_eq!((id.len(), &id[29..]), (33, &[0, 0, 0, 2][..]));
}

/// Section 6.1: no recycler command is answered before the option is enabled and RECYCLER SETUP
/// came; after a reset all options are off again.
#[test]
fn the_recycler_is_silent_until_set_up() {
    let mut bench = Bench::ready(recycler_config(), Quirks::default());
    for command in RECYCLER_COMMANDS {
        bench.silence(command);
    }
    bench.ack(&[0x37, 0x01, 0, 0, 0, 2]);
    bench.silence(&[0x37, 0x05]);
    assert_eq!(bench.data(&[0x37, 0x03]), [0x00, 0x06]);
    assert_eq!(bench.data(&[0x37, 0x05]), [0x00, 0x00, 0, 0, 0, 3, 0, 2]);
    bench.ack(&[0x30]);
    bench.wait(500);
    bench.silence(&[0x37, 0x03]);
}

/// Section 6.3, 37H-01H: an option the validator does not have is not enabled.
#[test]
fn only_what_is_offered_can_be_enabled() {
    let config = BillConfig {
        level: 2,
        ..BillConfig::default()
    };
    let mut bench = Bench::ready(config, Quirks::default());
    bench.ack(&[0x37, 0x01, 0xFF, 0xFF, 0xFF, 0xFF]);
    bench.silence(&[0x37, 0x03]);
    bench.silence(&[0x37, 0xFE, 0x30, 0x00, 0x01, 0x01, 0x02]);
}

/// Section 2.6.4: nothing is said about files before the option is enabled; then the manufacturer
/// file is given, one of the maker's own is taken, and any other denied.
#[test]
fn files() {
    let config = BillConfig {
        level: 2,
        ftl: true,
        ..BillConfig::default()
    };
    let mut bench = Bench::ready(config, Quirks::default());
    let dts = [0x37, 0xFE, 0x30, 0x18, 0x01, 0x01, 0x02];
    bench.silence(&dts);
    bench.ack(&[0x37, 0x01, 0, 0, 0, 1]);
    assert_eq!(bench.data(&dts), [0x1C, 0x18, 0x30, 0xFF]);
    let given = bench.data(&[0x37, 0xFA, 0x30, 0x00, 0x00, 0x01, 0x02]);
    assert_eq!(given[..6], *b"\x1D\x00\x00ZZZ");
    assert_eq!(bench.data(&[0x33])[..3], [0x1D, 0x00, 0x01]);
    let own = [0x37, 0xFE, 0x30, 0x00, 0xF0, 0x01, 0x02];
    assert_eq!(bench.data(&own), [0x1E, 0x00, 0x30]);
    bench.ack(&[0x37, 0xFC, 0x30, 0x00, 0x41]);
    bench.ack(&[0x37, 0xFC, 0x30, 0x01]);
    assert_eq!(bench.v.files().received().unwrap().data, b"A");
}

/// SECURITY is kept until reset and shown in SETUP (Z9-Z10).
#[test]
fn security_levels() {
    let mut bench = Bench::plain();
    bench.ack(&[0x32, 0x00, 0x08]);
    assert_eq!(&bench.data(&[0x31])[8..10], [0x00, 0x08]);
    bench.ack(&[0x30]);
    bench.wait(500);
    assert_eq!(&bench.data(&[0x31])[8..10], [0xFF, 0xFF]);
}

#[test]
fn a_wrong_configuration_makes_no_validator() {
    let config = BillConfig {
        level: 0,
        ..BillConfig::default()
    };
    let error = BillValidator::new(config, Quirks::default()).unwrap_err();
    assert_eq!(error, BillConfigError::Level(0));
}
