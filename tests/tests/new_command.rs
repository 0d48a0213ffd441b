//! `payrig new`.

use payrig_tests::cli::{payrig, payrig_in};
use std::path::Path;

const ANSWERS: &str = "name = \"Harbour Loop 17\"\ncoins = \"changer\"\nbills = \"pulses\"\n\
                       bill-values = \"1.00, 5.00\"\nbill-pulses = \"medium 1 1.00\"\ncards = \"yes\"\n\
                       selections = \"A1-E9\"\nprice = \"1.50\"\nprices = \"A 1.25; E9 3.00 2.75\"\n\
                       card-price = \"+0.10\"\n";

#[test]
fn answers_in_a_file_become_a_rig_that_runs_and_nothing_is_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("answers.toml"), ANSWERS).unwrap();
    let (rig, answers) = (path("rig.toml"), path("answers.toml"));
    let new = payrig(&["new", &rig, "--answers", &answers]);
    assert_eq!(new.code, 0, "{}", new.err);
    assert!(new.out.contains("to check"), "{}", new.out);
    let written = std::fs::read_to_string(&rig).unwrap();
    assert!(written.lines().count() < 60);
    let run = payrig(&["run", &rig, "--record", &path("recording.jsonl")]);
    assert_eq!(run.code, 0, "{}", run.out);

    let again = payrig(&["new", &rig, "--answers", &answers]);
    assert_eq!(again.code, 2);
    assert!(again.err.contains("is there already"), "{}", again.err);
    assert_eq!(std::fs::read_to_string(&rig).unwrap(), written);
    let replaced = payrig(&["new", &rig, "--answers", &answers, "--replace"]);
    assert_eq!(replaced.code, 0, "{}", replaced.err);
    let itself = payrig(&["new", &answers, "--answers", &answers, "--replace"]);
    assert_eq!(itself.code, 2);
    assert_eq!(
        std::fs::read_to_string(path("answers.toml")).unwrap(),
        ANSWERS
    );

    // What the devices of that run said of themselves, in another rig.
    let from = payrig(&[
        "new",
        &path("from.toml"),
        "--from",
        &path("recording.jsonl"),
    ]);
    assert_eq!(from.code, 0, "{}", from.err);
    let from = std::fs::read_to_string(path("from.toml")).unwrap();
    assert!(from.contains("# as it said itself"), "{from}");
    assert!(from.contains("from 1.35 to 2.75"), "{from}");
}

/// The capture is a program's that shares no code with ours; what is in it is in its `expect.json`.
#[test]
fn a_logic_capture_fills_in_what_the_devices_said() {
    let captures = concat!(env!("CARGO_MANIFEST_DIR"), "/../../captures/");
    for name in ["clean-1.vcd", "clean-1.csv"] {
        let folder = tempfile::tempdir().unwrap();
        let rig = folder.path().join("from.toml").display().to_string();
        let from = payrig(&["new", &rig, "--from", &format!("{captures}{name}")]);
        assert_eq!(from.code, 0, "{}", from.err);
        let text = std::fs::read_to_string(&rig).unwrap();
        for said in [
            "serial 000000000041",
            "{ value = \"0.25\", count = 25, capacity = 80 },",
            "bills = [\"1.00\", \"5.00\", \"10.00\", \"20.00\"]   # as it said itself",
            "level = 2 ",
            "from 0.50 to 3.00",
        ] {
            assert!(text.contains(said), "{name}: {said}: {text}");
        }
        let ran = payrig_in(folder.path(), &["run", "from.toml"]);
        assert_eq!(ran.code, 0, "{name}: {}", ran.out);
    }
}

#[test]
fn what_is_wrong_is_said_with_its_line_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (rig, answers) = (path("rig.toml"), path("answers.toml"));
    std::fs::write(
        &answers,
        "name = \"a\"\nbills = \"puls\"\ncoinz = \"none\"\n",
    )
    .unwrap();
    let new = payrig(&["new", &rig, "--answers", &answers]);
    assert_eq!(new.code, 2);
    let says = new.err;
    assert!(
        says.contains(":3: ") && says.contains("did you mean `coins`"),
        "{says}"
    );
    // Nobody is there to be asked.
    let new = payrig(&["new", &rig]);
    assert_eq!(new.code, 2);
    assert!(new.err.contains("--answers FILE"), "{}", new.err);
    assert!(!Path::new(&rig).exists());
}
