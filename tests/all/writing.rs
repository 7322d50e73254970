//! Files are looked at before they are written: what is no file, what is the show's, what is
//! the recording that is read, and what has a second name are left as they are, with words.
#![cfg(unix)]

use std::fs;
use std::os::unix::fs::{FileTypeExt, MetadataExt, symlink};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use rustix::fs::{CWD, FileType, Mode, makedev, mknodat};
use segue::replay::{Take, TakeEvent, write_recording};
use segue::store::{self, EventLog, Journal, ShowIdentity};

/// The program with a home of its own and no terminal.
fn run(home: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_segue"))
        .args(args)
        .env("XDG_STATE_HOME", home.join("state"))
        .env("XDG_CONFIG_HOME", home.join("config"))
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

/// A show of its own in a folder of one test.
fn show() -> (tempfile::TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let show = home.path().join("my-show");
    let made = run(home.path(), &["new", show.to_str().unwrap()]);
    assert!(made.status.success(), "{made:?}");
    (home, show)
}

/// The command is refused with status 2 and these words.
fn refused(output: &Output, words: &str) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains(words), "wanted `{words}`: {said}");
    assert_eq!(output.status.code(), Some(2), "{said}");
}

fn picture(home: &Path, show: &Path, out: &Path) -> Output {
    let (show, out) = (show.to_str().unwrap(), out.to_str().unwrap());
    run(home, &["picture", show, "-o", out])
}

fn replay(home: &Path, show: &Path, recording: &Path, out: &Path) -> Output {
    let [show, recording, out] = [show, recording, out].map(|path| path.to_str().unwrap());
    run(home, &["replay", show, recording, "--out", out])
}

/// Something that is no file, and what it is called.
fn strangers(folder: &Path) -> Vec<(PathBuf, &'static str)> {
    let (pipe, socket) = (folder.join("pipe"), folder.join("socket"));
    mknodat(CWD, &pipe, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
    let _ = UnixListener::bind(&socket).unwrap();
    let (inside, node) = (folder.join("folder"), folder.join("node"));
    fs::create_dir(&inside).unwrap();
    // A node of one's own needs rights that not everybody has; who has none cannot harm the
    // system's either.
    let mode = Mode::RUSR | Mode::WUSR;
    let made = mknodat(CWD, &node, FileType::CharacterDevice, mode, makedev(1, 7));
    if made.is_err() {
        symlink("/dev/full", &node).unwrap();
    }
    let link = folder.join("link");
    symlink(&node, &link).unwrap();
    vec![
        (pipe, "a pipe"),
        (socket, "a socket"),
        (node, "a device"),
        (link, "a device"),
        (inside, "a folder"),
    ]
}

#[test]
fn what_is_no_file_is_left_as_it_is() {
    let (home, show) = show();
    for (path, kind) in strangers(home.path()) {
        let before = fs::metadata(&path).unwrap();
        refused(&picture(home.path(), &show, &path), kind);
        let error = store::save(&path, b"new").unwrap_err().to_string();
        assert!(error.contains(kind), "{error}");
        let after = fs::metadata(&path).unwrap();
        assert_eq!(
            (after.ino(), after.file_type()),
            (before.ino(), before.file_type())
        );
    }
}

/// Opening a pipe to add to it would wait for a reader for ever, and a log in a device is none.
#[test]
fn logs_and_the_journal_are_files_too() {
    let home = tempfile::tempdir().unwrap();
    for (path, kind) in strangers(home.path()) {
        let error = EventLog::open(&path, 1_000).unwrap_err().to_string();
        assert!(error.contains(kind), "{error}");
    }
    let state = tempfile::tempdir().unwrap();
    let show = ShowIdentity::of_folder(home.path());
    drop(Journal::open(state.path(), show, 1).unwrap());
    let files = fs::read_dir(state.path().join("places")).unwrap();
    let paths: Vec<_> = files.map(|entry| entry.unwrap().path()).collect();
    assert_eq!(paths.len(), 2, "the journal and its lock: {paths:?}");
    for path in paths {
        fs::remove_file(&path).unwrap();
        mknodat(CWD, &path, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
        let error = Journal::open(state.path(), show, 1)
            .unwrap_err()
            .to_string();
        assert!(error.contains("a pipe"), "{error}");
        assert!(fs::metadata(&path).unwrap().file_type().is_fifo());
        fs::remove_file(&path).unwrap();
    }
}

#[test]
fn a_picture_is_no_part_of_a_show() {
    let (home, show) = show();
    let rig = show.join("rig.ron");
    let before = fs::read(&rig).unwrap();
    // By its own name, through a link, in a folder of the show, and in another show.
    let link = home.path().join("picture.svg");
    symlink(&rig, &link).unwrap();
    let other = home.path().join("other");
    assert!(
        run(home.path(), &["new", other.to_str().unwrap()])
            .status
            .success()
    );
    for path in [
        rig.clone(),
        link,
        show.join("songs/new.svg"),
        show.join("pages/deep/new.svg"),
        other.join("rig.ron"),
    ] {
        refused(&picture(home.path(), &show, &path), "the show");
        assert!(path.is_symlink() || path.ends_with("rig.ron") || !path.exists());
    }
    assert_eq!(fs::read(&rig).unwrap(), before);
    // A song that is kept elsewhere is the show's all the same.
    let song = fs::read_dir(show.join("songs"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let elsewhere = home.path().join("elsewhere.ron");
    fs::rename(&song, &elsewhere).unwrap();
    symlink(&elsewhere, &song).unwrap();
    let before = fs::read(&elsewhere).unwrap();
    refused(&picture(home.path(), &show, &elsewhere), "the show");
    assert_eq!(fs::read(&elsewhere).unwrap(), before);
    // Beside the folders of the show a picture is welcome.
    assert!(
        picture(home.path(), &show, &show.join("new.svg"))
            .status
            .success()
    );
}

#[test]
fn a_replay_never_writes_over_its_recording_or_the_show() {
    let (home, show) = show();
    let song = Take {
        name: String::new(),
        events: vec![(0, TakeEvent::Mark("step".into()))],
    };
    let bytes = write_recording(&[song]).unwrap();
    let out = home.path().join("out");
    let recording = home.path().join("evening.mid");
    fs::write(&recording, &bytes).unwrap();
    assert!(
        replay(home.path(), &show, &recording, &out)
            .status
            .success()
    );
    let files: Vec<_> = fs::read_dir(&out)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    let port = files.first().unwrap();
    // The recording has the name of a port's file; then it is reached through another name.
    fs::write(port, &bytes).unwrap();
    refused(&replay(home.path(), &show, port, &out), "the recording");
    assert_eq!(fs::read(port).unwrap(), bytes);
    fs::remove_file(port).unwrap();
    symlink(&recording, port).unwrap();
    refused(
        &replay(home.path(), &show, &recording, &out),
        "the recording",
    );
    fs::remove_file(port).unwrap();
    fs::hard_link(&recording, port).unwrap();
    refused(
        &replay(home.path(), &show, &recording, &out),
        "the recording",
    );
    assert_eq!(fs::read(&recording).unwrap(), bytes);
    // No port's file is written when one of them cannot be.
    let songs = show.join("songs");
    let before = fs::read_dir(&songs).unwrap().count();
    refused(&replay(home.path(), &show, &recording, &songs), "the show");
    assert_eq!(fs::read_dir(&songs).unwrap().count(), before);
}

/// A save takes the name from the old file: the other name would keep the old bytes.
#[test]
fn a_file_of_several_names_is_refused() {
    let (home, show) = show();
    let (one, two) = (home.path().join("one.svg"), home.path().join("two.svg"));
    fs::write(&one, "mine").unwrap();
    fs::hard_link(&one, &two).unwrap();
    refused(&picture(home.path(), &show, &one), "2 names");
    let error = store::save(&two, b"new").unwrap_err().to_string();
    assert!(error.contains("2 names"), "{error}");
    assert_eq!(fs::read(&one).unwrap(), b"mine");
    assert_eq!(
        fs::metadata(&one).unwrap().ino(),
        fs::metadata(&two).unwrap().ino()
    );
}
