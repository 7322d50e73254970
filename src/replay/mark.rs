//! Commands in a recording: markers (meta 06) that step, jump, or do what a technician does.

/// A command that a marker stands for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Mark {
    /// `step`: to the next position.
    Step,
    /// `back`: to the position before.
    Back,
    /// `jump SONG/SCENE`: to the first position of that scene in that song.
    Jump {
        /// Name of the song, as in the show.
        song: String,
        /// Name of the scene within the song.
        scene: String,
    },
    /// `place CALL`: to the position of this call number.
    Place(String),
    /// A verb, and its object as text: a name or a call number, or empty.
    Do(Verb, String),
    /// `night changed: WORDS`: the night was edited here. A replay cannot repeat the edit; it
    /// says so.
    NightChanged(String),
}

/// The other commands of markers. Their objects follow the words of [`Verb::WORDS`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verb {
    /// Silence a receiver; without a name all.
    Panic,
    /// Send a receiver, or all, the state again.
    Resend,
    /// Send the state again as `Resend` does, to sounding slots too.
    Force,
    /// Mute a receiver, or all: no new notes.
    Mute,
    /// Let a receiver, or all, play new notes again.
    Unmute,
    /// Fade everything out.
    FadeOut,
    /// Bring everything back after a fade.
    FadeIn,
    /// Play a receiver instead of its counterpart.
    TakeOver,
    /// End one note: receiver, channel (1–16), key number.
    EndNote,
    /// Ignore the named pedal.
    Ignore,
    /// Stop ignoring the named pedal.
    Heed,
    /// Lock the pedals: they do not step.
    Lock,
    /// Unlock the pedals: they step again.
    Unlock,
    /// Loop: a step from the second call number leads to the first; without call numbers the
    /// loop ends.
    Loop,
    /// Go to the next song.
    NextSong,
    /// Go to this song's start, or the song before if already there.
    SongBefore,
    /// Turn to the next page.
    NextPage,
    /// Turn to the page before.
    PageBefore,
    /// Send cues as the scenes say.
    Cues,
    /// Hold cues back, as in a rehearsal.
    Rehearse,
}

impl Verb {
    /// Every verb and its words.
    pub const WORDS: [(Self, &'static str); 20] = [
        (Self::Panic, "panic"),
        (Self::Resend, "resend"),
        (Self::Force, "force"),
        (Self::Mute, "mute"),
        (Self::Unmute, "unmute"),
        (Self::FadeOut, "fade out"),
        (Self::FadeIn, "fade in"),
        (Self::TakeOver, "play"),
        (Self::EndNote, "end note"),
        (Self::Ignore, "ignore"),
        (Self::Heed, "heed"),
        (Self::Lock, "lock pedals"),
        (Self::Unlock, "free pedals"),
        (Self::Loop, "loop"),
        (Self::NextSong, "next song"),
        (Self::SongBefore, "song before"),
        (Self::NextPage, "next page"),
        (Self::PageBefore, "page before"),
        (Self::Cues, "cues"),
        (Self::Rehearse, "rehearse"),
    ];

    fn words(self) -> &'static str {
        let mut all = Self::WORDS.iter();
        all.find(|(verb, _)| *verb == self)
            .map_or("", |(_, words)| words)
    }
}

impl Mark {
    /// The command that a marker's text spells, or nothing. The words are taken in any
    /// case; the song's name ends at the first `/`.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let (word, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        match (word.to_ascii_lowercase().as_str(), rest.trim()) {
            ("step", "") => Some(Self::Step),
            ("back", "") => Some(Self::Back),
            ("night", changed) => {
                let words = changed.strip_prefix("changed:")?;
                Some(Self::NightChanged(words.trim().to_owned()))
            }
            ("place", call) => (!call.is_empty()).then(|| Self::Place(call.to_owned())),
            ("jump", target) => {
                let (song, scene) = target.split_once('/')?;
                let (song, scene) = (song.trim(), scene.trim());
                (!song.is_empty() && !scene.is_empty()).then(|| Self::Jump {
                    song: song.to_owned(),
                    scene: scene.to_owned(),
                })
            }
            _ => Verb::WORDS.iter().find_map(|(verb, words)| {
                let head = text.get(..words.len())?;
                let rest = text.get(words.len()..)?;
                let is_it = head.eq_ignore_ascii_case(words)
                    && (rest.is_empty() || rest.starts_with(char::is_whitespace));
                is_it.then(|| Self::Do(*verb, rest.trim().to_owned()))
            }),
        }
    }

    /// The text of the marker: what [`Mark::parse`] reads.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Self::Step => "step".to_owned(),
            Self::Back => "back".to_owned(),
            Self::Jump { song, scene } => format!("jump {song}/{scene}"),
            Self::Place(call) => format!("place {call}"),
            Self::NightChanged(words) => format!("night changed: {words}"),
            Self::Do(verb, to) => format!("{} {to}", verb.words()).trim_end().to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markers_spell_commands() {
        let jump = |song: &str, scene: &str| {
            Some(Mark::Jump {
                song: song.to_owned(),
                scene: scene.to_owned(),
            })
        };
        let verb = |verb, to: &str| Some(Mark::Do(verb, to.to_owned()));
        for (text, expected) in [
            ("step", Some(Mark::Step)),
            (" Step ", Some(Mark::Step)),
            ("BACK", Some(Mark::Back)),
            ("jump Low Tide/verse 2", jump("Low Tide", "verse 2")),
            ("jump  a / b/c ", jump("a", "b/c")),
            ("place 7.3", Some(Mark::Place("7.3".to_owned()))),
            ("panic", verb(Verb::Panic, "")),
            ("Panic main rack", verb(Verb::Panic, "main rack")),
            ("end note main 3 60", verb(Verb::EndNote, "main 3 60")),
            ("next song", verb(Verb::NextSong, "")),
            (
                "night changed: song 3 skipped",
                Some(Mark::NightChanged("song 3 skipped".to_owned())),
            ),
            ("place", None),
            ("panics", None),
            ("step 2", None),
            ("jump", None),
            ("jump Low Tide", None),
            ("jump /verse", None),
            ("jump song/", None),
            ("steps", None),
            ("", None),
        ] {
            assert_eq!(Mark::parse(text), expected, "{text:?}");
        }
    }

    #[test]
    fn what_is_written_is_read() {
        let verbs = Verb::WORDS
            .iter()
            .map(|(verb, _)| Mark::Do(*verb, "main rack".to_owned()));
        let others = [
            Mark::Step,
            Mark::Back,
            Mark::Place("7.3".to_owned()),
            Mark::NightChanged("song 3 skipped, song 4 moved up".to_owned()),
        ];
        for mark in verbs.chain(others) {
            assert_eq!(Mark::parse(&mark.text()), Some(mark));
        }
    }
}
