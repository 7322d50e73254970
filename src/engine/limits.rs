//! The named limits of the engine's tables. Reaching one is counted and shown.

/// Controllers (keyboards, pedal boxes) in one rig.
pub const MAX_CONTROLLERS: usize = 16;
/// Receivers in one rig.
pub const MAX_RECEIVERS: usize = 32;
/// Ports in one rig, each direction.
pub const MAX_PORTS: usize = 32;
/// Slots (channels of instruments) in one rig.
pub const MAX_SLOTS: usize = 128;
/// Sounds in one scene.
pub const MAX_SOUNDS: usize = 64;
/// Zones in one scene.
pub const MAX_ZONES: usize = 128;
/// Notes owned at once, held or sustained. Past it a new note is refused and counted.
pub const MAX_NOTES: usize = 1024;
/// Notes held by key or pedal that the view shows one by one; more are counted.
pub const MAX_HELD_SHOWN: usize = 64;
/// Notes held back while their slot loads. Past it the oldest is sent at once and counted.
pub const MAX_HELD_BACK: usize = 128;
/// Messages that one call may hand out. Past it a message is refused and counted, and the
/// state of its port is sent again at the next call, which is due at once.
pub const MAX_OUT: usize = 4096;
/// Notes of cues that sound at once. Past it the oldest ends at once and is counted.
pub const MAX_CUE_NOTES: usize = 16;
/// Parameters a receiver may name.
pub const MAX_PARAMETERS: usize = 64;
/// Routes in one scene, each counted once for each sound that it moves.
pub const MAX_ROUTES: usize = 64;
/// Named sources of all controllers of a rig.
pub const MAX_SOURCES: usize = 512;
/// Bends by route that held-over notes are followed back from, at once. Past it a note
/// keeps its bend until it ends.
pub const MAX_ROUTE_TAILS: usize = 16;
