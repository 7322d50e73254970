//! What is touched, and its named sources, as types.

use super::{Site, SourceKind};
use crate::midi::{Channel, Key, MpeZone};

/// Something touched.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ControllerItem {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Index of its port.
    pub port: usize,
    /// Its channel; none is any. That of an MPE surface is its manager channel.
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
    /// Its place.
    pub site: Site,
    /// What it sends.
    pub kind: SourceKind,
    /// Turned round: a pedal that sends 127 when it is up.
    pub is_inverted: bool,
    /// For a bend: the semitones that its whole way means, if that is not what each sound
    /// makes of it.
    pub bend_range: Option<u8>,
}
