//! A recording as a Standard MIDI File of format 1: a track for each controller, one of
//! markers, and one for each port that was sent to, named `out PORT`.
//!
//! The tracks of ports are what went out as it was played: what a later replay is compared
//! with. [`super::read()`] reads them like any other.

use super::write::{
    MAX_TIME_US, QUARTER_US, TICK_US, TICKS_PER_QUARTER, WriteError, push_counted, push_event,
    push_message,
};

/// Name prefix of a track that holds what went to a port; the port's name follows.
pub const OUT_TRACK: &str = "out ";

/// One track of a recording: what came from one controller, what went to one port, or the
/// markers.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Take {
    /// Its name: a controller's, or [`OUT_TRACK`] and a port's. Empty for markers.
    pub name: String,
    /// Its events, by time in microseconds, rising.
    pub events: Vec<(u64, TakeEvent)>,
}

/// What a track holds.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum TakeEvent {
    /// One whole message, its status byte included; a SysEx from F0 to F7.
    Bytes(Vec<u8>),
    /// The text of a marker (meta 06).
    Mark(String),
}

/// The file.
///
/// # Errors
/// If times go backwards or too far, bytes are no message, or a track is too long.
pub fn write_recording(tracks: &[Take]) -> Result<Vec<u8>, WriteError> {
    let too_long = |name: &str| WriteError::TooLong(name.to_owned());
    let count = u16::try_from(tracks.len()).map_err(|_| too_long("recording"))?;
    let mut file = Vec::new();
    // Header of 6 bytes: format 1, the tracks, the division (SMF 1.0).
    file.extend(b"MThd\0\0\0\x06\0\x01");
    file.extend(count.to_be_bytes());
    file.extend(TICKS_PER_QUARTER.to_be_bytes());
    for take in tracks {
        let track = write_track(take)?;
        let len = u32::try_from(track.len()).map_err(|_| too_long(&take.name))?;
        file.extend(b"MTrk");
        file.extend(len.to_be_bytes());
        file.extend(track);
    }
    Ok(file)
}

fn write_track(take: &Take) -> Result<Vec<u8>, WriteError> {
    let mut track = Vec::new();
    push_event(&mut track, 0, &[0xff, 0x03]);
    push_counted(&mut track, take.name.as_bytes());
    push_event(&mut track, 0, &[0xff, 0x51, 0x03]);
    let [_, tempo @ ..] = QUARTER_US.to_be_bytes();
    track.extend(tempo);
    let (mut last_us, mut last_tick) = (0, 0);
    for (us, event) in &take.events {
        let (us, port) = (*us, || take.name.clone());
        if us < last_us {
            return Err(WriteError::TimeGoesBack { port: port(), us });
        }
        if us > MAX_TIME_US {
            return Err(WriteError::TooLate { port: port(), us });
        }
        let tick = (us + TICK_US / 2) / TICK_US;
        let delta = tick - last_tick;
        match event {
            TakeEvent::Bytes(bytes) => push_message(&mut track, delta, bytes)
                .ok_or_else(|| WriteError::NotAMessage { port: port(), us })?,
            TakeEvent::Mark(text) => {
                push_event(&mut track, delta, &[0xff, 0x06]);
                push_counted(&mut track, text.as_bytes());
            }
        }
        (last_us, last_tick) = (us, tick);
    }
    push_event(&mut track, 0, &[0xff, 0x2f, 0x00]);
    Ok(track)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::replay::{Mark, RecordedEvent, read};

    #[test]
    fn what_is_recorded_is_read_back() {
        let takes = [
            Take {
                name: String::new(),
                events: vec![
                    (0, TakeEvent::Mark("place 1.2".into())),
                    (2_000_000, TakeEvent::Mark("step".into())),
                ],
            },
            Take {
                name: "lower".into(),
                events: vec![(1_000_000, TakeEvent::Bytes(vec![0x90, 60, 100]))],
            },
            Take {
                name: format!("{OUT_TRACK}rack"),
                events: vec![(1_000_020, TakeEvent::Bytes(vec![0x91, 60, 100]))],
            },
        ];
        let recording = read(&write_recording(&takes).unwrap()).unwrap();
        assert_eq!(recording.remarks, []);
        let events: Vec<_> = recording
            .events
            .iter()
            .map(|event| (event.us, event.track.to_string(), event.event.clone()))
            .collect();
        assert_eq!(events.len(), 4);
        let first = RecordedEvent::Mark(Mark::Place("1.2".into()));
        assert_eq!(events[0], (0, String::new(), first));
        assert_eq!((events[1].0, events[1].1.as_str()), (1_000_000, "lower"));
        assert_eq!((events[2].0, events[2].1.as_str()), (1_000_020, "out rack"));
        assert_eq!(events[3].2, RecordedEvent::Mark(Mark::Step));
    }

    #[test]
    fn time_does_not_go_back() {
        let takes = [Take {
            name: "lower".into(),
            events: vec![
                (2, TakeEvent::Bytes(vec![0xf8])),
                (1, TakeEvent::Bytes(vec![0xf8])),
            ],
        }];
        assert!(matches!(
            write_recording(&takes),
            Err(WriteError::TimeGoesBack { us: 1, .. })
        ));
    }
}
