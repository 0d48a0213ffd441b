//! Bridges in rigs, with the ledger over them.

use payrig_bench::run::run_simulated;
use payrig_bench::{Rig, Stage};
use payrig_tests::cli::{file, payrig_in};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use proptest::prelude::*;
use std::path::Path;

fn limits(text: &str) -> Vec<(String, String)> {
    let rig = Rig::parse(Path::new("test.toml"), text).unwrap_or_else(|e| panic!("{e}"));
    let mut stage = Stage::new(&rig);
    let mut found = Vec::new();
    run_simulated(&mut stage, Micros::secs(600), |_, entry| {
        if let Entry::Finding(f) = entry
            && f.is_limit()
        {
            found.push((f.rule.to_string(), f.text));
        }
        Ok::<(), ()>(())
    })
    .unwrap();
    assert_eq!(stage.books().ledger().sum(), 0);
    found
}

#[test]
fn the_rigs_of_the_repository_pass_and_their_recordings_read_the_same() {
    for name in ["bridge", "old-machine"] {
        let folder = tempfile::tempdir().unwrap();
        let rig = file(&format!("bench-rigs/{name}.toml"));
        let ran = payrig_in(folder.path(), &["run", rig.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{name}: {}", ran.out);
        let recording = format!("{name}.recording.jsonl");
        let read = payrig_in(folder.path(), &["read", &recording]);
        assert_eq!(read.code, 0, "{name}: {}", read.out);
        let last = |text: &str| {
            text.trim_end()
                .lines()
                .last()
                .unwrap_or_default()
                .to_owned()
        };
        assert_eq!(last(&ran.out), last(&read.out), "{name}");
    }
}

const TOP: &str = r#"
[bench]
name = "bridge"
[board]
kind = "controller"
[[board.item]]
number = 11
price = "1.00"
"#;

/// The supply of acceptor and bridge fails for a while, whenever it will.
fn supply_cut(bridge: &str, at: u64, dark: u64) -> String {
    format!(
        "{TOP}
[[device]]
kind = \"pulse-bill-validator\"
name = \"old\"
bills = [\"1.00\", \"5.00\"]
[device.pulse]
pulses = 2
per = \"1.00\"
[[device]]
kind = \"bridge\"
name = \"bridge\"
from = \"old\"
{bridge}
[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-bill\"
device = \"old\"
value = \"5.00\"
[[script]]
do = \"power\"
device = \"old\"
on = false
after = \"{at} us\"
[[script]]
do = \"power\"
device = \"bridge\"
on = false
[[script]]
do = \"power\"
device = \"bridge\"
on = true
after = \"{dark} us\"
[[script]]
do = \"power\"
device = \"old\"
on = true
[[script]]
do = \"wait\"
for = \"20 s\"
"
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    /// Whenever the power goes, the books agree in the end: the bill came back, or all of it was
    /// credited. A pulse that the cut shortens is a finding of the line, no more.
    #[test]
    fn no_cut_costs_a_cent(at in 0u64..5_000_000, dark in 1u64..3_000_000, coins in any::<bool>()) {
        let bridge = if coins { "as = \"changer\"\nscaling = 100" } else { "" };
        let found = limits(&supply_cut(bridge, at, dark));
        let money: Vec<_> = found.iter().filter(|(rule, _)| rule == "money").collect();
        prop_assert!(money.is_empty(), "{:?}", money);
    }
}

#[test]
fn a_bridge_that_is_dark_while_pulses_come_is_found_by_the_books() {
    let text = format!(
        "{TOP}
[[device]]
kind = \"pulse-bill-validator\"
name = \"old\"
bills = [\"5.00\"]
[[device]]
kind = \"bridge\"
name = \"bridge\"
from = \"old\"
values = [\"1.00\", \"5.00\"]
[[script]]
do = \"wait-ready\"
[[script]]
do = \"insert-bill\"
device = \"old\"
value = \"5.00\"
[[script]]
do = \"power\"
device = \"bridge\"
on = false
after = \"2 s\"
[[script]]
do = \"power\"
device = \"bridge\"
on = true
after = \"3 s\"
[[script]]
do = \"wait\"
for = \"5 s\"
"
    );
    let found = limits(&text);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0].1.contains("old: took 5.00, the board booked 0.00"),
        "{found:?}"
    );
}

#[test]
fn an_acceptor_of_the_wrong_setting_is_found_behind_a_bridge_too() {
    let text = supply_cut("", 4_900_000, 1_000).replace(
        "[[device]]\nkind = \"bridge\"",
        "[device.faults]\nwrong-profile = \"long\"\n[[device]]\nkind = \"bridge\"",
    );
    let found = limits(&text);
    let rules: Vec<&str> = found.iter().map(|(rule, _)| rule.as_str()).collect();
    assert!(
        rules.contains(&"pulse-width") && rules.contains(&"money"),
        "{found:?}"
    );
}

#[test]
fn mistakes_name_line_and_nearest_word() {
    let say = |bridge: &str| {
        let text = format!(
            "{TOP}[[device]]\nkind = \"pulse-bill-validator\"\nname = \"old bill\"\nbills = [\"1.00\"]\n\
             [[device]]\nkind = \"pulse-hopper\"\nname = \"hopper\"\ncoin = \"0.25\"\n\
             [[device]]\nkind = \"bridge\"\nname = \"bridge\"\n{bridge}"
        );
        let error = Rig::parse(Path::new("test.toml"), &text).unwrap_err();
        assert!(error.line > 1, "{error}");
        error.to_string()
    };
    for (bridge, expected) in [
        ("", "needs `from`"),
        ("from = \"old bil\"", "did you mean \"old bill\"?"),
        ("from = \"hopper\"", "a bridge cannot be for \"hopper\""),
        (
            "from = \"old bill\"\nas = \"chnger\"",
            "did you mean \"changer\"?",
        ),
        (
            "from = \"old bill\"\nas = \"changer\"\nscaling = 256",
            "from 1 to 255",
        ),
        (
            "from = \"old bill\"\nvalues = [\"1.50\"]",
            "scaling factor of 100",
        ),
        (
            "from = \"old bill\"\nscaling = 50\nvalues = [\"1.50\"]",
            "no number of pulses",
        ),
        ("from = \"old bill\"\nrelease = \"all\"", "all-enabled"),
        (
            "from = \"old bill\"\n[[device]]\nkind = \"bill-validator\"\nname = \"new\"",
            "have the same address",
        ),
        (
            "from = \"old bill\"\n[[device]]\nkind = \"bridge\"\nname = \"b\"\nfrom = \"old bill\"",
            "is behind the bridge \"bridge\" already",
        ),
    ] {
        let text = say(bridge);
        assert!(text.contains(expected), "{bridge}: {text}");
    }
}
