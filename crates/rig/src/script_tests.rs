//! What a script asks for against what its bench can do.

use super::{MOST_DEVICES, MOST_STEPS, Path, Plan};
use payrig_bench::action::{Action, Expectation, StepKind};
use payrig_mdb::Address;
use payrig_units::Micros;
use payrig_wire::Source;
use std::fmt::Write;

/// Whose a step is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Of {
    Board,
    Device,
    /// Always there: the wire, the ledger, somebody who looks.
    Bench,
}

/// Every action with the keys it needs.
const ACTIONS: &[(&str, Of, &str)] = &[
    ("insert-coin", Of::Device, "value = \"0.25\""),
    ("insert-bill", Of::Device, "value = \"1.00\""),
    ("present-card", Of::Device, "balance = \"5.00\""),
    ("remove-card", Of::Device, ""),
    ("select", Of::Board, "item = 11"),
    ("press-return", Of::Board, ""),
    ("jam-item", Of::Board, "item = 11"),
    ("free-item", Of::Board, "item = 11"),
    ("power", Of::Device, "device = \"changer\"\non = false"),
    ("silent", Of::Device, "device = \"changer\"\nfor = \"2 s\""),
    ("bus-reset", Of::Board, ""),
    ("service", Of::Board, "on = true"),
    ("fault", Of::Bench, "kind = \"lose\"\nfrom = \"board\""),
    ("end-faults", Of::Bench, ""),
    ("jam", Of::Device, ""),
    ("clear-jam", Of::Device, ""),
    ("break", Of::Device, "part = \"motor\""),
    ("repair", Of::Device, "part = \"motor\""),
    ("remove-cash-box", Of::Device, ""),
    ("replace-cash-box", Of::Device, ""),
    ("fill-stacker", Of::Device, ""),
    ("press-escrow-lever", Of::Device, ""),
    ("take-bill", Of::Device, ""),
    ("pull-bill", Of::Device, ""),
    ("fish-in-stacker", Of::Device, ""),
    ("insert-token", Of::Device, ""),
    ("insert-two-coins", Of::Device, ""),
    ("press-lever", Of::Device, ""),
    ("hold-lever", Of::Device, ""),
    ("release-lever", Of::Device, ""),
    ("manual-dispense", Of::Device, "value = \"0.25\""),
    ("begin-manual-fill", Of::Device, ""),
    ("begin-manual-payout", Of::Device, ""),
    ("manual-payout", Of::Device, "value = \"0.25\""),
    ("end-manual", Of::Device, ""),
    ("load-tube", Of::Device, "value = \"0.25\""),
    ("take-from-tube", Of::Device, "value = \"0.25\""),
    ("block-tube", Of::Device, "value = \"0.25\""),
    ("clear-tube", Of::Device, "value = \"0.25\""),
    ("break-tube-sensor", Of::Device, "value = \"0.25\""),
    ("mend-tube-sensor", Of::Device, "value = \"0.25\""),
    ("unplug-acceptor", Of::Device, ""),
    ("plug-acceptor", Of::Device, ""),
    ("reset-changer", Of::Device, ""),
    ("press-cancel", Of::Device, ""),
    ("scan-coupon", Of::Device, "value = \"1.00\""),
    ("remote-select", Of::Device, "item = 11"),
    (
        "present-member-card",
        Of::Device,
        "terms = \"discount\"\nnumber = 10",
    ),
    ("ask-keys", Of::Device, "count = 4"),
    ("show-text", Of::Device, "text = \"hello\""),
    ("ask-time", Of::Device, ""),
    ("malfunction", Of::Device, "code = 0x50"),
    ("malfunction-over", Of::Device, ""),
    ("select-several", Of::Board, "items = [11]"),
    ("press-keys", Of::Board, "keys = \"12\""),
    ("give-back", Of::Board, "item = 11\nvalue = \"0.25\""),
    ("test-vend", Of::Board, "item = 11"),
    ("stop-item", Of::Board, "item = 11\nvalue = \"0.25\""),
    ("break-down", Of::Board, "item = 11"),
    ("enable-cards", Of::Board, ""),
    ("disable-cards", Of::Board, ""),
    ("close-item", Of::Board, "item = 11\nwhy = \"sold-out\""),
    ("open-item", Of::Board, "item = 11"),
    ("fail-item", Of::Board, "item = 11\nwhy = \"defective\""),
    ("set-price", Of::Board, "item = 11\nvalue = \"1.50\""),
    ("set-card-price", Of::Board, "item = 11\nvalue = \"+0.10\""),
    (
        "select-with-options",
        Of::Board,
        "item = 11\nvalue = \"0.25\"",
    ),
    (
        "diagnose",
        Of::Board,
        "device = \"changer\"\nbytes = \"01\"",
    ),
];

const EXPECTATIONS: &[(&str, Of, &str)] = &[
    ("credit", Of::Board, "value = \"0.00\""),
    ("display", Of::Board, "text = \"x\""),
    (
        "balance",
        Of::Bench,
        "place = \"customer\"\nvalue = \"0.00\"",
    ),
    ("sold", Of::Board, "count = 0"),
    ("exact-change", Of::Board, "on = true"),
    ("seen", Of::Bench, "text = \"x\""),
    ("ready", Of::Bench, "device = \"changer\""),
];

/// The kinds of benches: who is outside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Outside {
    Nobody,
    Board,
    Devices,
}

const DEVICES: &str = "[[device]]\nkind = \"changer\"\nname = \"changer\"\n\
                       [[device]]\nkind = \"bill-validator\"\nname = \"bill\"\n\
                       [[device]]\nkind = \"cashless\"\nname = \"card\"\n";

fn read(outside: Outside, script: &str) -> Result<Plan, String> {
    let (link, board) = match outside {
        Outside::Nobody => ("", "controller"),
        Outside::Board => ("[link]\nport = \"pty\"\n", "outside"),
        Outside::Devices => (
            "[link]\nport = \"pty\"\noutside = \"devices\"\n",
            "controller",
        ),
    };
    let text = format!(
        "[bench]\nname = \"b\"\n{link}[board]\nkind = \"{board}\"\n[[board.item]]\nnumber = 11\n\
         price = \"1.00\"\n{DEVICES}{script}\n"
    );
    super::parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
}

#[test]
fn every_action_and_expectation_is_in_the_tables() {
    let listed: Vec<&str> = ACTIONS.iter().map(|(name, ..)| *name).collect();
    let all: Vec<&str> = Action::names().collect();
    assert_eq!(listed, all);
    let listed: Vec<&str> = EXPECTATIONS.iter().map(|(name, ..)| *name).collect();
    assert_eq!(listed, Expectation::NAMES);
}

#[test]
fn what_is_outside_is_not_operated_and_that_is_found_when_the_rig_is_read() {
    let actions = ACTIONS.iter().map(|row| ("do", row));
    for (key, (name, of, keys)) in actions.chain(EXPECTATIONS.iter().map(|row| ("expect", row))) {
        for outside in [Outside::Nobody, Outside::Board, Outside::Devices] {
            let script = format!("[[script]]\n{key} = \"{name}\"\n{keys}\n");
            let read = read(outside, &script);
            let refused = matches!(
                (of, outside),
                (Of::Board, Outside::Board) | (Of::Device, Outside::Devices)
            );
            match read {
                Ok(plan) => {
                    assert!(!refused, "{name}, outside: {outside:?}");
                    assert_eq!(plan.impossible(), Vec::new(), "{name}");
                }
                Err(error) => {
                    assert!(refused, "{name}, outside: {outside:?}: {error}");
                    let lines = error.lines().count();
                    assert!(error.starts_with("t.toml:"), "{error}");
                    assert!(error.contains(&format!("`{name}`")), "{error}");
                    assert_eq!(lines, 2, "says what to do: {error}");
                }
            }
        }
    }
}

/// A board outside has no items here: that it is outside is the reason, not that the list is empty.
#[test]
fn a_selection_at_a_board_outside_is_refused_because_it_is_outside() {
    for step in ["do = \"select\"\nitem = 11", "do = \"jam-item\"\nitem = 11"] {
        let rig = format!(
            "[bench]\nname = \"x\"\n[link]\nport = \"pty\"\n[board]\nkind = \"outside\"\n\
             [[device]]\nkind = \"changer\"\nname = \"c\"\n[[script]]\n{step}\n"
        );
        let error = super::parse(Path::new("t.toml"), &rig)
            .unwrap_err()
            .to_string();
        assert!(
            error.contains("the board is not ours to operate"),
            "{error}"
        );
        assert!(
            error.contains("the board is at the other end of a link"),
            "{error}"
        );
    }
}

/// Where no link is named the board may be a program that can be asked to do things: what it is asked for is
/// read, and refused where the bench is opened without one. What it shows is seen by nobody.
#[test]
fn a_board_on_no_link_may_be_one_that_is_asked() {
    let rig = |step: &str| {
        let text = format!(
            "[bench]\nname = \"x\"\n[machine]\nkeys = \"11-13\"\nprice = \"1.00\"\n[board]\nkind = \"outside\"\n\
             {DEVICES}[[script]]\n{step}\n"
        );
        super::parse(Path::new("t.toml"), &text)
    };
    let mut plan = rig("do = \"select\"\nitem = 11").unwrap();
    assert_eq!(plan.impossible().len(), 1);
    plan.share_with_peer("./board".to_owned(), Source::Master)
        .unwrap();
    assert_eq!(plan.impossible(), Vec::new());
    let error = rig("expect = \"display\"\ntext = \"x\"").unwrap_err();
    assert!(
        error
            .to_string()
            .contains("the board is not ours to operate"),
        "{error}"
    );
}

/// The same once a link is put under a rig that was read without one.
#[test]
fn a_link_from_the_command_line_is_held_against_the_script_too() {
    let mut script = String::new();
    for (name, _, keys) in ACTIONS {
        writeln!(script, "[[script]]\ndo = \"{name}\"\n{keys}").unwrap();
    }
    let mut plan = read(Outside::Nobody, &script).unwrap();
    assert_eq!(plan.impossible(), Vec::new());
    for (outside, whose) in [(Outside::Board, Of::Board), (Outside::Devices, Of::Device)] {
        plan.link = read(outside, "").unwrap().link;
        let of = ACTIONS.iter().filter(|(_, of, _)| *of == whose).count();
        assert_eq!(plan.impossible().len(), of, "{outside:?}");
    }
}

#[test]
fn a_device_does_only_what_its_kind_can() {
    for (name, of, keys) in ACTIONS {
        if *of != Of::Device || matches!(*name, "power" | "silent") {
            continue;
        }
        let able: Vec<&str> = ["changer", "bill", "card"]
            .into_iter()
            .filter(|device| {
                let script =
                    format!("[[script]]\ndo = \"{name}\"\ndevice = \"{device}\"\n{keys}\n");
                match read(Outside::Nobody, &script) {
                    Ok(_) => true,
                    Err(error) => {
                        assert!(error.contains("no device"), "{error}");
                        false
                    }
                }
            })
            .collect();
        assert_eq!(able.len(), 1, "{name}: {able:?}");
    }
}

#[test]
fn a_place_there_is_not_is_found_and_the_nearest_named() {
    let holds = |place: &str| {
        let script =
            format!("[[script]]\nexpect = \"balance\"\nplace = \"{place}\"\nvalue = \"0.00\"\n");
        read(Outside::Nobody, &script).map(drop)
    };
    for place in [
        "customer",
        "supply",
        "changer tube 0",
        "changer cash box",
        "bill escrow",
        "bill stacker",
        "card card account",
        "card receipts",
        "board: credit",
        "board: sales",
        "board: received from bill",
        "board: paid by card",
    ] {
        holds(place).unwrap();
    }
    for (place, near) in [
        ("changer tubes 0", "changer tube 0"),
        ("chager tube 1", "changer tube 1"),
        ("bill stackers", "bill stacker"),
        ("costumer", "customer"),
    ] {
        let error = holds(place).unwrap_err();
        assert!(error.contains(&format!("no place \"{place}\"")), "{error}");
        assert!(error.contains(&format!("mean \"{near}\"")), "{error}");
    }
    for place in ["changer tube 15", "bill recycler 0", "card stacker", ""] {
        assert!(holds(place).is_err(), "{place}");
    }
}

#[test]
fn a_fault_that_a_link_cannot_do_is_found() {
    let kinds = [
        ("lose", ""),
        ("deaf", ""),
        ("flip", "bit = 8"),
        ("late", "by = \"7 ms\""),
        ("slow", "gap = \"1500 us\""),
    ];
    for (kind, keys) in kinds {
        for (from, outside) in [
            ("board", Outside::Board),
            ("peripheral", Outside::Board),
            ("board", Outside::Devices),
            ("peripheral", Outside::Devices),
            ("board", Outside::Nobody),
            ("peripheral", Outside::Nobody),
        ] {
            let script = format!(
                "[[script]]\ndo = \"fault\"\nkind = \"{kind}\"\nfrom = \"{from}\"\n{keys}\n"
            );
            let theirs = matches!(
                (from, outside),
                ("board", Outside::Board) | ("peripheral", Outside::Devices)
            );
            let cannot = theirs && matches!(kind, "late" | "slow");
            let read = read(outside, &script);
            assert_eq!(read.is_err(), cannot, "{kind} from {from}: {read:?}");
        }
    }
}

#[test]
fn steps_are_repeated() {
    let script = "[[script]]\ndo = \"wait-ready\"\n[[script]]\nrepeat = 3\n\
                  [[script.step]]\ndo = \"insert-coin\"\nvalue = \"0.25\"\n\
                  [[script.step]]\ndo = \"press-return\"\nafter = \"2 s\"\n\
                  [[script]]\ndo = \"wait\"\nfor = \"1 s\"\n";
    let plan = read(Outside::Nobody, script).unwrap();
    assert_eq!(plan.script.len(), 1 + 3 * 2 + 1);
    assert_eq!(plan.script[1], plan.script[3]);
    assert_eq!(plan.script[2], plan.script[6]);
    assert_ne!(plan.script[1].line, plan.script[2].line);
    for (script, says) in [
        ("[[script]]\nrepeat = 0", "a whole number from 1"),
        ("[[script]]\nrepeat = 2", "[[script.step]]"),
        (
            "[[script]]\nrepeat = 2\ndo = \"press-return\"\n[[script.step]]\ndo = \"press-return\"",
            "no key `do`",
        ),
        (
            "[[script]]\n[[script.step]]\ndo = \"press-return\"",
            "with `repeat`",
        ),
        (
            "[[script]]\nrepeat = 2\n[[script.step]]\nrepeat = 2",
            "either `do` or `expect`",
        ),
    ] {
        let error = read(Outside::Nobody, script).unwrap_err();
        assert!(error.contains(says), "{error}");
    }
}

#[test]
fn scripts_and_benches_have_an_end() {
    let steps = |times: usize| {
        let script = format!(
            "[[script]]\nrepeat = {times}\n[[script.step]]\ndo = \"press-return\"\n\
             [[script]]\ndo = \"press-return\"\n"
        );
        read(Outside::Nobody, &script)
    };
    assert_eq!(steps(MOST_STEPS - 1).unwrap().script.len(), MOST_STEPS);
    let error = steps(MOST_STEPS).unwrap_err();
    assert!(error.contains("more than 1000000 steps"), "{error}");
    let devices = |count: usize| {
        let mut text = "[bench]\nname = \"b\"\n[board]\n".to_owned();
        for number in 0..count {
            let device = "[[device]]\nkind = \"pulse-hopper\"\ncoin = \"0.25\"";
            writeln!(text, "{device}\nname = \"h{number}\"").unwrap();
        }
        super::parse(Path::new("t.toml"), &text)
    };
    assert_eq!(devices(MOST_DEVICES).unwrap().devices.len(), MOST_DEVICES);
    let error = devices(MOST_DEVICES + 1).unwrap_err();
    assert!(error.message.contains("at most 1000 devices"), "{error}");
    assert_eq!(error.line, 3 + MOST_DEVICES * 4 + 1);
}

#[test]
fn names_have_a_length_and_characters() {
    let named = |name: &str| {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n[[device]]\nkind = \"changer\"\nname = \"{name}\"\n"
        );
        super::parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    };
    for good in ["changer", "Münzwechsler 2", "a/b (left)", &"x".repeat(64)] {
        named(good).unwrap();
    }
    for (bad, says) in [
        ("x".repeat(65), "has 65 characters; expected at most 64"),
        ("x".repeat(65_529), "has 65529 characters"),
        ("a\\u001b[31m".to_owned(), "\\u{1b}"),
        ("a\\u202eb".to_owned(), "\\u{202e}"),
        ("a\\nb".to_owned(), "\\n"),
        ("a:b".to_owned(), "has the character :"),
        (String::new(), "is empty"),
        (" a".to_owned(), "blank"),
    ] {
        let error = named(&bad).unwrap_err();
        assert!(
            error.starts_with("t.toml:6:") && error.contains(says),
            "{error}"
        );
    }
}

#[test]
fn every_device_is_silent_by_one_name_and_the_earlier_names_are_read() {
    let step = |device: &str, name: &str, keys: &str| {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{device}[[script]]\ndo = \"{name}\"\nfor = \"2 s\"\n{keys}"
        );
        let plan = super::parse(Path::new("t.toml"), &text);
        let plan = plan.unwrap_or_else(|error| panic!("{error}"));
        plan.script[0].what.clone()
    };
    let kinds = [
        ("changer", ""),
        ("bill-validator", ""),
        ("cashless", ""),
        ("pulse-bill-validator", "bills = [\"1.00\"]\n"),
        ("pulse-coin-acceptor", "coins = [\"1.00\"]\n"),
        ("pulse-hopper", "coin = \"0.25\"\n"),
        ("pulse-card-reader", "price = \"1.00\"\n"),
    ];
    for (kind, keys) in kinds {
        let device = format!("[[device]]\nkind = \"{kind}\"\nname = \"it\"\n{keys}");
        let silent = StepKind::Do(Action::Silent {
            device: "it".to_owned(),
            time: Micros::secs(2),
        });
        assert_eq!(step(&device, "silent", ""), silent, "{kind}");
    }
    let bridged = "[[device]]\nkind = \"bill-validator\"\nname = \"bill\"\n[[device]]\n\
                   kind = \"bridge\"\nname = \"bridge\"\nfrom = \"bill\"\n";
    step(bridged, "silent", "device = \"bridge\"\n");
    for (name, device) in [("go-silent", "changer"), ("stay-silent", "bill")] {
        let silent = StepKind::Do(Action::Silent {
            device: device.to_owned(),
            time: Micros::secs(2),
        });
        assert_eq!(step(DEVICES, name, ""), silent);
    }
}

#[test]
fn a_fault_is_for_the_bus_of_a_device() {
    let rig = "[bench]\nname = \"b\"\n[board]\n[[device]]\nkind = \"bill-validator\"\nname = \"bill\"\n\
               [[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"bill\"\n\
               [[device]]\nkind = \"cashless\"\nunit = 2\nname = \"card\"\n\
               [[device]]\nkind = \"pulse-hopper\"\nname = \"hopper\"\ncoin = \"0.25\"\n";
    let fault = |keys: &str| {
        let step = "[[script]]\ndo = \"fault\"\nkind = \"late\"\nby = \"7 ms\"\nfrom = \"board\"\n";
        let text = format!("{rig}{step}{keys}\n");
        let plan = super::parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())?;
        match &plan.script[0].what {
            StepKind::Do(Action::Fault(action)) => Ok(action.clone()),
            other => Err(format!("{other:?}")),
        }
    };
    for (name, address) in [
        ("bill", Address::BILL_VALIDATOR),
        ("card", Address::CASHLESS_2),
    ] {
        let action = fault(&format!("device = \"{name}\"")).unwrap();
        assert_eq!(action.device.as_deref(), Some(name));
        assert_eq!(action.fault.address, Some(address));
    }
    let action = fault("at = \"cashless-2\"").unwrap();
    assert_eq!(
        (action.device, action.fault.address),
        (None, Some(Address::CASHLESS_2))
    );
    for (keys, says) in [
        ("device = \"hopper\"", "hopper is on no bus"),
        ("device = \"cart\"", "did you mean \"card\""),
        ("device = \"card\"\nat = \"cashless-2\"", "leave `at` out"),
    ] {
        let error = fault(keys).unwrap_err();
        assert!(error.contains(says), "{error}");
    }
}
