//! Rigs read and refused. The command line's own tests show whole messages.

use super::{FIRST_VEND, Path, Plan, RigError};
use payrig_units::Micros;
use proptest::prelude::*;

fn parse(text: &str) -> Result<Plan, RigError> {
    super::parse(Path::new("r.toml"), text)
}

#[test]
fn the_embedded_rig_is_read() {
    let rig = parse(FIRST_VEND).unwrap();
    assert_eq!(rig.devices.len(), 4);
    assert_eq!(rig.machine.selections.len(), 2);
    assert!(rig.script.len() > 20);
    assert_eq!(rig.jitter, Micros(150));
}

#[test]
fn what_is_missing_is_named() {
    let cases = [
        ("", "a rig needs `bench`"),
        ("[bench]\n", "[bench] needs `name`"),
        ("[bench]\nname = \"x\"\n", "at least one [[device]]"),
        (
            "[bench]\nname = \"x\"\n[[devices]]\nkind = \"changer\"\n",
            "3: a rig has no key `devices`\n  did you mean `device`?",
        ),
        (
            "[bench]\nname = \"x\"\njitter = \"1 ms\"\n",
            "more than 500 us",
        ),
        ("[bench]\nname = 3\n", "expected a text in quotes"),
        ("[bench]\nname = \"x\"\nseed = -1\n", "whole number"),
        ("bench = 3\n", "expected a table"),
    ];
    for (text, says) in cases {
        let error = parse(text).unwrap_err().to_string();
        assert!(
            error.contains(says) && error.starts_with("r.toml"),
            "{text:?}: {error}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn any_text_is_a_rig_or_an_error(text in ".{0,200}") {
        let _ = parse(&text);
    }

    /// Any line of the embedded rig left out, doubled or cut: an error with a line, or a rig.
    #[test]
    fn a_damaged_rig_is_read_or_refused_with_its_line(
        line in 0usize..160, what in 0u8..3, cut in 0usize..40
    ) {
        let mut lines: Vec<&str> = FIRST_VEND.lines().collect();
        let line = line.min(lines.len() - 1);
        match what {
            0 => {
                lines.remove(line);
            }
            1 => lines.insert(line, lines[line]),
            _ => lines[line] = lines[line].get(..cut).unwrap_or(lines[line]),
        }
        if let Err(error) = parse(&lines.join("\n")) {
            prop_assert!(error.line > 0 && !error.message.is_empty());
        }
    }

    /// The same with a rig of links.
    #[test]
    fn damaged_links_are_read_or_refused_with_their_line(
        line in 0usize..90, what in 0u8..3, cut in 0usize..40
    ) {
        let text = include_str!("../../../bench-rigs/bridge-on-ports.toml");
        let mut lines: Vec<&str> = text.lines().collect();
        let line = line.min(lines.len() - 1);
        match what {
            0 => {
                lines.remove(line);
            }
            1 => lines.insert(line, lines[line]),
            _ => lines[line] = lines[line].get(..cut).unwrap_or(lines[line]),
        }
        if let Err(error) = parse(&lines.join("\n")) {
            prop_assert!(error.line > 0 && !error.message.is_empty());
        }
    }
}

/// The built-in rig lies in this crate, so that a package of it is whole; the one in `bench-rigs/` is
/// what people are shown.
#[test]
fn the_built_in_rig_is_the_one_among_the_bench_rigs() {
    let shown = include_str!("../../../bench-rigs/first-vend.toml");
    assert_eq!(crate::FIRST_VEND, shown, "copy one over the other");
}
