//! Real-time priority for the playing thread.

/// Above all ordinary work, below the system's own urgent threads (which start at 50 under
/// Linux); 20 is also the most that rtkit hands out by default.
const PLAYING_PRIORITY: u8 = 20;

/// A sender thread's: below the playing thread's.
pub(super) const SENDER_PRIORITY: u8 = 19;

/// Gives the calling thread real-time priority (first in, first out, 20).
///
/// The thread must wait most of the time, as the playing thread does: one that spins
/// would starve its processor.
///
/// # Errors
/// Words for the screen, where the system does not allow it; the thread then goes on
/// with ordinary priority.
pub fn try_realtime() -> Result<(), String> {
    try_priority(PLAYING_PRIORITY)
}

#[cfg(unix)]
pub(super) fn try_priority(priority: u8) -> Result<(), String> {
    use thread_priority::{
        RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
        set_thread_priority_and_policy, thread_native_id,
    };
    let value = ThreadPriorityValue::try_from(priority)?;
    set_thread_priority_and_policy(
        thread_native_id(),
        ThreadPriority::Crossplatform(value),
        ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo),
    )
    .map_err(|_| {
        "no real-time priority: add `@audio - rtprio 20` to /etc/security/limits.d \
         and log in again"
            .to_owned()
    })
}

#[cfg(not(unix))]
pub(super) fn try_priority(_priority: u8) -> Result<(), String> {
    thread_priority::set_current_thread_priority(thread_priority::ThreadPriority::Max)
        .map_err(|_| "no real-time priority on this system".to_owned())
}
