//! `PAYRIG_LOG`: what the tool itself does, for whoever looks for a fault in it.

use super::{LONG, command};
use payrig_tests::cli::payrig_in;

fn said(folder: &std::path::Path, level: &str, arguments: &[&str]) -> String {
    let output = command(folder, arguments)
        .env("PAYRIG_LOG", level)
        .output()
        .unwrap();
    String::from_utf8(output.stderr).unwrap()
}

#[test]
fn debug_shows_ports_exchanges_nodes_checks_and_actions_and_nothing_unless_asked() {
    let folder = tempfile::tempdir().unwrap();
    let text = LONG.replace("3500 s", "1 s").replace(
        "do = \"wait\"\n",
        "do = \"insert-coin\"\nvalue = \"1.00\"\n[[script]]\nexpect = \"credit\"\nvalue = \"1.00\"\n[[script]]\ndo = \"wait\"\n",
    );
    std::fs::write(folder.path().join("it.toml"), text).unwrap();
    std::fs::write(folder.path().join("live.toml"), super::DEVICES).unwrap();
    let run = ["run", "it.toml", "--no-record"];
    let live = [
        "run",
        "live.toml",
        "--no-record",
        "--link",
        "pty",
        "--limit",
        "1",
    ];
    let examine = ["examine", "board", "--only", "first-command"];
    let cases: [(&[&str], &[&str]); 3] = [
        (
            &run,
            &[
                "run{bench=",
                "payrig::node",
                "payrig::exchange",
                "POLL",
                "payrig::action",
                "coin of 1.00",
                "payrig::check",
                "verdict",
            ],
        ),
        (
            &live,
            &["payrig::port", "bus opened", "/dev/pts/", "payrig::run"],
        ),
        (
            &examine,
            &["check{id=\"first-command\"}", "payrig::check", "outcome="],
        ),
    ];
    for (arguments, shows) in cases {
        let debug = said(folder.path(), "debug", arguments);
        for what in shows {
            assert!(debug.contains(what), "{arguments:?}: no {what} in\n{debug}");
        }
        let info = said(folder.path(), "info", arguments);
        assert!(
            info.lines().count() < debug.lines().count(),
            "{arguments:?}"
        );
        assert!(!info.contains("payrig::exchange"), "{info}");
        let silent = payrig_in(folder.path(), arguments);
        assert!(!silent.err.contains("payrig::"), "{}", silent.err);
    }
    // Words are many: they come with `trace`, and one target can be asked for alone.
    let words = said(folder.path(), "payrig::word=trace", &run);
    assert!(words.contains("payrig::word") && !words.contains("payrig::exchange"));
}
