//! Files: what belongs to a show, saves that are whole, and a journal that survives.

use std::fs;
use std::path::Path;

use segue::store::{
    EventLog, Journal, LOCK_ATTEMPTS, MAX_FILE_BYTES, MAX_JOURNAL_BYTES, PositionRecord,
    ShowIdentity, StoreError, read_folder, save,
};
use tempfile::{TempDir, tempdir};

fn write(folder: &Path, name: &str, text: &str) {
    let path = folder.join(name);
    fs::create_dir_all(path.parent().expect("a folder")).expect("folders");
    fs::write(path, text).expect("a file");
}

#[test]
fn a_show_is_what_belongs_to_it_and_nothing_else() {
    let show = tempdir().expect("a folder");
    let belongs = [
        "nights/friday.ron",
        "pages/tide/1.txt",
        "pages/tide/deep/2.txt",
        "patches/rack.csv",
        "rig.ron",
        "songs/tide.ron",
    ];
    let foreign = [
        "README.md",
        "songs/tide.ron~",
        "songs/notes.txt",
        "songs/old/tide.ron",
        "songs/.tide.ron.77-0.saving",
        "patches/rack.ron",
        "pages/.hidden",
        "extra/rig.ron",
    ];
    for name in belongs.iter().chain(&foreign) {
        write(show.path(), name, name);
    }
    let contents = read_folder(show.path()).expect("the folder");
    assert!(contents.unread.is_empty(), "{:?}", contents.unread);
    let names: Vec<&str> = contents.files.keys().map(String::as_str).collect();
    assert_eq!(names, belongs);
    assert!(
        contents
            .files
            .iter()
            .all(|(name, bytes)| name.as_bytes() == bytes)
    );
}

#[test]
fn an_empty_folder_is_an_empty_show_and_no_folder_is_an_error() {
    let show = tempdir().expect("a folder");
    let contents = read_folder(show.path()).expect("the folder");
    assert!(contents.files.is_empty() && contents.unread.is_empty());
    let missing = show.path().join("missing");
    let error = read_folder(&missing).expect_err("no folder").to_string();
    assert!(
        error.contains("missing: cannot read the show folder"),
        "{error}"
    );
    write(show.path(), "rig.ron", "");
    let error = read_folder(&show.path().join("rig.ron")).expect_err("a file");
    assert!(error.to_string().contains("not a folder"), "{error}");
}

#[test]
fn of_a_file_that_is_too_large_just_too_much_is_read() {
    let show = tempdir().expect("a folder");
    let large = fs::File::create(show.path().join("rig.ron")).expect("a file");
    large.set_len(MAX_FILE_BYTES * 4).expect("a length");
    let contents = read_folder(show.path()).expect("the folder");
    assert_eq!(contents.files["rig.ron"].len() as u64, MAX_FILE_BYTES + 1);
}

#[cfg(unix)]
mod links {
    use super::*;
    use std::os::unix::fs::{PermissionsExt, symlink};

    fn mode(path: &Path) -> u32 {
        fs::metadata(path).expect("a file").permissions().mode() & 0o7777
    }

    #[test]
    fn links_are_followed_and_a_bad_one_costs_one_file() {
        let elsewhere = tempdir().expect("a folder");
        write(elsewhere.path(), "tide.ron", "tide");
        let show = tempdir().expect("a folder");
        write(show.path(), "songs/own.ron", "own");
        symlink(
            elsewhere.path().join("tide.ron"),
            show.path().join("songs/tide.ron"),
        )
        .expect("a link");
        symlink("nowhere", show.path().join("songs/lost.ron")).expect("a link");
        fs::create_dir(show.path().join("pages")).expect("a folder");
        symlink("..", show.path().join("pages/up")).expect("a link");
        let contents = read_folder(show.path()).expect("the folder");
        assert_eq!(contents.files["songs/tide.ron"], b"tide");
        assert_eq!(contents.files["songs/own.ron"], b"own");
        let unread: Vec<String> = contents.unread.values().map(ToString::to_string).collect();
        assert!(
            unread
                .iter()
                .any(|words| words.contains("songs/lost.ron: cannot read the file")),
            "{unread:?}"
        );
        // The link that leads back up ends somewhere, with words.
        assert!(
            unread.iter().any(|words| words.contains("nested too deep")),
            "{unread:?}"
        );
    }

    #[test]
    fn a_pipe_is_not_waited_for() {
        let show = tempdir().expect("a folder");
        fs::create_dir(show.path().join("songs")).expect("a folder");
        rustix::fs::mknodat(
            rustix::fs::CWD,
            show.path().join("songs/pipe.ron"),
            rustix::fs::FileType::Fifo,
            rustix::fs::Mode::RUSR,
            0,
        )
        .expect("a pipe");
        let contents = read_folder(show.path()).expect("the folder");
        assert!(
            contents.unread["songs/pipe.ron"]
                .to_string()
                .contains("not a file")
        );
    }

    #[test]
    fn a_save_keeps_the_mode_and_leaves_links_links() {
        let folder = tempdir().expect("a folder");
        let real = folder.path().join("real.ron");
        for kept in [0o664, 0o600, 0o755] {
            fs::write(&real, "old").expect("a file");
            fs::set_permissions(&real, fs::Permissions::from_mode(kept)).expect("a mode");
            let link = folder.path().join(format!("link-{kept:o}.ron"));
            symlink("real.ron", &link).expect("a link");
            save(&link, b"new").expect("saved");
            assert_eq!(fs::read(&real).expect("a file"), b"new");
            assert_eq!(mode(&real), kept);
            assert!(fs::symlink_metadata(&link).expect("a link").is_symlink());
        }
        let dangling = folder.path().join("dangling.ron");
        symlink("nowhere", &dangling).expect("a link");
        let error = save(&dangling, b"new").expect_err("a link to nothing");
        assert!(error.to_string().contains("a link to nothing"), "{error}");
        assert!(!folder.path().join("nowhere").exists());
    }

    #[test]
    fn what_is_write_protected_stays_as_it_is() {
        let folder = tempdir().expect("a folder");
        let path = folder.path().join("rig.ron");
        fs::write(&path, "old").expect("a file");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o444)).expect("a mode");
        let error = save(&path, b"new").expect_err("protected");
        assert!(error.to_string().contains("write-protected"), "{error}");
        assert_eq!(fs::read(&path).expect("a file"), b"old");
    }
}

#[test]
fn a_save_makes_the_file_and_leaves_nothing_beside_it() {
    let folder = tempdir().expect("a folder");
    let path = folder.path().join("rig.ron");
    save(&path, b"one").expect("saved");
    save(&path, b"two").expect("saved");
    assert_eq!(fs::read(&path).expect("a file"), b"two");
    assert_eq!(fs::read_dir(folder.path()).expect("a folder").count(), 1);
}

/// A kill during a save leaves a file beside the target; the target is the old one, and
/// the next save works.
#[test]
fn what_a_killed_save_left_is_in_nobodys_way() {
    let folder = tempdir().expect("a folder");
    write(folder.path(), "songs/tide.ron", "old");
    let left = format!(".tide.ron.{}-0.saving", std::process::id());
    write(folder.path(), &format!("songs/{left}"), "hal");
    let contents = read_folder(folder.path()).expect("the folder");
    assert_eq!(contents.files.len(), 1);
    assert_eq!(contents.files["songs/tide.ron"], b"old");
    save(&folder.path().join("songs/tide.ron"), b"new").expect("saved");
    assert_eq!(
        fs::read(folder.path().join("songs/tide.ron")).expect("a file"),
        b"new"
    );
}

#[test]
fn a_save_into_no_folder_is_an_error_that_names_it() {
    let folder = tempdir().expect("a folder");
    let error = save(&folder.path().join("missing/rig.ron"), b"").expect_err("no folder");
    assert!(
        error
            .to_string()
            .contains("missing: cannot save into the folder"),
        "{error}"
    );
}

fn record(show: &Path, night: &str, number: u32) -> PositionRecord {
    PositionRecord {
        show: ShowIdentity::of_folder(show),
        night: night.to_owned(),
        call: format!("{}.{}", number / 10, number % 10),
        position: number,
        page: 2,
        time_s: 1_000 + u64::from(number),
    }
}

/// A folder in memory where the system has one: these tests sync hundreds of times.
fn quick_dir() -> TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempdir())
        .expect("a folder")
}

/// The file of the only show whose journal is in a folder.
fn positions(folder: &TempDir) -> std::path::PathBuf {
    let files = fs::read_dir(folder.path().join("places")).expect("a folder");
    let mut paths = files.map(|file| file.expect("a file").path());
    paths
        .find(|path| path.extension().is_none())
        .expect("a journal")
}

fn open(state: &TempDir, show: &Path) -> Result<Journal, StoreError> {
    Journal::open(state.path(), ShowIdentity::of_folder(show), LOCK_ATTEMPTS)
}

#[test]
fn the_journal_knows_the_last_position_of_each_show_and_night() {
    let state = tempdir().expect("a folder");
    let (a, b) = (Path::new("/shows/a"), Path::new("/shows/b"));
    let mut of_a = open(&state, a).expect("a journal");
    // Two shows run side by side, and know nothing of each other.
    let mut of_b = open(&state, b).expect("a journal");
    for number in 0..5 {
        of_a.append(&record(a, "friday", number)).expect("written");
        of_a.append(&record(a, "saturday", number + 10))
            .expect("written");
    }
    of_b.append(&record(b, "friday", 77)).expect("written");
    for _ in 0..2 {
        let last = |journal: &Journal, night| journal.last_position(night).cloned();
        assert_eq!(last(&of_a, "friday"), Some(record(a, "friday", 4)));
        assert_eq!(last(&of_a, "saturday"), Some(record(a, "saturday", 14)));
        assert_eq!(last(&of_b, "friday"), Some(record(b, "friday", 77)));
        assert_eq!(last(&of_b, "saturday"), None);
        drop((of_a, of_b));
        of_a = open(&state, a).expect("a journal");
        of_b = open(&state, b).expect("a journal");
    }
}

/// The one file of all shows that older versions wrote, byte by byte as they did.
fn old_record(record: &PositionRecord, show: u64) -> Vec<u8> {
    let mut payload = show.to_le_bytes().to_vec();
    payload.extend(record.position.to_le_bytes());
    payload.extend(record.page.to_le_bytes());
    payload.extend(record.time_s.to_le_bytes());
    for text in [&record.night, &record.call] {
        payload.push(u8::try_from(text.len()).expect("short"));
        payload.extend(text.as_bytes());
    }
    let mut bytes = vec![1];
    bytes.extend(u16::try_from(payload.len()).expect("short").to_le_bytes());
    let sum = crc32fast::hash(&[&bytes[..], &payload].concat());
    bytes.extend(sum.to_le_bytes());
    bytes.extend(payload);
    bytes
}

#[test]
fn what_older_versions_wrote_in_one_file_is_read_until_something_newer_is_written() {
    let state = tempdir().expect("a folder");
    let (a, b) = (Path::new("/shows/a"), Path::new("/shows/b"));
    // FNV-1a of the paths, as older versions wrote it (worked out apart from the program).
    let (number_a, number_b) = (0x0320_da0e_1126_f584_u64, 0x0320_dd0e_1126_fa9d_u64);
    let old = [
        old_record(&record(a, "friday", 13), number_a),
        old_record(&record(b, "friday", 31), number_b),
        old_record(&record(a, "friday", 14), number_a),
        old_record(&record(a, "saturday", 21), number_a),
    ]
    .concat();
    let path = state.path().join("positions");
    // The last one is torn.
    fs::write(&path, &old[..old.len() - 1]).expect("a file");
    let mut journal = open(&state, a).expect("a journal");
    assert_eq!(
        journal.last_position("friday"),
        Some(&record(a, "friday", 14))
    );
    assert_eq!(journal.last_position("saturday"), None);
    journal.append(&record(a, "friday", 15)).expect("written");
    drop(journal);
    let of_a = ShowIdentity::of_folder(a);
    assert_eq!(
        Journal::glance(state.path(), of_a, "friday"),
        Some(record(a, "friday", 15))
    );
    let journal = open(&state, b).expect("a journal");
    assert_eq!(
        journal.last_position("friday"),
        Some(&record(b, "friday", 31))
    );
    // It is left as it is, for who goes back to the older version.
    assert_eq!(fs::read(&path).expect("a file"), old[..old.len() - 1]);
}

#[test]
fn a_night_that_was_begun_and_not_ended_is_known_without_a_record() {
    let state = tempdir().expect("a folder");
    let show = Path::new("/shows/a");
    let journal = open(&state, show).expect("a journal");
    assert!(!journal.is_begun("friday"));
    journal.note_begin("friday").expect("noted");
    drop(journal);
    let journal = open(&state, show).expect("a journal");
    assert!(journal.is_begun("friday") && !journal.is_begun("saturday"));
    journal.note_end("friday").expect("noted");
    assert!(!journal.is_begun("friday"));
    journal.note_end("friday").expect("nothing to note");
}

#[test]
fn a_show_is_the_same_by_whatever_way_it_is_named() {
    let folder = tempdir().expect("a folder");
    fs::create_dir(folder.path().join("show")).expect("a folder");
    let straight = ShowIdentity::of_folder(&folder.path().join("show"));
    let round = ShowIdentity::of_folder(&folder.path().join("show/../show"));
    assert_eq!(straight, round);
    assert_ne!(straight, ShowIdentity::of_folder(folder.path()));
}

/// A kill may cut the file anywhere: what was whole before the cut is still known, and
/// the journal goes on.
#[test]
fn a_journal_torn_at_any_byte_keeps_what_was_whole() {
    let state = quick_dir();
    let show = Path::new("/shows/a");
    let mut ends = vec![0];
    {
        let mut journal = open(&state, show).expect("a journal");
        for number in 0..4 {
            journal
                .append(&record(show, "friday", number))
                .expect("written");
            ends.push(fs::metadata(positions(&state)).expect("a file").len() as usize);
        }
    }
    let whole = fs::read(positions(&state)).expect("a file");
    assert_eq!(ends.last(), Some(&whole.len()));
    for cut in 0..=whole.len() {
        fs::write(positions(&state), &whole[..cut]).expect("a file");
        let known = ends.iter().rposition(|&end| end <= cut).expect("the start");
        let expected = known
            .checked_sub(1)
            .map(|number| record(show, "friday", number as u32));
        let mut journal = open(&state, show).expect("a journal");
        let left = fs::metadata(positions(&state)).expect("a file").len() as usize;
        assert_eq!(left, ends[known], "what is half written is cut off");
        assert_eq!(
            journal.last_position("friday"),
            expected.as_ref(),
            "cut {cut}"
        );
        journal
            .append(&record(show, "friday", 99))
            .expect("written");
        drop(journal);
        let journal = open(&state, show).expect("a journal");
        let last = journal.last_position("friday");
        assert_eq!(last, Some(&record(show, "friday", 99)), "cut {cut}");
    }
}

/// A byte that the disk has lost costs the record that it is in and no other.
#[test]
fn damage_in_the_middle_costs_one_record() {
    let state = quick_dir();
    let show = Path::new("/shows/a");
    let nights = ["thursday", "friday", "saturday"];
    let mut ends = Vec::new();
    {
        let mut journal = open(&state, show).expect("a journal");
        for night in nights {
            journal.append(&record(show, night, 5)).expect("written");
            ends.push(fs::metadata(positions(&state)).expect("a file").len() as usize);
        }
    }
    let whole = fs::read(positions(&state)).expect("a file");
    for at in 0..whole.len() {
        let mut damaged = whole.clone();
        damaged[at] ^= 0x10;
        fs::write(positions(&state), &damaged).expect("a file");
        let journal = open(&state, show).expect("a journal");
        let hit = ends.iter().position(|&end| at < end).expect("a record");
        for (number, night) in nights.into_iter().enumerate() {
            let is_known = journal.last_position(night).is_some();
            assert_eq!(is_known, number != hit, "byte {at}, night {night}");
        }
    }
}

#[test]
fn a_journal_that_grows_is_saved_anew_with_the_last_of_each() {
    let state = quick_dir();
    let show = Path::new("/shows/a");
    let mut journal = open(&state, show).expect("a journal");
    journal
        .append(&record(show, "saturday", 3))
        .expect("written");
    let mut has_shrunk = false;
    let mut before = 0;
    let mut number = 0;
    while !has_shrunk {
        number += 1;
        journal
            .append(&record(show, "friday", number))
            .expect("written");
        let now = fs::metadata(positions(&state)).expect("a file").len();
        assert!(now <= MAX_JOURNAL_BYTES);
        has_shrunk = now < before;
        before = now;
    }
    // After the turn it goes on, in the new file.
    journal
        .append(&record(show, "friday", number + 1))
        .expect("written");
    drop(journal);
    let journal = open(&state, show).expect("a journal");
    let last = |night| journal.last_position(night);
    assert_eq!(last("friday"), Some(&record(show, "friday", number + 1)));
    assert_eq!(last("saturday"), Some(&record(show, "saturday", 3)));
}

#[test]
fn only_one_program_keeps_a_journal() {
    let state = tempdir().expect("a folder");
    let show = Path::new("/shows/a");
    let first = open(&state, show).expect("a journal");
    let error = open(&state, show).expect_err("a second one");
    assert!(
        error.to_string().contains("another running copy"),
        "{error}"
    );
    drop(first);
    open(&state, show).expect("free again");
}

#[test]
fn names_longer_than_a_record_allows_are_cut_and_still_found() {
    let state = tempdir().expect("a folder");
    let show = Path::new("/shows/a");
    // 300 bytes; the cut falls between characters.
    let night = "é".repeat(150);
    let mut journal = open(&state, show).expect("a journal");
    journal.append(&record(show, &night, 1)).expect("written");
    drop(journal);
    let journal = open(&state, show).expect("a journal");
    let last = journal.last_position(&night);
    assert_eq!(last.map(|record| record.position), Some(1));
}

#[test]
fn a_log_never_grows_past_twice_its_limit_and_has_one_line_a_line() {
    let folder = tempdir().expect("a folder");
    let path = folder.path().join("events.log");
    let mut log = EventLog::open(&path, 100).expect("a log");
    for number in 0..50 {
        log.write_line(&format!("line {number}\nwith \u{1b}[31m control"))
            .expect("written");
        assert!(fs::metadata(&path).expect("a file").len() <= 100);
    }
    let text = fs::read_to_string(&path).expect("a file");
    assert!(text.ends_with("line 49 with  [31m control\n"), "{text:?}");
    let old = fs::metadata(folder.path().join("events.log.old")).expect("the old one");
    assert!(old.len() <= 100);
}
