//! A Standard MIDI File of anybody's making.

use segue::replay::read::MAX_REMARKS;
use segue::replay::{RecordedEvent, Take, TakeEvent, read, write_recording};

use super::ear::{assert_exclusive, assert_whole};

/// Any bytes are read or refused; what is read is in order of time, and comes back when it is
/// written and read again.
pub(crate) fn recording(data: &[u8]) {
    let Ok(recording) = read(data) else {
        return;
    };
    assert_eq!(read(data).as_ref(), Ok(&recording), "twice the same");
    assert!(recording.remarks.len() <= MAX_REMARKS);
    assert!(
        recording.events.is_sorted_by_key(|event| event.us),
        "events are in order of time"
    );
    let mut take = Take::default();
    for event in &recording.events {
        let taken = match &event.event {
            RecordedEvent::Message(message) => {
                assert_whole(message.encode().as_slice());
                TakeEvent::Bytes(message.encode().as_slice().to_vec())
            }
            RecordedEvent::SysEx(bytes) => {
                assert_exclusive(bytes);
                TakeEvent::Bytes(bytes.clone())
            }
            RecordedEvent::Mark(mark) => TakeEvent::Mark(mark.text()),
        };
        take.events.push((event.us, taken));
    }
    // A time beyond what can be written is refused, and that is all.
    let Ok(written) = write_recording(std::slice::from_ref(&take)) else {
        return;
    };
    let again = read(&written).expect("what the program writes it reads");
    let what = |events: &[segue::replay::TimedEvent]| -> Vec<RecordedEvent> {
        events.iter().map(|event| event.event.clone()).collect()
    };
    assert_eq!(what(&again.events), what(&recording.events));
}
