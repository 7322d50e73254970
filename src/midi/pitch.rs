//! Keys by name and by frequency, and semitones as pitch bend.
//!
//! MIDI numbers keys but not octaves, and makers print middle C as C3, C4 or C5. Files
//! and screens of one show agree on one of them; inside there are only numbers.

use std::fmt;

use super::num::{Key, Value14};

/// The octave number that names give middle C, key 60.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MiddleC(i8);

impl MiddleC {
    /// As many makers print it: keys run from C-2 to G8.
    pub const C3: Self = Self(3);
    /// Scientific pitch, and the program's own way: C-1 to G9.
    pub const C4: Self = Self(4);
    /// As a few makers print it: C0 to G10.
    pub const C5: Self = Self(5);

    /// Names in which key 60 is the C of this octave.
    #[must_use]
    pub const fn of_octave(octave: i8) -> Self {
        Self(octave)
    }

    /// The number of its octave.
    #[must_use]
    pub const fn octave(self) -> i8 {
        self.0
    }

    /// The name of a key, with sharps: `F#2`.
    #[must_use]
    pub fn name(self, key: Key) -> String {
        let note = NAMES.get(key.index() % 12).copied().unwrap_or_default();
        let octave = i32::from(key.get() / 12) - 5 + i32::from(self.0);
        format!("{note}{octave}")
    }

    /// The key of a name: a letter, at most two `#` or two `b`, and the octave.
    /// Accidentals do not change the octave, so `Cb4` is the key under `C4`.
    ///
    /// # Errors
    /// If it is not such a name, or no key of MIDI's 0–127.
    pub fn parse(self, name: &str) -> Result<Key, KeyNameError> {
        let mut rest = name.chars();
        let step = match rest.next().map(|letter| letter.to_ascii_uppercase()) {
            Some('C') => 0,
            Some('D') => 2,
            Some('E') => 4,
            Some('F') => 5,
            Some('G') => 7,
            Some('A') => 9,
            Some('B') => 11,
            _ => return Err(KeyNameError::NotAName),
        };
        let rest = rest.as_str();
        let octave = rest.trim_start_matches(['#', 'b']);
        let bent = match rest.strip_suffix(octave) {
            Some("") => 0,
            Some("#") => 1,
            Some("##") => 2,
            Some("b") => -1,
            Some("bb") => -2,
            // More than a double sharp or flat is no name.
            _ => return Err(KeyNameError::NotAName),
        };
        let digits = octave.strip_prefix('-').unwrap_or(octave);
        if digits.is_empty() || digits.len() > 2 || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(KeyNameError::NotAName);
        }
        let octave: i32 = octave.parse().map_err(|_| KeyNameError::NotAName)?;
        let number = 60 + (octave - i32::from(self.0)) * 12 + step + bent;
        u8::try_from(number)
            .ok()
            .and_then(Key::new)
            .ok_or(KeyNameError::OutOfRange { number })
    }
}

impl Default for MiddleC {
    fn default() -> Self {
        Self::C4
    }
}

/// Why a text is not the name of a key.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum KeyNameError {
    /// It is not a letter, accidentals and an octave.
    NotAName,
    /// It is a name, but its key is outside 0–127.
    OutOfRange {
        /// The key number that it would have.
        number: i32,
    },
}

impl fmt::Display for KeyNameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAName => f.write_str("not a key"),
            Self::OutOfRange { number } => {
                write!(f, "not a key of MIDI: it would be number {number}")
            }
        }
    }
}

impl std::error::Error for KeyNameError {}

/// The frequency of a key in Hz, all tunings centred: key 69 is 440 (GM2 v1.2a §2.7.1.1).
#[must_use]
pub fn frequency_hz(key: Key) -> f64 {
    440.0 * ((f64::from(key.get()) - 69.0) / 12.0).exp2()
}

/// The pitch bend for an offset, given the receiver's bend range, both in semitones
/// (MIDI 1.0; RPN 0). Clamped; full up is one step short of the range. A range of 0 or
/// below bends nothing.
#[must_use]
pub fn bend_for(semitones: f64, range_semitones: f64) -> Value14 {
    if range_semitones.is_nan() || range_semitones <= 0.0 {
        return Value14::CENTRE;
    }
    let centre = f64::from(Value14::CENTRE.get());
    Value14::clamped((centre + semitones / range_semitones * centre).round() as i32)
}

/// The notes of an octave, from C.
const NAMES: [&str; 12] = [
    "C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B",
];

#[cfg(test)]
mod tests {
    use super::super::{Channel, Message};
    use super::*;

    fn rows(table: &str) -> Vec<Vec<&str>> {
        table
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| line.split('\t').collect())
            .collect()
    }

    /// Common practice, and GM2's ranges of piano and electric piano.
    #[test]
    fn keyboards_have_their_keys_and_names() {
        let table = rows(include_str!("../../tests/data/keyboards.tsv"));
        assert_eq!(table.len(), 7);
        for row in table {
            let number = |at: usize| row[at].parse::<u8>().expect("number");
            assert_eq!(number(2) - number(1) + 1, number(0));
            for (key, name) in [(1, 3), (2, 4)] {
                let key = Key::new(number(key)).expect("key");
                assert_eq!(MiddleC::C4.name(key), row[name]);
                assert_eq!(MiddleC::C4.parse(row[name]), Ok(key));
            }
        }
    }

    /// GM2 v1.2a §2.7.1.1; pretty_midi and music21 to four decimals.
    #[test]
    fn keys_have_their_frequencies() {
        let table = rows(include_str!("../../tests/data/frequency.tsv"));
        assert_eq!(table.len(), 11);
        for row in table {
            let key = Key::new(row[0].parse().expect("number")).expect("key");
            assert_eq!(format!("{:.4}", frequency_hz(key)), row[1]);
        }
    }

    /// MIDI 1.0's centre and the arithmetic of RPN 0, encoded with mido.
    #[test]
    fn semitones_become_bend() {
        let table = rows(include_str!("../../tests/data/bend.tsv"));
        assert_eq!(table.len(), 8);
        for row in table {
            let number = |at: usize| row[at].parse::<f64>().expect("number");
            let bytes = Message::Bend(Channel::MIN, bend_for(number(1), number(0))).encode();
            let shown: Vec<_> = bytes
                .as_slice()
                .iter()
                .map(|b| format!("{b:02X}"))
                .collect();
            assert_eq!(shown.join(" "), row[2], "{row:?}");
        }
        assert_eq!(bend_for(1.0, 0.0), Value14::CENTRE);
        assert_eq!(bend_for(1.0, f64::NAN), Value14::CENTRE);
    }

    #[test]
    fn every_key_is_found_by_its_name() {
        for convention in [MiddleC::C3, MiddleC::C4, MiddleC::C5] {
            for number in 0..=127 {
                let key = Key::clamped(number);
                assert_eq!(convention.parse(&convention.name(key)), Ok(key));
            }
        }
        let middle = Key::clamped(60);
        let names = [MiddleC::C3, MiddleC::C4, MiddleC::C5].map(|c| c.name(middle));
        assert_eq!(names, ["C3", "C4", "C5"]);
    }

    #[test]
    fn accidentals_bend_a_letter_within_its_octave() {
        for (name, number) in [
            ("F#2", 42),
            ("Bb3", 58),
            ("Cb4", 59),
            ("B#3", 60),
            ("b3", 59),
            ("f##2", 43),
            ("Ebb2", 38),
        ] {
            assert_eq!(MiddleC::C4.parse(name), Ok(Key::clamped(number)), "{name}");
        }
    }

    #[test]
    fn what_is_no_key_is_said() {
        for name in [
            "", "H2", "C", "C#", "Cx4", "C###4", "C#b4", "C4 ", "C+4", "C--1", "60", "4C", "C4.5",
            "Cé", "Ç4", "C444",
        ] {
            assert_eq!(
                MiddleC::C4.parse(name),
                Err(KeyNameError::NotAName),
                "{name}"
            );
        }
        let error = MiddleC::C4.parse("G#9").expect_err("128");
        assert_eq!(
            error.to_string(),
            "not a key of MIDI: it would be number 128"
        );
        assert!(MiddleC::C4.parse("Cb-1").is_err());
    }
}
