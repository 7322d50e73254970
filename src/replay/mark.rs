//! Commands in a recording: markers (meta 06) that step, go back or jump.

/// A command that a marker stands for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Mark {
    /// `step`: to the next position.
    Step,
    /// `back`: to the position before.
    Back,
    /// `jump SONG/SCENE`: to the first position of that scene in that song.
    Jump {
        /// The song's name.
        song: String,
        /// The scene's name.
        scene: String,
    },
}

impl Mark {
    /// The command that a marker's text spells, or nothing. The words are taken in any
    /// case; the song's name ends at the first `/`.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let (word, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        match (word.to_ascii_lowercase().as_str(), rest) {
            ("step", "") => Some(Self::Step),
            ("back", "") => Some(Self::Back),
            ("jump", target) => {
                let (song, scene) = target.split_once('/')?;
                let (song, scene) = (song.trim(), scene.trim());
                (!song.is_empty() && !scene.is_empty()).then(|| Self::Jump {
                    song: song.to_owned(),
                    scene: scene.to_owned(),
                })
            }
            _ => None,
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
        for (text, expected) in [
            ("step", Some(Mark::Step)),
            (" Step ", Some(Mark::Step)),
            ("BACK", Some(Mark::Back)),
            ("jump Low Tide/verse 2", jump("Low Tide", "verse 2")),
            ("jump  a / b/c ", jump("a", "b/c")),
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
}
