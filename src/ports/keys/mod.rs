//! Pedals that are computer keyboards, taken at the device (Linux `evdev`).
//!
//! What the rig names is grabbed while the show plays, so that its keys reach this program
//! whatever window has the focus, and reach no other. The kernel lets go of it when the
//! program ends, however it ends. What the rig does not name is never opened.
//!
//! Keys become messages here (`midi::KeyCode`) and go to the playing thread by the intake's
//! own queue for them, so everything behind it knows only controllers and messages.

mod discover;
mod hands;
mod watch;

use std::path::Path;

use rustix::fs::Access;

pub(super) use watch::start;

use super::endpoint::Endpoint;
use super::sysfs;

/// Whether this user may read what an event device of this name sends.
pub(super) fn may_read(node: &str) -> bool {
    rustix::fs::access(Path::new(hands::FOLDER).join(node), Access::READ_OK).is_ok()
}

/// Everything plugged in that has keys.
pub(super) fn list() -> Vec<Endpoint> {
    discover::enumerate(Path::new(sysfs::ROOT))
        .into_iter()
        .map(|device| device.endpoint)
        .collect()
}
