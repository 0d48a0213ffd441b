//! No output replaces an input, the file of tickets, another output or an earlier recording, whatever it
//! is called.

use super::{LONG, command, lines_of, until, verdicts};
use payrig_tests::cli::payrig_in;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// A shop: a rig, a saved examination, a file of tickets, a recording.
fn shop() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let short = LONG.replace("3500 s", "1 s");
    fs::write(folder.path().join("rig.toml"), short).unwrap();
    fs::create_dir(folder.path().join("sub")).unwrap();
    let run = |arguments: &[&str]| {
        let ran = payrig_in(folder.path(), arguments);
        assert_eq!(ran.code, 0, "{arguments:?}: {}", ran.err);
    };
    run(&["run", "rig.toml", "--record", "old.jsonl"]);
    let examine = ["examine", "board", "--only", "first-command"];
    run(&[
        &examine[..],
        &["--json", "it.json", "--ticket", "--db", "db"],
    ]
    .concat());
    folder
}

fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let files = fs::read_dir(folder).unwrap().map(|e| e.unwrap());
    let files = files.filter(|e| e.path().is_file());
    files
        .map(|e| {
            (
                e.file_name().into_string().unwrap(),
                fs::read(e.path()).unwrap(),
            )
        })
        .collect()
}

/// Every name of a file: as it is, by a relative and an absolute path, by links.
fn names(folder: &Path, file: &str) -> Vec<String> {
    let there = folder.join(file).exists();
    let soft = format!("soft-{file}");
    let softer = format!("sub/softer-{file}");
    let _ = std::os::unix::fs::symlink(file, folder.join(&soft));
    let _ = std::os::unix::fs::symlink(format!("../{soft}"), folder.join(&softer));
    let mut names = vec![
        file.to_owned(),
        format!("./{file}"),
        format!("sub/../{file}"),
        folder.join(file).to_str().unwrap().to_owned(),
        soft,
        softer,
    ];
    if there {
        let hard = format!("hard-{file}");
        let _ = fs::hard_link(folder.join(file), folder.join(&hard));
        names.push(hard);
    }
    names
}

/// The commands, with `IN` where a file is read or kept in, and `OUT` where one is written.
#[test]
fn no_output_replaces_an_input_by_any_name() {
    let examine = "examine board --only first-command";
    let cases = [
        ("rig.toml", "run IN --record OUT --overwrite"),
        ("rig.toml", "EXAMINE --rig IN --record OUT --overwrite"),
        ("rig.toml", "EXAMINE --rig IN --html OUT"),
        ("rig.toml", "EXAMINE --rig IN --junit OUT"),
        ("rig.toml", "EXAMINE --rig IN --json OUT"),
        ("rig.toml", "EXAMINE --rig IN --ticket --db OUT"),
        ("db", "EXAMINE --ticket --db IN --html OUT"),
        ("db", "EXAMINE --ticket --db IN --junit OUT"),
        ("db", "EXAMINE --ticket --db IN --json OUT"),
        ("db", "EXAMINE --ticket --db IN --record OUT --overwrite"),
        ("it.json", "report IN --html OUT"),
        ("it.json", "report IN --junit OUT"),
        ("it.json", "report IN --json OUT"),
        ("db", "tickets --db IN export --csv OUT"),
        ("db", "tickets --db IN show 1 --html OUT"),
        ("db", "tickets --db IN show 1 --junit OUT"),
        ("db", "tickets --db IN show 1 --json OUT"),
        ("it.json", "tickets --db OUT add IN"),
        // What nobody named as an input, but no report replaces.
        ("db", "report it.json --html OUT"),
        ("old.jsonl", "report it.json --html OUT"),
        ("db", "run rig.toml --record OUT --overwrite"),
        ("rig.toml", "run --record OUT --overwrite"),
        ("old.jsonl", "run rig.toml --record OUT"),
        ("old.jsonl", "EXAMINE --record OUT"),
        ("old.jsonl", "tickets --db db export --csv OUT"),
    ];
    let folder = shop();
    let before = contents(folder.path());
    for (file, line) in cases {
        for name in names(folder.path(), file) {
            let line = line.replace("EXAMINE", examine);
            let words: Vec<&str> = line
                .split(' ')
                .map(|word| match word {
                    "IN" => file,
                    "OUT" => &name,
                    word => word,
                })
                .collect();
            let ran = payrig_in(folder.path(), &words);
            assert_eq!(ran.code, 2, "{words:?}: {}{}", ran.out, ran.err);
            assert!(ran.err.contains(&name), "{words:?}: {}", ran.err);
            for (kept, bytes) in &before {
                let now = fs::read(folder.path().join(kept)).unwrap();
                assert!(now == *bytes, "{kept} after {words:?}");
            }
        }
    }
}

#[test]
fn no_output_replaces_another_output_by_any_name() {
    let outputs = ["--html", "--junit", "--json", "--record", "--db"];
    for (index, one) in outputs.iter().enumerate() {
        for other in &outputs[index + 1..] {
            let folder = tempfile::tempdir().unwrap();
            fs::create_dir(folder.path().join("sub")).unwrap();
            for name in names(folder.path(), "both") {
                for (first, second) in [("both", name.as_str()), (&name, "both")] {
                    let mut line = vec!["examine", "board", "--only", "first-command"];
                    line.extend([*one, first, *other, second]);
                    if line.contains(&"--db") {
                        line.push("--ticket");
                    }
                    let ran = payrig_in(folder.path(), &line);
                    assert_eq!(ran.code, 2, "{line:?}: {}", ran.err);
                    assert!(
                        ran.err.contains("give each a file of its own"),
                        "{}",
                        ran.err
                    );
                    let made = contents(folder.path());
                    assert!(made.is_empty(), "{line:?}: {:?}", made.keys());
                }
            }
        }
    }
}

#[test]
fn what_is_told_apart_is_not_refused() {
    let folder = shop();
    let run = |line: &str| {
        let words: Vec<&str> = line.split(' ').collect();
        let ran = payrig_in(folder.path(), &words);
        assert_eq!(ran.code, 0, "{line}: {}", ran.err);
        ran
    };
    // An earlier report is replaced, a link stays a link, /dev/null takes anything.
    fs::write(folder.path().join("old.html"), "old").unwrap();
    std::os::unix::fs::symlink("old.html", folder.path().join("link.html")).unwrap();
    run("report it.json --html link.html --junit /dev/null --json /dev/null");
    assert!(folder.path().join("link.html").is_symlink());
    assert!(
        fs::read_to_string(folder.path().join("old.html"))
            .unwrap()
            .contains("</html>")
    );
    run("run rig.toml --record /dev/null");
    run("run rig.toml --record old.jsonl --overwrite");
    // Reading what is written by nobody is no conflict.
    run("tickets --db db export --csv -");
    run("read old.jsonl");
}

#[test]
fn the_default_recording_takes_the_next_free_name() {
    let folder = shop();
    fs::write(folder.path().join("rig-2.recording.jsonl"), "somebody's").unwrap();
    let names = ["rig", "rig-3", "rig-4"].map(|n| format!("{n}.recording.jsonl"));
    let mut kept = Vec::new();
    for name in &names {
        let ran = payrig_in(folder.path(), &["run", "rig.toml"]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        assert!(
            ran.out.contains(&format!("Recording: {name}")),
            "{}",
            ran.out
        );
        kept.push(fs::read(folder.path().join(name)).unwrap());
    }
    assert_eq!(
        fs::read_to_string(folder.path().join("rig-2.recording.jsonl")).unwrap(),
        "somebody's"
    );
    for (name, bytes) in names.iter().zip(&kept) {
        assert_eq!(fs::read(folder.path().join(name)).unwrap(), *bytes);
    }
    // Asked to, it replaces the first; nothing else has another name then.
    let again = payrig_in(
        folder.path(),
        &["run", "rig.toml", "--overwrite", "--seed", "9"],
    );
    assert!(
        again.out.contains("Recording: rig.recording.jsonl"),
        "{}",
        again.out
    );
    assert_ne!(fs::read(folder.path().join(&names[0])).unwrap(), kept[0]);
    assert!(!folder.path().join("rig-5.recording.jsonl").exists());
}

#[test]
fn a_recording_that_another_run_is_writing_is_locked() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("rig.toml"), LONG).unwrap();
    fs::create_dir(folder.path().join("sub")).unwrap();
    let run = ["run", "rig.toml", "--pace", "real", "--record", "it.jsonl"];
    let mut first = command(folder.path(), &run).spawn().unwrap();
    let (_, rest) = until(first.stdout.take().unwrap(), "meaning");
    for name in names(folder.path(), "it.jsonl") {
        for second in [
            vec![
                "run",
                "rig.toml",
                "--limit",
                "1",
                "--record",
                &name,
                "--overwrite",
            ],
            vec![
                "examine",
                "board",
                "--only",
                "first-command",
                "--record",
                &name,
                "--overwrite",
            ],
        ] {
            let ran = payrig_in(folder.path(), &second);
            assert_eq!(ran.code, 2, "{second:?}: {}", ran.out);
            assert!(
                ran.err.contains("another run is writing this recording"),
                "{}",
                ran.err
            );
        }
    }
    super::signal(&first, "TERM");
    // Its script was not played to the end.
    assert_eq!(
        first.wait().unwrap().code(),
        Some(1),
        "{}",
        rest.join().unwrap()
    );
    assert_eq!(verdicts(&lines_of(&folder.path().join("it.jsonl"))), 1);
}
