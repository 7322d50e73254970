//! Opening the program's own files to add to them.

use std::fs::{File, OpenOptions};
use std::io;
use std::path::Path;

/// Opens or makes a file to add to it. What stands there instead of one (a pipe, a device)
/// is refused, and not waited for: a pipe without a reader would hold the show up for ever.
pub(super) fn to_append(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.append(true).create(true);
    do_not_wait(&mut options);
    let file = options.open(path)?;
    if file.metadata()?.is_file() {
        Ok(file)
    } else {
        Err(io::Error::other(NOT_A_FILE))
    }
}

#[cfg(unix)]
fn do_not_wait(options: &mut OpenOptions) {
    use std::os::unix::fs::OpenOptionsExt;
    // For a regular file it means nothing.
    options.custom_flags(rustix::fs::OFlags::NONBLOCK.bits().cast_signed());
}

#[cfg(not(unix))]
fn do_not_wait(_options: &mut OpenOptions) {}

const NOT_A_FILE: &str = "something that is not a file is in its place: move it away";

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use crate::store::{EventLog, Journal};
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    use std::io::Write;

    fn make_pipe(path: &Path) {
        mknodat(CWD, path, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
    }

    #[test]
    fn a_pipe_or_device_in_place_of_a_file_is_refused_and_not_waited_for() {
        for name in ["positions", "positions.lock"] {
            let folder = tempfile::tempdir().unwrap();
            make_pipe(&folder.path().join(name));
            assert!(Journal::open(folder.path()).is_err(), "{name}");
        }
        let folder = tempfile::tempdir().unwrap();
        let log = folder.path().join("events.log");
        make_pipe(&log);
        assert!(EventLog::open(&log, 1_000).is_err());
        assert!(to_append(Path::new("/dev/zero")).is_err());
    }

    #[test]
    fn a_file_is_made_and_added_to() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log");
        for word in ["one ", "two"] {
            to_append(&path)
                .unwrap()
                .write_all(word.as_bytes())
                .unwrap();
        }
        assert_eq!(std::fs::read_to_string(path).unwrap(), "one two");
    }
}
