//! A disk that loses what was not synced: made of what a program did to its files (`tests/c/told_disk.c`),
//! with the power cut after any operation of it.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

/// One operation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Done {
    /// A name was given to an inode that may be new.
    Create(u64, PathBuf),
    /// Bytes were written.
    Write(u64, usize, Vec<u8>),
    /// A file was cut, or made longer.
    Cut(u64, usize),
    /// A file was synced.
    Sync(u64),
    /// A folder was synced.
    SyncFolder(PathBuf),
    /// A folder was made.
    Folder(PathBuf),
    /// A file was renamed.
    Rename(PathBuf, PathBuf),
    /// A name was removed.
    Remove(PathBuf),
    /// Something was printed.
    Print(String),
}

fn bytes(hex: &str) -> Vec<u8> {
    let digit = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    (0..hex.len()).step_by(2).map(digit).collect()
}

fn text(hex: &str) -> String {
    String::from_utf8(bytes(hex)).unwrap()
}

/// Reads what was written down.
///
/// # Panics
/// When a line is not understood, or something was done that is not modelled.
#[must_use]
pub(super) fn read(log: &str) -> Vec<Done> {
    let done = |line: &str| {
        let mut fields = line.split(' ');
        let what = fields.next().unwrap();
        let fields: Vec<&str> = fields.collect();
        let inode = || fields[0].parse().unwrap();
        let number = |at: usize| fields[at].parse::<usize>().unwrap();
        let path = |at: usize| PathBuf::from(text(fields[at]));
        match what {
            "C" => Done::Create(inode(), path(1)),
            "W" => Done::Write(inode(), number(1), bytes(fields[2])),
            "T" => Done::Cut(inode(), number(1)),
            "S" => Done::Sync(inode()),
            "D" => Done::SyncFolder(path(0)),
            "M" => Done::Folder(path(0)),
            "R" => Done::Rename(path(0), path(1)),
            "U" => Done::Remove(path(0)),
            // Cut in the middle of a character, perhaps.
            "P" => Done::Print(String::from_utf8_lossy(&bytes(fields[0])).into_owned()),
            _ => panic!("not modelled: {line}"),
        }
    };
    log.lines().map(done).collect()
}

#[derive(Clone, Debug)]
enum Change {
    Write(usize, Vec<u8>),
    Cut(usize),
}

impl Change {
    fn make(&self, content: &mut Vec<u8>) {
        match self {
            Self::Write(at, bytes) => {
                let end = at + bytes.len();
                content.resize(content.len().max(end), 0);
                content[*at..end].copy_from_slice(bytes);
            }
            Self::Cut(length) => content.resize(*length, 0),
        }
    }
}

/// A file: what is on the disk, and what was done to it since it was synced.
#[derive(Clone, Debug, Default)]
struct File {
    kept: Vec<u8>,
    since: Vec<Change>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Node {
    Folder,
    File(usize),
}

/// A change of names that its folder's sync makes last, all of it or nothing.
#[derive(Clone, Debug)]
struct Naming {
    folder: PathBuf,
    gone: Option<PathBuf>,
    there: Option<(PathBuf, Node)>,
}

impl Naming {
    fn make(&self, names: &mut BTreeMap<PathBuf, Node>) {
        if let Some(gone) = &self.gone {
            names.remove(gone);
        }
        if let Some((path, node)) = &self.there {
            names.insert(path.clone(), *node);
        }
    }
}

/// The disk.
#[derive(Clone, Debug, Default)]
pub(super) struct Disk {
    files: Vec<File>,
    /// The file that an inode is now: numbers are used again.
    inodes: HashMap<u64, usize>,
    /// Names as the program sees them.
    names: BTreeMap<PathBuf, Node>,
    /// Names that are on the disk.
    kept: BTreeMap<PathBuf, Node>,
    since: Vec<Naming>,
}

impl Disk {
    /// The program does something.
    pub(super) fn take(&mut self, done: &Done) {
        match done {
            Done::Create(inode, path) => {
                let known = self.inodes.get(inode).copied();
                if known.is_some_and(|file| self.names.get(path) == Some(&Node::File(file))) {
                    return;
                }
                let file = self.files.len();
                self.files.push(File::default());
                self.inodes.insert(*inode, file);
                self.name(None, Some((path.clone(), Node::File(file))));
            }
            Done::Write(inode, at, bytes) => self.change(*inode, Change::Write(*at, bytes.clone())),
            Done::Cut(inode, length) => self.change(*inode, Change::Cut(*length)),
            Done::Sync(inode) => {
                if let Some(file) = self.inodes.get(inode).and_then(|f| self.files.get_mut(*f)) {
                    for change in std::mem::take(&mut file.since) {
                        change.make(&mut file.kept);
                    }
                }
            }
            Done::SyncFolder(folder) => {
                let (here, elsewhere) = std::mem::take(&mut self.since)
                    .into_iter()
                    .partition(|naming| naming.folder == *folder);
                self.since = elsewhere;
                let here: Vec<Naming> = here;
                here.iter().for_each(|naming| naming.make(&mut self.kept));
            }
            Done::Folder(path) => self.name(None, Some((path.clone(), Node::Folder))),
            Done::Rename(from, to) => {
                let node = self.names[from];
                self.name(Some(from.clone()), Some((to.clone(), node)));
            }
            Done::Remove(path) => self.name(Some(path.clone()), None),
            Done::Print(_) => {}
        }
    }

    fn change(&mut self, inode: u64, change: Change) {
        let file = self.inodes[&inode];
        self.files[file].since.push(change);
    }

    fn name(&mut self, gone: Option<PathBuf>, there: Option<(PathBuf, Node)>) {
        let path = there.as_ref().map(|(path, _)| path).or(gone.as_ref());
        let folder = path.and_then(|p| p.parent()).unwrap().to_owned();
        let naming = Naming {
            folder,
            gone,
            there,
        };
        naming.make(&mut self.names);
        self.since.push(naming);
    }

    /// The power is cut now: what is in the folder afterwards, by relative path. Nothing that was not
    /// synced is there with `luck` None; otherwise a part of it, and which part is the number's.
    #[must_use]
    pub(super) fn after_power_cut(
        &self,
        folder: &Path,
        luck: Option<u64>,
    ) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut luck = luck;
        let mut lucky = || {
            let Some(state) = &mut luck else { return false };
            // Knuth's MMIX generator; the high bits are the good ones.
            *state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            *state >> 63 == 1
        };
        let mut names = self.kept.clone();
        for naming in &self.since {
            if lucky() {
                naming.make(&mut names);
            }
        }
        let there = |path: &Path| {
            let mut above = path.ancestors().skip(1).take_while(|a| *a != folder);
            above.all(|a| names.get(a) == Some(&Node::Folder))
        };
        let mut left = BTreeMap::new();
        for (path, node) in &names {
            let Node::File(file) = node else { continue };
            if !there(path) {
                continue;
            }
            let mut content = self.files[*file].kept.clone();
            for change in &self.files[*file].since {
                if lucky() {
                    change.make(&mut content);
                }
            }
            left.insert(path.strip_prefix(folder).unwrap().to_owned(), content);
        }
        left
    }
}

#[test]
fn what_was_not_synced_is_lost_and_what_was_is_not() {
    let (root, folder) = (Path::new("/r"), PathBuf::from("/r"));
    let path = |name: &str| folder.join(name);
    let mut disk = Disk::default();
    for done in [
        Done::Create(1, path("a")),
        Done::Write(1, 0, b"one".to_vec()),
        Done::Sync(1),
    ] {
        disk.take(&done);
    }
    assert!(
        disk.after_power_cut(root, None).is_empty(),
        "its name is not"
    );
    disk.take(&Done::SyncFolder(folder.clone()));
    disk.take(&Done::Write(1, 3, b"two".to_vec()));
    let kept = |disk: &Disk, name: &str| {
        disk.after_power_cut(root, None)
            .get(Path::new(name))
            .cloned()
    };
    assert_eq!(kept(&disk, "a"), Some(b"one".to_vec()));
    disk.take(&Done::Sync(1));
    disk.take(&Done::Rename(path("a"), path("b")));
    assert_eq!(kept(&disk, "a"), Some(b"onetwo".to_vec()));
    assert_eq!(kept(&disk, "b"), None);
    disk.take(&Done::SyncFolder(folder.clone()));
    assert_eq!(
        (kept(&disk, "a"), kept(&disk, "b")),
        (None, Some(b"onetwo".to_vec()))
    );
    disk.take(&Done::Remove(path("b")));
    assert!(kept(&disk, "b").is_some(), "it comes back");
    // The number of a removed file is used again.
    disk.take(&Done::Create(1, path("c")));
    disk.take(&Done::SyncFolder(folder.clone()));
    assert_eq!(
        (kept(&disk, "b"), kept(&disk, "c")),
        (None, Some(Vec::new()))
    );
    // In a folder whose own name is not on the disk nothing is.
    disk.take(&Done::Folder(path("d")));
    disk.take(&Done::Create(2, path("d/e")));
    disk.take(&Done::SyncFolder(path("d")));
    assert_eq!(kept(&disk, "d/e"), None);
    disk.take(&Done::SyncFolder(folder));
    assert_eq!(kept(&disk, "d/e"), Some(Vec::new()));
}
