//! The initialization sequence (section 6.3, RESET): nothing above the validator's level, nothing
//! that is not used.

use super::*;
use payrig_controller::BillPolicy;
use payrig_mdb::bill::RecyclerUse;

fn commands(set: &Set) -> Vec<String> {
    let mut talk = set.talk();
    talk.retain(|n| n.starts_with("> "));
    talk.iter().map(|n| n[2..].to_owned()).collect()
}

#[test]
fn level_1() {
    assert_eq!(
        commands(&plain()),
        [
            "POLL",
            "SETUP",
            "EXPANSION IDENTIFICATION",
            "STACKER",
            "BILL TYPE"
        ]
    );
}

/// 37H-02H instead of 37H-00H; FEATURE ENABLE only where something offered is used.
#[test]
fn level_2_without_anything_to_enable() {
    for config in [
        BillConfig {
            level: 2,
            ..BillConfig::default()
        },
        super::recycler::config(),
    ] {
        let set = set(|_| {}, config, Quirks::default());
        assert_eq!(
            commands(&set),
            [
                "POLL",
                "SETUP",
                "EXPANSION IDENTIFICATION WITH OPTION BITS",
                "STACKER",
                "BILL TYPE"
            ]
        );
    }
}

#[test]
fn a_recycler_that_is_used() {
    let set = set(
        super::recycler::by_type,
        super::recycler::config(),
        Quirks::default(),
    );
    let mut said = commands(&set);
    said.retain(|n| n != "POLL");
    assert_eq!(
        said[..8],
        [
            "SETUP",
            "EXPANSION IDENTIFICATION WITH OPTION BITS",
            "EXPANSION FEATURE ENABLE",
            "RECYCLER SETUP",
            "RECYCLER ENABLE",
            "STACKER",
            "BILL TYPE",
            "BILL DISPENSE STATUS"
        ]
    );
    let words = set.bench.words();
    assert!(
        words.contains(&"> 37* 01 00 00 00 02 3A".to_owned()),
        "b1 only"
    );
    // Types 0 and 1 for manual dispense; all fit bills of these types to the recycler (03H).
    let enable = "> 37* 04 00 03 03 03 00 00 00 00 00 00 00 00 00 00 00 00 00 00 44";
    assert!(words.contains(&enable.to_owned()), "{words:?}");
}

/// A level 1 validator cannot be asked to recycle.
#[test]
fn bill_change_with_a_validator_that_is_no_recycler() {
    let mut set = set(
        super::recycler::by_type,
        BillConfig::default(),
        Quirks::default(),
    );
    assert!(!commands(&set).contains(&"EXPANSION FEATURE ENABLE".to_owned()));
    set.insert(0);
    set.run(4_000);
    set.bench.press_return();
    set.run(2_000);
    assert!(set.bench.master().is_quiet());
    set.expect(100, 100);
}

/// Section 6.3, 32H: Y1-Y2 are the types of high security.
#[test]
fn security_is_sent_where_it_is_configured() {
    let policy = BillPolicy {
        high_security: Some(vec![Money(1_000), Money(2_000)]),
        ..BillPolicy::default()
    };
    let set = set(
        |b| b.bills = policy,
        BillConfig::default(),
        Quirks::default(),
    );
    assert_eq!(
        commands(&set)[..4],
        ["POLL", "SETUP", "SECURITY", "EXPANSION IDENTIFICATION"]
    );
    assert!(set.bench.words().contains(&"> 32* 00 0C 3E".to_owned()));
}

/// Section 6.3, 34H, Y3-Y4: no type is held in escrow; the bill is credited when it is stacked.
#[test]
fn bills_are_stacked_at_once_where_it_is_configured() {
    let mut set = set(
        |b| b.bills.no_escrow = true,
        BillConfig::default(),
        Quirks::default(),
    );
    assert!(
        set.bench
            .words()
            .contains(&"> 34* 00 0F 00 00 43".to_owned())
    );
    set.insert(0);
    set.run(4_000);
    assert_eq!(
        (set.said("> ESCROW"), set.said("< ESCROW POSITION")),
        (0, 0)
    );
    set.expect(100, 100);
}

/// Section 6.3, 37H-04H: switches off, and which bills go to the recycler.
#[test]
fn what_the_recycler_takes_is_configured() {
    for (recycle, byte) in [
        (Some(RecyclerUse::Disabled), "00"),
        (Some(RecyclerUse::High), "01"),
        (Some(RecyclerUse::HighAndMedium), "02"),
        (None, "03"),
    ] {
        let policy = BillPolicy {
            change: payrig_controller::BillChange::ByType,
            recycle,
            no_manual_dispense: true,
            ..BillPolicy::default()
        };
        let set = set(
            |b| b.bills = policy,
            super::recycler::config(),
            Quirks::default(),
        );
        let rest = "00 ".repeat(13);
        let start = format!("> 37* 04 00 00 {byte} {byte} 00 {rest}");
        let words = set.bench.words();
        assert!(words.iter().any(|w| w.starts_with(&start)), "{words:#?}");
    }
}
