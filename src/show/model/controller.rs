//! What is touched, and its named sources, as types.

use super::{Site, SourceKind};
use crate::midi::{Channel, Key, MpeZone};

/// A keyboard, pedal box or other surface that the player touches.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ControllerItem {
    /// The name that songs use; unique among the controllers.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// Index of its port in `Rig::ports`.
    pub port: usize,
    /// The channel it sends on; None accepts any. For an MPE surface, its manager channel.
    pub channel: Option<Channel>,
    /// Its MPE zone, if it is an MPE surface: each finger has a channel of its own.
    pub mpe: Option<MpeZone>,
    /// Lowest and highest key; none for a pedal box.
    pub keys: Option<(Key, Key)>,
    /// Its named sources, in the file's order. `hold`, `bend` and `pressure` are there
    /// unless the rig lists sources itself.
    pub sources: Vec<Source>,
}

impl ControllerItem {
    /// Whether it speaks on this channel.
    #[must_use]
    pub fn has_channel(&self, channel: Channel) -> bool {
        match self.mpe {
            Some(zone) => zone.member(channel).is_some(),
            None => self.channel.is_none_or(|own| own == channel),
        }
    }
}

/// A named source of a controller.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Source {
    /// Its name (`wheel`, `ribbon`, `stick-y`, `hold`).
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// The kind of message it sends, with its number.
    pub kind: SourceKind,
    /// Its values are inverted: for example a pedal that sends 127 when it is up.
    pub is_inverted: bool,
    /// For a bend: the range in semitones that its full travel stands for; None: each sound's
    /// own bend range applies.
    pub bend_range: Option<u8>,
}
