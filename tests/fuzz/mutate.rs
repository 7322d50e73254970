//! Inputs made from others by small accidents.

/// A generator of numbers, the same on every run (Knuth's MMIX constants).
pub(crate) struct Dice(u64);

impl Dice {
    /// A generator for one case of a run.
    pub(crate) fn new(seed: u64, case: u64) -> Self {
        let mut dice = Self(seed ^ case.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        // Neighbouring seeds begin alike.
        dice.roll(2);
        dice.roll(2);
        dice
    }

    /// A number below `sides`; 0 if there are none.
    pub(crate) fn roll(&mut self, sides: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize).checked_rem(sides).unwrap_or(0)
    }

    fn byte(&mut self) -> u8 {
        self.roll(256) as u8
    }
}

/// One of the seeds after one to eight accidents, or bytes of no origin at all.
pub(crate) fn mutated(dice: &mut Dice, seeds: &[Vec<u8>], max_bytes: usize) -> Vec<u8> {
    let mut bytes = match dice.roll(8) {
        0 => (0..dice.roll(max_bytes)).map(|_| dice.byte()).collect(),
        _ => seeds[dice.roll(seeds.len())].clone(),
    };
    for _ in 0..=dice.roll(8) {
        accident(dice, &mut bytes, seeds);
    }
    bytes.truncate(max_bytes);
    bytes
}

fn accident(dice: &mut Dice, bytes: &mut Vec<u8>, seeds: &[Vec<u8>]) {
    let at = dice.roll(bytes.len() + 1);
    let end = (at + 1 + dice.roll(32)).min(bytes.len());
    match dice.roll(9) {
        0 | 1 => {
            let bit = 1 << dice.roll(8);
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= bit;
            }
        }
        2 => {
            let new = INTERESTING[dice.roll(INTERESTING.len())];
            if let Some(byte) = bytes.get_mut(at) {
                *byte = new;
            }
        }
        3 => bytes.insert(at, dice.byte()),
        4 => drop(bytes.drain(at.min(end)..end)),
        5 => bytes.truncate(at),
        6 => {
            let piece = bytes[at.min(end)..end].to_vec();
            bytes.splice(at..at, piece);
        }
        7 => {
            // A piece of another.
            let other = &seeds[dice.roll(seeds.len())];
            let from = dice.roll(other.len());
            let to = (from + 1 + dice.roll(200)).min(other.len());
            bytes.splice(at..at, other[from..to].iter().copied());
        }
        _ => {
            let word = WORDS[dice.roll(WORDS.len())];
            bytes.splice(at..at, word.iter().copied());
        }
    }
}

/// Bytes at the edges of what they may mean.
const INTERESTING: [u8; 16] = [
    0x00, 0x01, 0x7f, 0x80, 0xff, 0xf0, 0xf7, 0x90, b'"', b'(', b')', b'{', b'}', b',', b'\n', 0x1b,
];

/// Words that mean something somewhere, or should mean nothing.
const WORDS: [&[u8]; 16] = [
    b"\x1b[31m",
    "\u{202e}".as_bytes(),
    "\u{fffe}".as_bytes(),
    "\u{9b}".as_bytes(),
    b"-1",
    b"99999999999999999999",
    b"1e999",
    b"NaN",
    b"r##\"",
    b"/*",
    b"//",
    b"like: \"one\",",
    b"MTrk\0\0\0\x04\0\xff\x2f\0",
    b"\xff\x7f\xff\xff\xff\x7f",
    b"\xff\x06\x04step",
    b"\xf0\x7d\x01\xf7",
];
