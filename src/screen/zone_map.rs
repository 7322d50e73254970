//! The zones of one controller, drawn to scale.
//!
//! ```text
//!  lower     C2          C3          |F#3   C4          C5          C6
//!  E1-G7      '' '''█'█  ''' '' ''' o'' ''' '' ''' '' ''' '' '''
//!  HOLD     ┣ a Upright bass ━━━━━ -12 ┫┣ b Warm strings ━━━━━━━━━ -3dB ┫
//!                                       ┣ c Glass bells ━━━━━━━━━━ +12 ━┫
//! ```
//!
//! One lane a layer; zones that do not overlap share a lane. The left margin names the
//! controller, its range and its pedal. All controllers share one scale, so that a pitch
//! stands in one column. A zone too narrow for its name shows the letter of its sound; in
//! a lane of three rows or more a name is drawn large where its zone is wide enough.

use super::big::fit;
use super::look::Look;
use super::narrow;
use super::scale::Scale;
use super::text::{cut, indent, put, put_right, row, rows, tint, width};
use crate::engine::view::ControllerView;
use crate::sheet::{ControllerLine, SceneLine, Sheet, ZoneLine};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Rows of a lane in which a sound's name may be drawn large.
pub(super) const LARGE_ROWS: u16 = 5;

/// Rows of a lane in which it may be drawn in narrow letters.
pub(super) const NARROW_ROWS: u16 = narrow::HIGH;

/// Columns of a zone's left edge and of the blank beside it, before a large name.
const LARGE_LEFT: u16 = 2;

/// The fewest columns of a name when transposition or level need room beside it.
const SHORTEST_NAME: u16 = 4;

/// How much of a map is drawn.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Extent {
    /// A row with octave marks and split points.
    pub(super) has_marks: bool,
    /// A row with the keys as a picture.
    pub(super) has_keys: bool,
    /// How many lanes of zones are drawn, one below the other.
    pub(super) lanes: u16,
    /// Rows that each lane takes.
    pub(super) lane_rows: u16,
}

impl Extent {
    pub(super) fn height(&self) -> u16 {
        u16::from(self.has_marks)
            .saturating_add(u16::from(self.has_keys))
            .saturating_add(self.lanes.saturating_mul(self.lane_rows))
    }
}

/// The map of one controller in one scene.
#[derive(Clone, Copy)]
pub(super) struct ZoneMap<'a> {
    pub(super) sheet: &'a Sheet,
    pub(super) scene: &'a SceneLine,
    /// Hues of the scene's sounds.
    pub(super) hues: &'a [usize],
    pub(super) controller: usize,
    /// The engine's view of the controller: for the current scene.
    pub(super) live: Option<&'a ControllerView>,
    pub(super) look: &'a Look,
    pub(super) scale: Scale,
    /// Columns of the left margin.
    pub(super) margin: u16,
}

impl ZoneMap<'_> {
    /// Draws it into `area`, as far as `extent` says.
    pub(super) fn render(&self, extent: Extent, area: Rect, buf: &mut Buffer) {
        let Some(line) = self.sheet.controllers.get(self.controller) else {
            return;
        };
        let right = indent(area, self.margin);
        let field = Rect {
            width: right.width.min(self.scale.columns),
            ..right
        };
        let mut y = 0;
        if extent.has_marks {
            self.render_marks(line, row(field, y), buf);
            y += 1;
        }
        if extent.has_keys {
            self.render_keys(line, row(field, y), buf);
            y += 1;
        }
        let lanes = lanes(self.scene, self.controller);
        let shown = usize::from(extent.lanes);
        for (index, lane) in lanes.iter().take(shown).enumerate() {
            let hidden = if index + 1 == shown {
                lanes.len() - shown.min(lanes.len())
            } else {
                0
            };
            self.render_lane(lane, rows(field, y, extent.lane_rows), buf);
            if hidden > 0 {
                let words = format!(" +{hidden} more ");
                put_right(buf, row(field, y), 0, &words, self.look.notice());
            }
            y += extent.lane_rows;
        }
        if lanes.is_empty() && extent.lanes > 0 {
            let x = self.scale.span(line.keys.unwrap_or((0, 0))).0;
            put(buf, field, (x, y), "no zones", self.look.faint());
        }
        // Without zones the only row shows notes that are still held.
        let has_key_row = extent.has_marks || extent.has_keys || lanes.is_empty();
        if let Some(live) = self.live.filter(|_| has_key_row) {
            self.render_played(live, row(field, y_of_keys(extent)), buf);
        }
        self.render_margin(
            line,
            Rect {
                width: self.margin.min(area.width),
                ..area
            },
            buf,
        );
    }

    /// Name, then range, then what the pedal and the port do, one a row; the last matters
    /// more than the range where there are only two.
    fn render_margin(&self, line: &ControllerLine, area: Rect, buf: &mut Buffer) {
        let look = self.look;
        let area = Rect {
            width: area.width.saturating_sub(1),
            ..area
        };
        put(buf, area, (0, 0), &line.name, look.strong());
        let mut y = 1;
        if let Some(live) = self.live {
            if !live.is_present {
                put(buf, area, (0, y), "absent", look.bad());
                y += 1;
            }
            if live.hold {
                put(buf, area, (0, y), "HOLD down", look.notice());
                y += 1;
            }
            if !live.held_over.is_empty() && y < area.height {
                let words = format!("{} held", live.held_over.len());
                put(buf, area, (0, y), &words, look.held());
                y += 1;
            }
        }
        if let Some((low, high)) = line.keys.filter(|_| y < area.height) {
            let words = format!("{}-{}", self.name(low), self.name(high));
            put(buf, area, (0, y), &words, look.faint());
        }
    }

    /// Octave marks, and over them the keys where a zone begins or ends inside the keyboard.
    fn render_marks(&self, line: &ControllerLine, area: Rect, buf: &mut Buffer) {
        let Some((low, high)) = line.keys else { return };
        let splits = splits(self.scene, self.controller, (low, high));
        let mut taken: Vec<(u16, u16)> = Vec::new();
        for split in splits {
            let name = format!("|{}", self.name(split));
            let x = self.scale.span((split, split)).0;
            let end = x + width(&name);
            if taken.iter().all(|(from, to)| end < *from || x > *to) {
                put(buf, area, (x, 0), &name, self.look.strong());
                taken.push((x, end));
            }
        }
        for key in (low..=high).filter(|key| key % 12 == 0) {
            let name = self.name(key);
            let x = self.scale.span((key, key)).0;
            let end = x + width(&name);
            let has_room = end <= self.scale.span((low, high)).0 + self.scale.span((low, high)).1;
            if has_room && taken.iter().all(|(from, to)| end < *from || x > *to) {
                put(buf, area, (x, 0), &name, self.look.faint());
                taken.push((x, end));
            }
        }
    }

    fn render_keys(&self, line: &ControllerLine, area: Rect, buf: &mut Buffer) {
        let Some((low, high)) = line.keys else { return };
        let (start, count) = self.scale.span((low, high));
        tint(buf, area, (start, 0), count, self.look.keybed());
        for key in (low..=high).filter(|key| is_black(*key)) {
            let (x, count) = self.scale.span((key, key));
            for offset in 0..count {
                put(
                    buf,
                    area,
                    (x + offset, 0),
                    self.look.marks.black,
                    self.look.keybed(),
                );
            }
        }
    }

    /// Sounding and held-over keys, over the marks or the picture of the keys.
    fn render_played(&self, live: &ControllerView, area: Rect, buf: &mut Buffer) {
        for key in 0..128u8 {
            let (mark, style) = if live.keys_down.contains(key) {
                (self.look.marks.lit, self.look.lit())
            } else if live.held_over.contains(key) {
                (self.look.marks.held, self.look.held())
            } else {
                continue;
            };
            let (x, count) = self.scale.span((key, key));
            for offset in 0..count {
                put(buf, area, (x + offset, 0), mark, style);
            }
        }
    }

    fn render_lane(&self, lane: &[&ZoneLine], area: Rect, buf: &mut Buffer) {
        for zone in lane {
            let (x, count) = self.scale.span(zone.keys);
            let style = self.zone_style(zone);
            let is_large = self.render_large(zone, area, buf);
            let middle = area.height.saturating_sub(1) / 2;
            for y in (0..area.height).filter(|_| !is_large) {
                let text = if y == middle {
                    self.zone_text(zone, count)
                } else {
                    self.zone_blank(count)
                };
                put(buf, area, (x, y), &text, style);
            }
            if let Some(live) = self.live {
                for key in (zone.keys.0..=zone.keys.1).filter(|key| live.keys_down.contains(*key)) {
                    // One row, however high the lane: chords repeated fast must not make a
                    // large part of the screen flash (WCAG 2.2, 2.3.1).
                    let (x, count) = self.scale.span((key, key));
                    tint(buf, area, (x, 0), count, self.look.lit_zone());
                }
            }
        }
    }

    /// Draws a zone with its sound's name in large letters, and level and transposition under
    /// the name or, in narrow letters, beside it. `false` if there is no room for that.
    fn render_large(&self, zone: &ZoneLine, area: Rect, buf: &mut Buffer) -> bool {
        let (x, count) = self.scale.span(zone.keys);
        let Some(large) = large(self.scene, zone, (count, area.height), self.look) else {
            return false;
        };
        let style = self.zone_style(zone);
        for y in 0..area.height {
            put(buf, area, (x, y), &self.zone_blank(count), style);
        }
        let inner = indent(area, x + LARGE_LEFT);
        let inner = Rect {
            width: inner.width.min(large_room(count, area.height)),
            ..inner
        };
        large.render(self.look, style, rows(inner, 0, large.height()), buf);
        let last = area.height - 1;
        let room = if last < large.height() {
            inner.width.saturating_sub(large.width())
        } else {
            inner.width
        };
        let words = changes(zone).into_iter().find(|words| width(words) <= room);
        put_right(buf, inner, last, &words.unwrap_or_default(), style);
        true
    }

    fn zone_style(&self, zone: &ZoneLine) -> Style {
        let hue = self.hues.get(zone.sound).copied().unwrap_or(zone.sound);
        if self.live.is_some() {
            self.look.zone_now(hue)
        } else {
            self.look.zone_next(hue)
        }
    }

    const fn edges(&self) -> [&'static str; 3] {
        if self.live.is_some() {
            self.look.marks.now
        } else {
            self.look.marks.next
        }
    }

    /// A row of a zone without words.
    fn zone_blank(&self, count: u16) -> String {
        let [left, _, right] = self.edges();
        match count {
            0 | 1 => left.to_owned(),
            _ => format!("{left}{}{right}", " ".repeat(usize::from(count) - 2)),
        }
    }

    /// The row of a zone with the sound's name and, as far as there is room, its transposition
    /// and level.
    fn zone_text(&self, zone: &ZoneLine, count: u16) -> String {
        let [left, line, right] = self.edges();
        let letter = letter(zone.sound);
        if count < 3 {
            return letter.to_string();
        }
        let inner = count - 2;
        if inner < 5 {
            let fill = line.repeat(usize::from(inner) - 1);
            return format!("{left}{letter}{fill}{right}");
        }
        let patch = self
            .scene
            .sounds
            .get(zone.sound)
            .map_or("?", |sound| sound.patch.as_str());
        let mut name = cut(patch, inner - 2);
        let transposition = changes(zone).pop().unwrap_or_default();
        if !transposition.is_empty() && width(&name) + width(&transposition) + 3 > inner {
            // The transposition must be visible: the name is cut for it, as long as some is
            // left.
            let short = inner.saturating_sub(width(&transposition) + 3);
            if short >= SHORTEST_NAME {
                name = cut(patch, short);
            }
        }
        // Two blanks round the name, and one after what follows it.
        let room = inner.saturating_sub(width(&name) + 2);
        let extra = changes(zone)
            .into_iter()
            .find(|words| width(words) < room)
            .unwrap_or_default();
        if extra.is_empty() {
            return format!("{left} {name} {}{right}", line.repeat(usize::from(room)));
        }
        let fill = match room - width(&extra) - 1 {
            0 => String::new(),
            more => format!("{} ", line.repeat(usize::from(more) - 1)),
        };
        format!("{left} {name} {fill}{extra} {right}")
    }

    fn name(&self, key: u8) -> String {
        self.sheet.key_name(key)
    }
}

/// The name of a zone's sound in large letters, if it fits into so many columns and rows:
/// beside a transposition, which must be visible, or above its row.
fn large(
    scene: &SceneLine,
    zone: &ZoneLine,
    (count, height): (u16, u16),
    look: &Look,
) -> Option<super::big::Fit> {
    let patch = &scene.sounds.get(zone.sound)?.patch;
    let room = large_room(count, height);
    if height >= LARGE_ROWS {
        return fit(patch, room, LARGE_ROWS - 1, look);
    }
    let transposition = changes(zone).pop().unwrap_or_default();
    fit(
        patch,
        room.saturating_sub(width(&transposition)),
        height,
        look,
    )
}

/// Columns for a large name between the edges of a zone. A narrow letter ends with a blank.
const fn large_room(count: u16, height: u16) -> u16 {
    let right = if height >= LARGE_ROWS { 2 } else { 1 };
    count.saturating_sub(LARGE_LEFT + right)
}

/// Whether some zone's sound can be named in large letters in lanes of so many rows.
pub(super) fn has_large(scene: &SceneLine, scale: Scale, look: &Look, lane_rows: u16) -> bool {
    let mut zones = scene.zones.iter();
    zones.any(|zone| large(scene, zone, (scale.span(zone.keys).1, lane_rows), look).is_some())
}

/// The sounds of a controller's zones that are too narrow for their names on this scale,
/// as `a Glass bells`.
pub(super) fn legend(sheet: &Sheet, scene: &SceneLine, scale: Scale) -> Vec<String> {
    let mut out = Vec::new();
    for zone in &scene.zones {
        let is_keyboard = sheet
            .controllers
            .get(zone.controller)
            .is_some_and(|c| c.keys.is_some());
        if is_keyboard && scale.span(zone.keys).1 < 10 {
            let patch = scene
                .sounds
                .get(zone.sound)
                .map_or("?", |sound| sound.patch.as_str());
            let words = format!("{} {patch}", letter(zone.sound));
            if !out.contains(&words) {
                out.push(words);
            }
        }
    }
    out
}

/// The zones of a controller in lanes: in each, none overlaps another.
pub(super) fn lanes(scene: &SceneLine, controller: usize) -> Vec<Vec<&ZoneLine>> {
    let mut zones: Vec<&ZoneLine> = scene
        .zones
        .iter()
        .filter(|zone| zone.controller == controller)
        .collect();
    zones.sort_by_key(|zone| zone.keys.0);
    let mut lanes: Vec<Vec<&ZoneLine>> = Vec::new();
    for zone in zones {
        let free = lanes
            .iter_mut()
            .find(|lane| lane.last().is_none_or(|last| last.keys.1 < zone.keys.0));
        match free {
            Some(lane) => lane.push(zone),
            None => lanes.push(vec![zone]),
        }
    }
    lanes
}

/// Keys at which a zone begins above the keyboard's lowest key, or the first key after one
/// that ends below its highest.
fn splits(scene: &SceneLine, controller: usize, (low, high): (u8, u8)) -> Vec<u8> {
    let mut out: Vec<u8> = scene
        .zones
        .iter()
        .filter(|zone| zone.controller == controller)
        .flat_map(|zone| [zone.keys.0, zone.keys.1.saturating_add(1)])
        .filter(|key| (low.saturating_add(1)..=high).contains(key))
        .collect();
    out.sort_unstable();
    out.dedup();
    out
}

/// Velocity window, transposition and level of a zone in words, from the longest form to the
/// shortest.
fn changes(zone: &ZoneLine) -> Vec<String> {
    let transpose = match zone.transpose {
        0 => String::new(),
        semitones => format!("{semitones:+}"),
    };
    let level = if zone.level_db.is_finite() && zone.level_db.abs() >= 0.05 {
        let rounded = (zone.level_db * 10.0).round() / 10.0;
        format!("{rounded:+}dB")
    } else {
        String::new()
    };
    let velocities = match zone.velocities {
        (0 | 1, 127) => String::new(),
        (from, to) => format!("vel {from}-{to}"),
    };
    let join = |parts: &[&String]| {
        let parts: Vec<&str> = parts
            .iter()
            .map(|p| p.as_str())
            .filter(|p| !p.is_empty())
            .collect();
        parts.join(" ")
    };
    vec![
        join(&[&velocities, &transpose, &level]),
        join(&[&transpose, &level]),
        join(&[&transpose]),
    ]
}

fn y_of_keys(extent: Extent) -> u16 {
    u16::from(extent.has_marks && extent.has_keys)
}

/// The letter that stands for a sound of a scene.
fn letter(sound: usize) -> char {
    let index = u8::try_from(sound % 26).unwrap_or(0);
    char::from(b'a' + index)
}

const fn is_black(key: u8) -> bool {
    matches!(key % 12, 1 | 3 | 6 | 8 | 10)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::SoundLine;

    fn zone(controller: usize, keys: (u8, u8)) -> ZoneLine {
        ZoneLine {
            controller,
            keys,
            velocities: (1, 127),
            ..ZoneLine::default()
        }
    }

    fn sheet(ranges: &[(u8, u8)]) -> Sheet {
        let controllers = ranges.iter().map(|keys| ControllerLine {
            keys: Some(*keys),
            ..ControllerLine::default()
        });
        Sheet {
            controllers: controllers.collect(),
            middle_c_octave: 4,
            ..Sheet::default()
        }
    }

    #[test]
    fn zones_share_a_lane_only_if_they_do_not_overlap() {
        let scene = SceneLine {
            zones: vec![
                zone(0, (60, 84)),
                zone(0, (21, 59)),
                zone(0, (50, 70)),
                zone(1, (0, 127)),
            ],
            ..SceneLine::default()
        };
        let keys: Vec<Vec<(u8, u8)>> = lanes(&scene, 0)
            .iter()
            .map(|lane| lane.iter().map(|zone| zone.keys).collect())
            .collect();
        assert_eq!(keys, [vec![(21, 59), (60, 84)], vec![(50, 70)]]);
        assert_eq!(splits(&scene, 0, (21, 108)), [50, 60, 71, 85]);
    }

    #[test]
    fn what_is_done_to_a_sound_is_said_as_far_as_there_is_room() {
        let zone = ZoneLine {
            velocities: (100, 127),
            transpose: -12,
            level_db: -6.54,
            ..zone(0, (21, 59))
        };
        assert_eq!(
            changes(&zone),
            ["vel 100-127 -12 -6.5dB", "-12 -6.5dB", "-12"]
        );
        assert_eq!(
            changes(&ZoneLine {
                velocities: (0, 127),
                ..ZoneLine::default()
            })[0],
            ""
        );
    }

    #[test]
    fn a_zone_too_narrow_for_its_name_has_a_letter_and_a_legend() {
        let sheet = sheet(&[(21, 108)]);
        let scale = Scale::of(&sheet, 66);
        let sound = |patch: &str| SoundLine {
            patch: patch.into(),
            receiver: 0,
        };
        let scene = SceneLine {
            zones: vec![
                zone(0, (21, 83)),
                ZoneLine {
                    sound: 1,
                    ..zone(0, (84, 87))
                },
            ],
            sounds: vec![sound("Felt piano"), sound("Bells")],
            ..SceneLine::default()
        };
        assert_eq!(legend(&sheet, &scene, scale), ["b Bells"]);
    }
}
