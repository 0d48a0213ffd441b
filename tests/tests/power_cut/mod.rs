//! What is said to be on the disk is there after a power cut: the command line runs on a disk that is
//! told everything (`tests/c/told_disk.c`, loaded before the C library), and the power is cut after each
//! operation. What was not synced by then is lost, or, by chance, a part of it is not.
#![cfg(target_os = "linux")]

mod disk;

use disk::{Disk, Done};
use payrig_tests::cli::{binary, file, payrig_in};
use payrig_tickets::Store;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Of what was not synced: nothing is left, or by chance some.
const LUCK: [Option<u64>; 4] = [None, Some(1), Some(7), Some(12_345)];

type Left = BTreeMap<PathBuf, Vec<u8>>;

/// The disk that is told; None, said aloud, where there is no C compiler.
fn told_disk(folder: &Path) -> Option<PathBuf> {
    let library = folder.join("told_disk.so");
    let compiled = Command::new("cc")
        .args(["-Wall", "-O1", "-shared", "-fPIC", "-o"])
        .args([&library, &file("tests/c/told_disk.c")])
        .args(["-ldl", "-lpthread"])
        .output();
    let Ok(compiled) = compiled else {
        println!("SKIPPED power_cut: there is no C compiler (cc)");
        return None;
    };
    let error = String::from_utf8_lossy(&compiled.stderr);
    assert!(compiled.status.success() && error.is_empty(), "{error}");
    Some(library)
}

/// A folder on that disk.
struct Told {
    _aside: tempfile::TempDir,
    folder: tempfile::TempDir,
    library: PathBuf,
    log: PathBuf,
}

impl Told {
    fn new() -> Option<Self> {
        let aside = tempfile::tempdir().unwrap();
        let library = told_disk(aside.path())?;
        Some(Self {
            folder: tempfile::tempdir().unwrap(),
            log: aside.path().join("log"),
            library,
            _aside: aside,
        })
    }

    /// The folder by the name that the disk is told of.
    fn path(&self) -> PathBuf {
        self.folder.path().canonicalize().unwrap()
    }

    /// Runs the command line in it.
    fn payrig(&self, arguments: &[&str]) -> i32 {
        let status = Command::new(binary())
            .args(arguments)
            .current_dir(self.path())
            .env_remove("PAYRIG_LOG")
            .env("LD_PRELOAD", &self.library)
            .env("PAYRIG_DISK_FOLDER", self.path())
            .env("PAYRIG_DISK_LOG", &self.log)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status();
        status.unwrap().code().unwrap()
    }

    fn done(&self) -> Vec<Done> {
        disk::read(&std::fs::read_to_string(&self.log).unwrap())
    }

    /// Cuts the power after each operation: what had been printed by then, and what is left.
    fn cut(&self, mut after: impl FnMut(usize, &str, &Left)) {
        let (mut disk, mut printed) = (Disk::default(), String::new());
        let mut seen = BTreeSet::new();
        for (number, done) in self.done().iter().enumerate() {
            disk.take(done);
            if let Done::Print(text) = done {
                printed += text;
            }
            for luck in LUCK {
                let left = disk.after_power_cut(&self.path(), luck);
                // The same again, and no more promised: nothing new.
                if seen.insert((printed.len(), left.clone())) {
                    after(number, &printed, &left);
                }
            }
        }
        assert!(seen.len() > 10, "{}", seen.len());
    }
}

/// What is left, in a folder of its own.
fn put(left: &Left) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (path, content) in left {
        let path = folder.path().join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, content).unwrap();
    }
    folder
}

/// A ticket that was announced is there, whole, wherever the power is cut after that; and whatever is
/// left opens, and takes tickets.
#[test]
fn a_ticket_that_was_announced_outlives_a_power_cut() {
    let Some(told) = Told::new() else { return };
    for _ in 0..2 {
        let code = told.payrig(&[
            "examine",
            "board",
            "--only",
            "first-command",
            "--ticket",
            "--db",
            "of/the/shop.sqlite",
        ]);
        assert_eq!(code, 0);
    }
    let mut most = 0;
    told.cut(|number, printed, left| {
        let announced = printed.matches(" in of/the/shop.sqlite").count();
        let folder = put(left);
        let path = folder.path().join("of/the/shop.sqlite");
        let store = Store::open(&path).unwrap_or_else(|e| panic!("operation {number}: {e}"));
        let rows = store.list(None).unwrap();
        assert!(
            rows.len() >= announced,
            "operation {number}: {} of {announced} tickets are left",
            rows.len()
        );
        for row in rows {
            assert_eq!(store.get(row.id).unwrap().examination.checks.len(), 1);
        }
        most = most.max(announced);
    });
    assert_eq!(most, 2);
}

/// A recording whose SHA-256 was said is there, whole; one whose writer had not ended does not pass; its
/// name and header are there as soon as anything has happened. A report that was announced is there, and
/// the earlier one until then.
#[test]
fn what_an_examination_has_written_outlives_a_power_cut() {
    let Some(told) = Told::new() else { return };
    let examine = |only: &str, recording: &str| {
        let code = told.payrig(&[
            "examine", "board", "--only", only, "--json", "it.json", "--record", recording,
        ]);
        assert_eq!(code, 0);
        std::fs::read(told.path().join("it.json")).unwrap()
    };
    let reports = [
        examine("first-command", "one.jsonl"),
        examine("command-checksums", "two.jsonl"),
    ];
    let recording = std::fs::read(told.path().join("two.jsonl")).unwrap();
    let report: serde_json::Value = serde_json::from_slice(&reports[1]).unwrap();
    let hash = report["recording_sha256"].as_str().unwrap().to_owned();
    let mut written = 0;
    let (mut begun, mut ended, mut torn, mut announced) = (0, 0, BTreeSet::new(), 0);
    let operations = told.done();
    told.cut(|number, printed, left| {
        let of = |name: &str| left.get(Path::new(name));
        let wrote = printed.matches("wrote it.json").count();
        match (wrote, of("it.json")) {
            (0, None) => {}
            (0 | 1, Some(report)) => {
                assert!(reports.contains(report), "operation {number}: torn");
            }
            (_, report) => {
                announced += 1;
                assert_eq!(report, Some(&reports[1]), "operation {number}");
            }
        }
        let is_of_it = |done: &&Done| matches!(done, Done::Write(_, at, _) if *at > 0);
        written = operations[..number]
            .iter()
            .rev()
            .take_while(is_of_it)
            .count();
        if written > 0 {
            begun += 1;
            // Of the first or the second, whichever is being written.
            let headers = left
                .values()
                .filter(|c| c.starts_with(b"{\"type\":\"header\""))
                .count();
            assert!(headers > 0, "operation {number}: no header");
        }
        match of("two.jsonl") {
            Some(content) if *content == recording => ended += 1,
            Some(content) => {
                assert!(!printed.contains(&hash), "operation {number}: not whole");
                torn.insert(content.clone());
            }
            None => assert!(!printed.contains(&hash), "operation {number}: gone"),
        }
    });
    assert!(begun > 0 && ended > 0 && announced > 0 && !torn.is_empty());
    // What is left of one that had not ended does not pass: a part of them, for they are many.
    let step = torn.len().div_ceil(25);
    for content in torn.iter().step_by(step) {
        let folder = put(&Left::from([(PathBuf::from("it.jsonl"), content.clone())]));
        let read = payrig_in(folder.path(), &["read", "it.jsonl"]);
        assert_ne!(read.code, 0, "{}", read.out);
    }
}

/// A run that has ended has its recording on the disk.
#[test]
fn the_recording_of_a_run_outlives_a_power_cut_after_it() {
    let Some(told) = Told::new() else { return };
    let code = told.payrig(&["run", "--record", "it.jsonl"]);
    assert_eq!(code, 0);
    let whole = std::fs::read(told.path().join("it.jsonl")).unwrap();
    let mut disk = Disk::default();
    told.done().iter().for_each(|done| disk.take(done));
    for luck in LUCK {
        let left = disk.after_power_cut(&told.path(), luck);
        assert_eq!(left.get(Path::new("it.jsonl")), Some(&whole), "{luck:?}");
    }
}
