//! The program's own shows with one file cut short, or with one bit flipped.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use segue::store;

use crate::mutate::Dice;
use crate::{Tally, bodies, holds, root};

/// The shows that come with the program.
const SHOWS: [&str; 2] = ["first-steps", "quarry-lanterns"];

/// What is done to a file.
#[derive(Clone, Copy)]
pub(crate) enum Tampering {
    /// What follows this byte is gone.
    Cut(usize),
    /// A bit of a byte is another.
    Flip(usize, u8),
}

impl fmt::Display for Tampering {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cut(at) => write!(f, "cut {at}"),
            Self::Flip(at, bit) => write!(f, "flip {at} {bit}"),
        }
    }
}

impl Tampering {
    pub(crate) fn of(self, bytes: &[u8]) -> Vec<u8> {
        let mut bytes = bytes.to_vec();
        match self {
            Self::Cut(at) => bytes.truncate(at),
            Self::Flip(at, bit) => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << bit;
                }
            }
        }
        bytes
    }
}

/// Every cut and every flip of some bytes.
pub(crate) fn all_of(bytes: &[u8]) -> impl Iterator<Item = Tampering> {
    let flips = (0..bytes.len()).flat_map(|at| (0..8).map(move |bit| Tampering::Flip(at, bit)));
    (0..bytes.len()).map(Tampering::Cut).chain(flips)
}

type Files = BTreeMap<String, Vec<u8>>;

/// One file of one show to be tampered with, and how.
struct Case {
    show: &'static str,
    path: String,
    tampering: Tampering,
}

impl fmt::Display for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{} {}", self.show, self.path, self.tampering)
    }
}

fn files_of(show: &str) -> Files {
    store::read_folder(&root().join("shows").join(show))
        .unwrap()
        .files
}

/// Cuts and flips at each `every` bytes of each file, beginning where the seed says; which
/// bit is flipped is the seed's too. With 1, every cut; and a flip at every byte.
pub(crate) fn shows(seed: u64, every: usize) {
    println!("shows cut and flipped: seed {seed}, at each {every} bytes");
    let shows: BTreeMap<&str, Files> = SHOWS
        .into_iter()
        .map(|show| (show, files_of(show)))
        .collect();
    let mut cases = Vec::new();
    let mut dice = Dice::new(seed, 0);
    for (show, files) in &shows {
        for (path, bytes) in files {
            let case = |tampering| Case {
                show,
                path: path.clone(),
                tampering,
            };
            let first = dice.roll(every);
            for at in (first..bytes.len()).step_by(every) {
                cases.push(case(Tampering::Cut(at)));
                cases.push(case(Tampering::Flip(at, dice.roll(8) as u8)));
            }
        }
    }
    let tally = Mutex::new(Tally::default());
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let is_good = holds(|| play(&shows[case.show], case));
                    let mut tally = tally.lock().unwrap_or_else(PoisonError::into_inner);
                    tally.count(is_good, || {
                        format!(
                            "SEGUE_CASE='{case}' cargo test --test fuzz one_case -- --ignored --nocapture"
                        )
                    });
                }
            });
        }
    });
    let tally = tally.into_inner().unwrap_or_else(PoisonError::into_inner);
    tally.end("shows cut and flipped");
}

fn play(files: &Files, case: &Case) {
    let Some(bytes) = files.get(&case.path) else {
        panic!("{case}: there is no such file");
    };
    let mut tampered = files.clone();
    // A song is played by itself, so that each case is quick.
    if case.path.starts_with("songs/") {
        tampered.retain(|path, _| {
            let is_other = path.starts_with("songs/") || path.starts_with("nights/");
            !is_other || *path == case.path
        });
    }
    tampered.insert(case.path.clone(), case.tampering.of(bytes));
    bodies::show_files(&tampered, &case.path);
}

/// One case, as its name says.
pub(crate) fn one(name: &str) {
    let words: Vec<&str> = name.split(' ').collect();
    let at = |word: &str| word.parse().expect("a number of bytes");
    let (file, tampering) = match words.as_slice() {
        [file, "cut", byte] => (file, Tampering::Cut(at(byte))),
        [file, "flip", byte, bit] => (file, Tampering::Flip(at(byte), at(bit) as u8)),
        _ => panic!("not a case: {name}"),
    };
    let found = SHOWS.into_iter().find_map(|show| {
        let path = file.strip_prefix(show)?.strip_prefix('/')?;
        Some((show, path.to_owned()))
    });
    let (show, path) = found.expect("the case names a show");
    let case = Case {
        show,
        path,
        tampering,
    };
    play(&files_of(show), &case);
}
