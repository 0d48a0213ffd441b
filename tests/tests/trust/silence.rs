//! A run in which nothing was there to be tested does not pass.

use super::{DEVICES, command, until};
use payrig_tests::cli::payrig_in;
use std::io::Write;

#[test]
fn nobody_at_the_other_end_of_a_link_is_exit_code_1_unless_nobody_need_be_there() {
    const BOARD: &str = "[bench]\nname = \"b\"\n[board]\nkind = \"controller\"\n";
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    write("devices.toml", DEVICES);
    write(
        "own.toml",
        &format!("{DEVICES}[device.link]\nport = \"pty\"\n"),
    );
    let validator = "[[device]]\nkind = \"bill-validator\"\nname = \"new\"\n[device.link]\nport = \"pty\"\n\
                     outside = \"device\"\n[[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"new\"\n";
    write("behind.toml", &format!("{BOARD}{validator}"));
    let cases: [(&str, &[&str], &str); 6] = [
        (
            "devices.toml",
            &["--link", "pty"],
            "other end of the bus: connect a board there",
        ),
        (
            "devices.toml",
            &["--link", "pty", "--role", "board"],
            "other end of the bus: connect a device there",
        ),
        (
            "own.toml",
            &[],
            "other end of the bus of changer: connect a board there",
        ),
        (
            "behind.toml",
            &[],
            "other end of the bus of bridge: connect a device there",
        ),
        (
            "devices.toml",
            &[],
            "the board of this rig is outside, and its bus is on no link",
        ),
        ("devices.toml", &["--pace", "real"], "its bus is on no link"),
    ];
    for (rig, more, says) in cases {
        let run = [&["run", rig, "--no-record", "--limit", "1"], more].concat();
        let needed = payrig_in(folder.path(), &run);
        assert_eq!(needed.code, 1, "{run:?}\n{}{}", needed.out, needed.err);
        assert!(needed.out.contains(says), "{run:?}\n{}", needed.out);
        assert!(needed.out.contains("--peer-optional"), "{}", needed.out);
        let optional = payrig_in(folder.path(), &[&run[..], &["--peer-optional"]].concat());
        assert_eq!(
            optional.code, 0,
            "{run:?}\n{}{}",
            optional.out, optional.err
        );
        assert!(
            optional.out.contains(says),
            "said all the same: {}",
            optional.out
        );
    }
}

/// One POLL is somebody: what is said of it is another matter.
#[test]
fn somebody_who_is_heard_once_is_there() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("it.toml"), DEVICES).unwrap();
    let run = [
        "run",
        "it.toml",
        "--no-record",
        "--limit",
        "3",
        "--link",
        "pty",
    ];
    let mut child = command(folder.path(), &run).spawn().unwrap();
    let (line, rest) = until(child.stdout.take().unwrap(), "/dev/pts/");
    let path = &line[line.find("/dev/pts/").unwrap()..];
    let mut port = std::fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open(path)
        .unwrap();
    // POLL of the changer, marked parity.
    port.write_all(&[0xFF, 0x00, 0x0B, 0x0B]).unwrap();
    child.wait().unwrap();
    let said = rest.join().unwrap();
    assert!(!said.contains("nobody was heard"), "{said}");
}
